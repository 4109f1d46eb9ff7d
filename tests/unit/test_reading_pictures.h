/* test_reading_pictures.h: makes small pictures in memory, through libpng, libjpeg and libtiff, for the tests of
 * reading.
 *
 * A failure here is a failure of the test, so asserts will do. */
#ifndef TEST_READING_PICTURES_H
#define TEST_READING_PICTURES_H

#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jpeglib.h>
#include <png.h>
#include <tiffio.h>

#include "check_close.h"
#include "slotproof/reading.h"

/* ---- bytes ---- */

typedef struct blob {
  uint8_t *bytes;
  size_t size, room, at;
} blob;

static inline void blob_write(blob *b, const void *bytes, size_t n)
{
  if (b->at + n > b->room) {
    b->room = 2 * (b->at + n) + 1024;
    b->bytes = realloc(b->bytes, b->room);
    assert_non_null(b->bytes);
  }
  if (b->at > b->size)
    memset(b->bytes + b->size, 0, b->at - b->size);
  memcpy(b->bytes + b->at, bytes, n);
  b->at += n;
  b->size = b->at > b->size ? b->at : b->size;
}

static inline void blob_free(blob *b)
{
  free(b->bytes);
  *b = (blob){0};
}

/* Little-endian numbers, for files written by hand. */
static inline void blob_u16(blob *b, unsigned v)
{
  const uint8_t bytes[2] = {(uint8_t)v, (uint8_t)(v >> 8)};
  blob_write(b, bytes, 2);
}

static inline void blob_u32(blob *b, uint32_t v)
{
  blob_u16(b, v & 0xffff);
  blob_u16(b, v >> 16);
}

static inline void blob_tag(blob *b, unsigned tag, unsigned type, uint32_t count, uint32_t value)
{
  blob_u16(b, tag);
  blob_u16(b, type);
  blob_u32(b, count);
  blob_u32(b, value);
}

/* An EXIF block (a small TIFF directory): orientation, and a resolution of num / den if den is not 0. */
static inline blob make_exif(unsigned orientation, uint32_t num, uint32_t den, unsigned unit)
{
  blob b = {0};
  const unsigned tags = den ? 4 : 1;
  const uint32_t behind = 8 + 2 + tags * 12 + 4;
  blob_write(&b, "II\x2a\0\x08\0\0\0", 8);
  blob_u16(&b, tags);
  blob_tag(&b, 0x0112, 3, 1, orientation);
  if (den) {
    blob_tag(&b, 0x011a, 5, 1, behind);
    blob_tag(&b, 0x011b, 5, 1, behind + 8);
    blob_tag(&b, 0x0128, 3, 1, unit);
  }
  blob_u32(&b, 0);
  for (int i = 0; den && i < 2; i++) {
    blob_u32(&b, num);
    blob_u32(&b, den);
  }
  return b;
}

/* ---- PNG ---- */

typedef struct png_spec {
  uint32_t width, height;
  int colour, bits;
  bool interlaced;
  const uint8_t *rows; /* packed as the file has them (16 bits: high byte first) */
  size_t row_bytes;
  uint32_t per_metre_x, per_metre_y; /* 0: no pHYs */
  const png_color *palette;
  int palette_size;
  const uint8_t *alpha; /* tRNS of a palette */
  int alphas;
  const png_color_16 *key; /* tRNS of grey and RGB */
  const blob *exif;
  bool exif_behind;
} png_spec;

static inline void png_to_blob(png_structp png, png_bytep bytes, size_t n)
{
  blob_write(png_get_io_ptr(png), bytes, n);
}

static inline void png_no_flush(png_structp png)
{
  (void)png;
}

