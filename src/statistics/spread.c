/* Mean, spread and capability with their confidence limits.
 *
 * Few boards make poor figures: a standard deviation of five values may be wrong by a factor of two either way. So no
 * figure leaves here without its limits. Normal values are assumed; the limits of a mean bear other shapes, those of a
 * standard deviation do not. */
#include <math.h>

#include "slotproof/numeric.h"
#include "slotproof/statistics.h"

static const sp_interval UNKNOWN = {NAN, NAN};

static bool is_confidence(double c)
{
  return c > 0.0 && c < 1.0;
}

sp_interval sp_sd_limits(double sd, double nu, double confidence)
{
  if (!(sd >= 0.0) || !(nu > 0.0) || !is_confidence(confidence))
    return UNKNOWN;
  const double tail = 0.5 * (1.0 - confidence);
  return (sp_interval){sd * sqrt(nu / sp_chi2_quantile(1.0 - tail, nu)), sd * sqrt(nu / sp_chi2_quantile(tail, nu))};
}

sp_spread sp_spread_of(const double *x, size_t n, double confidence)
{
  sp_spread s = {n, sp_mean(x, n), sp_sd(x, n), UNKNOWN, UNKNOWN};
  if (n < 2 || !isfinite(s.sd) || !is_confidence(confidence))
    return s;
  const double nu = (double)(n - 1);
  const double half = sp_student_quantile(0.5 * (1.0 + confidence), nu) * s.sd / sqrt((double)n);
  s.mean_limits = (sp_interval){s.mean - half, s.mean + half};
  s.sd_limits = sp_sd_limits(s.sd, nu, confidence);
  return s;
}

sp_capability sp_capability_of(double mean, double sd, double n, double nu, double lower, double upper,
                               double confidence)
{
  sp_capability c = {NAN, NAN, UNKNOWN, UNKNOWN};
  if (!(sd > 0.0) || !(lower < upper) || !(n >= 2.0) || !(nu > 0.0) || !isfinite(mean) || !is_confidence(confidence))
    return c;
  const double tail = 0.5 * (1.0 - confidence);
  c.cp = (upper - lower) / (6.0 * sd);
  c.cpk = fmin(upper - mean, mean - lower) / (3.0 * sd);
  c.cp_limits =
      (sp_interval){c.cp * sqrt(sp_chi2_quantile(tail, nu) / nu), c.cp * sqrt(sp_chi2_quantile(1.0 - tail, nu) / nu)};
  const double half = sp_normal_quantile(1.0 - tail) * sqrt(1.0 / (9.0 * n) + c.cpk * c.cpk / (2.0 * nu));
  c.cpk_limits = (sp_interval){c.cpk - half, c.cpk + half};
  return c;
}
