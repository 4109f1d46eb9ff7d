/* Drawing a picture anew through a smooth map.
 *
 * The map is asked on a grid of GRID px and interpolated between (a lens bends so slowly that this is right to a
 * thousandth of a pixel). It is drawn tile by tile, each out of a patch of the source that fits the cache; grey values
 * by the cubic spline through the pixels (M. Unser, A. Aldroubi, M. Eden, IEEE Trans. Signal Process. 41, 1993, 821 and
 * 834): its coefficients are the pixels under the inverse of [1 4 1] / 6, cut off after two pixels. A line a pixel
 * broad, blurred by 0.7 px, is shifted by less than 0.01 px at every place between pixels; by cubic convolution (Keys
 * 1981), which needs no coefficients, it would be by 0.03 px, and where a rule's strokes come to lie a whole number of
 * pixels apart all of them would be, and would seem to lean. The result has 16 bits so that rounding adds no noise.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "photo_internal.h"
#include "workers/wide.h"
#include "slotproof/workers.h"

/* A patch holds a tile turned by any angle and a quarter larger. */
enum { GRID = 8, PHASES = 256, TAPS = 4, REACH = 2, TILE = 64, NODES = TILE / GRID + 1, PATCH = 128 };

typedef struct resampling {
  const sp_raster *source;
  photo_map map;
  const void *context;
  sp_raster *out;
  float weight[PHASES + 1][TAPS];
  float outside, gain;
  bool rough;
  size_t tile_columns;
} resampling;

