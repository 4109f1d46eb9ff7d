/* profile.h: one-dimensional profiles as a pixel sees them, in closed form.
 *
 * Let Phi and phi be the normal distribution and density. A unit step blurred by a Gaussian of standard deviation s is
 * Phi(t/s); its integral is s F(t/s) with F(z) = z Phi(z) + phi(z). The mean over a pixel of width b is then
 *     step(t) = s (F((t + b/2)/s) - F((t - b/2)/s)) / b,
 * a box of width w is step(u + w/2) - step(u - w/2), and an exponential flank exp(-u/L), u > 0, has the Gaussian blur
 *     g(u) = exp(s^2/(2 L^2) - u/L) Phi(u/s - s/L)   with integral   L (Phi(u/s) - g(u)).
 * A ramp's second integral is s^2 G(t/s) with G(z) = ((z^2 + 1) Phi(z) + z phi(z)) / 2, so its mean over a pixel is
 *     ramp(t) = s^2 (G((t + b/2)/s) - G((t - b/2)/s)) / b.
 * F is tabulated; linear interpolation at step 1/512 is right to h^2/8 * max phi = 2e-7. */
#ifndef RENDER_PROFILE_H
#define RENDER_PROFILE_H

#include <stdbool.h>

enum { PROFILE_REACH = 8, PROFILE_PER_UNIT = 512 };

typedef struct profile_table {
  double f[2 * PROFILE_REACH * PROFILE_PER_UNIT + 2];
} profile_table;

/* What a pixel does to a profile running in one direction. */
typedef struct profile_blur {
  double sigma_mm, box_mm;
  double split_mm; /* the profile is the mean of two this far to either side; 0: of one */
} profile_blur;

void profile_table_fill(profile_table *table);

/* The blur across a direction with unit normal (nx, ny), for a pixel of dx by dy mm and a point spread of psf_px
 * pixels. The square of a pixel projects to two boxes, |nx| dx and |ny| dy; the narrower is folded into the Gaussian
 * with the same variance. At 3 degrees that changes a profile by less than 1e-8, at 45 degrees by about 1e-4, and never
 * its centre. */
profile_blur profile_blur_across(double nx, double ny, double dx_mm, double dy_mm, double psf_px);

/* The same at any angle: slopes of the distance along columns and rows. The narrower box b becomes two places
 * b / 240^(1/4) to either side, which have its fourth cumulant, -b^4 / 120, and the rest of its variance goes into the
 * Gaussian. At 45 degrees that changes a profile by about 1e-5. */
profile_blur profile_blur_at_any_angle(double by_column_mm, double by_row_mm, double psf_px);

/* 0 far below t = 0, 1 far above. */
double profile_step(const profile_table *table, double t_mm, profile_blur blur);
/* 1 within width/2 of u = 0. */
double profile_box(const profile_table *table, double u_mm, double width_mm, profile_blur blur);
/* exp(-u/length) for u > 0, 0 below. */
double profile_flank(double u_mm, double length_mm, profile_blur blur);
/* t for t > 0, 0 below: with steps, every profile made of straight pieces. */
double profile_ramp(double t_mm, profile_blur blur);
/* Beyond this distance from an edge its step is 0 or 1 to 1e-7. */
double profile_reach_mm(profile_blur blur);

#endif
