/* test_reading_png.c: PNG, every colour type and depth, against values computed here from what was written.
 * Sample depth scaling: ISO/IEC 15948, 13.12 (value * 255 / maximum, rounded). */
#include "test_reading_pictures.h"

enum { W = 13, H = 11 }; /* odd, so that every Adam7 pass is there and none is full */

static unsigned value(uint32_t x, uint32_t y, unsigned bits)
{
  return (x * 7u + y * 5u + x * y) & ((1u << bits) - 1u);
}

static void test_grey_of_every_depth(void **state)
{
  (void)state;
  static const unsigned depths[] = {1, 2, 4, 8, 16};
  for (int k = 0; k < 10; k++) {
    const unsigned bits = depths[k / 2], top = (1u << bits) - 1u;
    uint8_t rows[H * W * 2] = {0};
    double expected[H * W];
    for (uint32_t y = 0; y < H; y++)
      for (uint32_t x = 0; x < W; x++) {
        const unsigned v = bits == 16 ? (x * 5003u + y * 377u) & 0xffffu : value(x, y, bits);
        const size_t bit = x * bits;
        uint8_t *row = rows + y * W * 2;
        if (bits == 16)
          row[2 * x + 1] = (uint8_t)v;
        if (bits >= 8)
          row[bit / 8] = (uint8_t)(bits == 16 ? v >> 8 : v);
        else
          row[bit / 8] = (uint8_t)(row[bit / 8] | v << (8 - bits - bit % 8));
        expected[y * W + x] = bits == 16 ? v : floor(v * 255.0 / top + 0.5);
      }
    blob b = make_png(&(png_spec){.width = W,
                                  .height = H,
                                  .colour = PNG_COLOR_TYPE_GRAY,
                                  .bits = (int)bits,
                                  .interlaced = k % 2,
                                  .rows = rows,
                                  .row_bytes = W * 2});
    sp_picture_info info;
    sp_raster r = read_blob(&b, &info);
    assert_string_equal(info.format, "PNG");
    assert_int_equal(info.bits_per_sample, bits);
    assert_int_equal(info.channels, 1);
    assert_int_equal(info.orientation, 1);
    CHECK_CLOSE(info.stated_dpi_x, 0, 0);
    assert_int_equal(r.u16 != NULL, bits == 16);
    check_values(&r, W, H, expected, 0);
  }
}

/* Grey and alpha, RGB, RGBA, 8 and 16 bits, interlaced or not. Alpha: over white. */
static void test_colour_and_alpha(void **state)
{
  (void)state;
  static const int colours[] = {PNG_COLOR_TYPE_GRAY_ALPHA, PNG_COLOR_TYPE_RGB, PNG_COLOR_TYPE_RGB_ALPHA};
  for (int k = 0; k < 12; k++) {
    const int colour = colours[k % 3], bits = k < 6 ? 8 : 16;
    const bool alpha = colour != PNG_COLOR_TYPE_RGB, rgb = colour != PNG_COLOR_TYPE_GRAY_ALPHA;
    const uint32_t samples = (rgb ? 3u : 1u) + (alpha ? 1u : 0u);
    const double full = bits == 8 ? 255 : 65535;
    uint8_t rows[H * W * 8];
    double expected[H * W];
    for (uint32_t y = 0; y < H; y++)
      for (uint32_t x = 0; x < W; x++) {
        double s[4];
        for (uint32_t c = 0; c < samples; c++) {
          const unsigned v = (x * 19u + y * 23u + c * 71u) & 0xff, low = (v * 3u + c) & 0xff;
          uint8_t *p = rows + y * W * 8 + (x * samples + c) * (uint32_t)(bits / 8);
          p[0] = (uint8_t)v;
          if (bits == 16)
            p[1] = (uint8_t)low;
          s[c] = bits == 8 ? v : v * 256u + low;
        }
        const double grey = rgb ? luma601(s[0], s[1], s[2]) : s[0];
        const double a = alpha ? s[samples - 1] / full : 1;
        expected[y * W + x] = grey * a + full * (1 - a);
      }
    blob b = make_png(&(png_spec){.width = W,
                                  .height = H,
                                  .colour = colour,
                                  .bits = bits,
                                  .interlaced = k % 6 >= 3,
                                  .rows = rows,
                                  .row_bytes = W * 8});
    sp_picture_info info;
    sp_raster r = read_blob(&b, &info);
    assert_int_equal(info.channels, samples);
    check_values(&r, W, H, expected, 1.0 + (bits == 16 ? 1.0 : 0.0)); /* rounded twice; weights of 16 bits */
  }
}

