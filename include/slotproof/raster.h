/* slotproof/raster.h: the grey picture in memory, and averages over strips of it.
 *
 * Pixel convention of the whole project: (0,0) is the CENTRE of the top-left pixel of the upright picture, x_px grows to
 * the right along a row (column index), y_px grows downward (row index). A pixel covers [-0.5, 0.5] about its centre.
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

/* Full scale of the stored samples: 255 or 65535. */
double sp_raster_full_scale(const sp_raster *raster);

#endif
