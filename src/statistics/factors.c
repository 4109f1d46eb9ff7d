/* The constants of control charts, from their definitions.
 *
 * c4 = E[s]/sigma is a ratio of gamma functions. The range of n values has the distribution function
 *   F(r) = n int phi(x) (Phi(x + r) - Phi(x))^(n-1) dx
 * and moments E[R] = int (1 - F) dr, E[R^2] = 2 int r (1 - F) dr. The inner integral is smooth and dies off on both
 * sides, where the trapezoidal rule is at its best; the outer one starts at 0 and takes Simpson's. With the steps below
 * all printed digits of the tables come out (see tests). */
#include "factors.h"

#include <math.h>

#include "slotproof/numeric.h"
#include "slotproof/statistics.h"

enum { MOST_VALUES = 1000, R_STEPS = 400, X_STEPS = 240 };
static const double R_MOST = 16.0, X_MOST = 9.0;

double sp_chart_c4(double n)
{
  if (!(n >= 2.0))
    return NAN;
  if (n > 340.0) /* tgamma would overflow; the series is good to 1e-9 here */
    return 1.0 - 1.0 / (4.0 * n) - 7.0 / (32.0 * n * n) - 19.0 / (128.0 * n * n * n);
  return sqrt(2.0 / (n - 1.0)) * tgamma(0.5 * n) / tgamma(0.5 * (n - 1.0));
}

/* 1 - F(r) */
static double range_exceeds(size_t n, double r)
{
  const double step = 2.0 * X_MOST / X_STEPS;
  double sum = 0.0;
  for (int i = 0; i <= X_STEPS; i++) {
    const double x = -X_MOST + step * i;
    const double inside = sp_normal_cdf(x + r) - sp_normal_cdf(x);
    sum += exp(-0.5 * x * x) * pow(inside, (double)(n - 1));
  }
  return 1.0 - (double)n * sum * step / sqrt(2.0 * SP_PI);
}

void sp_range_moments(size_t n, double *d2, double *d3)
{
  const double step = R_MOST / R_STEPS;
  double mean = 0.0, square = 0.0;
  for (int i = 0; i <= R_STEPS; i++) {
    const double r = step * i, weight = i == 0 || i == R_STEPS ? 1.0 : i % 2 ? 4.0 : 2.0;
    const double beyond = range_exceeds(n, r);
    mean += weight * beyond;
    square += weight * 2.0 * r * beyond;
  }
  *d2 = mean * step / 3.0;
  *d3 = sqrt(square * step / 3.0 - *d2 * *d2);
}

sp_chart_factors sp_chart_factors_of(size_t n)
{
  sp_chart_factors f = {NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN};
  if (n < 2 || n > MOST_VALUES)
    return f;
  const double root = sqrt((double)n);
  f.c4 = sp_chart_c4((double)n);
  sp_range_moments(n, &f.d2, &f.d3);
  const double b = 3.0 * sqrt(1.0 - f.c4 * f.c4) / f.c4, d = 3.0 * f.d3 / f.d2;
  f.A2 = 3.0 / (f.d2 * root);
  f.A3 = 3.0 / (f.c4 * root);
  f.B3 = fmax(0.0, 1.0 - b);
  f.B4 = 1.0 + b;
  f.D3 = fmax(0.0, 1.0 - d);
  f.D4 = 1.0 + d;
  return f;
}