/* Grey stored as RGB, opaque alpha: values stay exactly what they were. */
static void test_neutral_rgba_is_exact(void **state)
{
  (void)state;
  uint8_t rows[256 * 4];
  double expected[256];
  for (unsigned v = 0; v < 256; v++) {
    rows[4 * v] = rows[4 * v + 1] = rows[4 * v + 2] = (uint8_t)v;
    rows[4 * v + 3] = 255;
    expected[v] = v;
  }
  blob b = make_png(&(png_spec){.width = 256,
                                .height = 1,
                                .colour = PNG_COLOR_TYPE_RGB_ALPHA,
                                .bits = 8,
                                .rows = rows,
                                .row_bytes = sizeof rows});
  sp_raster r = read_blob(&b, NULL);
  check_values(&r, 256, 1, expected, 0);
}

static void test_palette(void **state)
{
  (void)state;
  static const png_color palette[3] = {{255, 0, 0}, {10, 200, 30}, {0, 0, 255}};
  static const uint8_t alpha[2] = {255, 51}; /* the second entry is one fifth opaque */
  const double grey[3] = {luma601(255, 0, 0), luma601(10, 200, 30) / 5 + 255 * 0.8, luma601(0, 0, 255)};
  for (int k = 0; k < 8; k++) {
    const unsigned bits = 2u << (k / 2 % 3); /* 2, 4, 8, 2 */
    uint8_t rows[H * W] = {0};
    double expected[H * W];
    for (uint32_t y = 0; y < H; y++)
      for (uint32_t x = 0; x < W; x++) {
        const unsigned v = (x + 2 * y) % 3, bit = x * bits;
        rows[y * W + bit / 8] = (uint8_t)(rows[y * W + bit / 8] | v << (8 - bits - bit % 8));
        expected[y * W + x] = grey[v];
      }
    blob b = make_png(&(png_spec){.width = W,
                                  .height = H,
                                  .colour = PNG_COLOR_TYPE_PALETTE,
                                  .bits = (int)bits,
                                  .interlaced = k % 2,
                                  .rows = rows,
                                  .row_bytes = W,
                                  .palette = palette,
                                  .palette_size = 3,
                                  .alpha = alpha,
                                  .alphas = 2});
    sp_picture_info info;
    sp_raster r = read_blob(&b, &info);
    assert_int_equal(info.bits_per_sample, bits);
    check_values(&r, W, H, expected, 1.0);
  }
}

static void test_index_outside_the_palette(void **state)
{
  (void)state;
  static const png_color palette[2] = {{0, 0, 0}, {255, 255, 255}};
  static const uint8_t row[4] = {0, 1, 2, 0};
  blob b = make_png(&(png_spec){.width = 4,
                                .height = 1,
                                .colour = PNG_COLOR_TYPE_PALETTE,
                                .bits = 8,
                                .rows = row,
                                .row_bytes = 4,
                                .palette = palette,
                                .palette_size = 2});
  check_refused(b.bytes, b.size, SP_E_DATA, "not in the palette");
  blob_free(&b);
}

/* One grey value declared see-through: white. */
static void test_colour_key(void **state)
{
  (void)state;
  static const uint8_t row[4] = {7, 90, 8, 7};
  static const double expected[4] = {255, 90, 8, 255};
  blob b = make_png(&(png_spec){.width = 4,
                                .height = 1,
                                .colour = PNG_COLOR_TYPE_GRAY,
                                .bits = 8,
                                .rows = row,
                                .row_bytes = 4,
                                .key = &(png_color_16){.gray = 7}});
  sp_raster r = read_blob(&b, NULL);
  check_values(&r, 4, 1, expected, 0);
}

