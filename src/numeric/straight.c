/* The straight line with everything its two correlated coefficients imply.
 *
 * About the weighted mean of x, offset and slope do not correlate: every sum is over deviations (nothing cancels), and
 * the uncertainty of a prediction is a sum of two squares instead of three terms that nearly cancel. Formulas: JCGM
 * 100:2008, H.3; for the inverse reading NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.6 (calibration of a line
 * width).
 */
#include <math.h>

#include "slotproof/numeric.h"

typedef struct sums {
  double w, x, y, xx, xy;
  size_t n;
} sums;

static bool add_up(size_t n, const double *x, const double *y, const double *w, double x0, double y0, sums *s)
{
  *s = (sums){0};
  for (size_t i = 0; i < n; i++) {
    const double wi = w ? w[i] : 1.0, dx = x[i] - x0, dy = y[i] - y0;
    if (!isfinite(wi) || wi < 0.0 || !isfinite(dx) || !isfinite(dy))
      return false;
    s->w += wi;
    s->x += wi * dx;
    s->y += wi * dy;
    s->xx += wi * dx * dx;
    s->xy += wi * dx * dy;
    s->n += wi > 0.0;
  }
  return true;
}

static double rest_of(size_t n, const double *x, const double *y, const double *w, const sp_straight *line)
{
  double squares = 0.0;
  for (size_t i = 0; i < n; i++) {
    const double r = (y[i] - line->mean_y) - line->b * (x[i] - line->x0);
    squares += (w ? w[i] : 1.0) * r * r;
  }
  return squares;
}

static void spread(sp_straight *line, double var_mean_y, double var_b)
{
  line->a = line->mean_y - line->b * line->x0;
  line->u_b = sqrt(var_b);
  line->u_mean_y = sqrt(var_mean_y);
  line->u_a = hypot(line->u_mean_y, line->x0 * line->u_b);
  line->cov_ab = -line->x0 * var_b;
}

sp_status sp_straight_fit(size_t n, const double *x, const double *y, const double *w, double sigma, sp_straight *line,
                          sp_error *err)
{
  sums s = {0};
  double x0 = 0.0, y0 = 0.0;
  *line = (sp_straight){NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, 0};
  /* twice to the mean: the second round takes out what the first has rounded */
  for (int round = 0; round < 2; round++) {
    if (!add_up(n, x, y, w, x0, y0, &s))
      return sp_fail(err, SP_E_DATA, "a value or weight given to a straight-line fit is not a number it can use");
    if (s.n < 2 || (isnan(sigma) && s.n < 3))
      return sp_fail(err, SP_E_DATA, "%zu points are too few for a straight line and its uncertainty", s.n);
    x0 += s.x / s.w;
    y0 += s.y / s.w;
  }
  if (!add_up(n, x, y, w, x0, y0, &s) || !(s.xx > 0.0) || !isfinite(s.xx))
    return sp_fail(err, SP_E_DATA, "a straight line needs points at more than one place");
  line->n = s.n;
  line->x0 = x0;
  line->mean_y = y0;
  line->b = s.xy / s.xx;
  line->rss = rest_of(n, x, y, w, line);
  line->s = isnan(sigma) ? sqrt(line->rss / (double)(s.n - 2)) : sigma;
  spread(line, line->s * line->s / s.w, line->s * line->s / s.xx);
  return SP_OK;
}

sp_status sp_straight_from(double a, double b, double var_a, double var_b, double cov_ab, double s, sp_straight *line,
                           sp_error *err)
{
  const double x0 = var_b > 0.0 ? -cov_ab / var_b : 0.0;
  const double var_mean_y = var_a + x0 * cov_ab;
  *line = (sp_straight){.x0 = x0, .mean_y = a + b * x0, .b = b, .s = s, .rss = NAN};
  if (!isfinite(a) || !isfinite(b) || !(var_b >= 0.0) || !(var_mean_y >= 0.0) || (var_b == 0.0 && cov_ab != 0.0))
    return sp_fail(err, SP_E_DATA, "these variances and covariance cannot belong to one straight line");
  spread(line, var_mean_y, var_b);
  return SP_OK;
}

double sp_straight_at(const sp_straight *line, double x, double *u, double *u_new)
{
  const double own = hypot(line->u_mean_y, (x - line->x0) * line->u_b);
  if (u)
    *u = own;
  if (u_new)
    *u_new = hypot(own, line->s);
  return line->mean_y + line->b * (x - line->x0);
}

double sp_straight_inverse(const sp_straight *line, double y, double u_y, double *u)
{
  double x = NAN, spread_x = NAN;
  if (line->b != 0.0) {
    double own;
    x = line->x0 + (y - line->mean_y) / line->b;
    sp_straight_at(line, x, &own, NULL);
    spread_x = hypot(own, u_y) / fabs(line->b);
  }
  if (u)
    *u = spread_x;
  return x;
}
