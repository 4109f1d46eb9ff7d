/* Control charts: is the work still the work it was?
 *
 * A chart draws values in order of time with the limits that chance alone seldom passes. Sigma comes from what differs
 * between neighbours (moving range) or within groups, never from the spread of all values: a drift would widen that
 * and hide itself. Every point carries its own limits, so groups may differ in size. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/numeric.h"
#include "slotproof/statistics.h"

static const double LIMIT_SIGMAS = 3.0;
/* Mean range of two normal values over sigma, 2/sqrt(pi), and its standard deviation. */
#define D2_OF_TWO 1.1283791670955126
#define D3_OF_TWO 0.85250221786145540

void sp_chart_free(sp_chart *chart)
{
  free(chart->point);
  memset(chart, 0, sizeof *chart);
}

static sp_status start(sp_chart *chart, size_t count, sp_error *err)
{
  memset(chart, 0, sizeof *chart);
  chart->point = calloc(count, sizeof *chart->point);
  if (!chart->point)
    return sp_fail_memory(err);
  chart->count = count;
  return SP_OK;
}

static bool all_finite(const double *x, size_t count)
{
  for (size_t i = 0; i < count; i++)
    if (!isfinite(x[i]))
      return false;
  return true;
}

static sp_chart_point point_about(double value, double centre, double sigma)
{
  return (sp_chart_point){value, centre, centre - LIMIT_SIGMAS * sigma, centre + LIMIT_SIGMAS * sigma, sigma, 0};
}

static void mark_beyond(sp_chart *chart)
{
  for (size_t i = 0; i < chart->count; i++) {
    const sp_chart_point *p = &chart->point[i];
    if (p->value > p->upper || p->value < p->lower)
      chart->point[i].rules |= SP_RULE_BEYOND;
  }
}

/* ---- single values ---------------------------------------------------------------------------------------------- */

static double mean_moving_range(const double *x, size_t count)
{
  double sum = 0.0;
  for (size_t i = 1; i < count; i++)
    sum += fabs(x[i] - x[i - 1]);
  return sum / (double)(count - 1);
}

static sp_status refuse_few(const double *x, size_t count, sp_error *err)
{
  if (count >= 2 && all_finite(x, count))
    return SP_OK;
  return sp_fail(err, SP_E_DATA, "a control chart needs at least two values, all of them known; give more boards");
}

sp_status sp_chart_individuals(const double *x, size_t count, sp_chart *chart, sp_error *err)
{
  memset(chart, 0, sizeof *chart);
  sp_status status = refuse_few(x, count, err);
  if (!status)
    status = start(chart, count, err);
  if (status)
    return status;
  const double mean = sp_mean(x, count), sigma = mean_moving_range(x, count) / D2_OF_TWO;
  for (size_t i = 0; i < count; i++)
    chart->point[i] = point_about(x[i], mean, sigma);
  sp_chart_apply_rules(chart);
  return SP_OK;
}

sp_status sp_chart_moving_range(const double *x, size_t count, sp_chart *chart, sp_error *err)
{
  memset(chart, 0, sizeof *chart);
  sp_status status = refuse_few(x, count, err);
  if (!status)
    status = start(chart, count - 1, err);
  if (status)
    return status;
  const double mean = mean_moving_range(x, count), sigma = mean * D3_OF_TWO / D2_OF_TWO;
  for (size_t i = 1; i < count; i++) {
    chart->point[i - 1] = point_about(fabs(x[i] - x[i - 1]), mean, sigma);
    chart->point[i - 1].lower = 0.0;
  }
  mark_beyond(chart);
  return SP_OK;
}

sp_status sp_chart_ewma(const double *x, size_t count, double lambda, double start_at, double sigma, double width,
                        sp_chart *chart, sp_error *err)
{
  memset(chart, 0, sizeof *chart);
  if (!(lambda > 0.0 && lambda <= 1.0) || !(sigma >= 0.0) || !(width > 0.0) || !isfinite(start_at) || count < 1 ||
      !all_finite(x, count))
    return sp_fail(err, SP_E_DATA, "a moving average needs a weight from 0 to 1 and known values; give more boards");
  const sp_status status = start(chart, count, err);
  if (status)
    return status;
  const double steady = sigma * sqrt(lambda / (2.0 - lambda));
  double z = start_at;
  for (size_t i = 0; i < count; i++) {
    z = lambda * x[i] + (1.0 - lambda) * z;
    chart->point[i] = (sp_chart_point){z, start_at, start_at - width * steady, start_at + width * steady, steady, 0};
  }
  mark_beyond(chart);
  return SP_OK;
}

/* ---- groups ----------------------------------------------------------------------------------------------------- */