/* ISO/IEC 15948, 11.3.5.3: pHYs counts pixels a metre. 11811 and 23622, what 300 and 600 dpi round to, are 299.9994 and
 * 599.9988 dpi. */
static void test_resolution(void **state)
{
  (void)state;
  static const uint8_t rows[2] = {1, 2};
  blob b = make_png(&(png_spec){.width = 2,
                                .height = 1,
                                .colour = PNG_COLOR_TYPE_GRAY,
                                .bits = 8,
                                .rows = rows,
                                .row_bytes = 2,
                                .per_metre_x = 11811,
                                .per_metre_y = 23622});
  sp_picture_info info;
  sp_raster r = read_blob(&b, &info);
  sp_raster_free(&r);
  CHECK_CLOSE(info.stated_dpi_x, 299.9994, 5e-5);
  CHECK_CLOSE(info.stated_dpi_y, 599.9988, 5e-5);
}

static void test_orientation(void **state)
{
  (void)state;
  for (int k = 0; k < 64; k++) {
    const unsigned orientation = (unsigned)k % 8 + 1;
    const uint32_t cell = k < 32 ? 1 : 50; /* 150 by 100 does not fit one band of rows */
    uint8_t *rows = make_cells(cell);
    blob exif = make_exif(orientation, 0, 0, 0);
    blob b = make_png(&(png_spec){.width = 3 * cell,
                                  .height = 2 * cell,
                                  .colour = PNG_COLOR_TYPE_GRAY,
                                  .bits = 8,
                                  .rows = rows,
                                  .row_bytes = 3 * cell,
                                  .per_metre_x = 10000,
                                  .per_metre_y = 20000,
                                  .interlaced = k / 8 % 2,
                                  .exif = &exif,
                                  .exif_behind = k / 16 % 2});
    sp_picture_info info;
    sp_raster r = read_blob(&b, &info);
    assert_int_equal(info.orientation, orientation);
    CHECK_CLOSE(info.stated_dpi_x, orientation >= 5 ? 508 : 254, 1e-9); /* axes of the upright picture */
    CHECK_CLOSE(info.stated_dpi_y, orientation >= 5 ? 254 : 508, 1e-9);
    check_oriented(&r, (int)orientation, cell, 0);
    blob_free(&exif);
    free(rows);
  }
}

static void test_orientation_of_16_bits(void **state)
{
  (void)state;
  for (unsigned orientation = 1; orientation <= 8; orientation++) {
    uint8_t rows[12];
    for (unsigned i = 0; i < 6; i++) {
      rows[2 * i] = (uint8_t)(i + 1);
      rows[2 * i + 1] = 0xab;
    }
    blob exif = make_exif(orientation, 0, 0, 0);
    blob b = make_png(&(png_spec){.width = 3,
                                  .height = 2,
                                  .colour = PNG_COLOR_TYPE_GRAY,
                                  .bits = 16,
                                  .rows = rows,
                                  .row_bytes = 6,
                                  .exif = &exif});
    sp_raster r = read_blob(&b, NULL);
    for (unsigned i = 0; i < 6; i++)
      assert_int_equal(r.u16[i], ORIENTED[orientation - 1][i] * 256 + 0xab);
    sp_raster_free(&r);
    blob_free(&exif);
  }
}

/* EXIF resolution counts where pHYs is missing; libexif's invented 72 dpi must not appear. */
static void test_exif_resolution(void **state)
{
  (void)state;
  static const uint8_t rows[2] = {1, 2};
  static const struct {
    uint32_t num, den;
    unsigned unit;
    double dpi;
  } cases[] = {{600, 1, 2, 600}, {2400000, 10000, 3, 609.6}, {0, 0, 0, 0}, {300, 1, 1, 0}};
  for (size_t k = 0; k < sizeof cases / sizeof *cases; k++) {
    blob exif = make_exif(1, cases[k].num, cases[k].den, cases[k].unit);
    blob b = make_png(&(png_spec){.width = 2,
                                  .height = 1,
                                  .colour = PNG_COLOR_TYPE_GRAY,
                                  .bits = 8,
                                  .rows = rows,
                                  .row_bytes = 2,
                                  .exif = &exif});
    sp_picture_info info;
    sp_raster r = read_blob(&b, &info);
    sp_raster_free(&r);
    CHECK_CLOSE(info.stated_dpi_x, cases[k].dpi, 1e-9);
    CHECK_CLOSE(info.stated_dpi_y, cases[k].dpi, 1e-9);
    blob_free(&exif);
  }
}

