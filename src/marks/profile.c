/* Cross-section of a mark: a cut (box) with, perhaps, a raised burr on its edges (boxes of the other sign), blurred by
 * the Gaussian of the optics and averaged over the pixel. For a slot the two derivatives are those of its walls. */
#include <math.h>

#include "marks_internal.h"

static const double INV_SQRT2 = 0.70710678118654752;
static const double INV_SQRT_2PI = 0.39894228040143268;

/* A pixel is the mean over its width: by Gauss and Legendre's two points, exact to the third power (for a blur of half
 * a pixel the rest is below 0.003 of a wall's height). */
static const double PIXEL_POINT = 0.28867513459481288;

static double point_box(double x, double width, double blur)
{
  const double s = INV_SQRT2 / blur;
  return 0.5 * (erf((x + 0.5 * width) * s) - erf((x - 0.5 * width) * s));
}

double sp_blurred_box(double x, double width, double blur)
{
  return 0.5 * (point_box(x - PIXEL_POINT, width, blur) + point_box(x + PIXEL_POINT, width, blur));
}

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

double sp_shape_value(const sp_shape *s, double x)
{
  double value = sp_blurred_box(x, s->width_px, s->blur_px), slope;
  for (int side = 0; side < 2; side++)
    if (s->burr_height[side] != 0.0)
      value += s->burr_height[side] * burr_value(s, side, x, &slope);
  return value;
}

void sp_profile_fill(const sp_shape *s, sp_profile *p)
{
  for (int32_t i = 0; i < SP_PROFILE_SIZE; i++) {
    const double x = (double)(i - SP_PROFILE_REACH * SP_PROFILE_STEPS) / SP_PROFILE_STEPS;
    p->value[i] = p->left[i] = p->right[i] = 0.0f;
    if (fabs(x) > 0.5 * s->width_px + 7.0 * (s->blur_px + s->burr_width_px[0]) + 1.0)
      continue;
    double value = sp_blurred_box(x, s->width_px, s->blur_px);
    double wall[2] = {-gauss(x + 0.5 * s->width_px, s->blur_px), gauss(x - 0.5 * s->width_px, s->blur_px)};
    for (int side = 0; side < 2; side++) {
      double slope;
      if (s->burr_height[side] == 0.0)
        continue;
      value += s->burr_height[side] * burr_value(s, side, x, &slope);
      wall[side] -= s->burr_height[side] * slope; /* the burr goes with its wall */
    }
    p->value[i] = (float)value;
    p->left[i] = (float)wall[0];
    p->right[i] = (float)wall[1];
  }
}

double sp_profile_at(const float *table, double x)
{
  const double p = (x + SP_PROFILE_REACH) * SP_PROFILE_STEPS;
  if (!(p > 0.0) || p >= 2.0 * SP_PROFILE_REACH * SP_PROFILE_STEPS)
    return 0.0;
  const int32_t i = (int32_t)p;
  return (double)table[i] + (p - i) * (double)(table[i + 1] - table[i]);
}
