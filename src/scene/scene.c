/* The view along the board: one place where rows and columns are told apart. */
#include "slotproof/scene.h"

#include <math.h>
#include <string.h>

sp_view sp_view_of(const sp_raster *raster, sp_along along)
{
  sp_view view = {raster, along, 0, 0, sp_raster_full_scale(raster)};
  view.length_px = (int32_t)(along == SP_ALONG_X ? raster->width_px : raster->height_px);
  view.breadth_px = (int32_t)(along == SP_ALONG_X ? raster->height_px : raster->width_px);
  return view;
}

sp_point sp_view_point(const sp_view *view, double u_px, double v_px)
{
  if (view->along == SP_ALONG_X)
    return (sp_point){u_px, v_px};
  return (sp_point){v_px, u_px};
}

static void add_row(const sp_raster *raster, size_t first, int32_t count, float *sum)
{
  if (raster->u8) {
    const uint8_t *row = raster->u8 + first;
    for (int32_t i = 0; i < count; i++)
      sum[i] += (float)row[i];
  } else {
    const uint16_t *row = raster->u16 + first;
    for (int32_t i = 0; i < count; i++)
      sum[i] += (float)row[i];
  }
}

static float sum_row(const sp_raster *raster, size_t first, int32_t count)
{
  uint64_t sum = 0;
  if (raster->u8) {
    for (int32_t i = 0; i < count; i++)
      sum += raster->u8[first + (size_t)i];
  } else {
    for (int32_t i = 0; i < count; i++)
      sum += raster->u16[first + (size_t)i];
  }
  return (float)sum;
}

/* count > 0 and [u0, u0 + count) lies inside. */
static void window_inside(const sp_view *view, int32_t u0, int32_t count, int32_t v0, int32_t v1, float *out)
{
  const size_t width = view->raster->width_px;
  const float scale = 1.0f / (float)(v1 - v0);
  if (view->along == SP_ALONG_X) {
    memset(out, 0, (size_t)count * sizeof *out);
    for (int32_t v = v0; v < v1; v++)
      add_row(view->raster, (size_t)v * width + (size_t)u0, count, out);
    for (int32_t i = 0; i < count; i++)
      out[i] *= scale;
  } else {
    for (int32_t i = 0; i < count; i++)
      out[i] = scale * sum_row(view->raster, (size_t)(u0 + i) * width + (size_t)v0, v1 - v0);
  }
}

void sp_view_window(const sp_view *view, int32_t u0, int32_t count, int32_t v0, int32_t height, float *out)
{
  const int32_t v1 = v0 + height < view->breadth_px ? v0 + height : view->breadth_px;
  const int32_t first = v0 > 0 ? v0 : 0;
  int32_t lead = u0 < 0 ? -u0 : 0;
  int32_t end = u0 + count > view->length_px ? view->length_px - u0 : count;
  if (first >= v1 || lead >= end) {
    lead = count;
    end = count;
  }
  for (int32_t i = 0; i < lead; i++)
    out[i] = NAN;
  for (int32_t i = end; i < count; i++)
    out[i] = NAN;
  if (lead < end)
    window_inside(view, u0 + lead, end - lead, first, v1, out + lead);
}

void sp_view_band(const sp_view *view, double v0, double slope, int32_t height, float *out)
{
  int32_t u = 0;
  while (u < view->length_px) {
    const int32_t v = (int32_t)lround(v0 + slope * u);
    int32_t end = u + 1;
    while (end < view->length_px && (int32_t)lround(v0 + slope * end) == v)
      end++;
    sp_view_window(view, u, end - u, v, height, out + u);
    u = end;
  }
}

sp_status sp_scene_create(const sp_raster *raster, sp_scene *scene, sp_error *err)
{
  const uint32_t longer = raster->width_px > raster->height_px ? raster->width_px : raster->height_px;
  uint32_t strip = (longer + 220) / 440;
  strip = strip < 4 ? 4 : strip > 32 ? 32 : strip;
  memset(scene, 0, sizeof *scene);
  scene->raster = raster;
  scene->strip_px = strip;
  return sp_strips_both(raster, strip, strip, &scene->strips[SP_ALONG_X], &scene->strips[SP_ALONG_Y], err);
}

void sp_scene_free(sp_scene *scene)
{
  sp_strips_free(&scene->strips[0]);
  sp_strips_free(&scene->strips[1]);
}