static blob noisy(bool interlaced)
{
  static uint8_t rows[60 * 40];
  for (unsigned i = 0; i < sizeof rows; i++)
    rows[i] = (uint8_t)((i * i * 2654435761u) >> 13);
  return make_png(&(png_spec){.width = 60,
                              .height = 40,
                              .colour = PNG_COLOR_TYPE_GRAY,
                              .bits = 8,
                              .rows = rows,
                              .row_bytes = 60,
                              .interlaced = interlaced});
}

static void test_cut_short(void **state)
{
  (void)state;
  for (int k = 0; k < 2; k++) {
    blob b = noisy(k);
    check_cuts(&b, 7);
    check_refused(b.bytes, b.size / 2, SP_E_DATA, "of 40");
    check_refused(b.bytes, b.size - 12, SP_E_DATA, "the file ends"); /* all pixels, no IEND */
    blob_free(&b);
  }
}

/* Every byte but the names of ancillary chunks is under a CRC: one wrong bit anywhere is noticed. */
static void test_one_wrong_bit(void **state)
{
  (void)state;
  blob b = noisy(false);
  for (size_t i = 0; i < b.size; i++) {
    b.bytes[i] ^= 0x10;
    check_refused(b.bytes, b.size, SP_E_DATA, ";");
    b.bytes[i] ^= 0x10;
  }
  b.bytes[b.size / 2] ^= 1;
  check_refused(b.bytes, b.size, SP_E_DATA, "damaged");
  blob_free(&b);
}

static void test_rubbish_behind_the_end(void **state)
{
  (void)state;
  blob b = noisy(false);
  blob_write(&b, "left over from the last file", 28);
  sp_raster r = read_blob(&b, NULL);
  assert_int_equal(r.height_px, 40);
  sp_raster_free(&r);
}

/* A header of 2^31 - 1 by 2^31 - 1 pixels in a file of some bytes: refused before memory is taken. */
static void test_claims_too_much(void **state)
{
  (void)state;
  static const uint8_t file[] =
      "\x89PNG\r\n\x1a\n\0\0\0\x0dIHDR\x7f\xff\xff\xff\x7f\xff\xff\xff\x08\0\0\0\0\x31\xa2\x54\xba"
      "\0\0\0\0IDAT\x35\xaf\x06\x1e";
  check_refused(file, sizeof file - 1, SP_E_DATA, "too short for the 2147483647 by");
  blob b = noisy(false);
  sp_raster r;
  sp_picture_info info;
  sp_error err = {0};
  assert_int_equal(sp_read_picture_memory(b.bytes, b.size, &(sp_read_options){.max_pixels = 2399}, &r, &info, &err),
                   SP_E_DATA);
  check_message(&err, SP_E_DATA, "60 by 40 pixels, more than the limit of 2399");
  assert_int_equal(sp_read_picture_memory(b.bytes, b.size, &(sp_read_options){.max_pixels = 2400}, &r, &info, &err),
                   SP_OK);
  sp_raster_free(&r);
  blob_free(&b);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_grey_of_every_depth),
      cmocka_unit_test(test_colour_and_alpha),
      cmocka_unit_test(test_neutral_rgba_is_exact),
      cmocka_unit_test(test_palette),
      cmocka_unit_test(test_index_outside_the_palette),
      cmocka_unit_test(test_colour_key),
      cmocka_unit_test(test_resolution),
      cmocka_unit_test(test_orientation),
      cmocka_unit_test(test_orientation_of_16_bits),
      cmocka_unit_test(test_exif_resolution),
      cmocka_unit_test(test_cut_short),
      cmocka_unit_test(test_one_wrong_bit),
      cmocka_unit_test(test_rubbish_behind_the_end),
      cmocka_unit_test(test_claims_too_much),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