static inline blob make_png(const png_spec *s)
{
  blob b = {0};
  png_structp png = png_create_write_struct(PNG_LIBPNG_VER_STRING, NULL, NULL, NULL);
  png_infop info = png_create_info_struct(png);
  assert_non_null(info);
  if (setjmp(png_jmpbuf(png)))
    fail();
  png_set_write_fn(png, &b, png_to_blob, png_no_flush);
  png_set_IHDR(png, info, s->width, s->height, s->bits, s->colour,
               s->interlaced ? PNG_INTERLACE_ADAM7 : PNG_INTERLACE_NONE, PNG_COMPRESSION_TYPE_DEFAULT,
               PNG_FILTER_TYPE_DEFAULT);
  if (s->per_metre_x)
    png_set_pHYs(png, info, s->per_metre_x, s->per_metre_y, PNG_RESOLUTION_METER);
  if (s->palette)
    png_set_PLTE(png, info, s->palette, s->palette_size);
  if (s->alpha || s->key)
    png_set_tRNS(png, info, s->alpha, s->alphas, s->key);
  if (s->exif && !s->exif_behind)
    png_set_eXIf_1(png, info, (png_uint_32)s->exif->size, s->exif->bytes);
  png_write_info(png, info);
  const int passes = png_set_interlace_handling(png);
  for (int pass = 0; pass < passes; pass++)
    for (uint32_t y = 0; y < s->height; y++)
      png_write_row(png, s->rows + y * s->row_bytes);
  if (s->exif && s->exif_behind)
    png_set_eXIf_1(png, info, (png_uint_32)s->exif->size, s->exif->bytes);
  png_write_end(png, info);
  png_destroy_write_struct(&png, &info);
  return b;
}

/* ---- JPEG ---- */

typedef struct jpeg_spec {
  uint32_t width, height;
  J_COLOR_SPACE given, stored;
  int samples;
  const uint8_t *rows;
  bool progressive, no_adobe;
  int restart_interval;
  int density_unit, density; /* JFIF; unit 0: none stated */
  const blob *exif;
} jpeg_spec;

static inline blob make_jpeg(const jpeg_spec *s)
{
  struct jpeg_compress_struct jpeg;
  struct jpeg_error_mgr errors;
  jpeg.err = jpeg_std_error(&errors);
  jpeg_create_compress(&jpeg);
  unsigned char *bytes = NULL;
  unsigned long size = 0;
  jpeg_mem_dest(&jpeg, &bytes, &size);
  jpeg.image_width = s->width;
  jpeg.image_height = s->height;
  jpeg.input_components = s->samples;
  jpeg.in_color_space = s->given;
  jpeg_set_defaults(&jpeg);
  jpeg_set_colorspace(&jpeg, s->stored);
  jpeg_set_quality(&jpeg, 100, TRUE);
  for (int c = 0; s->samples == 4 && c < 4; c++) /* full colour resolution: no blending across cells */
    jpeg.comp_info[c].h_samp_factor = jpeg.comp_info[c].v_samp_factor = 1;
  if (s->progressive)
    jpeg_simple_progression(&jpeg);
  if (s->no_adobe)
    jpeg.write_Adobe_marker = FALSE;
  jpeg.restart_interval = (unsigned)s->restart_interval;
  if (s->density) {
    jpeg.density_unit = (UINT8)s->density_unit;
    jpeg.X_density = jpeg.Y_density = (UINT16)s->density;
  }
  jpeg_start_compress(&jpeg, TRUE);
  if (s->exif) {
    blob app1 = {0};
    blob_write(&app1, "Exif\0\0", 6);
    blob_write(&app1, s->exif->bytes, s->exif->size);
    jpeg_write_marker(&jpeg, JPEG_APP0 + 1, app1.bytes, (unsigned)app1.size);
    blob_free(&app1);
  }
  for (uint32_t y = 0; y < s->height; y++) {
    blob row = {0};
    blob_write(&row, s->rows + (size_t)y * s->width * (size_t)s->samples, s->width * (size_t)s->samples);
    JSAMPROW pointer = row.bytes;
    jpeg_write_scanlines(&jpeg, &pointer, 1);
    blob_free(&row);
  }
  jpeg_finish_compress(&jpeg);
  jpeg_destroy_compress(&jpeg);
  blob b = {0};
  blob_write(&b, bytes, size);
  free(bytes);
  return b;
}

