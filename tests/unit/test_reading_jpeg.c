/* test_reading_jpeg.c: JPEG against the values that were written.
 *
 * The pictures consist of whole 8 by 8 blocks of one value at quality 100 (all quantisers 1). Such a block is stored as
 * 8 * (value - 128) (ISO/IEC 10918-1, A.3.3) and comes back exactly, so a component stored as it is has no tolerance.
 */
#include "test_reading_pictures.h"

enum { CELL = 16, W = 3 * CELL, H = 2 * CELL };

/* Six cells; cell i has the samples cells[i]. */
static blob jpeg_of(const uint8_t cells[6][4], jpeg_spec spec)
{
  static uint8_t rows[W * H * 4];
  for (uint32_t y = 0; y < H; y++)
    for (uint32_t x = 0; x < W; x++)
      for (uint32_t c = 0; c < (uint32_t)spec.samples; c++)
        rows[(y * W + x) * (uint32_t)spec.samples + c] = cells[y / CELL * 3 + x / CELL][c];
  spec.width = W;
  spec.height = H;
  spec.rows = rows;
  return make_jpeg(&spec);
}

static void check_cells(blob *b, const double expected[6], double tolerance, int channels)
{
  sp_picture_info info;
  sp_raster r = read_blob(b, &info);
  assert_string_equal(info.format, "JPEG");
  assert_int_equal(info.bits_per_sample, 8);
  assert_int_equal(info.channels, channels);
  double all[W * H];
  for (uint32_t y = 0; y < H; y++)
    for (uint32_t x = 0; x < W; x++)
      all[y * W + x] = expected[y / CELL * 3 + x / CELL];
  check_values(&r, W, H, all, tolerance);
}

static const uint8_t GREYS[6][4] = {{20}, {40}, {60}, {80}, {100}, {120}};
static const jpeg_spec GREY = {.given = JCS_GRAYSCALE, .stored = JCS_GRAYSCALE, .samples = 1};

static void test_grey(void **state)
{
  (void)state;
  static const double expected[6] = {20, 40, 60, 80, 100, 120};
  for (int k = 0; k < 4; k++) {
    jpeg_spec spec = GREY;
    spec.progressive = k % 2;
    spec.restart_interval = k / 2 * 2;
    blob b = jpeg_of(GREYS, spec);
    check_cells(&b, expected, 0, 1);
  }
}

/* Y is handed through untouched, whatever the colour. */
static void test_ycbcr_gives_its_luma(void **state)
{
  (void)state;
  static const uint8_t cells[6][4] = {{0, 128, 128}, {255, 90, 200}, {77, 255, 3},
                                      {128, 0, 0},   {200, 17, 99},  {31, 64, 255}};
  static const double expected[6] = {0, 255, 77, 128, 200, 31};
  for (int k = 0; k < 2; k++) {
    blob b = jpeg_of(cells, (jpeg_spec){.given = JCS_YCbCr, .stored = JCS_YCbCr, .samples = 3, .progressive = k});
    check_cells(&b, expected, 0, 3);
  }
}

static void test_rgb(void **state)
{
  (void)state;
  static const uint8_t cells[6][4] = {{255, 0, 0},  {0, 255, 0},     {0, 0, 255},
                                      {90, 90, 90}, {255, 255, 255}, {12, 34, 56}};
  double expected[6];
  for (int i = 0; i < 6; i++)
    expected[i] = luma601(cells[i][0], cells[i][1], cells[i][2]);
  blob b = jpeg_of(cells, (jpeg_spec){.given = JCS_RGB, .stored = JCS_RGB, .samples = 3});
  check_cells(&b, expected, 0.51, 3); /* half a unit for rounding, and the fixed-point weights */
}

