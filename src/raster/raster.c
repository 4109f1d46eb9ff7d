/* raster.c: the grey picture in memory. */
#include "raster/pages.h"
#include "slotproof/raster.h"

#include <stdlib.h>

sp_status sp_raster_create(uint32_t width_px, uint32_t height_px, int bits, sp_raster *raster, sp_error *err)
{
  *raster = (sp_raster){0};
  if (width_px == 0 || height_px == 0)
    return sp_fail(err, SP_E_DATA, "the picture has no pixels; scan it again");
  if (bits != 8 && bits != 16)
    return sp_fail(err, SP_E_INTERNAL, "a raster of %d bits was asked for; only 8 and 16 exist", bits);
  const uint64_t pixels = (uint64_t)width_px * height_px;
  const uint64_t sample_bytes = bits == 8 ? 1 : 2;
  /* Offsets into the raster are ptrdiff_t in places, so the half of size_t is the limit. */
  if (pixels > (uint64_t)(SIZE_MAX / 2) / sample_bytes)
    return sp_fail_memory(err);
  void *samples = sp_pages_allocate((size_t)(pixels * sample_bytes));
  if (!samples)
    return sp_fail_memory(err);
  raster->width_px = width_px;
  raster->height_px = height_px;
  if (bits == 8)
    raster->u8 = samples;
  else
    raster->u16 = samples;
  return SP_OK;
}

void sp_raster_free(sp_raster *raster)
{
  if (!raster)
    return;
  free(raster->u8);
  free(raster->u16);
  *raster = (sp_raster){0};
}

double sp_raster_full_scale(const sp_raster *raster)
{
  return raster->u16 ? 65535.0 : 255.0;
}
