/* One axis of a scanner, from several scans of one rule along it: the sums stand in the header.
 *
 * The scale from scan to scan scatters with warmth; its uncertainty for the next scan is Student's, because there are
 * few scans: s sqrt(1 + 1/n) t(n - 1) / 1.96 (JCGM 100:2008, G.3), never below what warm scanners still do.
 */
#include <math.h>
#include <stdlib.h>

#include "calibrate_internal.h"
#include "slotproof/numeric.h"

/* Two scans of one rule in one place agree to this (calibration/README.md). */
static const double LEAST_U_RELATIVE = 5e-5;
/* What a fixed map leaves on the best of flatbeds: 3 to 7 um (ISPRS Archives 1996, Comm. I). */
static const double LEAST_UNEVEN_MM = 0.005;
static const double LEAST_SPAN_MM = 80.0, KNOT_MM = 2.5;

typedef struct axis_sums {
  size_t knots;
  double first_px, step_px;
  double *departure;     /* scans x knots */
  double *mean[2];       /* as laid, turned */
  double *slope;         /* mm per px of each scan */
  size_t scans, kind[2]; /* how many of either */
} axis_sums;

/* A straight line through evenly spaced y; what it leaves stays in y. Returns its slope per step. */
static double take_line(double *y, size_t n)
{
  double sy = 0.0, sxy = 0.0, sxx = 0.0;
  const double middle = 0.5 * (double)(n - 1);
  for (size_t i = 0; i < n; i++) {
    const double x = (double)i - middle;
    sy += y[i];
    sxy += x * y[i];
    sxx += x * x;
  }
  const double slope = sxy / sxx, level = sy / (double)n;
  for (size_t i = 0; i < n; i++)
    y[i] -= level + slope * ((double)i - middle);
  return slope;
}

static void gather(const sp_axis_scan *scans, axis_sums *s)
{
  for (size_t k = 0; k < s->scans; k++) {
    double *y = s->departure + k * s->knots;
    for (size_t i = 0; i < s->knots; i++)
      y[i] = sp_scale_map_along_mm(scans[k].map, s->first_px + (double)i * s->step_px);
    s->slope[k] = take_line(y, s->knots) / s->step_px;
    s->kind[scans[k].turned]++;
  }
  for (size_t k = 0; k < s->scans; k++)
    for (size_t i = 0; i < s->knots; i++)
      s->mean[scans[k].turned][i] += s->departure[k * s->knots + i] / (double)s->kind[scans[k].turned];
}

/* Mean square over the knots of what scans in one position differ by, per degree of freedom; NAN if there is none. */
static double repeat_variance(const sp_axis_scan *scans, const axis_sums *s)
{
  double sum = 0.0;
  for (size_t k = 0; k < s->scans; k++)
    for (size_t i = 0; i < s->knots; i++)
      sum += pow(s->departure[k * s->knots + i] - s->mean[scans[k].turned][i], 2.0);
  return s->scans > 2 ? sum / (double)(s->scans - 2) / (double)s->knots : NAN;
}

static void fill_scale(const axis_sums *s, sp_profile_axis *a)
{
  double mean = 0.0, square = 0.0;
  const double n = (double)s->scans;
  for (size_t k = 0; k < s->scans; k++)
    mean += s->slope[k] / n;
  for (size_t k = 0; k < s->scans; k++)
    square += pow(s->slope[k] / mean - 1.0, 2.0);
  const double widen = sp_student_quantile(0.975, n - 1.0) / sp_normal_quantile(0.975);
  a->px_per_mm = 1.0 / mean;
  a->u_relative = fmax(LEAST_U_RELATIVE, sqrt(square / (n - 1.0) * (1.0 + 1.0 / n)) * widen);
  a->span_mm = s->step_px * (double)(s->knots - 1) * mean;
}

static void fill_departure(const sp_axis_scan *scans, const axis_sums *s, sp_profile_axis *a)
{
  double turned2 = 0.0, kept2 = 0.0;
  const double n = (double)s->knots, repeat2 = repeat_variance(scans, s);
  const double share = 0.25 * (1.0 / (double)s->kind[0] + 1.0 / (double)s->kind[1]); /* of r^2 in a mean of means */
  for (size_t i = 0; i < s->knots; i++) {
    turned2 += pow(0.5 * (s->mean[0][i] - s->mean[1][i]), 2.0) / n;
    kept2 += pow(0.5 * (s->mean[0][i] + s->mean[1][i]), 2.0) / n;
  }
  /* one pair: `turned` is the rule's part and r^2 / 2 together, so either is at the most all of it */
  const double own2 = isnan(repeat2) ? turned2 : fmax(0.0, turned2 - share * repeat2);
  const double r2 = isnan(repeat2) ? 2.0 * turned2 : repeat2;
  const double chance2 = share * r2 + own2;
  const double keep = kept2 > 0.0 ? fmax(0.0, 1.0 - chance2 / kept2) : 0.0;
  a->repeat_mm = sqrt(repeat2);
  a->turned_mm = sqrt(turned2);
  a->uneven_mm = fmax(LEAST_UNEVEN_MM, sqrt(r2 + chance2));
  a->count = s->knots;
  for (size_t i = 0; i < s->knots; i++) {
    a->u_px[i] = s->first_px + (double)i * s->step_px;
    a->departure_mm[i] = 0.5 * keep * (s->mean[0][i] + s->mean[1][i]);
  }
}

/* The stretch that every scan shows. */
static sp_status common_span(const sp_axis_scan *scans, size_t count, axis_sums *s, sp_error *err)
{
  double first = -INFINITY, last = INFINITY;
  for (size_t k = 0; k < count; k++) {
    first = fmax(first, scans[k].map->first_px);
    last = fmin(last, scans[k].map->last_px);
  }
  const double span_mm = (last - first) * fabs(sp_scale_map_rate(scans[0].map, 0.5 * (first + last)));
  if (!(last > first && span_mm >= LEAST_SPAN_MM))
    return sp_fail(err, SP_E_DATA,
                   "its scans share less than %.0f mm of the rule's graduations; lay the rule in one place each time",
                   LEAST_SPAN_MM);
  const double knots = fmin(SP_PROFILE_KNOTS, floor(span_mm / KNOT_MM) + 1.0);
  s->knots = (size_t)knots;
  s->first_px = first;
  s->step_px = (last - first) / (knots - 1.0);
  return SP_OK;
}

sp_status sp_calibrate_axis(const sp_axis_scan *scans, size_t count, sp_profile_axis *axis, sp_error *err)
{
  axis_sums s = {.scans = count};
  bool kinds[2] = {false, false};
  for (size_t k = 0; k < count; k++)
    kinds[scans[k].turned] = true;
  if (!(kinds[0] && kinds[1]))
    return sp_fail(err, SP_E_DATA, "a scan of the rule as laid and one of it turned by half a turn are needed");
  sp_status status = common_span(scans, count, &s, err);
  if (status)
    return status;
  double *work = calloc((count + 2) * s.knots + count, sizeof *work);
  if (!work)
    return sp_fail_memory(err);
  s.departure = work;
  s.mean[0] = work + count * s.knots;
  s.mean[1] = s.mean[0] + s.knots;
  s.slope = s.mean[1] + s.knots;
  gather(scans, &s);
  fill_scale(&s, axis);
  fill_departure(scans, &s, axis);
  axis->scans = (uint32_t)count;
  axis->known = true;
  free(work);
  return SP_OK;
}
