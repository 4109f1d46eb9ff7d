/* The scan as a PNG: grey, with the resolution as pixels per metre (ISO/IEC 15948, 11.3.5.3). */
#include <math.h>
#include <png.h>
#include <setjmp.h>
#include <stdlib.h>
#include <string.h>

#include "scan_internal.h"
#include "slotproof/report.h"

/* zlib's fastest: wood hardly compresses. */
enum { COMPRESSION = 1, MESSAGE = 128 };
static const double METRE_PER_INCH = 0.0254;

static void note_error(png_structp png, png_const_charp message)
{
  char *text = png_get_error_ptr(png);
  snprintf(text, MESSAGE, "%s", message);
  png_longjmp(png, 1);
}

static void ignore_warning(png_structp png, png_const_charp message)
{
  (void)png;
  (void)message;
}

static bool little_endian(void)
{
  const uint16_t one = 1;
  unsigned char first;
  memcpy(&first, &one, 1);
  return first == 1;
}

static bool encode(png_structp png, png_infop info, const scan_rows *rows, uint32_t width_px, uint32_t height_px,
                   int bits, double dpi, FILE *file)
{
  if (setjmp(png_jmpbuf(png)))
    return false;
  const png_uint_32 per_metre = (png_uint_32)lround(dpi / METRE_PER_INCH);
  const size_t row = (size_t)width_px * (size_t)(bits / 8);
  png_init_io(png, file);
  png_set_compression_level(png, COMPRESSION);
  png_set_filter(png, PNG_FILTER_TYPE_BASE, PNG_FILTER_SUB);
  png_set_IHDR(png, info, width_px, height_px, bits, PNG_COLOR_TYPE_GRAY, PNG_INTERLACE_NONE,
               PNG_COMPRESSION_TYPE_DEFAULT, PNG_FILTER_TYPE_DEFAULT);
  png_set_pHYs(png, info, per_metre, per_metre, PNG_RESOLUTION_METER);
  png_write_info(png, info);
  if (bits == 16 && little_endian())
    png_set_swap(png);
  for (uint32_t y = 0; y < height_px; y++)
    png_write_row(png, rows->bytes + y * row);
  png_write_end(png, info);
  return true;
}

static sp_status write_png(const scan_rows *rows, uint32_t width_px, uint32_t height_px, int bits, double dpi,
                           FILE *file, sp_error *err)
{
  char message[MESSAGE] = "";
  png_structp png = png_create_write_struct(PNG_LIBPNG_VER_STRING, message, note_error, ignore_warning);
  png_infop info = png ? png_create_info_struct(png) : NULL;
  if (!info) {
    png_destroy_write_struct(&png, NULL);
    return sp_fail_memory(err);
  }
  const bool done = encode(png, info, rows, width_px, height_px, bits, dpi, file);
  png_destroy_write_struct(&png, &info);
  return done ? SP_OK : sp_fail(err, SP_E_IO, "writing failed (%s); make room on the disk or write elsewhere", message);
}

sp_status scan_write_png(const char *path, const scan_rows *rows, uint32_t width_px, uint32_t height_px, int bits,
                         double dpi, sp_error *err)
{
  sp_whole_file whole = {0};
  sp_status status = sp_whole_file_open(path, &whole, err);
  if (!status)
    status = write_png(rows, width_px, height_px, bits, dpi, whole.file, err);
  if (!status)
    status = sp_whole_file_finish(&whole, err);
  if (!status)
    status = sp_whole_file_publish(&whole, err);
  sp_whole_file_abandon(&whole);
  return status;
}
