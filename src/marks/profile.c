/* Cross-section of a mark: a cut (box) with, perhaps, a raised burr on its edges (boxes of the other sign), blurred by
 * the Gaussian of the optics and averaged over the pixel. For a slot the two derivatives are those of its walls. */
#include <math.h>
#include <string.h>

#include "marks_internal.h"
#include "numeric/normal.h"
#include "slotproof/numeric.h"
#include "workers/wide.h"

static const double INV_SQRT2 = 0.70710678118654752;
static const double INV_SQRT_2PI = 0.39894228040143268;

/* A pixel is the mean over its width: by Gauss and Legendre's two points, exact to the third power (for a blur of half
 * a pixel the rest is below 0.003 of a wall's height). */
static const double PIXEL_POINT = 0.28867513459481288;

static double point_gauss(double x, double blur)
{
  const double t = x / blur;
  return INV_SQRT_2PI / blur * exp(-0.5 * t * t);
}

static double gauss(double x, double blur)
{
  return 0.5 * (point_gauss(x - PIXEL_POINT, blur) + point_gauss(x + PIXEL_POINT, blur));
}

/* Derivative of the box's value by its place (both walls moving). */
static double box_shift(double x, double width, double blur)
{
  return gauss(x - 0.5 * width, blur) - gauss(x + 0.5 * width, blur);
}

static double point_flank(double x, double length, double blur)
{
  const double a = blur / length, z = (a - x / blur) * INV_SQRT2;
  return z > 20.0 ? 0.0 : 0.5 * exp(0.5 * a * a - x / length) * erfc(z);
}

double sp_blurred_flank(double x, double length, double blur)
{
  return 0.5 * (point_flank(x - PIXEL_POINT, length, blur) + point_flank(x + PIXEL_POINT, length, blur));
}

static double flank_slope(double x, double length, double blur)
{
  return gauss(x, blur) - sp_blurred_flank(x, length, blur) / length;
}

/* A burr of height 1 on the given side at x, and its derivative by x. */
static double burr_value(const sp_shape *s, int side, double x, double *slope)
{
  const double sign = side ? 1.0 : -1.0, width = s->burr_width_px[side];
  if (s->flank) {
    const double out = sign * x - 0.5 * s->width_px;
    *slope = sign * flank_slope(out, width, s->blur_px);
    return sp_blurred_flank(out, width, s->blur_px);
  }
  const double at = x - sign * 0.5 * (s->width_px + width);
  *slope = -box_shift(at, width, s->blur_px);
  return sp_blurred_box(at, width, s->blur_px);
}

/* x from one wall to the other, -1 to 1, blurred. */
static double point_ramp(double x, double half, double blur)
{
  const double a = (x - half) / blur, b = (x + half) / blur;
  return (x * (sp_normal_cdf(b) - sp_normal_cdf(a)) + INV_SQRT_2PI * blur * (exp(-0.5 * b * b) - exp(-0.5 * a * a))) /
         half;
}

static double ramp_value(double x, double half, double blur)
{
  return 0.5 * (point_ramp(x - PIXEL_POINT, half, blur) + point_ramp(x + PIXEL_POINT, half, blur));
}

double sp_shape_value(const sp_shape *s, double x)
{
  double value = sp_blurred_box(x, s->width_px, s->blur_px), slope;
  if (s->tilt != 0.0)
    value += s->tilt * ramp_value(x, 0.5 * s->width_px, s->blur_px);
  for (int side = 0; side < 2; side++)
    if (s->burr_height[side] != 0.0)
      value += s->burr_height[side] * burr_value(s, side, x, &slope);
  return value;
}

/* ---- the table ------------------------------------------------------------------------------------------------------
 */

/* A wall as the pixel at x sees it, and its slope. */
static double tabled_wall(const sp_normal *t, double x, double blur, double *slope)
{
  double a, b;
  const double value = sp_normal_at(t, (x - PIXEL_POINT) / blur, &a) + sp_normal_at(t, (x + PIXEL_POINT) / blur, &b);
  *slope = 0.5 * (a + b) / blur;
  return 0.5 * value;
}

static double tabled_flank(const sp_normal *t, double x, double length, double blur)
{
  const double a = blur / length;
  double sum = 0.0;
  for (int k = 0; k < 2; k++) {
    const double at = x + (k ? PIXEL_POINT : -PIXEL_POINT);
    sum += 0.5 * sp_normal_fallen(t, 0.5 * a * a - at / length, at / blur - a);
  }
  return sum;
}