static sp_status refuse_groups(const double *sd, const size_t *n, size_t count, sp_error *err)
{
  bool fine = count >= 2 && all_finite(sd, count);
  for (size_t i = 0; fine && i < count; i++)
    fine = n[i] >= 2;
  if (fine)
    return SP_OK;
  return sp_fail(err, SP_E_DATA, "a control chart of groups needs two groups or more of two values each; give more");
}

static double sigma_within(const double *sd, const size_t *n, size_t count)
{
  double sum = 0.0, weight = 0.0;
  for (size_t i = 0; i < count; i++) {
    sum += (double)(n[i] - 1) * sd[i] / sp_chart_c4((double)n[i]);
    weight += (double)(n[i] - 1);
  }
  return sum / weight;
}

sp_status sp_chart_xbar(const double *mean, const double *sd, const size_t *n, size_t count, sp_chart *chart,
                        sp_error *err)
{
  memset(chart, 0, sizeof *chart);
  sp_status status = refuse_groups(sd, n, count, err);
  if (!status && !all_finite(mean, count))
    status = sp_fail(err, SP_E_DATA, "a group's mean is not known; leave the group out");
  if (!status)
    status = start(chart, count, err);
  if (status)
    return status;
  const double sigma = sigma_within(sd, n, count);
  double centre = 0.0, all = 0.0;
  for (size_t i = 0; i < count; i++) {
    centre += (double)n[i] * mean[i];
    all += (double)n[i];
  }
  for (size_t i = 0; i < count; i++)
    chart->point[i] = point_about(mean[i], centre / all, sigma / sqrt((double)n[i]));
  sp_chart_apply_rules(chart);
  return SP_OK;
}

sp_status sp_chart_s(const double *sd, const size_t *n, size_t count, sp_chart *chart, sp_error *err)
{
  memset(chart, 0, sizeof *chart);
  sp_status status = refuse_groups(sd, n, count, err);
  if (!status)
    status = start(chart, count, err);
  if (status)
    return status;
  const double sigma = sigma_within(sd, n, count);
  for (size_t i = 0; i < count; i++) {
    const double c4 = sp_chart_c4((double)n[i]);
    chart->point[i] = point_about(sd[i], c4 * sigma, sigma * sqrt(1.0 - c4 * c4));
    chart->point[i].lower = fmax(0.0, chart->point[i].lower);
  }
  mark_beyond(chart);
  return SP_OK;
}

/* ---- run rules -------------------------------------------------------------------------------------------------- */

/* How many of the last `window` points lie more than `zone` sigma to `side` of the centre; all must exist. */
static size_t beyond_zone(const sp_chart *c, size_t at, size_t window, double zone, double side)
{
  size_t n = 0;
  for (size_t i = at + 1 < window ? 0 : at + 1 - window; i <= at; i++)
    n += side * (c->point[i].value - c->point[i].centre) > zone * c->point[i].sigma;
  return n;
}

/* Do the `window` points up to `at` go one way (alternating: change direction each time)? */
static bool goes_on(const sp_chart *c, size_t at, size_t window, bool alternating)
{
  double before = 0.0;
  if (at + 1 < window)
    return false;
  for (size_t i = at + 2 - window; i <= at; i++) {
    const double step = c->point[i].value - c->point[i - 1].value;
    const double turn = alternating ? -before : before;
    if (!(step < 0.0 || step > 0.0) || (before != 0.0 && !(step * turn > 0.0)))
      return false;
    before = step;
  }
  return true;
}

static unsigned zone_rules(const sp_chart *c, size_t at, double side)
{
  unsigned rules = 0;
  const double off = side * (c->point[at].value - c->point[at].centre), sigma = c->point[at].sigma;
  if (off > 2.0 * sigma && beyond_zone(c, at, 3, 2.0, side) >= 2)
    rules |= SP_RULE_TWO_OF_3;
  if (off > sigma && beyond_zone(c, at, 5, 1.0, side) >= 4)
    rules |= SP_RULE_FOUR_OF_5;
  if (beyond_zone(c, at, 8, 0.0, side) == 8)
    rules |= SP_RULE_EIGHT;
  return rules;
}

void sp_chart_apply_rules(sp_chart *chart)
{
  mark_beyond(chart);
  for (size_t i = 0; i < chart->count; i++) {
    unsigned rules = zone_rules(chart, i, 1.0) | zone_rules(chart, i, -1.0);
    if (goes_on(chart, i, 6, false))
      rules |= SP_RULE_TREND;
    if (goes_on(chart, i, 14, true))
      rules |= SP_RULE_ALTERNATING;
    chart->point[i].rules |= rules;
  }
}
