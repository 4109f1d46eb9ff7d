/* test_reading_tiff.c: TIFF (TIFF 6.0, Adobe 1992) as libtiff writes it and as written by hand, against the values that
 * went in. */
#include "test_reading_pictures.h"

enum { W = 37, H = 21, SAMPLES_MAX = 5 };

static unsigned sample(uint32_t x, uint32_t y, uint32_t c)
{
  return x * 1973u + y * 9277u + c * 26699u + x * y * 101u;
}

/* Fills rows (or planes of rows) with `bits` wide samples, first sample in the high bits (TIFF 6.0, FillOrder 1). */
static uint8_t *make_rows(int bits, int samples, bool planes, size_t *row_bytes)
{
  const int together = planes ? 1 : samples, apart = planes ? samples : 1;
  *row_bytes = ((size_t)W * (size_t)together * (size_t)bits + 7) / 8;
  uint8_t *rows = calloc((size_t)H * (size_t)apart, *row_bytes);
  assert_non_null(rows);
  for (int p = 0; p < apart; p++)
    for (uint32_t y = 0; y < H; y++)
      for (uint32_t i = 0; i < W * (uint32_t)together; i++) {
        uint8_t *row = rows + ((size_t)p * H + y) * *row_bytes;
        const uint32_t c = planes ? (uint32_t)p : i % (uint32_t)samples;
        const unsigned v = sample(planes ? i : i / (uint32_t)samples, y, c) & ((1u << bits) - 1u);
        if (bits == 16) {
          const uint16_t word = (uint16_t)v;
          memcpy(row + 2 * i, &word, 2);
          continue;
        }
        for (int k = 0; k < bits; k++) {
          const size_t bit = (size_t)i * (size_t)bits + (size_t)k;
          row[bit / 8] = (uint8_t)(row[bit / 8] | ((v >> (bits - 1 - k)) & 1u) << (7 - bit % 8));
        }
      }
  return rows;
}

/* What the colour model makes of full-scale samples in 0..1, as grey in 0..1. */
static double grey_of(const double s[SAMPLES_MAX], const tiff_spec *spec)
{
  switch (spec->photometric) {
  case PHOTOMETRIC_MINISWHITE:
    return 1 - s[0];
  case PHOTOMETRIC_RGB:
    return luma601(s[0], s[1], s[2]);
  case PHOTOMETRIC_SEPARATED:
    return luma601(1 - s[0], 1 - s[1], 1 - s[2]) * (1 - s[3]);
  default:
    return s[0];
  }
}

static void check_tiff(tiff_spec spec, double tolerance)
{
  const bool planes = spec.planar == PLANARCONFIG_SEPARATE;
  uint8_t *rows = make_rows(spec.bits, spec.samples, planes, &spec.row_bytes);
  spec.rows = rows;
  spec.width = W;
  spec.height = H;
  blob b = make_tiff(&spec);
  double expected[W * H];
  const double full = spec.bits > 8 ? 65535 : 255, top = (double)((1u << spec.bits) - 1u);
  for (uint32_t y = 0; y < H; y++)
    for (uint32_t x = 0; x < W; x++) {
      double s[SAMPLES_MAX];
      for (uint32_t c = 0; c < (uint32_t)spec.samples; c++)
        s[c] = (sample(x, y, c) & ((1u << spec.bits) - 1u)) / top;
      double grey = grey_of(s, &spec);
      if (spec.extra_kind == EXTRASAMPLE_UNASSALPHA)
        grey = grey * s[spec.samples - 1] + 1 - s[spec.samples - 1];
      if (spec.extra_kind == EXTRASAMPLE_ASSOCALPHA)
        grey = fmin(1, grey + 1 - s[spec.samples - 1]);
      expected[y * W + x] = tolerance < 0.51 ? floor(grey * full + 0.5) : grey * full;
    }
  sp_picture_info info;
  sp_raster r = read_blob(&b, &info);
  assert_string_equal(info.format, "TIFF");
  assert_int_equal(info.bits_per_sample, spec.bits);
  assert_int_equal(info.channels, spec.samples);
  assert_int_equal(r.u16 != NULL, spec.bits > 8);
  check_values(&r, W, H, expected, tolerance);
  free(rows);
}

static const tiff_spec GREY8 = {.bits = 8, .samples = 1, .photometric = PHOTOMETRIC_MINISBLACK, .extra_kind = -1};