/* ---- TIFF ---- */

typedef struct tiff_spec {
  const char *mode; /* of TIFFOpen: "wl", "wb", "wl8"... */
  uint32_t width, height;
  int bits, samples, photometric, planar, compression, orientation;
  int rows_per_strip;      /* 0: all */
  uint32_t tile_w, tile_h; /* 0: strips */
  const uint8_t *rows;     /* packed rows, 16 bits in the order of this machine; planes one after the other */
  size_t row_bytes;        /* of one plane if they stand apart */
  float resolution;        /* 0: none */
  int unit;
  const uint16_t *map[3]; /* palette */
  int extra_kind;         /* of one extra sample; -1: none */
  int format;             /* SAMPLEFORMAT, 0: none */
  int fill_order;         /* 0: none */
  uint32_t subfile;
} tiff_spec;

static inline tmsize_t tiff_write(thandle_t h, void *bytes, tmsize_t n)
{
  blob_write(h, bytes, (size_t)n);
  return n;
}

static inline tmsize_t tiff_read(thandle_t h, void *bytes, tmsize_t n)
{
  blob *b = h;
  const size_t rest = b->at < b->size ? b->size - b->at : 0;
  const size_t take = (size_t)n < rest ? (size_t)n : rest;
  memcpy(bytes, b->bytes + b->at, take);
  b->at += take;
  return (tmsize_t)take;
}

static inline toff_t tiff_seek(thandle_t h, toff_t to, int whence)
{
  blob *b = h;
  b->at = whence == SEEK_CUR ? b->at + to : whence == SEEK_END ? b->size + to : to;
  return b->at;
}

static inline toff_t tiff_size(thandle_t h)
{
  return ((blob *)h)->size;
}

static inline int tiff_close(thandle_t h)
{
  (void)h;
  return 0;
}

static inline void tiff_tags(TIFF *t, const tiff_spec *s)
{
  TIFFSetField(t, TIFFTAG_IMAGEWIDTH, s->width);
  TIFFSetField(t, TIFFTAG_IMAGELENGTH, s->height);
  TIFFSetField(t, TIFFTAG_BITSPERSAMPLE, s->bits);
  TIFFSetField(t, TIFFTAG_SAMPLESPERPIXEL, s->samples);
  TIFFSetField(t, TIFFTAG_PHOTOMETRIC, s->photometric);
  TIFFSetField(t, TIFFTAG_PLANARCONFIG, s->planar ? s->planar : PLANARCONFIG_CONTIG);
  TIFFSetField(t, TIFFTAG_COMPRESSION, s->compression ? s->compression : COMPRESSION_NONE);
  if (s->subfile)
    TIFFSetField(t, TIFFTAG_SUBFILETYPE, s->subfile);
  if (s->orientation)
    TIFFSetField(t, TIFFTAG_ORIENTATION, s->orientation);
  if (s->resolution > 0.0f) {
    TIFFSetField(t, TIFFTAG_XRESOLUTION, (double)s->resolution);
    TIFFSetField(t, TIFFTAG_YRESOLUTION, (double)s->resolution);
    TIFFSetField(t, TIFFTAG_RESOLUTIONUNIT, s->unit);
  }
  if (s->map[0])
    TIFFSetField(t, TIFFTAG_COLORMAP, s->map[0], s->map[1], s->map[2]);
  if (s->extra_kind >= 0) {
    const uint16_t kind = (uint16_t)s->extra_kind;
    TIFFSetField(t, TIFFTAG_EXTRASAMPLES, 1, &kind);
  }
  if (s->format)
    TIFFSetField(t, TIFFTAG_SAMPLEFORMAT, s->format);
  if (s->fill_order)
    TIFFSetField(t, TIFFTAG_FILLORDER, s->fill_order);
  if (s->compression == COMPRESSION_JPEG && s->photometric == PHOTOMETRIC_YCBCR) {
    TIFFSetField(t, TIFFTAG_JPEGCOLORMODE, JPEGCOLORMODE_RGB);
    TIFFSetField(t, TIFFTAG_JPEGQUALITY, 100);
  }
}

