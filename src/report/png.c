/* The canvas as a PNG through libpng, row by row and with fast compression: an overlay is looked at, not archived.
 *
 * libpng reports errors by longjmp. Nothing that lives across it is changed after setjmp, so no variable needs
 * volatile. */
#include <png.h>
#include <stdlib.h>
#include <string.h>

#include "report_internal.h"

enum { COMPRESSION = 3 };

static void note_error(png_structp png, png_const_charp message)
{
  char *text = png_get_error_ptr(png);
  snprintf(text, 120, "%s", message);
  png_longjmp(png, 1);
}

static void ignore_warning(png_structp png, png_const_charp message)
{
  (void)png;
  (void)message;
}

/* False if libpng has given up. */
static bool encode(png_structp png, png_infop info, const sp_canvas *canvas, FILE *file)
{
  if (setjmp(png_jmpbuf(png)))
    return false;
  png_init_io(png, file);
  png_set_compression_level(png, COMPRESSION);
  png_set_filter(png, PNG_FILTER_TYPE_BASE, PNG_FILTER_SUB);
  png_set_IHDR(png, info, sp_canvas_width_px(canvas), sp_canvas_height_px(canvas), 8, PNG_COLOR_TYPE_RGB,
               PNG_INTERLACE_NONE, PNG_COMPRESSION_TYPE_DEFAULT, PNG_FILTER_TYPE_DEFAULT);
  png_write_info(png, info);
  for (uint32_t y = 0; y < sp_canvas_height_px(canvas); y++)
    png_write_row(png, sp_canvas_row(canvas, y));
  png_write_end(png, info);
  return true;
}

sp_status sp_write_png(const sp_canvas *canvas, FILE *file, sp_error *err)
{
  char message[120] = "";
  png_structp png = png_create_write_struct(PNG_LIBPNG_VER_STRING, message, note_error, ignore_warning);
  png_infop info = png ? png_create_info_struct(png) : NULL;
  if (!info) {
    png_destroy_write_struct(&png, NULL);
    return sp_fail_memory(err);
  }
  const bool done = encode(png, info, canvas, file);
  png_destroy_write_struct(&png, &info);
  if (done)
    return sp_flush_file(file, err);
  if (ferror(file))
    return sp_fail(err, SP_E_IO, "writing failed (%s); make room on the disk or write elsewhere", message);
  return sp_fail(err, SP_E_INTERNAL, "the picture could not be encoded (%s); report this fault", message);
}