/* What is written is ink from 0 to 255 without an Adobe segment, and its complement with one. */
static void test_ink(void **state)
{
  (void)state;
  static const uint8_t ink[6][4] = {{0, 0, 0, 0},   {255, 0, 0, 0},   {0, 255, 0, 51},
                                    {0, 0, 255, 0}, {10, 20, 30, 40}, {0, 0, 0, 255}};
  double expected[6];
  uint8_t complement[6][4];
  for (int i = 0; i < 6; i++) {
    expected[i] = luma601(255 - ink[i][0], 255 - ink[i][1], 255 - ink[i][2]) * (255 - ink[i][3]) / 255;
    for (int c = 0; c < 4; c++)
      complement[i][c] = (uint8_t)(255 - ink[i][c]);
  }
  blob b = jpeg_of(ink, (jpeg_spec){.given = JCS_CMYK, .stored = JCS_CMYK, .samples = 4, .no_adobe = true});
  check_cells(&b, expected, 1.0, 4); /* rounded twice */
  b = jpeg_of((const uint8_t(*)[4])complement, (jpeg_spec){.given = JCS_CMYK, .stored = JCS_CMYK, .samples = 4});
  check_cells(&b, expected, 1.0, 4);
  b = jpeg_of((const uint8_t(*)[4])complement, (jpeg_spec){.given = JCS_CMYK, .stored = JCS_YCCK, .samples = 4});
  check_cells(&b, expected, 2.0, 4); /* and the rounding of YCC */
}

static sp_picture_info resolution_of(int unit, int density, uint32_t exif_num, uint32_t exif_den, unsigned exif_unit)
{
  jpeg_spec spec = GREY;
  spec.density_unit = unit;
  spec.density = density;
  blob exif = make_exif(1, exif_num, exif_den, exif_unit);
  if (exif_den)
    spec.exif = &exif;
  blob b = jpeg_of(GREYS, spec);
  sp_picture_info info;
  sp_raster r = read_blob(&b, &info);
  sp_raster_free(&r);
  blob_free(&exif);
  CHECK_CLOSE(info.stated_dpi_x, info.stated_dpi_y, 0);
  return info;
}

/* JFIF 1.02 (ISO/IEC 10918-5): density in whole dots, units 1 = inch, 2 = cm, 0 = only an aspect ratio. 118 and 236 a
 * cm, what 300 and 600 dpi round to, are 299.72 and 599.44 dpi. */
static void test_resolution(void **state)
{
  (void)state;
  CHECK_CLOSE(resolution_of(2, 118, 0, 0, 0).stated_dpi_x, 299.72, 1e-9);
  CHECK_CLOSE(resolution_of(2, 236, 0, 0, 0).stated_dpi_x, 599.44, 1e-9);
  CHECK_CLOSE(resolution_of(1, 600, 0, 0, 0).stated_dpi_x, 600, 1e-9);
  CHECK_CLOSE(resolution_of(0, 1, 0, 0, 0).stated_dpi_x, 0, 0);
  CHECK_CLOSE(resolution_of(0, 1, 400, 1, 2).stated_dpi_x, 400, 1e-9);
  CHECK_CLOSE(resolution_of(2, 118, 300, 1, 2).stated_dpi_x, 300, 1e-9); /* JFIF is EXIF, rounded */
  CHECK_CLOSE(resolution_of(1, 600, 72, 1, 2).stated_dpi_x, 600, 1e-9);  /* they differ: JFIF */
  CHECK_CLOSE(resolution_of(0, 1, 11811, 100, 3).stated_dpi_x, 299.9994, 1e-9);
}

static void test_orientation(void **state)
{
  (void)state;
  for (unsigned k = 0; k < 16; k++) {
    const unsigned orientation = k % 8 + 1;
    blob exif = make_exif(orientation, 0, 0, 0);
    jpeg_spec spec = GREY;
    spec.exif = &exif;
    spec.progressive = k >= 8;
    blob b = jpeg_of(GREYS, spec);
    sp_picture_info info;
    sp_raster r = read_blob(&b, &info);
    assert_int_equal(info.orientation, orientation);
    check_oriented(&r, (int)orientation, CELL, 0);
    blob_free(&exif);
  }
}

static void test_orientation_that_means_nothing(void **state)
{
  (void)state;
  static const unsigned values[] = {0, 9, 255, 0x0600, 0xffff};
  for (size_t k = 0; k < sizeof values / sizeof *values; k++) {
    blob exif = make_exif(values[k], 0, 0, 0);
    jpeg_spec spec = GREY;
    spec.exif = &exif;
    blob b = jpeg_of(GREYS, spec);
    sp_picture_info info;
    sp_raster r = read_blob(&b, &info);
    assert_int_equal(info.orientation, 1);
    check_oriented(&r, 1, CELL, 0);
    blob_free(&exif);
  }
}

