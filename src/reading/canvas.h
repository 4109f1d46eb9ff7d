/* canvas.h (internal): where decoded grey pixels go. The decoder speaks of the picture as stored; the canvas puts every
 * pixel where it belongs in the upright raster. */
#ifndef SLOTPROOF_READING_CANVAS_H
#define SLOTPROOF_READING_CANVAS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "slotproof/raster.h"

typedef struct sp_sheet {
  sp_raster *raster;            /* upright; the caller's */
  uint32_t width_px, height_px; /* as stored */
  int bits;                     /* 8 or 16: what the rows handed over consist of */
  ptrdiff_t origin, dx, dy;     /* sample (x, y) as stored is at raster index origin + x * dx + y * dy */
  uint8_t *band;                /* stored rows waiting to be turned, NULL if rows can be written in place */
  uint32_t band_rows;
} sp_sheet;

/* Refuses more than max_pixels (0: SP_READ_MAX_PIXELS) before it takes memory. orientation: TIFF / EXIF 1..8. */
sp_status sp_sheet_open(sp_sheet *canvas, uint32_t width_px, uint32_t height_px, int bits, int orientation,
                        uint64_t max_pixels, sp_raster *raster, sp_error *err);
void sp_sheet_close(sp_sheet *canvas);

/* Room for stored row y, width_px samples of uint8_t or uint16_t. Rows come in order, each followed by its _done. */
void *sp_sheet_row(sp_sheet *canvas, uint32_t y);
void sp_sheet_row_done(sp_sheet *canvas, uint32_t y);

/* n samples of stored row y, at columns x, x + step, x + 2 step... (a pass of an interlaced picture). */
void sp_sheet_scatter(sp_sheet *canvas, uint32_t x, uint32_t step, uint32_t y, const void *samples, uint32_t n);

/* A block of w by h samples with its corner at stored (x, y); source rows are `stride` samples apart. */
void sp_sheet_block(sp_sheet *canvas, uint32_t x, uint32_t y, uint32_t w, uint32_t h, const void *samples,
                    size_t stride);

/* Turns a picture that was read as orientation 1; takes a second raster while it works. */
sp_status sp_sheet_turn(sp_raster *raster, int orientation, sp_error *err);

#endif
