/* slotproof/raster.h: the grey picture in memory, and averages over strips of it.
 *
 * Pixel convention of the whole project: (0,0) is the CENTRE of the top-left pixel of the upright picture, x_px grows
 * to the right along a row (column index), y_px grows downward (row index). A pixel covers [-0.5, 0.5] about its
 * centre.
 *
 * Values are kept as the file stores them (gamma-encoded, 8 or 16 bits), larger is lighter.
 */
#ifndef SLOTPROOF_RASTER_H
#define SLOTPROOF_RASTER_H

#include <stddef.h>
#include <stdint.h>

#include "slotproof/status.h"

typedef struct sp_point {
  double x, y;
} sp_point;

/* One grey picture. Exactly one of u8, u16 is set; rows follow each other without padding:
 * value(x, y) = u8[y * width_px + x]. Owned: free with sp_raster_free. */
typedef struct sp_raster {
  uint32_t width_px, height_px;
  uint8_t *u8;   /* full scale 255 */
  uint16_t *u16; /* full scale 65535 (samples of 9 to 15 bits are scaled up) */
} sp_raster;

/* Allocates (not cleared). 0 < width, height; bits is 8 or 16. Sizes are checked before they are multiplied. */
sp_status sp_raster_create(uint32_t width_px, uint32_t height_px, int bits, sp_raster *raster, sp_error *err);
void sp_raster_free(sp_raster *raster);

/* For a program that measures and ends: large arrays that are freed stay with it for the next ones, up to the most that
 * it ever held at once, instead of going back to the system and being fetched and cleared anew. Affects the whole
 * process; does nothing where the system's library cannot do so. */
void sp_rasters_keep_memory(void);

/* Full scale of the stored samples: 255 or 65535. */
double sp_raster_full_scale(const sp_raster *raster);

/* Averages over strips of the picture: one profile a strip, stored strip after strip.
 * Values are in raster counts (0..255 or 0..65535), exact to the rounding of a float. Owned: free with sp_strips_free.
 */
typedef struct sp_strips {
  uint32_t count;     /* number of strips; a remainder too narrow for a whole strip is left out */
  uint32_t length_px; /* values in one profile */
  uint32_t width_px;  /* rows or columns averaged in one strip */
  float *mean;        /* mean[strip * length_px + position] */
} sp_strips;

/* Widest strip: sums of 65536 16-bit samples still fit 32 bits. */
#define SP_STRIPS_MAX_WIDTH_PX 65536u

/* Strip s covers rows [s*w, (s+1)*w): mean[s*length + x] is their mean at column x; length_px = width of the raster.
 * 0 < w <= SP_STRIPS_MAX_WIDTH_PX, else SP_E_INTERNAL; SP_E_DATA if the raster has fewer than w rows. */
sp_status sp_strips_rows(const sp_raster *raster, uint32_t w, sp_strips *out, sp_error *err);

/* Strip s covers columns [s*w, (s+1)*w): mean[s*length + y] is their mean at row y; length_px = height of the raster.
 * Limits as above, with columns for rows. */
sp_status sp_strips_columns(const sp_raster *raster, uint32_t w, sp_strips *out, sp_error *err);

/* Both in one pass over the pixels, which is what the time goes into: `row_w` rows a strip in `rows`, `column_w`
 * columns a strip in `columns`. On failure neither holds anything. */
sp_status sp_strips_both(const sp_raster *raster, uint32_t row_w, uint32_t column_w, sp_strips *rows,
                         sp_strips *columns, sp_error *err);

void sp_strips_free(sp_strips *strips);

#endif
