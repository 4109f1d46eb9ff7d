/* The view along the board: one place where rows and columns are told apart. */
#include "slotproof/scene.h"

#include <math.h>
#include <string.h>

#include "workers/wide.h"

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

SP_WIDE static void add_row(const sp_raster *raster, size_t first, int32_t count, float *sum)
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

/* Places from u on that have the same v; at most up to u1. */
static int32_t end_of_step(double v0, double slope, int32_t u, int32_t u1)
{
  const long v = lround(v0 + slope * u);
  int32_t end = u + 1;
  while (end < u1 && lround(v0 + slope * end) == v)
    end++;
  return end;
}

static void bands_along_rows(const sp_view *view, double v0, double slope, int32_t height, int32_t bands, int32_t u0,
                             int32_t u1, float *out)
{
  for (int32_t u = u0, end; u < u1; u = end) {
    const int32_t v = (int32_t)lround(v0 + slope * u);
    end = end_of_step(v0, slope, u, u1);
    for (int32_t j = 0; j < bands; j++)
      sp_view_window(view, u, end - u, v + j * height, height, out + (size_t)j * (size_t)view->length_px + u);
  }
}

enum { TILE = 16 }; /* floats in a cache line */

/* Means of `count` runs of `height` pixels, one behind the other: out[j * TILE]. */
static inline void average_runs(const sp_raster *raster, size_t first, int32_t height, int32_t count, float *out)
{
  const float scale = 1.0f / (float)height;
  for (int32_t j = 0; j < count; j++, first += (size_t)height) {
    int32_t sum = 0;
    for (int32_t i = 0; i < height; i++)
      sum += raster->u8 ? raster->u8[first + (size_t)i] : raster->u16[first + (size_t)i];
    out[j * TILE] = scale * (float)sum;
  }
}

/* The same, the usual heights known where it is compiled: most runs are of a few pixels, and there are millions. */
static void average_usual_runs(const sp_raster *raster, size_t first, int32_t height, int32_t count, float *out)
{
  switch (height) {
  case 3:
    average_runs(raster, first, 3, count, out);
    return;
  case 4:
    average_runs(raster, first, 4, count, out);
    return;
  case 5:
    average_runs(raster, first, 5, count, out);
    return;
  case 6:
    average_runs(raster, first, 6, count, out);
    return;
  case 8:
    average_runs(raster, first, 8, count, out);
    return;
  default:
    average_runs(raster, first, height, count, out);
  }
}

/* `bands` bands of one row of the picture, the first of them from v on: out[j * TILE]. */
static void bands_across_row(const sp_view *view, int32_t u, int32_t v, int32_t height, int32_t bands, float *out)
{
  const int32_t room = view->breadth_px - v, fitting = room > 0 ? room / height : 0;
  const int32_t before = v < 0 ? (-v + height - 1) / height : 0;
  const int32_t from = before < bands ? before : bands, to = fitting < from ? from : fitting < bands ? fitting : bands;
  for (int32_t j = 0; j < from; j++)
    sp_view_window(view, u, 1, v + j * height, height, &out[j * TILE]);
  average_usual_runs(view->raster, (size_t)u * view->raster->width_px + (size_t)(v + from * height), height, to - from,
                     out + from * TILE);
  for (int32_t j = to; j < bands; j++)
    sp_view_window(view, u, 1, v + j * height, height, &out[j * TILE]);
}

/* Row by row, so that each is fetched once, and a tile at a time, so that each line of the result is written once. */
static void bands_across_rows(const sp_view *view, double v0, double slope, int32_t height, int32_t bands, int32_t u0,
                              int32_t u1, float *out)
{
  enum { AT_ONCE = 64 };
  float tile[AT_ONCE * TILE];
  for (int32_t u = u0; u < u1; u += TILE) {
    const int32_t rows = u1 - u < TILE ? u1 - u : TILE;
    for (int32_t j = 0; j < bands; j += AT_ONCE) {
      const int32_t count = bands - j < AT_ONCE ? bands - j : AT_ONCE;
      for (int32_t k = 0; k < rows; k++)
        bands_across_row(view, u + k, (int32_t)lround(v0 + slope * (u + k)) + j * height, height, count, tile + k);
      for (int32_t i = 0; i < count; i++)
        memcpy(out + (size_t)(j + i) * (size_t)view->length_px + u, tile + i * TILE, (size_t)rows * sizeof *tile);
    }
  }
}

void sp_view_bands(const sp_view *view, double v0, double slope, int32_t height, int32_t bands, int32_t u0, int32_t u1,
                   float *out)
{
  if (view->along == SP_ALONG_X)
    bands_along_rows(view, v0, slope, height, bands, u0, u1, out);
  else
    bands_across_rows(view, v0, slope, height, bands, u0, u1, out);
}

sp_status sp_scene_create_strips(const sp_raster *raster, uint32_t strip_px, sp_scene *scene, sp_error *err)
{
  memset(scene, 0, sizeof *scene);
  scene->raster = raster;
  scene->strip_px = strip_px;
  return sp_strips_both(raster, strip_px, strip_px, &scene->strips[SP_ALONG_X], &scene->strips[SP_ALONG_Y], err);
}

static uint32_t usual_strip_px(const sp_raster *raster)
{
  const uint32_t longer = raster->width_px > raster->height_px ? raster->width_px : raster->height_px;
  const uint32_t strip = (longer + 220) / 440;
  return strip < 4 ? 4 : strip > 32 ? 32 : strip;
}

sp_status sp_scene_create(const sp_raster *raster, sp_scene *scene, sp_error *err)
{
  return sp_scene_create_strips(raster, usual_strip_px(raster), scene, err);
}

sp_status sp_scene_create_along(const sp_raster *raster, sp_along along, sp_scene *scene, sp_error *err)
{
  memset(scene, 0, sizeof *scene);
  scene->raster = raster;
  scene->strip_px = usual_strip_px(raster);
  return along == SP_ALONG_X ? sp_strips_rows(raster, scene->strip_px, &scene->strips[along], err)
                             : sp_strips_columns(raster, scene->strip_px, &scene->strips[along], err);
}

void sp_scene_free(sp_scene *scene)
{
  sp_strips_free(&scene->strips[0]);
  sp_strips_free(&scene->strips[1]);
}