static void test_every_depth(void **state)
{
  (void)state;
  for (int bits = 1; bits <= 16; bits++)
    for (int k = 0; k < 4; k++) {
      tiff_spec spec = GREY8;
      spec.bits = bits;
      spec.mode = k % 2 ? "wb" : "wl";
      spec.compression = k / 2 ? COMPRESSION_LZW : COMPRESSION_NONE;
      spec.rows_per_strip = bits % 3 * 4; /* 0: one strip; 4 and 8: the last is short */
      check_tiff(spec, 0);
      spec.photometric = PHOTOMETRIC_MINISWHITE;
      check_tiff(spec, 0);
      spec.photometric = PHOTOMETRIC_RGB;
      spec.samples = 3;
      check_tiff(spec, bits == 8 ? 0.51 : bits > 8 ? 1.6 : 1.1); /* luma of scaled, rounded samples */
    }
}

static void test_colour_models(void **state)
{
  (void)state;
  static const struct {
    int photometric, samples, extra;
  } models[] = {
      {PHOTOMETRIC_MINISBLACK, 2, EXTRASAMPLE_UNASSALPHA},  {PHOTOMETRIC_MINISBLACK, 2, EXTRASAMPLE_ASSOCALPHA},
      {PHOTOMETRIC_MINISBLACK, 2, EXTRASAMPLE_UNSPECIFIED}, {PHOTOMETRIC_RGB, 3, -1},
      {PHOTOMETRIC_RGB, 4, EXTRASAMPLE_UNASSALPHA},         {PHOTOMETRIC_RGB, 4, EXTRASAMPLE_ASSOCALPHA},
      {PHOTOMETRIC_RGB, 4, EXTRASAMPLE_UNSPECIFIED},        {PHOTOMETRIC_SEPARATED, 4, -1},
      {PHOTOMETRIC_SEPARATED, 5, EXTRASAMPLE_UNASSALPHA}};
  static const int compressions[] = {COMPRESSION_NONE, COMPRESSION_ADOBE_DEFLATE};
  for (size_t m = 0; m < sizeof models / sizeof *models; m++)
    for (int k = 0; k < 32; k++) {
      const tiff_spec spec = {.mode = k & 1 ? "wb" : "wl",
                              .bits = k & 2 ? 16 : 8,
                              .samples = models[m].samples,
                              .photometric = models[m].photometric,
                              .extra_kind = models[m].extra,
                              .planar = k & 4 ? PLANARCONFIG_SEPARATE : PLANARCONFIG_CONTIG,
                              .compression = compressions[k >> 3 & 1],
                              .rows_per_strip = 5,
                              .tile_w = k & 16 ? 32 : 0,
                              .tile_h = k & 16 ? 16 : 0};
      check_tiff(spec, 2.1); /* rounded once for the colour, once for ink or alpha; weights of 16 bits */
    }
}

static void test_tiles(void **state)
{
  (void)state;
  for (int k = 0; k < 8; k++) {
    tiff_spec spec = GREY8;
    spec.tile_w = k & 1 ? 16 : 64; /* smaller and larger than the picture */
    spec.tile_h = k & 1 ? 16 : 32;
    spec.bits = k & 2 ? 16 : 8;
    spec.compression = k & 4 ? COMPRESSION_LZW : COMPRESSION_NONE;
    check_tiff(spec, 0);
  }
}

/* Whatever this libtiff can write without loss. */
static void test_compressions(void **state)
{
  (void)state;
  static const struct {
    int compression, bits;
  } cases[] = {{COMPRESSION_PACKBITS, 8},      {COMPRESSION_LZW, 16},      {COMPRESSION_ADOBE_DEFLATE, 16},
               {COMPRESSION_ADOBE_DEFLATE, 4}, {COMPRESSION_LZMA, 8},      {COMPRESSION_ZSTD, 16},
               {COMPRESSION_CCITTRLE, 1},      {COMPRESSION_CCITTFAX3, 1}, {COMPRESSION_CCITTFAX4, 1}};
  int tried = 0;
  for (size_t k = 0; k < sizeof cases / sizeof *cases; k++) {
    if (!TIFFIsCODECConfigured((uint16_t)cases[k].compression))
      continue;
    tiff_spec spec = GREY8;
    spec.compression = cases[k].compression;
    spec.bits = cases[k].bits;
    spec.rows_per_strip = 6;
    check_tiff(spec, 0);
    tried++;
  }
  assert_true(tried >= 4);
}

