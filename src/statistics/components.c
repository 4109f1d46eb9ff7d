/* Where does the spread come from? Analysis of variance, one way and two ways.
 *
 * Sums of squares are taken about the mean of all values, moved there first: values near 196.2 that differ in the
 * second decimal (NIST StRD SiRstv) keep their digits that way. A component of variance is a difference of mean
 * squares; its limits by modified large samples hold their level for few degrees of freedom too, where the usual
 * normal approximation does not. */
#include <math.h>
#include <string.h>

#include "slotproof/numeric.h"
#include "slotproof/statistics.h"

static const double NOTHING = 0.0;

static double square(double x)
{
  return x * x;
}

static sp_status refuse_values(const double *x, size_t n, sp_error *err)
{
  for (size_t i = 0; i < n; i++)
    if (!isfinite(x[i]))
      return sp_fail(err, SP_E_DATA, "a value is not known; leave what it belongs to out");
  return SP_OK;
}

sp_status sp_oneway_anova(const double *x, const size_t *count, size_t groups, sp_oneway *r, sp_error *err)
{
  size_t n = 0;
  double squares = 0.0;
  for (size_t g = 0; g < groups; g++) {
    n += count[g];
    squares += square((double)count[g]);
    if (!count[g])
      return sp_fail(err, SP_E_DATA, "a group is empty; leave it out");
  }
  if (groups < 2 || n <= groups)
    return sp_fail(err, SP_E_DATA, "too few values; give two groups or more, one of them with two values");
  sp_status status = refuse_values(x, n, err);
  if (status)
    return status;
  const double all = sp_mean(x, n);
  memset(r, 0, sizeof *r);
  for (size_t g = 0, at = 0; g < groups; at += count[g++]) {
    const double mean = sp_mean(x + at, count[g]);
    r->ss_between += (double)count[g] * square(mean - all);
    for (size_t i = at; i < at + count[g]; i++)
      r->ss_within += square(x[i] - mean);
  }
  r->df_between = (double)(groups - 1);
  r->df_within = (double)(n - groups);
  const double between = r->ss_between / r->df_between, within = r->ss_within / r->df_within;
  r->sd_within = sqrt(within);
  r->f = within > 0.0 ? between / within : NAN;
  r->p = sp_f_upper(r->f, r->df_between, r->df_within);
  r->r_squared = r->ss_between / (r->ss_between + r->ss_within);
  r->var_between = (between - within) / (((double)n - squares / (double)n) / r->df_between);
  return SP_OK;
}

/* ---- limits of a difference ------------------------------------------------------------------------------------- */

/* Quantile of F: bisection of log F. nu2 may be INFINITY. */
static double f_quantile(double p, double nu1, double nu2)
{
  if (isinf(nu2))
    return sp_chi2_quantile(p, nu1) / nu1;
  double low = -60.0, high = 60.0;
  for (int i = 0; i < 100; i++) {
    const double middle = 0.5 * (low + high);
    if (sp_f_cdf(exp(middle), nu1, nu2) < p)
      low = middle;
    else
      high = middle;
  }
  return exp(0.5 * (low + high));
}

