/* Drawing a picture anew through a smooth map.
 *
 * The map is asked on a grid of GRID px and interpolated between (a lens bends so slowly that this is right to a
 * thousandth of a pixel); grey values by cubic convolution (R. G. Keys, IEEE Trans. ASSP 29, 1981, a = -1/2), which
 * keeps straight slopes and shifts nothing. The result has 16 bits so that rounding adds no noise.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "photo_internal.h"
#include "slotproof/workers.h"

enum { GRID = 8, PHASES = 256, TAPS = 4 };

typedef struct resampling {
  const sp_raster *source;
  photo_map map;
  const void *context;
  sp_raster *out;
  float weight[PHASES + 1][TAPS];
  float outside, gain;
  sp_point *nodes; /* per row of blocks, two rows of nodes; one set a block row */
  size_t node_columns;
} resampling;

static void fill_weights(resampling *r)
{
  for (int i = 0; i <= PHASES; i++) {
    const float t = (float)i / PHASES, t2 = t * t, t3 = t2 * t;
    r->weight[i][0] = 0.5f * (-t3 + 2.0f * t2 - t);
    r->weight[i][1] = 0.5f * (3.0f * t3 - 5.0f * t2 + 2.0f);
    r->weight[i][2] = 0.5f * (-3.0f * t3 + 4.0f * t2 + t);
    r->weight[i][3] = 0.5f * (t3 - t2);
  }
}

static float mean_grey(const sp_raster *raster)
{
  const size_t n = (size_t)raster->width_px * raster->height_px, step = n / 20000 + 1;
  double sum = 0.0;
  size_t count = 0;
  for (size_t i = 0; i < n; i += step, count++)
    sum += raster->u8 ? raster->u8[i] : raster->u16[i];
  return (float)(sum / (double)count);
}

static float taken_8(const resampling *r, const uint8_t *at, const float *wx, const float *wy)
{
  const size_t stride = r->source->width_px;
  float sum = 0.0f;
  for (int j = 0; j < TAPS; j++) {
    const uint8_t *row = at + (size_t)j * stride;
    sum += wy[j] * (wx[0] * (float)row[0] + wx[1] * (float)row[1] + wx[2] * (float)row[2] + wx[3] * (float)row[3]);
  }
  return sum;
}

static float taken_16(const resampling *r, const uint16_t *at, const float *wx, const float *wy)
{
  const size_t stride = r->source->width_px;
  float sum = 0.0f;
  for (int j = 0; j < TAPS; j++) {
    const uint16_t *row = at + (size_t)j * stride;
    sum += wy[j] * (wx[0] * (float)row[0] + wx[1] * (float)row[1] + wx[2] * (float)row[2] + wx[3] * (float)row[3]);
  }
  return sum;
}

static float value_at(const resampling *r, float x, float y)
{
  const sp_raster *s = r->source;
  const float fx = floorf(x), fy = floorf(y);
  /* false for NAN as well */
  if (!(fx >= 1.0f && fy >= 1.0f && fx < (float)s->width_px - 2.0f && fy < (float)s->height_px - 2.0f))
    return r->outside;
  const float *wx = r->weight[(int)((x - fx) * PHASES + 0.5f)], *wy = r->weight[(int)((y - fy) * PHASES + 0.5f)];
  const size_t first = ((size_t)fy - 1) * s->width_px + (size_t)fx - 1;
  return s->u8 ? taken_8(r, s->u8 + first, wx, wy) : taken_16(r, s->u16 + first, wx, wy);
}

static void draw_row(const resampling *r, uint32_t y, float part, const sp_point *upper, const sp_point *lower)
{
  const uint32_t width = r->out->width_px;
  uint16_t *out = r->out->u16 + (size_t)y * width;
  for (uint32_t x = 0; x < width; x++) {
    const uint32_t node = x / GRID;
    const float q = (float)(x % GRID) / GRID;
    const float ax = (float)(upper[node].x + q * (upper[node + 1].x - upper[node].x));
    const float ay = (float)(upper[node].y + q * (upper[node + 1].y - upper[node].y));
    const float bx = (float)(lower[node].x + q * (lower[node + 1].x - lower[node].x));
    const float by = (float)(lower[node].y + q * (lower[node + 1].y - lower[node].y));
    const float value = r->gain * value_at(r, ax + part * (bx - ax), ay + part * (by - ay));
    out[x] = (uint16_t)(value <= 0.0f ? 0.0f : value >= 65535.0f ? 65535.0f : value + 0.5f);
  }
}

static void draw_block_row(void *context, size_t index)
{
  const resampling *r = context;
  sp_point *upper = r->nodes + index * 2 * r->node_columns, *lower = upper + r->node_columns;
  const uint32_t y0 = (uint32_t)index * GRID;
  for (size_t i = 0; i < r->node_columns; i++) {
    upper[i] = r->map(r->context, (double)(i * GRID), y0);
    lower[i] = r->map(r->context, (double)(i * GRID), y0 + GRID);
  }
  for (uint32_t y = y0; y < y0 + GRID && y < r->out->height_px; y++)
    draw_row(r, y, (float)(y - y0) / GRID, upper, lower);
}

sp_status photo_resample(const sp_raster *source, photo_map map, const void *context, uint32_t width_px,
                         uint32_t height_px, sp_raster *out, sp_error *err)
{
  sp_status status = sp_raster_create(width_px, height_px, 16, out, err);
  if (status)
    return status;
  const size_t block_rows = (height_px + GRID - 1) / GRID;
  resampling r = {.source = source, .map = map, .context = context, .out = out};
  r.node_columns = width_px / GRID + 2;
  r.nodes = calloc(block_rows * 2, r.node_columns * sizeof *r.nodes);
  if (!r.nodes) {
    sp_raster_free(out);
    return sp_fail_memory(err);
  }
  fill_weights(&r);
  r.gain = source->u8 ? 257.0f : 1.0f;
  r.outside = mean_grey(source);
  sp_workers_run(draw_block_row, &r, block_rows);
  free(r.nodes);
  return SP_OK;
}
