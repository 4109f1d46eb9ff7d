/* test_reading_files.c: what is no picture, and what is no file. Each gets one line that says what to do. */
#include <sys/stat.h>
#include <unistd.h>

#include "test_reading_pictures.h"

static void check_not_a_picture(void **state)
{
  (void)state;
  static const struct {
    const char *bytes;
    size_t size;
    const char *words;
  } cases[] = {
      {"", 0, "empty"},
      {"%PDF-1.7\n", 9, "this is a PDF, not a picture; export the page as PNG or TIFF"},
      {"%!PS-Adobe-3.0\n", 15, "PostScript"},
      {"\0\0\0\x18"
       "ftypheic\0\0\0\0",
       16, "HEIF file cannot be decoded"},
      {"\0\0\0\x18"
       "ftypmif1\0\0\0\0",
       16, "HEIF file"},
      {"\0\0\0\x18"
       "ftypavif\0\0\0\0",
       16, "HEIF file"},
      {"\0\0\0\x18"
       "ftypisom\0\0\0\0",
       16, "video"},
      {"\0\0\0\x0cjP  \r\n\x87\n", 12, "JPEG 2000"},
      {"\0\0\0\x0cJXL \r\n\x87\n", 12, "JPEG XL"},
      {"\xff\x0a\x00\x10", 4, "JPEG XL"},
      {"GIF89a\x01\x00\x01\x00", 10, "GIF"},
      {"RIFF\x24\0\0\0WEBPVP8 ", 16, "WebP file is damaged or ends"},
      {"BM\x46\0\0\0\0\0\0\0", 10, "BMP"},
      {"AT&TFORM\0\0\0\0", 12, "DjVu"},
      {"PK\x03\x04\x14\0", 6, "ZIP"},
      {"scale length 648 mm\n22 frets\n", 29, "text file"},
      {"BM is how this text begins\n", 27, "text file"},
      {"\x01\x02\x03\x04\x05\x06\x07\x08\x0e", 9, "not a picture in a known format"},
      {"\x89PNG\r\n", 6, "not a picture in a known format"},
      {"\x89PNG\r\n\x1a\n", 8, "the file ends before the picture begins"},
      {"\xff\xd8\xff", 3, "the file ends before the picture begins"},
      {"II\x2a\0", 4, ";"},
      {"MM\0\x2a\0\0\0\x08", 8, ";"},
      {"II\x2a\0\xff\xff\xff\xff", 8, ";"},
  };
  for (size_t k = 0; k < sizeof cases / sizeof *cases; k++)
    check_refused(cases[k].bytes, cases[k].size, SP_E_DATA, cases[k].words);
  check_refused(NULL, 0, SP_E_DATA, "empty");
}

static void check_path(const char *path, sp_status status, const char *words)
{
  sp_raster r;
  sp_picture_info info;
  sp_error err = {0};
  assert_int_equal(sp_read_picture(path, NULL, &r, &info, &err), status);
  check_message(&err, status, words);
  assert_null(r.u8);
  assert_int_equal(sp_read_picture(path, NULL, &r, &info, NULL), status); /* nobody has to listen */
}

static void check_no_file(void **state)
{
  (void)state;
  check_path("no-such-picture.png", SP_E_NOINPUT, "there is no such file; check the name");
  check_path("/dev/null/picture.png", SP_E_NOINPUT, "there is no such file");
  check_path("", SP_E_NOINPUT, "there is no such file");
  check_path("/", SP_E_NOINPUT, "this is a folder; name a picture in it");
  check_path("/dev/null", SP_E_DATA, "empty");
}

static blob some_png(void)
{
  static uint8_t rows[200 * 150];
  for (unsigned i = 0; i < sizeof rows; i++)
    rows[i] = (uint8_t)((i * i * 2654435761u) >> 13);
  return make_png(&(png_spec){
      .width = 200, .height = 150, .colour = PNG_COLOR_TYPE_GRAY, .bits = 8, .rows = rows, .row_bytes = 200});
}