/* YCbCr in JPEG: blocks of one neutral value. */
static void test_jpeg_inside(void **state)
{
  (void)state;
  uint8_t *cells = make_cells(16);
  uint8_t rows[48 * 32 * 3];
  for (size_t i = 0; i < 48 * 32; i++)
    rows[3 * i] = rows[3 * i + 1] = rows[3 * i + 2] = cells[i];
  tiff_spec spec = {.width = 48,
                    .height = 32,
                    .bits = 8,
                    .samples = 3,
                    .photometric = PHOTOMETRIC_YCBCR,
                    .extra_kind = -1,
                    .compression = COMPRESSION_JPEG,
                    .rows = rows,
                    .row_bytes = 48 * 3,
                    .rows_per_strip = 16};
  blob b = make_tiff(&spec);
  sp_raster r = read_blob(&b, NULL);
  check_oriented(&r, 1, 16, 1.0);
  free(cells);
}

static void test_palette(void **state)
{
  (void)state;
  for (int k = 0; k < 3; k++) { /* 16-bit entries, 4 and 8 bits; then 8-bit values in the 16-bit table */
    static uint16_t map[3][256];
    const uint16_t scale = k < 2 ? 257 : 1;
    for (uint16_t i = 0; i < 256; i++) {
      map[0][i] = (uint16_t)(scale * (i ^ 0x5a));
      map[1][i] = (uint16_t)(scale * (255 - i));
      map[2][i] = (uint16_t)(scale * (i * 3 & 0xff));
    }
    tiff_spec spec = GREY8;
    spec.bits = k == 0 ? 4 : 8;
    spec.photometric = PHOTOMETRIC_PALETTE;
    spec.width = W;
    spec.height = H;
    for (int c = 0; c < 3; c++)
      spec.map[c] = map[c];
    uint8_t *rows = make_rows(spec.bits, 1, false, &spec.row_bytes);
    spec.rows = rows;
    blob b = make_tiff(&spec);
    double expected[W * H];
    for (uint32_t i = 0; i < W * H; i++) {
      const unsigned v = sample(i % W, i / W, 0) & ((1u << spec.bits) - 1u);
      expected[i] = luma601(map[0][v], map[1][v], map[2][v]) / scale;
    }
    sp_raster r = read_blob(&b, NULL);
    check_values(&r, W, H, expected, 0.52);
    free(rows);
  }
}

static void test_orientation(void **state)
{
  (void)state;
  for (int k = 0; k < 32; k++) {
    const int orientation = k % 8 + 1;
    const uint32_t cell = k / 8 == 0 ? 1 : 50;
    uint8_t *rows = make_cells(cell);
    tiff_spec spec = GREY8;
    spec.width = 3 * cell;
    spec.height = 2 * cell;
    spec.orientation = orientation;
    spec.rows = rows;
    spec.row_bytes = 3 * cell;
    spec.tile_w = spec.tile_h = k / 8 == 2 ? 64 : 0;
    spec.compression = k / 8 == 3 ? COMPRESSION_LZW : COMPRESSION_NONE;
    blob b = make_tiff(&spec);
    sp_picture_info info;
    sp_raster r = read_blob(&b, &info);
    assert_int_equal(info.orientation, orientation);
    check_oriented(&r, orientation, cell, 0);
    free(rows);
  }
}

static void test_resolution(void **state)
{
  (void)state;
  static const struct {
    float value;
    int unit;
    double dpi;
  } cases[] = {
      {600.0f, RESUNIT_INCH, 600}, {236.2205f, RESUNIT_CENTIMETER, 600.00007}, {300.0f, RESUNIT_NONE, 0}, {0.0f, 0, 0}};
  for (size_t k = 0; k < sizeof cases / sizeof *cases; k++) {
    static const uint8_t row[2] = {1, 2};
    tiff_spec spec = GREY8;
    spec.width = 2;
    spec.height = 1;
    spec.rows = row;
    spec.row_bytes = 2;
    spec.resolution = cases[k].value;
    spec.unit = cases[k].unit;
    blob b = make_tiff(&spec);
    sp_picture_info info;
    sp_raster r = read_blob(&b, &info);
    sp_raster_free(&r);
    CHECK_CLOSE(info.stated_dpi_x, cases[k].dpi, 1e-4); /* libtiff hands out floats */
    CHECK_CLOSE(info.stated_dpi_y, cases[k].dpi, 1e-4);
  }
}