/* Whole bytes only. */
static inline void tiff_tiles(TIFF *t, const tiff_spec *s)
{
  TIFFSetField(t, TIFFTAG_TILEWIDTH, s->tile_w);
  TIFFSetField(t, TIFFTAG_TILELENGTH, s->tile_h);
  const int planes = s->planar == PLANARCONFIG_SEPARATE ? s->samples : 1;
  const size_t pixel = (size_t)(s->bits / 8) * (size_t)(planes == 1 ? s->samples : 1);
  uint8_t *tile = malloc(s->tile_w * s->tile_h * pixel);
  assert_non_null(tile);
  for (int p = 0; p < planes; p++)
    for (uint32_t y0 = 0; y0 < s->height; y0 += s->tile_h)
      for (uint32_t x0 = 0; x0 < s->width; x0 += s->tile_w) {
        memset(tile, 0x55, s->tile_w * s->tile_h * pixel);
        const uint32_t w = s->width - x0 < s->tile_w ? s->width - x0 : s->tile_w;
        for (uint32_t y = y0; y < y0 + s->tile_h && y < s->height; y++)
          memcpy(tile + (y - y0) * s->tile_w * pixel, s->rows + ((size_t)p * s->height + y) * s->row_bytes + x0 * pixel,
                 w * pixel);
        assert_true(TIFFWriteTile(t, tile, x0, y0, 0, (uint16_t)p) > 0);
      }
  free(tile);
}

static inline void tiff_rows(TIFF *t, const tiff_spec *s)
{
  TIFFSetField(t, TIFFTAG_ROWSPERSTRIP, s->rows_per_strip ? (uint32_t)s->rows_per_strip : s->height);
  const int planes = s->planar == PLANARCONFIG_SEPARATE ? s->samples : 1;
  uint8_t *row = malloc(s->row_bytes); /* libtiff swaps bytes in the caller's row */
  assert_non_null(row);
  for (int p = 0; p < planes; p++)
    for (uint32_t y = 0; y < s->height; y++) {
      memcpy(row, s->rows + ((size_t)p * s->height + y) * s->row_bytes, s->row_bytes);
      assert_int_equal(TIFFWriteScanline(t, row, y, (uint16_t)p), 1);
    }
  free(row);
}

/* `pages` specs, one directory each. */
static inline blob make_tiff_pages(const tiff_spec *s, int pages)
{
  blob b = {0};
  TIFF *t = TIFFClientOpen("test", s->mode ? s->mode : "wl", &b, tiff_read, tiff_write, tiff_seek, tiff_close,
                           tiff_size, NULL, NULL);
  assert_non_null(t);
  for (int i = 0; i < pages; i++) {
    tiff_tags(t, &s[i]);
    if (s[i].tile_w)
      tiff_tiles(t, &s[i]);
    else
      tiff_rows(t, &s[i]);
    assert_int_equal(TIFFWriteDirectory(t), 1);
  }
  TIFFClose(t);
  return b;
}

static inline blob make_tiff(const tiff_spec *s)
{
  return make_tiff_pages(s, 1);
}

/* ---- what is expected ---- */

/* Reads or fails the test with the reader's message; frees the bytes. */
static inline sp_raster read_blob(blob *b, sp_picture_info *info)
{
  sp_raster r;
  sp_picture_info unused;
  sp_error err = {0};
  if (sp_read_picture_memory(b->bytes, b->size, NULL, &r, info ? info : &unused, &err) != SP_OK) {
    fprintf(stderr, "not read: %s\n", err.text);
    fail();
  }
  blob_free(b);
  return r;
}

static inline uint32_t at(const sp_raster *r, uint32_t x, uint32_t y)
{
  const size_t i = (size_t)y * r->width_px + x;
  return r->u16 ? r->u16[i] : r->u8[i];
}

