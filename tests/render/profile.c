#include "profile.h"

#include <math.h>

static const double root_half = 0.7071067811865476;
static const double root_two_pi = 2.5066282746310002;

static double normal_below(double z)
{
  return 0.5 * erfc(-z * root_half);
}

void profile_table_fill(profile_table *table)
{
  int count = 2 * PROFILE_REACH * PROFILE_PER_UNIT + 2;
  for (int i = 0; i < count; i++) {
    double z = (double)i / PROFILE_PER_UNIT - PROFILE_REACH;
    table->f[i] = z * normal_below(z) + exp(-0.5 * z * z) / root_two_pi;
  }
}

static double table_f(const profile_table *table, double z)
{
  if (z <= -PROFILE_REACH) {
    return 0.0;
  }
  if (z >= PROFILE_REACH) {
    return z;
  }
  double at = (z + PROFILE_REACH) * PROFILE_PER_UNIT;
  int i = (int)at;
  double rest = at - (double)i;
  return table->f[i] + rest * (table->f[i + 1] - table->f[i]);
}

profile_blur profile_blur_across(double nx, double ny, double dx_mm, double dy_mm, double psf_px)
{
  double x = fabs(nx) * dx_mm, y = fabs(ny) * dy_mm;
  double wide = x > y ? x : y, narrow = x > y ? y : x;
  return (profile_blur){.sigma_mm = sqrt(psf_px * psf_px * (x * x + y * y) + narrow * narrow / 12.0), .box_mm = wide};
}

profile_blur profile_blur_at_any_angle(double by_column_mm, double by_row_mm, double psf_px)
{
  static const double share = 0.2540663740773074; /* 240^(-1/4) */
  double x = fabs(by_column_mm), y = fabs(by_row_mm), wide = x > y ? x : y, narrow = x > y ? y : x;
  bool turned = narrow > 0.05 * wide;
  double left = narrow * narrow * (1.0 / 12.0 - (turned ? share * share : 0.0));
  return (profile_blur){.sigma_mm = sqrt(psf_px * psf_px * (x * x + y * y) + left),
                        .box_mm = wide,
                        .split_mm = turned ? share * narrow : 0.0};
}

static double step_once(const profile_table *table, double t_mm, profile_blur blur)
{
  double per_sigma = 1.0 / blur.sigma_mm, half = 0.5 * blur.box_mm;
  double above = table_f(table, (t_mm + half) * per_sigma);
  double below = table_f(table, (t_mm - half) * per_sigma);
  return (above - below) * blur.sigma_mm / blur.box_mm;
}

double profile_step(const profile_table *table, double t_mm, profile_blur blur)
{
  if (blur.split_mm > 0.0) {
    return 0.5 * (step_once(table, t_mm - blur.split_mm, blur) + step_once(table, t_mm + blur.split_mm, blur));
  }
  return step_once(table, t_mm, blur);
}

double profile_box(const profile_table *table, double u_mm, double width_mm, profile_blur blur)
{
  return profile_step(table, u_mm + 0.5 * width_mm, blur) - profile_step(table, u_mm - 0.5 * width_mm, blur);
}

/* Integral of the blurred flank from minus infinity to u. */
static double flank_integral(double u_mm, double length_mm, double sigma_mm)
{
  double shifted = u_mm / sigma_mm - sigma_mm / length_mm;
  double tail = 0.0;
  if (shifted > -PROFILE_REACH) {
    double ratio = sigma_mm / length_mm;
    tail = exp(0.5 * ratio * ratio - u_mm / length_mm) * normal_below(shifted);
  }
  return length_mm * (normal_below(u_mm / sigma_mm) - tail);
}

static double flank_once(double u_mm, double length_mm, profile_blur blur)
{
  double half = 0.5 * blur.box_mm;
  double above = flank_integral(u_mm + half, length_mm, blur.sigma_mm);
  return (above - flank_integral(u_mm - half, length_mm, blur.sigma_mm)) / blur.box_mm;
}

double profile_flank(double u_mm, double length_mm, profile_blur blur)
{
  if (blur.split_mm > 0.0) {
    return 0.5 *
           (flank_once(u_mm - blur.split_mm, length_mm, blur) + flank_once(u_mm + blur.split_mm, length_mm, blur));
  }
  return flank_once(u_mm, length_mm, blur);
}

static double ramp_integral(double z)
{
  return 0.5 * ((z * z + 1.0) * normal_below(z) + z * exp(-0.5 * z * z) / root_two_pi);
}

double profile_ramp(double t_mm, profile_blur blur)
{
  double half = 0.5 * blur.box_mm, reach = half + PROFILE_REACH * blur.sigma_mm;
  if (fabs(t_mm) > reach) {
    return fmax(t_mm, 0.0);
  }
  double above = ramp_integral((t_mm + half) / blur.sigma_mm), below = ramp_integral((t_mm - half) / blur.sigma_mm);
  return (above - below) * blur.sigma_mm * blur.sigma_mm / blur.box_mm;
}

double profile_reach_mm(profile_blur blur)
{
  return 5.2 * blur.sigma_mm + 0.5 * blur.box_mm;
}