static blob noisy(bool progressive, int restart_interval)
{
  static uint8_t rows[120 * 80];
  for (unsigned i = 0; i < sizeof rows; i++)
    rows[i] = (uint8_t)((i * i * 2654435761u) >> 13);
  return make_jpeg(&(jpeg_spec){.width = 120,
                                .height = 80,
                                .given = JCS_GRAYSCALE,
                                .stored = JCS_GRAYSCALE,
                                .samples = 1,
                                .rows = rows,
                                .progressive = progressive,
                                .restart_interval = restart_interval});
}

/* libjpeg would fill the rest with grey and only warn. */
static void test_cut_short(void **state)
{
  (void)state;
  for (int k = 0; k < 4; k++) {
    blob b = noisy(k % 2, k / 2 * 5);
    check_cuts(&b, 97);
    check_refused(b.bytes, b.size - 1, SP_E_DATA, "the file ends");
    check_refused(b.bytes, b.size - 2, SP_E_DATA, "the file ends");
    check_refused(b.bytes, b.size / 2, SP_E_DATA, "of 80); scan or copy it again");
    blob_free(&b);
  }
}

/* The end marker in the middle of the data, and a lost piece of it: the file is whole, the picture is not. */
static void test_lost_data(void **state)
{
  (void)state;
  blob b = noisy(false, 0);
  b.bytes[b.size / 2] = 0xff;
  b.bytes[b.size / 2 + 1] = 0xd9;
  check_refused(b.bytes, b.size, SP_E_DATA, "damaged at row");
  blob_free(&b);
  b = noisy(false, 5);
  memmove(b.bytes + b.size / 2, b.bytes + b.size / 2 + 400, b.size - b.size / 2 - 400);
  check_refused(b.bytes, b.size - 400, SP_E_DATA, "damaged");
  blob_free(&b);
}

/* Whatever byte is wrong: a picture or one line, never a crash. */
static void test_wrong_bytes(void **state)
{
  (void)state;
  int refused = 0;
  for (int k = 0; k < 2; k++) {
    blob b = noisy(k, 0);
    for (size_t i = 0; i < b.size; i += i < 700 ? 1 : 37) {
      sp_raster r;
      sp_picture_info info;
      sp_error err = {0};
      b.bytes[i] ^= 0x5a;
      if (sp_read_picture_memory(b.bytes, b.size, &(sp_read_options){.max_pixels = 1u << 22}, &r, &info, &err) !=
          SP_OK) {
        check_message(&err, SP_E_DATA, ";");
        refused++;
      }
      sp_raster_free(&r);
      b.bytes[i] ^= 0x5a;
    }
    blob_free(&b);
  }
  assert_true(refused > 100); /* headers and tables are most of the first 700 bytes */
}

static void test_rubbish_behind_the_end(void **state)
{
  (void)state;
  blob b = noisy(false, 0);
  blob_write(&b, "a second picture, or whatever", 29);
  sp_raster r = read_blob(&b, NULL);
  assert_int_equal(r.height_px, 80);
  sp_raster_free(&r);
}

/* A frame header of 65500 by 65500 pixels in some hundred bytes. */
static void test_claims_too_much(void **state)
{
  (void)state;
  blob b = noisy(true, 0);
  size_t i = 0;
  while (i + 9 < b.size && !(b.bytes[i] == 0xff && b.bytes[i + 1] == 0xc2))
    i++;
  assert_true(i + 9 < b.size);
  b.bytes[i + 5] = b.bytes[i + 7] = 0xff;
  b.bytes[i + 6] = b.bytes[i + 8] = 0xdc;
  check_refused(b.bytes, b.size, SP_E_DATA, "too short for the 65500 by 65500 pixels");
  b.bytes[i + 4] = 12;
  check_refused(b.bytes, b.size, SP_E_DATA, "this kind of JPEG cannot be read");
  blob_free(&b);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_grey),
      cmocka_unit_test(test_ycbcr_gives_its_luma),
      cmocka_unit_test(test_rgb),
      cmocka_unit_test(test_ink),
      cmocka_unit_test(test_resolution),
      cmocka_unit_test(test_orientation),
      cmocka_unit_test(test_orientation_that_means_nothing),
      cmocka_unit_test(test_cut_short),
      cmocka_unit_test(test_lost_data),
      cmocka_unit_test(test_wrong_bytes),
      cmocka_unit_test(test_rubbish_behind_the_end),
      cmocka_unit_test(test_claims_too_much),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
