/* The table of the normal distribution: Hermite's cubics, the slope of the distribution being its density f and the
 * slope of that -z f. */
#include "numeric/normal.h"

#include <math.h>

static const double INV_SQRT2 = 0.70710678118654752, INV_SQRT_2PI = 0.39894228040143268;

/* Exponents up to which the table is good enough for a flank. */
static const double MOST_TABLED = 2.0;

/* A cubic from its values and slopes (per step) at 0 and 1. */
static void hermite(double v0, double s0, double v1, double s1, double c[4])
{
  c[0] = v0;
  c[1] = s0;
  c[2] = 3.0 * (v1 - v0) - 2.0 * s0 - s1;
  c[3] = 2.0 * (v0 - v1) + s0 + s1;
}

void sp_normal_fill(sp_normal *t)
{
  const double h = 1.0 / SP_NORMAL_STEPS;
  double cdf = 0.0, pdf = 0.0;
  for (int i = 0; i <= SP_NORMAL_SIZE; i++) {
    const double z = i * h - SP_NORMAL_REACH, before = z - h, cdf0 = cdf, pdf0 = pdf;
    cdf = 0.5 * (1.0 + erf(z * INV_SQRT2));
    pdf = INV_SQRT_2PI * exp(-0.5 * z * z);
    if (i == 0)
      continue;
    hermite(cdf0, h * pdf0, cdf, h * pdf, t->step[i - 1].cdf);
    hermite(pdf0, -h * before * pdf0, pdf, -h * z * pdf, t->step[i - 1].pdf);
  }
}

double sp_normal_fallen(const sp_normal *t, double e, double from)
{
  double pdf;
  if (e < MOST_TABLED) {
    const double part = sp_normal_at(t, from, &pdf);
    return part > 0.0 ? part * exp(e) : 0.0;
  }
  /* where z is large the value is below 1e-170 and the factors may not fit a double */
  const double z = -from * INV_SQRT2;
  return z > 20.0 ? 0.0 : 0.5 * exp(e) * erfc(z);
}
