/* image_file.c: PNG with pHYs, JPEG with a JFIF density and, for photographs, EXIF (JEITA CP-3451): a TIFF of one or
 * two directories in an APP1 segment. */
#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jpeglib.h>
#include <png.h>

#include "render.h"

static bool cannot(char *message, const char *path, const char *why)
{
  snprintf(message, RENDER_MESSAGE, "%.120s: cannot be written: %.60s", path, why);
  return false;
}

/* Closes; a failed close is a failed write, and a broken file is taken away. */
static bool close_file(FILE *file, bool ok, const char *path, char *message)
{
  int closed = fclose(file);
  if (ok && closed == 0) {
    return true;
  }
  int reason = errno;
  (void)remove(path);
  return cannot(message, path, closed != 0 ? strerror(reason) : "the encoder failed");
}

static void pack_row(const render_image *image, int32_t row, unsigned char *packed)
{
  size_t count = (size_t)image->width_px * (size_t)image->channels;
  const uint16_t *sample = image->sample + (size_t)row * count;
  for (size_t i = 0; i < count; i++) {
    if (image->full_scale == 255) {
      packed[i] = (unsigned char)sample[i];
    } else {
      packed[2 * i] = (unsigned char)(sample[i] >> 8);
      packed[2 * i + 1] = (unsigned char)(sample[i] & 0xFF);
    }
  }
}

static bool png_rows(const render_image *image, FILE *file, unsigned char *packed)
{
  png_structp png = png_create_write_struct(PNG_LIBPNG_VER_STRING, NULL, NULL, NULL);
  png_infop info = png ? png_create_info_struct(png) : NULL;
  if (!info || setjmp(png_jmpbuf(png))) {
    png_destroy_write_struct(&png, &info);
    return false;
  }
  png_init_io(png, file);
  png_set_IHDR(png, info, (png_uint_32)image->width_px, (png_uint_32)image->height_px,
               image->full_scale == 255 ? 8 : 16, image->channels == 3 ? PNG_COLOR_TYPE_RGB : PNG_COLOR_TYPE_GRAY,
               PNG_INTERLACE_NONE, PNG_COMPRESSION_TYPE_DEFAULT, PNG_FILTER_TYPE_DEFAULT);
  if (image->stated_dpi > 0.0) {
    png_uint_32 per_metre = (png_uint_32)lround(image->stated_dpi / 0.0254);
    png_set_pHYs(png, info, per_metre, per_metre, PNG_RESOLUTION_METER);
  }
  png_set_compression_level(png, 1);
  png_set_filter(png, 0, PNG_FILTER_SUB);
  png_write_info(png, info);
  for (int32_t row = 0; row < image->height_px; row++) {
    pack_row(image, row, packed);
    png_write_row(png, packed);
  }
  png_write_end(png, NULL);
  png_destroy_write_struct(&png, &info);
  return true;
}

static unsigned char *row_buffer(const render_image *image)
{
  int32_t longest = image->width_px > image->height_px ? image->width_px : image->height_px;
  return malloc((size_t)longest * (size_t)image->channels * 2);
}

bool render_write_png(const render_image *image, const char *path, char *message)
{
  unsigned char *packed = row_buffer(image);
  FILE *file = packed ? fopen(path, "wb") : NULL;
  if (!file) {
    free(packed);
    return cannot(message, path, packed ? strerror(errno) : "no memory");
  }
  bool ok = png_rows(image, file, packed);
  free(packed);
  return close_file(file, ok, path, message);
}

typedef struct jpeg_failure {
  struct jpeg_error_mgr manager; /* first, so that a pointer to it is a pointer to this */
  jmp_buf jump;
} jpeg_failure;

static void jpeg_give_up(j_common_ptr common)
{
  jpeg_failure *failure = (jpeg_failure *)common->err;
  longjmp(failure->jump, 1);
}

/* Where the pixel at a stored place belongs in the upright picture. TIFF 6.0, tag 274: with 6 the stored row 0 is the
 * upright picture's right side and column 0 its top, with 8 the left side and the bottom. */
static size_t upright_index(const render_image *image, int32_t row, int32_t column)
{
  size_t width = (size_t)image->width_px, height = (size_t)image->height_px, r = (size_t)row, c = (size_t)column;
  switch (image->orientation) {
  case 3:
    return (height - 1 - r) * width + width - 1 - c;
  case 6:
    return c * width + width - 1 - r;
  case 8:
    return (height - 1 - c) * width + r;
  default:
    return r * width + c;
  }
}

