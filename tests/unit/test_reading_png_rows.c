/* test_reading_png_rows.c: a PNG's rows without libpng. The truth is what libpng was given to write; every filter of
 * ISO/IEC 15948, 9.2, every size of pixel. Damage anywhere must never pass for pixels. */
#include "test_reading_pictures.h"

#include "reading/png_rows.h"

enum { WIDTH = 37, HEIGHT = 23, PIXEL_MOST = 8 };

/* Something of everything: even stretches, slopes, noise. */
static void fill(uint8_t *rows, size_t row_bytes, uint32_t seed)
{
  uint32_t state = seed;
  for (size_t y = 0; y < HEIGHT; y++)
    for (size_t i = 0; i < row_bytes; i++) {
      state = state * 1664525u + 1013904223u;
      const uint32_t noise = y < 8 ? 0 : y < 16 ? state >> 29 : state >> 24;
      rows[y * row_bytes + i] = (uint8_t)(3 * i + 5 * y + noise);
    }
}

static blob write_rows(const uint8_t *rows, size_t row_bytes, int colour, int bits, int filters, size_t chunk)
{
  blob b = {0};
  png_structp png = png_create_write_struct(PNG_LIBPNG_VER_STRING, NULL, NULL, NULL);
  png_infop info = png_create_info_struct(png);
  assert_non_null(info);
  if (setjmp(png_jmpbuf(png)))
    fail();
  png_set_write_fn(png, &b, png_to_blob, png_no_flush);
  png_set_IHDR(png, info, WIDTH, HEIGHT, bits, colour, PNG_INTERLACE_NONE, PNG_COMPRESSION_TYPE_DEFAULT,
               PNG_FILTER_TYPE_DEFAULT);
  png_set_filter(png, 0, filters);
  png_set_compression_buffer_size(png, chunk);
  png_write_info(png, info);
  for (size_t y = 0; y < HEIGHT; y++)
    png_write_row(png, rows + y * row_bytes);
  const png_text note = {.compression = PNG_TEXT_COMPRESSION_NONE, .key = (png_charp) "Title", .text = (png_charp) "x"};
  png_set_text(png, info, &note, 1); /* behind the pixels, as some programs do */
  png_write_end(png, info);
  png_destroy_write_struct(&png, &info);
  return b;
}

/* Where the first IDAT chunk's data begins. */
static size_t data_of(const blob *b)
{
  for (size_t at = 8; at + 8 < b->size;) {
    const uint8_t *c = b->bytes + at;
    if (memcmp(c + 4, "IDAT", 4) == 0)
      return at + 8;
    at += 12 + ((size_t)c[0] << 24 | (size_t)c[1] << 16 | (size_t)c[2] << 8 | c[3]);
  }
  fail();
  return 0;
}

/* Does all of it come, up to the end? What comes is held against the truth wherever all of it did. */
static bool reads(const uint8_t *bytes, size_t size, size_t data, const uint8_t *rows, size_t row_bytes,
                  uint32_t pixel_bytes)
{
  uint8_t got[HEIGHT * WIDTH * PIXEL_MOST];
  sp_source source;
  sp_source_open_memory(bytes, size, &source);
  sp_png_rows *r = sp_png_rows_open(&source, data, row_bytes, pixel_bytes, HEIGHT);
  const uint8_t *row = NULL;
  for (size_t y = 0; r && y < HEIGHT && (row = sp_png_rows_next(r)); y++)
    memcpy(got + y * row_bytes, row, row_bytes);
  const bool fine = row && sp_png_rows_end(r);
  sp_png_rows_close(r);
  sp_source_close(&source);
  if (fine)
    assert_memory_equal(got, rows, HEIGHT * row_bytes);
  return fine;
}

static const struct {
  int colour, bits;
  uint32_t pixel_bytes;
} KINDS[] = {{PNG_COLOR_TYPE_GRAY, 8, 1},       {PNG_COLOR_TYPE_GRAY, 16, 2},      {PNG_COLOR_TYPE_RGB, 8, 3},
             {PNG_COLOR_TYPE_RGB_ALPHA, 8, 4},  {PNG_COLOR_TYPE_RGB, 16, 6},       {PNG_COLOR_TYPE_RGB_ALPHA, 16, 8},
             {PNG_COLOR_TYPE_GRAY_ALPHA, 8, 2}, {PNG_COLOR_TYPE_GRAY_ALPHA, 16, 4}};