/* Every value within `tolerance` of expected[y * width + x]; frees the raster. */
static inline void check_values(sp_raster *r, uint32_t width, uint32_t height, const double *expected, double tolerance)
{
  assert_int_equal(r->width_px, width);
  assert_int_equal(r->height_px, height);
  for (uint32_t y = 0; y < height; y++)
    for (uint32_t x = 0; x < width; x++)
      CHECK_CLOSE(at(r, x, y), expected[y * width + x], tolerance);
  sp_raster_free(r);
}

/* The message a user sees: one line, with advice. */
static inline void check_message(const sp_error *err, sp_status status, const char *words)
{
  assert_int_equal(err->status, status);
  if (!strstr(err->text, words) || strchr(err->text, '\n') || !strchr(err->text, ';')) {
    fprintf(stderr, "message: '%s', expected one line with advice and '%s'\n", err->text, words);
    fail();
  }
}

static inline void check_refused(const void *bytes, size_t size, sp_status status, const char *words)
{
  sp_raster r;
  sp_picture_info info;
  sp_error err = {0};
  if (sp_read_picture_memory(bytes, size, NULL, &r, &info, &err) != status)
    fprintf(stderr, "expected status %d and '%s', got %d '%s'\n", status, words, err.status, err.text);
  check_message(&err, status, words);
  assert_null(r.u8);
  assert_null(r.u16);
}

/* Cuts at every `step`-th byte are refused as data errors, each with one line. */
static inline void check_cuts(const blob *b, size_t step)
{
  for (size_t n = 1; n < b->size; n += step) {
    uint8_t *part = malloc(n); /* exactly n bytes, so that the address sanitizer sees the edge */
    assert_non_null(part);
    memcpy(part, b->bytes, n);
    check_refused(part, n, SP_E_DATA, ";");
    free(part);
  }
}

/* TIFF 6.0, tag 274: where row 0 and column 0 of the stored picture lie in the upright one. */
static const uint8_t ORIENTED[8][6] = {
    {1, 2, 3, 4, 5, 6}, /* 1: stored as 1 2 3 / 4 5 6 */
    {3, 2, 1, 6, 5, 4}, /* 2: column 0 right */
    {6, 5, 4, 3, 2, 1}, /* 3: row 0 bottom, column 0 right */
    {4, 5, 6, 1, 2, 3}, /* 4: row 0 bottom */
    {1, 4, 2, 5, 3, 6}, /* 5: row 0 left, column 0 top; from here on 2 wide and 3 high */
    {4, 1, 5, 2, 6, 3}, /* 6: row 0 right, column 0 top */
    {6, 3, 5, 2, 4, 1}, /* 7: row 0 right, column 0 bottom */
    {3, 6, 2, 5, 1, 4}, /* 8: row 0 left, column 0 bottom */
};

/* A picture of 3 by 2 cells, each cell x cell pixels of 20 * its number; frees the raster. */
static inline void check_oriented(sp_raster *r, int orientation, uint32_t cell, double tolerance)
{
  const uint32_t across = orientation >= 5 ? 2 : 3, down = orientation >= 5 ? 3 : 2;
  assert_int_equal(r->width_px, across * cell);
  assert_int_equal(r->height_px, down * cell);
  for (uint32_t y = 0; y < down * cell; y++)
    for (uint32_t x = 0; x < across * cell; x++)
      CHECK_CLOSE(at(r, x, y), 20 * ORIENTED[orientation - 1][y / cell * across + x / cell], tolerance);
  sp_raster_free(r);
}

/* The stored picture for check_oriented; free it. */
static inline uint8_t *make_cells(uint32_t cell)
{
  uint8_t *rows = malloc(6 * cell * cell);
  assert_non_null(rows);
  for (uint32_t y = 0; y < 2 * cell; y++)
    for (uint32_t x = 0; x < 3 * cell; x++)
      rows[y * 3 * cell + x] = (uint8_t)(20 * (1 + y / cell * 3 + x / cell));
  return rows;
}

/* BT.601 luma, in reals: what the readers' integers are measured against. */
static inline double luma601(double r, double g, double b)
{
  return 0.299 * r + 0.587 * g + 0.114 * b;
}

#endif
