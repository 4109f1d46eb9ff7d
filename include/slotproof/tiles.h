/* slotproof/tiles.h: a picture as tiles in halved sizes, so that a browser can move about in it.
 *
 * Level 0 is the picture; each further level is half as large (means of 2 x 2 pixels; a last odd row or column counts
 * by itself), until one tile holds it. Tiles are SP_TILE_PX a side, smaller at the right and lower edge, grey JPEG of
 * high quality. For the eye only.
 */
#ifndef SLOTPROOF_TILES_H
#define SLOTPROOF_TILES_H

#include <stdint.h>
#include <stdio.h>

#include "slotproof/raster.h"
#include "slotproof/status.h"

enum { SP_TILE_PX = 512, SP_TILE_LEVELS_MOST = 16 };

/* How many levels a picture of that size has. */
uint32_t sp_tiles_levels(uint32_t width_px, uint32_t height_px);
/* The pack's number of a tile; columns and rows below 2^24, level below SP_TILE_LEVELS_MOST. */
uint64_t sp_tiles_key(uint32_t level, uint32_t column, uint32_t row);

/* Writes all of them as one pack (pack.h) and flushes. SP_E_IO, SP_E_INTERNAL. */
sp_status sp_tiles_write(const sp_raster *raster, FILE *file, sp_error *err);

#endif