static const int FILTERS[] = {PNG_FILTER_NONE, PNG_FILTER_SUB,   PNG_FILTER_UP,
                              PNG_FILTER_AVG,  PNG_FILTER_PAETH, PNG_ALL_FILTERS};

static void every_filter_and_pixel(void **state)
{
  (void)state;
  static const size_t CHUNKS[] = {7, 8192};
  uint8_t rows[HEIGHT * WIDTH * PIXEL_MOST];
  for (size_t k = 0; k < sizeof KINDS / sizeof *KINDS; k++)
    for (size_t f = 0; f < sizeof FILTERS / sizeof *FILTERS; f++)
      for (size_t c = 0; c < 2; c++) {
        const size_t row_bytes = WIDTH * KINDS[k].pixel_bytes;
        fill(rows, row_bytes, (uint32_t)(k + 10 * f));
        blob b = write_rows(rows, row_bytes, KINDS[k].colour, KINDS[k].bits, FILTERS[f], CHUNKS[c]);
        assert_true(reads(b.bytes, b.size, data_of(&b), rows, row_bytes, KINDS[k].pixel_bytes));
        blob_free(&b);
      }
}

/* Any byte changed from the data on, or the file cut off anywhere: nothing is read, or what was written. */
static void damage_never_passes(void **state)
{
  (void)state;
  uint8_t rows[HEIGHT * WIDTH * PIXEL_MOST];
  const size_t row_bytes = WIDTH * 3;
  fill(rows, row_bytes, 5);
  blob b = write_rows(rows, row_bytes, PNG_COLOR_TYPE_RGB, 8, PNG_ALL_FILTERS, 300);
  const size_t data = data_of(&b);
  size_t noticed = 0;
  for (size_t at = data - 8; at < b.size; at++) {
    b.bytes[at] ^= 0x11;
    noticed += !reads(b.bytes, b.size, data, rows, row_bytes, 3);
    b.bytes[at] ^= 0x11;
    assert_false(reads(b.bytes, at, data, rows, row_bytes, 3));
  }
  assert_int_equal(noticed, b.size - (data - 8)); /* every chunk has a sum over its type and data */
  assert_true(reads(b.bytes, b.size, data, rows, row_bytes, 3));
  blob_free(&b);
}

/* Data for more rows or fewer than there should be; a pixel of no usual size. */
static void what_does_not_fit_is_refused(void **state)
{
  (void)state;
  uint8_t rows[HEIGHT * WIDTH];
  fill(rows, WIDTH, 1);
  blob b = write_rows(rows, WIDTH, PNG_COLOR_TYPE_GRAY, 8, PNG_FILTER_SUB, 8192);
  const size_t data = data_of(&b);
  for (int more = -1; more <= 1; more += 2) {
    sp_source source;
    sp_source_open_memory(b.bytes, b.size, &source);
    const uint32_t count = (uint32_t)(HEIGHT + more);
    sp_png_rows *r = sp_png_rows_open(&source, data, WIDTH, 1, count);
    assert_non_null(r);
    uint32_t got = 0;
    while (got < count && sp_png_rows_next(r))
      got++;
    assert_false(got == count && sp_png_rows_end(r));
    sp_png_rows_close(r);
    assert_null(sp_png_rows_open(&source, data, WIDTH, 5, HEIGHT));
    assert_null(sp_png_rows_open(&source, data, WIDTH, 2, HEIGHT));
    assert_null(sp_png_rows_open(&source, data + 1, WIDTH, 1, HEIGHT));
    assert_null(sp_png_rows_open(&source, 3, WIDTH, 1, HEIGHT));
    sp_source_close(&source);
  }
  blob_free(&b);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_filter_and_pixel),
      cmocka_unit_test(damage_never_passes),
      cmocka_unit_test(what_does_not_fit_is_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
