/* Level by level; beside the raster only one level of a quarter of its pixels, in 8 bits, is in memory, and its half.
 */
#include "slotproof/tiles.h"

#include <stdlib.h>
#include <string.h>

#include "slotproof/jpeg.h"
#include "slotproof/pack.h"

enum { QUALITY = 90 };

uint32_t sp_tiles_levels(uint32_t width_px, uint32_t height_px)
{
  uint32_t longer = width_px > height_px ? width_px : height_px, levels = 1;
  for (; longer > SP_TILE_PX && levels < SP_TILE_LEVELS_MOST; levels++)
    longer = longer / 2 + longer % 2;
  return levels;
}

uint64_t sp_tiles_key(uint32_t level, uint32_t column, uint32_t row)
{
  return (uint64_t)level << 48 | (uint64_t)row << 24 | column;
}

static uint32_t value(const sp_raster *r, uint32_t x, uint32_t y)
{
  const size_t i = (size_t)y * r->width_px + x;
  return r->u8 ? r->u8[i] : (r->u16[i] + 128u) / 257u;
}

static void copy_tile(const sp_raster *r, uint32_t x0, uint32_t y0, uint32_t width, uint32_t height, uint8_t *tile)
{
  for (uint32_t y = 0; y < height; y++) {
    uint8_t *row = tile + (size_t)y * width;
    if (r->u8)
      memcpy(row, r->u8 + (size_t)(y0 + y) * r->width_px + x0, width);
    else
      for (uint32_t x = 0; x < width; x++)
        row[x] = (uint8_t)value(r, x0 + x, y0 + y);
  }
}

static uint32_t least(uint32_t a, uint32_t b)
{
  return a < b ? a : b;
}

static sp_status write_level(const sp_raster *r, uint32_t level, sp_pack_writer *pack, uint8_t *tile, sp_error *err)
{
  for (uint32_t y = 0; y < r->height_px; y += SP_TILE_PX)
    for (uint32_t x = 0; x < r->width_px; x += SP_TILE_PX) {
      const uint32_t width = least(SP_TILE_PX, r->width_px - x), height = least(SP_TILE_PX, r->height_px - y);
      char *bytes = NULL;
      size_t size = 0;
      copy_tile(r, x, y, width, height, tile);
      sp_status status = sp_jpeg_grey(tile, width, height, width, QUALITY, &bytes, &size, err);
      if (!status)
        status = sp_pack_add(pack, sp_tiles_key(level, x / SP_TILE_PX, y / SP_TILE_PX), bytes, size, err);
      free(bytes);
      if (status)
        return status;
    }
  return SP_OK;
}

static sp_status halve(const sp_raster *from, sp_raster *to, sp_error *err)
{
  const uint32_t width = from->width_px / 2 + from->width_px % 2, height = from->height_px / 2 + from->height_px % 2;
  const sp_status status = sp_raster_create(width, height, 8, to, err);
  if (status)
    return status;
  for (uint32_t y = 0; y < height; y++)
    for (uint32_t x = 0; x < width; x++) {
      const uint32_t x0 = 2 * x, y0 = 2 * y;
      const uint32_t x1 = least(x0 + 1, from->width_px - 1), y1 = least(y0 + 1, from->height_px - 1);
      const uint32_t sum = value(from, x0, y0) + value(from, x1, y0) + value(from, x0, y1) + value(from, x1, y1);
      to->u8[(size_t)y * width + x] = (uint8_t)((sum + 2u) / 4u);
    }
  return SP_OK;
}

static sp_status write_levels(const sp_raster *raster, sp_pack_writer *pack, uint8_t *tile, sp_error *err)
{
  const uint32_t levels = sp_tiles_levels(raster->width_px, raster->height_px);
  sp_raster held = {0};
  sp_status status = write_level(raster, 0, pack, tile, err);
  for (uint32_t level = 1; !status && level < levels; level++) {
    sp_raster half = {0};
    status = halve(level == 1 ? raster : &held, &half, err);
    sp_raster_free(&held);
    held = half;
    if (!status)
      status = write_level(&held, level, pack, tile, err);
  }
  sp_raster_free(&held);
  return status;
}

sp_status sp_tiles_write(const sp_raster *raster, FILE *file, sp_error *err)
{
  sp_pack_writer pack = {.file = file};
  uint8_t *tile = malloc((size_t)SP_TILE_PX * SP_TILE_PX);
  sp_status status = tile ? write_levels(raster, &pack, tile, err) : sp_fail_memory(err);
  if (!status)
    status = sp_pack_finish(&pack, err);
  free(tile);
  sp_pack_free(&pack);
  return status;
}