/* A burr of height 1 and its slope at x, given the wall that it has in common with the cut. */
static double tabled_burr(const sp_normal *t, const sp_shape *s, int side, double x, const double wall[2],
                          const double steep[2], double *slope)
{
  const double sign = side ? 1.0 : -1.0, width = s->burr_width_px[side], out = sign * x - 0.5 * s->width_px;
  if (s->flank) {
    const double value = tabled_flank(t, out, width, s->blur_px);
    *slope = sign * ((side ? steep[1] : steep[0]) - value / width);
    return value;
  }
  double outer_slope;
  const double outer = tabled_wall(t, x - sign * (0.5 * s->width_px + width), s->blur_px, &outer_slope);
  *slope = sign * (steep[side] - outer_slope);
  return sign * (wall[side] - outer);
}

/* Where the cross-section ends on one side of its middle: beyond it is nothing, to 1e-7. */
static double reach_of(const sp_shape *s)
{
  double burr = 0.0;
  for (int side = 0; side < 2; side++)
    if (s->burr_height[side] != 0.0)
      burr = fmax(burr, s->burr_width_px[side] * (s->flank ? 16.0 : 1.0));
  return 0.5 * s->width_px + burr + SP_NORMAL_REACH * s->blur_px + PIXEL_POINT;
}

static void fill_at(const sp_normal *t, const sp_shape *s, double x, float out[3])
{
  double steep[2], slope;
  const double wall[2] = {tabled_wall(t, x + 0.5 * s->width_px, s->blur_px, &steep[0]),
                          tabled_wall(t, x - 0.5 * s->width_px, s->blur_px, &steep[1])};
  double value = wall[0] - wall[1], left = -steep[0], right = steep[1];
  for (int side = 0; side < 2; side++) {
    if (s->burr_height[side] == 0.0)
      continue;
    value += s->burr_height[side] * tabled_burr(t, s, side, x, wall, steep, &slope);
    *(side ? &right : &left) -= s->burr_height[side] * slope; /* the burr goes with its wall */
  }
  if (s->tilt != 0.0) {
    value += s->tilt * ramp_value(x, 0.5 * s->width_px, s->blur_px);
    left *= 1.0 - s->tilt;
    right *= 1.0 + s->tilt;
  }
  out[0] = (float)value;
  out[1] = (float)left;
  out[2] = (float)right;
}

void sp_profile_fill(const sp_shape *s, sp_profile *p)
{
  enum { STEPS = SP_PROFILE_STEPS, LENGTH = SP_PROFILE_LENGTH };
  sp_normal normal;
  sp_normal_fill(&normal);
  memset(p, 0, sizeof *p);
  const double reach = fmin(SP_PROFILE_REACH, reach_of(s));
  for (int32_t i = (int32_t)ceil(-reach * STEPS); i <= (int32_t)floor(reach * STEPS); i++) {
    float at[3];
    const int32_t from_start = i + SP_PROFILE_REACH * STEPS, px = from_start / STEPS, phase = from_start % STEPS;
    fill_at(&normal, s, (double)i / STEPS, at);
    p->value[phase * LENGTH + px] = at[0];
    p->left[phase * LENGTH + px] = at[1];
    p->right[phase * LENGTH + px] = at[2];
  }
  /* a whole pixel on, once more: so the neighbour of every phase is the next one */
  float *const table[3] = {p->value, p->left, p->right};
  for (int k = 0; k < 3; k++)
    memcpy(table[k] + STEPS * LENGTH, table[k] + 1, (LENGTH - 1) * sizeof(float));
}

SP_WIDE void sp_profile_row(const float *table, double x, int32_t n, double *restrict out)
{
  const double place = (x + SP_PROFILE_REACH) * SP_PROFILE_STEPS;
  const int32_t index = (int32_t)fmin(fmax(floor(place), -1e6), 1e6);
  const int32_t px = (int32_t)floor((double)index / SP_PROFILE_STEPS), phase = index - px * SP_PROFILE_STEPS;
  const double rest = place - index;
  const int32_t last = SP_PROFILE_LENGTH - 1 - px; /* the first pixel that is off the table */
  const int32_t from = px < 0 ? (-px < n ? -px : n) : 0, to = last < from ? from : last < n ? last : n;
  for (int32_t i = 0; i < from; i++)
    out[i] = 0.0;
  if (from < to) {
    const float *restrict a = table + phase * SP_PROFILE_LENGTH + px + from, *restrict b = a + SP_PROFILE_LENGTH;
    double *restrict o = out + from;
    for (int32_t i = 0; i < to - from; i++)
      o[i] = (double)a[i] + rest * (double)(b[i] - a[i]);
  }
  for (int32_t i = to; i < n; i++)
    out[i] = 0.0;
}

double sp_profile_at(const float *table, double x)
{
  double value;
  sp_profile_row(table, x, 1, &value);
  return value;
}
