/* Uncertainty and conformity after the two guides of the Joint Committee for Guides in Metrology: JCGM 100:2008 (GUM)
 * and JCGM 106:2012. Equation numbers stand in numeric.h. First-order propagation, which is exact for the sums and
 * differences this program reports.
 */
#include <math.h>

#include "slotproof/numeric.h"

double sp_gum_combined(size_t n, const double *sensitivity, const double *covariance)
{
  double variance = 0.0;
  for (size_t i = 0; i < n; i++)
    for (size_t j = 0; j < n; j++)
      variance += sensitivity[i] * covariance[i * n + j] * sensitivity[j];
  return variance >= 0.0 ? sqrt(variance) : NAN;
}

double sp_gum_combined_correlated(size_t n, const double *sensitivity, const double *u, const double *correlation)
{
  double variance = 0.0;
  for (size_t i = 0; i < n; i++) {
    const double part = sensitivity[i] * u[i];
    variance += part * part;
    for (size_t j = 0; correlation && j < i; j++)
      variance += 2.0 * part * correlation[i * n + j] * sensitivity[j] * u[j];
  }
  return variance >= 0.0 ? sqrt(variance) : NAN;
}

double sp_gum_degrees_of_freedom(size_t n, const double *contribution, const double *nu)
{
  double total = 0.0, doubt = 0.0;
  for (size_t i = 0; i < n; i++)
    total += contribution[i] * contribution[i];
  for (size_t i = 0; i < n; i++) {
    if (!(nu[i] > 0.0) || !isfinite(contribution[i]))
      return NAN;
    /* as a part of the total, so that the fourth power of a micrometre in metres does not underflow */
    const double part = total > 0.0 ? contribution[i] * contribution[i] / total : 0.0;
    doubt += part * part / nu[i];
  }
  return doubt > 0.0 ? 1.0 / doubt : INFINITY;
}

double sp_gum_coverage_factor(double p, double nu)
{
  if (!(p > 0.0 && p < 1.0) || !(nu >= 1.0))
    return NAN;
  return sp_student_quantile(0.5 + 0.5 * p, floor(nu));
}

double sp_gum_rectangular(double half_width)
{
  return half_width >= 0.0 ? half_width / sqrt(3.0) : NAN;
}

double sp_gum_triangular(double half_width)
{
  return half_width >= 0.0 ? half_width / sqrt(6.0) : NAN;
}

double sp_gum_arcsine(double half_width)
{
  return half_width >= 0.0 ? half_width / sqrt(2.0) : NAN;
}

double sp_conformance_below(double y, double u, double upper)
{
  return u > 0.0 ? sp_normal_cdf((upper - y) / u) : NAN;
}

double sp_conformance_above(double y, double u, double lower)
{
  return u > 0.0 ? sp_normal_upper((lower - y) / u) : NAN;
}

double sp_conformance_within(double y, double u, double lower, double upper)
{
  if (!(u > 0.0) || !(lower <= upper))
    return NAN;
  const double from = (lower - y) / u, to = (upper - y) / u;
  /* in the tail the interval lies in, where the two chances are small and their difference keeps its digits */
  return from > 0.0 ? sp_normal_upper(from) - sp_normal_upper(to) : sp_normal_cdf(to) - sp_normal_cdf(from);
}
