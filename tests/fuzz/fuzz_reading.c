/* Whatever bytes come as a picture: an upright raster within the limit, or one sentence. Nothing in between. */
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/reading.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

enum { PIXELS_MAX = 1 << 20 };

static void demand(int condition)
{
  if (!condition)
    abort();
}

/* Touches every sample, so that a sanitizer sees one that is missing or was never written. */
static void demand_raster(const sp_raster *r)
{
  const size_t n = (size_t)r->width_px * r->height_px;
  demand(n > 0 && n <= PIXELS_MAX);
  demand((r->u8 != NULL) != (r->u16 != NULL));
  double sum = 0.0;
  for (size_t i = 0; i < n; i++)
    sum += r->u8 ? r->u8[i] : r->u16[i];
  demand(sum <= sp_raster_full_scale(r) * (double)n);
}

static void demand_info(const sp_picture_info *info)
{
  demand(memchr(info->format, '\0', sizeof info->format) != NULL && info->format[0] != '\0');
  demand(info->orientation >= 1 && info->orientation <= 8);
  demand(info->bits_per_sample >= 1 && info->bits_per_sample <= 16 && info->channels >= 1);
  demand(isfinite(info->stated_dpi_x) && info->stated_dpi_x >= 0.0);
  demand(isfinite(info->stated_dpi_y) && info->stated_dpi_y >= 0.0);
}

static void demand_refusal(sp_status status, const sp_raster *r, const sp_error *err)
{
  demand(status == SP_E_DATA || status == SP_E_INTERNAL);
  demand(err->status == status && err->text[0] != '\0' && !strchr(err->text, '\n'));
  demand(!r->u8 && !r->u16);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
  const sp_read_options options = {.max_pixels = PIXELS_MAX};
  sp_raster raster;
  sp_picture_info info;
  sp_error err = {0};
  const sp_status status = sp_read_picture_memory(data, size, &options, &raster, &info, &err);
  if (status == SP_OK) {
    demand_raster(&raster);
    demand_info(&info);
  } else {
    demand_refusal(status, &raster, &err);
  }
  sp_raster_free(&raster);
  return 0;
}