/* One pixel a page; the number of the page is its value. */
static blob pages(uint32_t first_kind, uint32_t second_kind, bool big)
{
  static const uint8_t values[3] = {10, 20, 30};
  tiff_spec spec[3];
  for (int i = 0; i < 3; i++) {
    spec[i] = GREY8;
    spec[i].mode = big ? "wl8" : "wl";
    spec[i].width = spec[i].height = 1;
    spec[i].rows = values + i;
    spec[i].row_bytes = 1;
    spec[i].subfile = i == 0 ? first_kind : i == 1 ? second_kind : FILETYPE_REDUCEDIMAGE;
  }
  return make_tiff_pages(spec, 3);
}

static void test_first_page_that_is_no_preview(void **state)
{
  (void)state;
  for (int big = 0; big < 2; big++) {
    blob b = pages(0, 0, big);
    sp_raster r = read_blob(&b, NULL);
    assert_int_equal(at(&r, 0, 0), 10);
    sp_raster_free(&r);
    b = pages(FILETYPE_REDUCEDIMAGE, FILETYPE_PAGE, big);
    r = read_blob(&b, NULL);
    assert_int_equal(at(&r, 0, 0), 20);
    sp_raster_free(&r);
    b = pages(FILETYPE_REDUCEDIMAGE, FILETYPE_REDUCEDIMAGE, big);
    check_refused(b.bytes, b.size, SP_E_DATA, "only a preview");
    blob_free(&b);
  }
}

static void test_refused_kinds(void **state)
{
  (void)state;
  static const struct {
    int bits, samples, photometric, format;
    const char *words;
  } cases[] = {{32, 1, PHOTOMETRIC_MINISBLACK, SAMPLEFORMAT_IEEEFP, "floating-point"},
               {16, 1, PHOTOMETRIC_MINISBLACK, SAMPLEFORMAT_INT, "signed"},
               {32, 1, PHOTOMETRIC_MINISBLACK, SAMPLEFORMAT_UINT, "more than 16 bits"},
               {8, 3, PHOTOMETRIC_CIELAB, 0, "a colour space"},
               {8, 2, PHOTOMETRIC_RGB, 0, "fewer samples"},
               {8, 33, PHOTOMETRIC_MINISBLACK, 0, "too many samples"}};
  static const uint8_t rows[40];
  for (size_t k = 0; k < sizeof cases / sizeof *cases; k++) {
    tiff_spec spec = {.width = 1,
                      .height = 1,
                      .bits = cases[k].bits,
                      .samples = cases[k].samples,
                      .photometric = cases[k].photometric,
                      .format = cases[k].format,
                      .extra_kind = -1,
                      .rows = rows,
                      .row_bytes = 40};
    blob b = make_tiff(&spec);
    check_refused(b.bytes, b.size, SP_E_DATA, cases[k].words);
    blob_free(&b);
  }
}

/* By hand: the directory first and the pixels behind it, 4 wide, `height` high, in strips of 2 rows. */
static blob by_hand(uint32_t height, uint32_t width, uint32_t compression)
{
  blob b = {0};
  const uint32_t strips = (height + 1) / 2, lists = 8 + 2 + 9 * 12 + 4, pixels = lists + strips * 8;
  blob_write(&b, "II\x2a\0\x08\0\0\0", 8);
  blob_u16(&b, 9);
  blob_tag(&b, 256, 4, 1, width);
  blob_tag(&b, 257, 4, 1, height);
  blob_tag(&b, 258, 3, 1, 8);
  blob_tag(&b, 259, 3, 1, compression);
  blob_tag(&b, 262, 3, 1, 1);
  blob_tag(&b, 273, 4, strips, lists);
  blob_tag(&b, 277, 3, 1, 1);
  blob_tag(&b, 278, 3, 1, 2);
  blob_tag(&b, 279, 4, strips, lists + strips * 4);
  blob_u32(&b, 0);
  for (uint32_t i = 0; i < strips; i++)
    blob_u32(&b, pixels + i * 8);
  for (uint32_t i = 0; i < strips; i++)
    blob_u32(&b, i * 2 + 1 == height ? 4 : 8);
  for (uint32_t i = 0; i < 4 * height; i++)
    blob_write(&b, &(uint8_t){(uint8_t)i}, 1);
  return b;
}

static void test_cut_short(void **state)
{
  (void)state;
  blob b = by_hand(9, 4, 1);
  check_refused(b.bytes, b.size - 1, SP_E_DATA,
                "the file ends in the middle of the picture (row 8 of 9); scan or copy");
  check_refused(b.bytes, b.size - 17, SP_E_DATA, "(row 4 of 9)");
  check_cuts(&b, 1);
  sp_raster r = read_blob(&b, NULL);
  for (uint32_t i = 0; i < 36; i++)
    assert_int_equal(r.u8[i], i);
  sp_raster_free(&r);
  b = by_hand(9, 4, 1);
  blob_write(&b, "rubbish", 7);
  r = read_blob(&b, NULL);
  assert_int_equal(r.height_px, 9);
  sp_raster_free(&r);
}