static void pack_stored_row(const render_image *image, int32_t row, int32_t stored_width, unsigned char *packed)
{
  size_t channels = (size_t)image->channels;
  for (int32_t column = 0; column < stored_width; column++) {
    const uint16_t *sample = image->sample + upright_index(image, row, column) * channels;
    for (size_t i = 0; i < channels; i++) {
      packed[(size_t)column * channels + i] = (unsigned char)sample[i];
    }
  }
}

static size_t put(unsigned char *to, size_t at, unsigned long value, int bytes)
{
  for (int i = 0; i < bytes; i++) {
    to[at++] = (unsigned char)(value >> (8 * i) & 0xFF);
  }
  return at;
}

/* A directory's entry with one value: type 3 is SHORT, 4 LONG. */
static size_t put_entry(unsigned char *to, size_t at, unsigned tag, unsigned type, unsigned long value)
{
  at = put(to, at, tag, 2);
  at = put(to, at, type, 2);
  at = put(to, at, 1, 4);
  return put(to, at, value, 4);
}

enum { EXIF_MOST = 100 };

/* Orientation (tag 0x0112) in the first directory; FocalLengthIn35mmFilm (0xA405) in EXIF's own (pointer 0x8769). */
static size_t exif_segment(const render_image *image, unsigned char segment[EXIF_MOST])
{
  static const unsigned char head[14] = {'E', 'x', 'i', 'f', 0, 0, 'I', 'I', 42, 0, 8, 0, 0, 0};
  unsigned entries = (image->orientation > 0 ? 1U : 0U) + (image->focal_35mm > 0 ? 1U : 0U);
  size_t at = sizeof head;
  memcpy(segment, head, sizeof head);
  at = put(segment, at, entries, 2);
  if (image->orientation > 0) {
    at = put_entry(segment, at, 0x0112, 3, (unsigned long)image->orientation);
  }
  if (image->focal_35mm > 0) {
    at = put_entry(segment, at, 0x8769, 4, 8 + 2 + 12UL * entries + 4);
  }
  at = put(segment, at, 0, 4);
  if (image->focal_35mm > 0) {
    at = put(segment, at, 1, 2);
    at = put_entry(segment, at, 0xA405, 3, (unsigned long)image->focal_35mm);
    at = put(segment, at, 0, 4);
  }
  return at;
}

static bool jpeg_rows(const render_image *image, int quality, FILE *file, unsigned char *packed)
{
  struct jpeg_compress_struct jpeg;
  jpeg_failure failure;
  jpeg.err = jpeg_std_error(&failure.manager);
  failure.manager.error_exit = jpeg_give_up;
  jpeg_create_compress(&jpeg);
  if (setjmp(failure.jump)) {
    jpeg_destroy_compress(&jpeg);
    return false;
  }
  jpeg_stdio_dest(&jpeg, file);
  bool turned = image->orientation == 6 || image->orientation == 8;
  int32_t stored_width = turned ? image->height_px : image->width_px;
  int32_t stored_height = turned ? image->width_px : image->height_px;
  jpeg.image_width = (JDIMENSION)stored_width;
  jpeg.image_height = (JDIMENSION)stored_height;
  jpeg.input_components = image->channels;
  jpeg.in_color_space = image->channels == 3 ? JCS_RGB : JCS_GRAYSCALE;
  jpeg_set_defaults(&jpeg);
  jpeg_set_quality(&jpeg, quality, TRUE);
  if (image->stated_dpi > 0.0) {
    jpeg.density_unit = 1; /* dots an inch */
    jpeg.X_density = jpeg.Y_density = (UINT16)lround(image->stated_dpi);
  }
  jpeg_start_compress(&jpeg, TRUE);
  if (image->orientation > 0 || image->focal_35mm > 0) {
    unsigned char segment[EXIF_MOST];
    unsigned length = (unsigned)exif_segment(image, segment);
    jpeg_write_marker(&jpeg, JPEG_APP0 + 1, segment, length);
  }
  for (int32_t row = 0; row < stored_height; row++) {
    pack_stored_row(image, row, stored_width, packed);
    JSAMPROW line = packed;
    jpeg_write_scanlines(&jpeg, &line, 1);
  }
  jpeg_finish_compress(&jpeg);
  jpeg_destroy_compress(&jpeg);
  return true;
}

bool render_write_jpeg(const render_image *image, const char *path, int quality, char *message)
{
  if (image->full_scale != 255) {
    return cannot(message, path, "JPEG takes 8 bits only; set bits=8");
  }
  unsigned char *packed = row_buffer(image);
  FILE *file = packed ? fopen(path, "wb") : NULL;
  if (!file) {
    free(packed);
    return cannot(message, path, packed ? strerror(errno) : "no memory");
  }
  bool ok = jpeg_rows(image, quality, file, packed);
  free(packed);
  return close_file(file, ok, path, message);
}