sp_interval sp_variance_difference_limits(double ms1, double nu1, double ms2, double nu2, double c, double confidence)
{
  if (!(ms1 >= NOTHING) || !(ms2 >= NOTHING) || !(nu1 > 0.0) || !(nu2 > 0.0) || !(c > 0.0) ||
      !(confidence > 0.0 && confidence < 1.0))
    return (sp_interval){NAN, NAN};
  const double tail = 0.5 * (1.0 - confidence);
  const double upper1 = f_quantile(1.0 - tail, nu1, INFINITY), lower1 = f_quantile(tail, nu1, INFINITY);
  const double upper2 = isinf(nu2) ? 1.0 : f_quantile(1.0 - tail, nu2, INFINITY);
  const double lower2 = isinf(nu2) ? 1.0 : f_quantile(tail, nu2, INFINITY);
  const double upper12 = f_quantile(1.0 - tail, nu1, nu2), lower12 = f_quantile(tail, nu1, nu2);
  const double g1 = 1.0 - 1.0 / upper1, h2 = 1.0 / lower2 - 1.0;
  const double g12 = (square(upper12 - 1.0) - square(g1 * upper12) - square(h2)) / upper12;
  const double h1 = 1.0 / lower1 - 1.0, g2 = 1.0 - 1.0 / upper2;
  const double h12 = (square(1.0 - lower12) - square(h1 * lower12) - square(g2)) / lower12;
  const double down = square(g1 * ms1) + square(h2 * ms2) + g12 * ms1 * ms2;
  const double up = square(h1 * ms1) + square(g2 * ms2) + h12 * ms1 * ms2;
  const double value = ms1 - ms2;
  return (sp_interval){c * (value - sqrt(fmax(0.0, down))), c * (value + sqrt(fmax(0.0, up)))};
}

/* ---- rows and columns ------------------------------------------------------------------------------------------- */

static void sum_squares(const double *value, size_t rows, size_t columns, sp_additive *r)
{
  const double all = sp_mean(value, rows * columns);
  double ss_rows = 0.0, ss_columns = 0.0, ss_all = 0.0;
  for (size_t i = 0; i < rows; i++)
    ss_rows += (double)columns * square(sp_mean(value + i * columns, columns) - all);
  for (size_t j = 0; j < columns; j++) {
    double sum = 0.0;
    for (size_t i = 0; i < rows; i++)
      sum += value[i * columns + j] - all;
    ss_columns += square(sum) / (double)rows;
  }
  for (size_t i = 0; i < rows * columns; i++)
    ss_all += square(value[i] - all);
  r->ms_rows = ss_rows / r->df_rows;
  r->ms_columns = ss_columns / r->df_columns;
  r->ms_rest = fmax(0.0, ss_all - ss_rows - ss_columns) / r->df_rest;
}

static sp_interval cut_at_zero(sp_interval limits)
{
  return (sp_interval){fmax(0.0, limits.lower), fmax(0.0, limits.upper)};
}

sp_status sp_additive_anova(const double *value, size_t rows, size_t columns, double confidence, sp_additive *r,
                            sp_error *err)
{
  if (rows < 2 || columns < 2)
    return sp_fail(err, SP_E_DATA, "a table of at least two rows and two columns is needed; give more boards");
  const sp_status status = refuse_values(value, rows * columns, err);
  if (status)
    return status;
  memset(r, 0, sizeof *r);
  r->rows = rows;
  r->columns = columns;
  r->df_rows = (double)(rows - 1);
  r->df_columns = (double)(columns - 1);
  r->df_rest = r->df_rows * r->df_columns;
  sum_squares(value, rows, columns, r);
  r->var_rows = (r->ms_rows - r->ms_rest) / (double)columns;
  r->var_columns = (r->ms_columns - r->ms_rest) / (double)rows;
  r->var_rest = r->ms_rest;
  r->p_rows = sp_f_upper(r->ms_rows / r->ms_rest, r->df_rows, r->df_rest);
  r->p_columns = sp_f_upper(r->ms_columns / r->ms_rest, r->df_columns, r->df_rest);
  r->var_rows_limits = cut_at_zero(
      sp_variance_difference_limits(r->ms_rows, r->df_rows, r->ms_rest, r->df_rest, 1.0 / (double)columns, confidence));
  r->var_columns_limits = cut_at_zero(sp_variance_difference_limits(r->ms_columns, r->df_columns, r->ms_rest,
                                                                    r->df_rest, 1.0 / (double)rows, confidence));
  const sp_interval sd = sp_sd_limits(sqrt(r->ms_rest), r->df_rest, confidence);
  r->var_rest_limits = (sp_interval){square(sd.lower), square(sd.upper)};
  return SP_OK;
}