static void test_cut_short_as_libtiff_writes(void **state)
{
  (void)state;
  static const int compressions[] = {COMPRESSION_NONE, COMPRESSION_LZW, COMPRESSION_ADOBE_DEFLATE,
                                     COMPRESSION_PACKBITS};
  for (int k = 0; k < 8; k++) {
    tiff_spec spec = GREY8;
    uint8_t *rows = make_rows(8, 1, false, &spec.row_bytes);
    spec.width = W;
    spec.height = H;
    spec.rows = rows;
    spec.compression = compressions[k / 2];
    spec.tile_w = spec.tile_h = k % 2 ? 16 : 0;
    blob b = make_tiff(&spec);
    check_cuts(&b, 97);
    blob_free(&b);
    free(rows);
  }
}

/* Offsets and counts that lie. */
static void test_lies(void **state)
{
  (void)state;
  blob b = by_hand(9, 5, 1); /* strips too short for rows of 5 */
  check_refused(b.bytes, b.size, SP_E_DATA, ";");
  blob_free(&b);
  b = by_hand(4, 0x7fffffff, 1);
  check_refused(b.bytes, b.size, SP_E_DATA, "more than the limit");
  blob_free(&b);
  b = by_hand(4, 0, 1);
  check_refused(b.bytes, b.size, SP_E_DATA, ";");
  blob_free(&b);
  b = by_hand(4, 4, 5); /* not LZW */
  check_refused(b.bytes, b.size, SP_E_DATA, "damaged");
  blob_free(&b);
  b = by_hand(4, 4, 4); /* nor fax */
  check_refused(b.bytes, b.size, SP_E_DATA, ";");
  blob_free(&b);
}

static void test_wrong_bytes(void **state)
{
  (void)state;
  int refused = 0;
  for (int k = 0; k < 6; k++) {
    tiff_spec spec = GREY8;
    spec.samples = k % 2 ? 3 : 1;
    spec.photometric = k % 2 ? PHOTOMETRIC_RGB : PHOTOMETRIC_MINISBLACK;
    spec.planar = k % 2 ? PLANARCONFIG_SEPARATE : PLANARCONFIG_CONTIG;
    uint8_t *rows = make_rows(8, spec.samples, k % 2, &spec.row_bytes);
    spec.width = W;
    spec.height = H;
    spec.rows = rows;
    spec.rows_per_strip = 3;
    spec.compression = k / 2 == 1 ? COMPRESSION_LZW : COMPRESSION_NONE;
    spec.tile_w = spec.tile_h = k / 2 == 2 ? 16 : 0;
    blob b = make_tiff(&spec);
    for (size_t i = 4; i<b.size; i += i + 400> b.size ? 1 : 11)
      for (unsigned flip = 1; flip < 256; flip = flip * 5 + 2) {
        sp_raster r;
        sp_picture_info info;
        sp_error err = {0};
        b.bytes[i] = (uint8_t)(b.bytes[i] ^ flip);
        if (sp_read_picture_memory(b.bytes, b.size, &(sp_read_options){.max_pixels = 1u << 20}, &r, &info, &err) !=
            SP_OK) {
          check_message(&err, err.status, ";");
          assert_true(err.status == SP_E_DATA);
          refused++;
        }
        sp_raster_free(&r);
        b.bytes[i] = (uint8_t)(b.bytes[i] ^ flip);
      }
    blob_free(&b);
    free(rows);
  }
  assert_true(refused > 100);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_every_depth),
      cmocka_unit_test(test_colour_models),
      cmocka_unit_test(test_tiles),
      cmocka_unit_test(test_compressions),
      cmocka_unit_test(test_jpeg_inside),
      cmocka_unit_test(test_palette),
      cmocka_unit_test(test_orientation),
      cmocka_unit_test(test_resolution),
      cmocka_unit_test(test_first_page_that_is_no_preview),
      cmocka_unit_test(test_refused_kinds),
      cmocka_unit_test(test_cut_short),
      cmocka_unit_test(test_cut_short_as_libtiff_writes),
      cmocka_unit_test(test_lies),
      cmocka_unit_test(test_wrong_bytes),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
