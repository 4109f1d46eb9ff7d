/* canvas.c: orientation, applied while the pixels arrive.
 *
 * Each of the eight orientations of TIFF 6.0 (tag 274, "Orientation", and EXIF after it) is an affine map of indices:
 * origin + x dx + y dy. Where dx is 1 the decoder writes into the raster itself. Otherwise rows wait in a band; a
 * quarter turn writes the band in small squares, so that the lines of the cache are filled before they are left.
 */
#include "canvas.h"

#include <stdlib.h>
#include <string.h>

#include "raster/pages.h"
#include "slotproof/reading.h"

enum {
  BAND_ROWS = 64, /* 64 rows of 8 bits fill a cache line across */
  SQUARE_PX = 32
};

/* w, h as stored. The raster is h wide if the picture is turned by a quarter (5 to 8). */
static void place(sp_sheet *canvas, int orientation)
{
  const ptrdiff_t w = canvas->width_px, h = canvas->height_px;
  const bool turned = orientation >= 5;
  const bool from_right = orientation == 2 || orientation == 3 || orientation == 6 || orientation == 7;
  const bool from_bottom = orientation == 3 || orientation == 4 || orientation == 7 || orientation == 8;
  const ptrdiff_t line = turned ? h : w;
  const ptrdiff_t lines = turned ? w : h;
  const ptrdiff_t across = from_right ? -1 : 1;
  const ptrdiff_t down = from_bottom ? -line : line;
  canvas->origin = (from_right ? line - 1 : 0) + (from_bottom ? (lines - 1) * line : 0);
  canvas->dx = turned ? down : across;
  canvas->dy = turned ? across : down;
}

sp_status sp_sheet_open(sp_sheet *canvas, uint32_t width_px, uint32_t height_px, int bits, int orientation,
                        uint64_t max_pixels, sp_raster *raster, sp_error *err)
{
  *canvas = (sp_sheet){.raster = raster, .width_px = width_px, .height_px = height_px, .bits = bits};
  const uint64_t limit = max_pixels ? max_pixels : SP_READ_MAX_PIXELS;
  if ((uint64_t)width_px * height_px > limit)
    return sp_fail(err, SP_E_DATA,
                   "the picture claims %u by %u pixels, more than the limit of %llu; scan at a lower "
                   "resolution or crop to the board",
                   width_px, height_px, (unsigned long long)limit);
  const bool turned = orientation >= 5;
  const sp_status status =
      sp_raster_create(turned ? height_px : width_px, turned ? width_px : height_px, bits, raster, err);
  if (status != SP_OK)
    return status;
  sp_pages_fill_soon(bits == 8 ? (void *)raster->u8 : (void *)raster->u16,
                     (size_t)width_px * height_px * (bits == 8 ? 1 : 2));
  place(canvas, orientation);
  if (canvas->dx == 1)
    return SP_OK;
  canvas->band_rows = turned ? BAND_ROWS : 1;
  canvas->band = calloc(canvas->band_rows, (size_t)width_px * (bits == 8 ? 1 : 2));
  return canvas->band ? SP_OK : sp_fail_memory(err);
}

void sp_sheet_close(sp_sheet *canvas)
{
  free(canvas->band);
  canvas->band = NULL;
}

void *sp_sheet_row(sp_sheet *canvas, uint32_t y)
{
  const size_t sample_bytes = canvas->bits == 8 ? 1 : 2;
  if (canvas->band)
    return canvas->band + (size_t)(y % canvas->band_rows) * canvas->width_px * sample_bytes;
  const ptrdiff_t index = canvas->origin + (ptrdiff_t)y * canvas->dy;
  return canvas->bits == 8 ? (void *)(canvas->raster->u8 + index) : (void *)(canvas->raster->u16 + index);
}

void sp_sheet_row_done(sp_sheet *canvas, uint32_t y)
{
  if (!canvas->band)
    return;
  const uint32_t in_band = y % canvas->band_rows + 1;
  if (in_band == canvas->band_rows || y + 1 == canvas->height_px)
    sp_sheet_block(canvas, 0, y + 1 - in_band, canvas->width_px, in_band, canvas->band, canvas->width_px);
}

static void write_u8(uint8_t *out, ptrdiff_t step, const uint8_t *in, size_t in_step, uint32_t n)
{
  for (uint32_t k = 0; k < n; k++)
    out[(ptrdiff_t)k * step] = in[k * in_step];
}

static void write_u16(uint16_t *out, ptrdiff_t step, const uint16_t *in, size_t in_step, uint32_t n)
{
  for (uint32_t k = 0; k < n; k++)
    out[(ptrdiff_t)k * step] = in[k * in_step];
}

void sp_sheet_scatter(sp_sheet *canvas, uint32_t x, uint32_t step, uint32_t y, const void *samples, uint32_t n)
{
  const ptrdiff_t index = canvas->origin + (ptrdiff_t)x * canvas->dx + (ptrdiff_t)y * canvas->dy;
  if (canvas->bits == 8)
    write_u8(canvas->raster->u8 + index, step * canvas->dx, samples, 1, n);
  else
    write_u16(canvas->raster->u16 + index, step * canvas->dx, samples, 1, n);
}

/* One square of a quarter turn: a stored column is a run of neighbours in the raster. */
static void turn_square(sp_sheet *canvas, uint32_t x, uint32_t y, uint32_t w, uint32_t h, const void *samples,
                        size_t stride)
{
  for (uint32_t i = 0; i < w; i++) {
    const ptrdiff_t index = canvas->origin + (ptrdiff_t)(x + i) * canvas->dx + (ptrdiff_t)y * canvas->dy;
    if (canvas->bits == 8)
      write_u8(canvas->raster->u8 + index, canvas->dy, (const uint8_t *)samples + i, stride, h);
    else
      write_u16(canvas->raster->u16 + index, canvas->dy, (const uint16_t *)samples + i, stride, h);
  }
}

static uint32_t least(uint32_t a, uint32_t b)
{
  return a < b ? a : b;
}

void sp_sheet_block(sp_sheet *canvas, uint32_t x, uint32_t y, uint32_t w, uint32_t h, const void *samples,
                    size_t stride)
{
  const uint8_t *bytes = samples;
  const size_t sample_bytes = canvas->bits == 8 ? 1 : 2;
  if (canvas->dx == 1 || canvas->dx == -1) {
    for (uint32_t j = 0; j < h; j++)
      sp_sheet_scatter(canvas, x, 1, y + j, bytes + j * stride * sample_bytes, w);
    return;
  }
  for (uint32_t j = 0; j < h; j += SQUARE_PX)
    for (uint32_t i = 0; i < w; i += SQUARE_PX)
      turn_square(canvas, x + i, y + j, least(SQUARE_PX, w - i), least(SQUARE_PX, h - j),
                  bytes + (j * stride + i) * sample_bytes, stride);
}

sp_status sp_sheet_turn(sp_raster *raster, int orientation, sp_error *err)
{
  sp_raster upright;
  sp_sheet canvas;
  sp_status status = sp_sheet_open(&canvas, raster->width_px, raster->height_px, raster->u16 ? 16 : 8, orientation,
                                   UINT64_MAX, &upright, err);
  if (status == SP_OK) {
    const void *samples = raster->u16 ? (const void *)raster->u16 : (const void *)raster->u8;
    sp_sheet_block(&canvas, 0, 0, raster->width_px, raster->height_px, samples, raster->width_px);
    sp_raster_free(raster);
    *raster = upright;
  } else {
    sp_raster_free(&upright);
  }
  sp_sheet_close(&canvas);
  return status;
}