static void fill_weights(resampling *r)
{
  for (int i = 0; i <= PHASES; i++) {
    const float t = (float)i / PHASES, t2 = t * t, t3 = t2 * t, sixth = 1.0f / 6.0f;
    r->weight[i][0] = sixth * (1.0f - 3.0f * t + 3.0f * t2 - t3);
    r->weight[i][1] = sixth * (3.0f * t3 - 6.0f * t2 + 4.0f);
    r->weight[i][2] = sixth * (-3.0f * t3 + 3.0f * t2 + 3.0f * t + 1.0f);
    r->weight[i][3] = sixth * t3;
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

/* A rectangle of the source as floats: its pixels, or the coefficients of the spline through them. */
typedef struct patch {
  int32_t x, y, width, height;
  float value[PATCH * PATCH];
} patch;

/* The part of the source that the nodes reach into, with room for the taps and for what a coefficient is made of; false
 * if none, or too much of it. */
static bool patch_of_nodes(const resampling *r, const sp_point nodes[NODES * NODES], patch *p)
{
  double x0 = INFINITY, x1 = -INFINITY, y0 = INFINITY, y1 = -INFINITY;
  for (int i = 0; i < NODES * NODES; i++) {
    if (!isfinite(nodes[i].x) || !isfinite(nodes[i].y))
      return false;
    x0 = fmin(x0, nodes[i].x);
    x1 = fmax(x1, nodes[i].x);
    y0 = fmin(y0, nodes[i].y);
    y1 = fmax(y1, nodes[i].y);
  }
  x0 = fmax(floor(x0) - 2.0 - REACH, 0.0);
  y0 = fmax(floor(y0) - 2.0 - REACH, 0.0);
  x1 = fmin(ceil(x1) + 3.0 + REACH, r->source->width_px);
  y1 = fmin(ceil(y1) + 3.0 + REACH, r->source->height_px);
  if (!(x1 - x0 >= TAPS && y1 - y0 >= TAPS && x1 - x0 <= PATCH && y1 - y0 <= PATCH))
    return false;
  p->x = (int32_t)x0;
  p->y = (int32_t)y0;
  p->width = (int32_t)(x1 - x0);
  p->height = (int32_t)(y1 - y0);
  return true;
}

/* Rows of the source lie far apart in memory, so none of them is there when it is wanted unless it is asked for some
 * rows before. */
enum { ROWS_AHEAD = 12, CACHE_LINE_BYTES = 64 };

static inline void fetch_soon(const sp_raster *source, size_t first, int32_t count)
{
  const size_t bytes = source->u8 ? sizeof *source->u8 : sizeof *source->u16;
  const char *row = (source->u8 ? (const char *)source->u8 : (const char *)source->u16) + first * bytes;
  for (size_t i = 0; i < (size_t)count * bytes; i += CACHE_LINE_BYTES)
    __builtin_prefetch(row + i);
  __builtin_prefetch(row + (size_t)count * bytes - 1);
}

SP_WIDE static void fill_patch(const sp_raster *source, patch *p)
{
  for (int32_t y = 0; y < p->height; y++) {
    const size_t first = (size_t)(p->y + y) * source->width_px + (size_t)p->x;
    float *out = p->value + (size_t)y * PATCH;
    if (y + ROWS_AHEAD < p->height)
      fetch_soon(source, first + (size_t)ROWS_AHEAD * source->width_px, p->width);
    if (source->u8)
      for (int32_t x = 0; x < p->width; x++)
        out[x] = (float)source->u8[first + (size_t)x];
    else
      for (int32_t x = 0; x < p->width; x++)
        out[x] = (float)source->u16[first + (size_t)x];
  }
}

/* What pixels at a distance of 0, 1 and 2 add to a coefficient: powers of sqrt 3 - 2, in all one. */
typedef struct spline {
  float here, beside, beyond;
} spline;

static spline make_spline(void)
{
  const float pole = 1.7320508f - 2.0f, sum = 1.0f + 2.0f * (pole + pole * pole);
  return (spline){1.0f / sum, pole / sum, pole * pole / sum};
}

static inline size_t within(int32_t i, int32_t count)
{
  return (size_t)(i < 0 ? 0 : i >= count ? count - 1 : i);
}

/* By value and restricted: what may lie where the result is written would be fetched anew for each pixel. */
SP_WIDE static void make_coefficients_across(spline s, const float *restrict in, int32_t width, int32_t height,
                                             float *restrict out)
{
  for (int32_t y = 0; y < height; y++, in += PATCH, out += PATCH) {
    for (int32_t x = REACH; x < width - REACH; x++)
      out[x] = s.here * in[x] + s.beside * (in[x - 1] + in[x + 1]) + s.beyond * (in[x - 2] + in[x + 2]);
    for (int32_t k = 0; k < 2 * REACH; k++) { /* the rim's pixels go on outside */
      const int32_t x = k < REACH ? k : width - 2 * REACH + k;
      out[x] = s.here * in[x] + s.beside * (in[within(x - 1, width)] + in[within(x + 1, width)]) +
               s.beyond * (in[within(x - 2, width)] + in[within(x + 2, width)]);
    }
  }
}

SP_WIDE static void make_coefficients_down(spline s, const float *restrict in, int32_t width, int32_t height,
                                           float *restrict out)
{
  for (int32_t y = 0; y < height; y++, out += PATCH) {
    const float *a = in + within(y - 2, height) * PATCH, *b = in + within(y - 1, height) * PATCH,
                *c = in + (size_t)y * PATCH, *d = in + within(y + 1, height) * PATCH,
                *e = in + within(y + 2, height) * PATCH;
    for (int32_t x = 0; x < width; x++)
      out[x] = s.here * c[x] + s.beside * (b[x] + d[x]) + s.beyond * (a[x] + e[x]);
  }
}

static void make_coefficients(patch *p)
{
  const spline s = make_spline();
  float across[PATCH * PATCH];
  make_coefficients_across(s, p->value, p->width, p->height, across);
  make_coefficients_down(s, across, p->width, p->height, p->value);
}

typedef float four __attribute__((vector_size(16)));
typedef float eight __attribute__((vector_size(4 * GRID)));
typedef int32_t eight_ints __attribute__((vector_size(4 * GRID)));
typedef uint16_t eight_shorts __attribute__((vector_size(2 * GRID)));

static inline four four_at(const float *p)
{
  four v;
  memcpy(&v, p, sizeof v); /* need not be aligned */
  return v;
}

/* The places of one row of a cell, all inside: their pixels in the patch, and how far past these. The weights' first
 * tap is counted in floats. */
typedef struct places {
  uint32_t pixel[GRID], column_weight[GRID], row_weight[GRID];
  eight past_x, past_y;
} places;

static inline void find_places(float x0, float y0, float dx, float dy, places *at)
{
  const eight place = {0.0f, 1.0f, 2.0f, 3.0f, 4.0f, 5.0f, 6.0f, 7.0f};
  const eight x = x0 + place * dx, y = y0 + place * dy;
  const eight_ints column = __builtin_convertvector(x, eight_ints), row = __builtin_convertvector(y, eight_ints);
  const eight_ints pixel = row * PATCH + column; /* all are positive: this rounds down */
  at->past_x = x - __builtin_convertvector(column, eight);
  at->past_y = y - __builtin_convertvector(row, eight);
  const eight_ints column_weight = __builtin_convertvector(at->past_x * PHASES + 0.5f, eight_ints) * TAPS;
  const eight_ints row_weight = __builtin_convertvector(at->past_y * PHASES + 0.5f, eight_ints) * TAPS;
  memcpy(at->pixel, &pixel, sizeof pixel);
  memcpy(at->column_weight, &column_weight, sizeof column_weight);
  memcpy(at->row_weight, &row_weight, sizeof row_weight);
}

/* Between four pixels: half the work, and blurred a little; good enough to look for something in. */
static inline void interpolate(const patch *p, const places *at, eight *value)
{
  float corner[4][GRID];
  for (int i = 0; i < GRID; i++) {
    const float *a = p->value + at->pixel[i];
    corner[0][i] = a[0];
    corner[1][i] = a[1];
    corner[2][i] = a[PATCH];
    corner[3][i] = a[PATCH + 1];
  }
  eight c[4];
  memcpy(c, corner, sizeof c);
  const eight upper = c[0] + at->past_x * (c[1] - c[0]), lower = c[2] + at->past_x * (c[3] - c[2]);
  *value = upper + at->past_y * (lower - upper);
}

/* The four columns about a pixel, each weighed and added up. */
static inline four weighed(const float *pixel, const float *column, const float *row)
{
  const float *a = pixel - PATCH - 1;
  return four_at(column) * (row[0] * four_at(a) + row[1] * four_at(a + PATCH) + row[2] * four_at(a + 2 * PATCH) +
                            row[3] * four_at(a + 3 * PATCH));
}

/* The sum of each of four vectors, (first + second) + (third + fourth) of each. */
static inline four sums_of(const four v[4])
{
  const four ab = __builtin_shufflevector(v[0], v[1], 0, 4, 1, 5), cd = __builtin_shufflevector(v[2], v[3], 0, 4, 1, 5);
  const four ab_late = __builtin_shufflevector(v[0], v[1], 2, 6, 3, 7);
  const four cd_late = __builtin_shufflevector(v[2], v[3], 2, 6, 3, 7);
  return (__builtin_shufflevector(ab, cd, 0, 1, 4, 5) + __builtin_shufflevector(ab, cd, 2, 3, 6, 7)) +
         (__builtin_shufflevector(ab_late, cd_late, 0, 1, 4, 5) + __builtin_shufflevector(ab_late, cd_late, 2, 3, 6, 7));
}

/* Four places, from the one of that number on. */
static inline four convolve_four(const resampling *r, const patch *p, const places *at, int first)
{
  const float *weight = r->weight[0];
  four v[4];
  for (int k = 0; k < 4; k++)
    v[k] = weighed(p->value + at->pixel[first + k], weight + at->column_weight[first + k],
                   weight + at->row_weight[first + k]);
  return sums_of(v);
}

/* Each lies at least a pixel inside the patch, two before its end. The eight are put together in a register: to store
 * four and four and to fetch them as eight would make every row wait for its stores. */
static inline void convolve(const resampling *r, const patch *p, const places *at, eight *value)
{
  const four low = convolve_four(r, p, at, 0), high = convolve_four(r, p, at, 4);
  *value = __builtin_shufflevector(low, high, 0, 1, 2, 3, 4, 5, 6, 7);
}

static inline bool is_inside(const patch *p, float x, float y)
{
  return x >= 1.0f && y >= 1.0f && x < (float)(p->width - 2) && y < (float)(p->height - 2);
}

/* Lane by lane; a comparison gives all bits or none. */
static inline void put_rounded(float gain, const eight *value, uint16_t out[GRID])
{
  const eight grey = gain * *value;
  const eight most = (eight){0} + 65535.0f, low = (eight)((grey > 0.0f) & (eight_ints)grey);
  const eight_ints fits = low < most;
  const eight kept = (eight)((fits & (eight_ints)low) | (~fits & (eight_ints)most));
  const eight_ints whole = __builtin_convertvector(kept + 0.5f, eight_ints);
  const eight_shorts shorts = __builtin_convertvector(whole, eight_shorts);
  memcpy(out, &shorts, sizeof shorts);
}

/* One place after the other; of those that are not inside, the grey of what lies outside. */
static void convolve_at_the_rim(const resampling *r, const patch *p, float x0, float y0, float dx, float dy,
                                eight *value)
{
  for (int i = 0; i < GRID; i++) {
    const float x = x0 + (float)i * dx, y = y0 + (float)i * dy;
    (*value)[i] = r->outside;
    if (!is_inside(p, x, y))
      continue;
    places at;
    eight alone;
    find_places(x, y, 0.0f, 0.0f, &at);
    convolve(r, p, &at, &alone);
    (*value)[i] = alone[0];
  }
}

static inline sp_point between(sp_point a, sp_point b, double part, const patch *p)
{
  return (sp_point){a.x + part * (b.x - a.x) - p->x, a.y + part * (b.y - a.y) - p->y};
}

/* One row of a tile, cell by cell, a part of the way from the nodes above to those below. A straight line between two
 * places inside stays inside. */
SP_WIDE static void draw_row(const resampling *r, const patch *p, const sp_point *upper, double part,
                             uint16_t out[TILE])
{
  const sp_point *lower = upper + NODES;
  sp_point a = between(upper[0], lower[0], part, p);
  for (int cell = 0; cell < TILE / GRID; cell++, out += GRID) {
    const sp_point b = between(upper[cell + 1], lower[cell + 1], part, p);
    const float x0 = (float)a.x, y0 = (float)a.y, dx = (float)(b.x - a.x) / GRID, dy = (float)(b.y - a.y) / GRID;
    eight value;
    if (is_inside(p, x0, y0) && is_inside(p, (float)b.x, (float)b.y)) {
      places at;
      find_places(x0, y0, dx, dy, &at);
      if (r->rough)
        interpolate(p, &at, &value);
      else
        convolve(r, p, &at, &value);
    } else {
      convolve_at_the_rim(r, p, x0, y0, dx, dy, &value);
    }
    put_rounded(r->gain, &value, out);
    a = b;
  }
}

static void draw_rows(const resampling *r, const patch *p, const sp_point nodes[NODES * NODES], uint32_t x0,
                      uint32_t y0)
{
  const uint32_t width = r->out->width_px, height = r->out->height_px, count = width - x0 < TILE ? width - x0 : TILE;
  uint16_t row[TILE];
  for (uint32_t y = 0; y < TILE && y0 + y < height; y++) {
    draw_row(r, p, nodes + (y / GRID) * NODES, (double)(y % GRID) / GRID, row);
    memcpy(r->out->u16 + (size_t)(y0 + y) * width + x0, row, count * sizeof *row);
  }
}

static void draw_outside(const resampling *r, uint32_t x0, uint32_t y0)
{
  const uint16_t value = (uint16_t)(r->gain * r->outside);
  for (uint32_t y = y0; y < y0 + TILE && y < r->out->height_px; y++)
    for (uint32_t x = x0; x < x0 + TILE && x < r->out->width_px; x++)
      r->out->u16[(size_t)y * r->out->width_px + x] = value;
}

static void draw_tile(void *context, size_t index)
{
  const resampling *r = context;
  const uint32_t x0 = (uint32_t)(index % r->tile_columns) * TILE, y0 = (uint32_t)(index / r->tile_columns) * TILE;
  sp_point nodes[NODES * NODES];
  patch p;
  for (uint32_t j = 0; j < NODES; j++)
    for (uint32_t i = 0; i < NODES; i++)
      nodes[j * NODES + i] = r->map(r->context, x0 + i * GRID, y0 + j * GRID);
  if (patch_of_nodes(r, nodes, &p)) {
    fill_patch(r->source, &p);
    if (!r->rough)
      make_coefficients(&p);
    draw_rows(r, &p, nodes, x0, y0);
  } else {
    draw_outside(r, x0, y0);
  }
}

static sp_status draw(resampling *r, uint32_t width_px, uint32_t height_px, sp_error *err)
{
  const sp_status status = sp_raster_create(width_px, height_px, 16, r->out, err);
  if (status)
    return status;
  r->tile_columns = (width_px + TILE - 1) / TILE;
  fill_weights(r);
  r->gain = r->source->u8 ? 257.0f : 1.0f;
  r->outside = mean_grey(r->source);
  sp_workers_run(draw_tile, r, r->tile_columns * ((height_px + TILE - 1) / TILE));
  return SP_OK;
}

sp_status photo_resample(const sp_raster *source, photo_map map, const void *context, uint32_t width_px,
                         uint32_t height_px, sp_raster *out, sp_error *err)
{
  resampling r = {.source = source, .map = map, .context = context, .out = out};
  return draw(&r, width_px, height_px, err);
}

sp_status photo_resample_roughly(const sp_raster *source, photo_map map, const void *context, uint32_t width_px,
                                 uint32_t height_px, sp_raster *out, sp_error *err)
{
  resampling r = {.source = source, .map = map, .context = context, .out = out, .rough = true};
  return draw(&r, width_px, height_px, err);
}

/* Means of two by two pixels of two rows; arrays as arguments, so that the compiler may take many at once. */
SP_WIDE static void halve_row_u8(size_t width, const uint8_t *restrict a, const uint8_t *restrict b,
                                 uint8_t *restrict out)
{
  for (size_t x = 0; x < width; x++)
    out[x] = (uint8_t)((a[2 * x] + a[2 * x + 1] + b[2 * x] + b[2 * x + 1] + 2) >> 2);
}

static void halve_row_u16(size_t width, const uint16_t *restrict a, const uint16_t *restrict b,
                          uint16_t *restrict out)
{
  for (size_t x = 0; x < width; x++)
    out[x] = (uint16_t)((a[2 * x] + a[2 * x + 1] + b[2 * x] + b[2 * x + 1] + 2) >> 2);
}

sp_status photo_halve(const sp_raster *source, sp_raster *out, sp_error *err)
{
  const uint32_t width = source->width_px / 2, height = source->height_px / 2;
  const sp_status status = sp_raster_create(width, height, source->u8 ? 8 : 16, out, err);
  if (status)
    return status;
  for (uint32_t y = 0; y < height; y++) {
    const size_t upper = 2 * (size_t)y * source->width_px, lower = upper + source->width_px, at = (size_t)y * width;
    if (source->u8)
      halve_row_u8(width, source->u8 + upper, source->u8 + lower, out->u8 + at);
    else
      halve_row_u16(width, source->u16 + upper, source->u16 + lower, out->u16 + at);
  }
  return SP_OK;
}