static void write_file(const char *path, const blob *b)
{
  FILE *f = fopen(path, "wb");
  assert_non_null(f);
  assert_int_equal(fwrite(b->bytes, 1, b->size, f), b->size);
  assert_int_equal(fclose(f), 0);
}

static void check_same(const char *path, const blob *b)
{
  sp_raster from_file, from_memory;
  sp_picture_info info;
  sp_error err = {0};
  if (sp_read_picture(path, NULL, &from_file, &info, &err) != SP_OK) {
    fprintf(stderr, "%s: %s\n", path, err.text);
    fail();
  }
  assert_int_equal(sp_read_picture_memory(b->bytes, b->size, NULL, &from_memory, &info, NULL), SP_OK);
  assert_int_equal(from_file.width_px, from_memory.width_px);
  assert_int_equal(from_file.height_px, from_memory.height_px);
  assert_memory_equal(from_file.u8, from_memory.u8, (size_t)from_file.width_px * from_file.height_px);
  sp_raster_free(&from_file);
  sp_raster_free(&from_memory);
}

/* Every format from a file gives what it gives from memory; the name's ending does not matter. */
static void check_files(void **state)
{
  (void)state;
  char path[] = "reading-XXXXXX";
  const int fd = mkstemp(path);
  assert_true(fd >= 0);
  assert_int_equal(close(fd), 0);
  uint8_t *rows = make_cells(100); /* 60000 bytes: more than one buffer with the directory behind it */
  blob pictures[4] = {
      some_png(),
      make_jpeg(&(jpeg_spec){
          .width = 300, .height = 200, .given = JCS_GRAYSCALE, .stored = JCS_GRAYSCALE, .samples = 1, .rows = rows}),
      make_tiff(&(tiff_spec){.width = 300,
                             .height = 200,
                             .bits = 8,
                             .samples = 1,
                             .photometric = PHOTOMETRIC_MINISBLACK,
                             .extra_kind = -1,
                             .rows = rows,
                             .row_bytes = 300}),
      make_tiff(&(tiff_spec){.width = 300,
                             .height = 200,
                             .bits = 8,
                             .samples = 1,
                             .photometric = PHOTOMETRIC_MINISBLACK,
                             .extra_kind = -1,
                             .rows = rows,
                             .row_bytes = 300,
                             .compression = COMPRESSION_LZW,
                             .tile_w = 64,
                             .tile_h = 64})};
  for (int i = 0; i < 4; i++) {
    write_file(path, &pictures[i]);
    check_same(path, &pictures[i]);
    pictures[i].size /= 2;
    write_file(path, &pictures[i]);
    check_path(path, SP_E_DATA, ";");
    blob_free(&pictures[i]);
  }
  if (geteuid() != 0) { /* root may read everything */
    assert_int_equal(chmod(path, 0), 0);
    check_path(path, SP_E_NOINPUT, "may not be read");
  }
  assert_int_equal(unlink(path), 0);
  free(rows);
}

/* A pipe has no size and cannot be wound back. */
static void check_pipe(void **state)
{
  (void)state;
  int ends[2];
  assert_int_equal(pipe(ends), 0);
  blob b = some_png(); /* fits the pipe's own buffer of 64 kB: no second process is needed */
  assert_true(b.size < 60000);
  assert_int_equal(write(ends[1], b.bytes, b.size), (ssize_t)b.size);
  assert_int_equal(close(ends[1]), 0);
  char name[64];
  (void)snprintf(name, sizeof name, "/dev/fd/%d", ends[0]);
  if (access(name, R_OK) == 0)
    check_same(name, &b);
  else
    print_message("no /dev/fd here: reading from a pipe was not tried\n");
  assert_int_equal(close(ends[0]), 0);
  blob_free(&b);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(check_not_a_picture),
      cmocka_unit_test(check_no_file),
      cmocka_unit_test(check_files),
      cmocka_unit_test(check_pipe),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
