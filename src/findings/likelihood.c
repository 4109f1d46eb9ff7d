/* Likelihood of a board's errors under a model of how they came about.
 *
 * The noise is normal with covariance M + s^2 H: M the measurement's, stated in the record; H the hand's, the identity
 * where every mark is set off from the nut, min(j, k) for frets j and k where each is set off from the last (the sum of
 * the steps both have in common). The hand's sd s is not known. For each s of a geometric grid the covariance is
 * factored once; errors and columns divided by the factor turn generalised into plain least squares, and a column's
 * gain is the square of what is left of it along what is left of the errors. Between the best three points of the grid
 * the log likelihood is taken to run as a - b ln s - c / s^2, which is exact where the hand's errors outweigh the
 * measurement's (a parabola would err by 1 at 48 frets and a ratio of 1.5). */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "findings_internal.h"
#include "slotproof/numeric.h"

enum { MOST_GRID = 48 };
static const double LEAST_SD_MM = 0.004, LN_RATIO = 0.53062825106217038; /* ln 1.7 */
/* Errors of the map between pixels and mm are alike over about this distance: its curve has knots that far apart. */
static const double MAP_REACH_MM = 100.0;

/* ---- the errors ------------------------------------------------------------------------------------------------- */

static bool usable(const sp_mark_record *m)
{
  return m->fret > 0 && m->found && isfinite(m->error_mm) && isfinite(m->u_mm) && isfinite(m->layout_mm);
}

static bool has_budget(const sp_budget *b)
{
  return isfinite(b->line_mm) && isfinite(b->map_mm) && isfinite(b->datum_mm) && isfinite(b->rule_mm);
}

static double covariance_of(const sp_mark_record *a, const sp_mark_record *b)
{
  if (!has_budget(&a->budget) || !has_budget(&b->budget))
    return a == b ? a->u_mm * a->u_mm : 0.0;
  const sp_budget *p = &a->budget, *q = &b->budget;
  double sum = a == b ? p->line_mm * p->line_mm : 0.0;
  sum += p->map_mm * q->map_mm * exp(-fabs(a->layout_mm - b->layout_mm) / MAP_REACH_MM);
  sum += p->datum_mm * q->datum_mm + p->rule_mm * q->rule_mm;
  if (isfinite(p->temperature_mm) && isfinite(q->temperature_mm))
    sum += p->temperature_mm * q->temperature_mm;
  return sum;
}

sp_status sp_errors_of(const sp_record *record, sp_errors *e, sp_error *err)
{
  const sp_mark_record *mark[SP_FINDINGS_MAX_MARKS];
  size_t n = 0, all = 0;
  memset(e, 0, sizeof *e);
  for (size_t i = 0; i < record->mark_count; i++)
    if (usable(&record->marks[i]) && ++all <= SP_FINDINGS_MAX_MARKS)
      mark[n++] = &record->marks[i];
  if (all > SP_FINDINGS_MAX_MARKS || !n)
    return SP_OK;
  e->fret = calloc(n, sizeof *e->fret);
  e->x_mm = calloc(n, sizeof *e->x_mm);
  e->y_mm = calloc(n, sizeof *e->y_mm);
  e->covariance_mm2 = calloc(n * n, sizeof *e->covariance_mm2);
  if (!e->fret || !e->x_mm || !e->y_mm || !e->covariance_mm2) {
    sp_errors_free(e);
    return sp_fail_memory(err);
  }
  e->n = n;
  for (size_t i = 0; i < n; i++) {
    e->fret[i] = mark[i]->fret;
    e->x_mm[i] = mark[i]->layout_mm;
    e->y_mm[i] = mark[i]->error_mm;
    for (size_t j = 0; j < n; j++)
      e->covariance_mm2[i * n + j] = covariance_of(mark[i], mark[j]);
  }
  return SP_OK;
}

void sp_errors_free(sp_errors *e)
{
  free(e->fret);
  free(e->x_mm);
  free(e->y_mm);
  free(e->covariance_mm2);
  memset(e, 0, sizeof *e);
}

/* ---- one value of the hand's sd --------------------------------------------------------------------------------- */

bool sp_hand_factor(const sp_errors *e, sp_hand hand, double sd_mm, double nut_mm, double *l)
{
  const size_t n = e->n;
  memcpy(l, e->covariance_mm2, n * n * sizeof *l);
  for (size_t i = 0; i < n; i++)
    for (size_t j = 0; j <= i; j++) {
      const double shared = hand == SP_HAND_STEPPED ? (double)e->fret[j] : i == j ? 1.0 : 0.0;
      l[i * n + j] += sd_mm * sd_mm * shared + nut_mm * nut_mm;
    }
  return sp_cholesky(n, l);
}

static double dot(size_t n, const double *a, const double *b)
{
  double sum = 0.0;
  for (size_t i = 0; i < n; i++)
    sum += a[i] * b[i];
  return sum;
}

static void take_out(size_t n, const double *unit, double *x)
{
  const double part = dot(n, unit, x);
  for (size_t i = 0; i < n; i++)
    x[i] -= part * unit[i];
}

/* `column` divided by the factor, into `white`, less its parts along the `p` unit vectors; false if nothing is left. */
static bool whiten(size_t n, const double *l, const double *column, size_t p, const double *unit, double *white)
{
  memcpy(white, column, n * sizeof *white);
  sp_cholesky_forward(n, l, white);
  const double before = dot(n, white, white);
  for (size_t j = 0; j < p; j++)
    take_out(n, unit + j * n, white);
  return dot(n, white, white) > 1e-12 * before;
}

static void normalise(size_t n, double *x)
{
  const double length = sqrt(dot(n, x, x));
  for (size_t i = 0; i < n; i++)
    x[i] /= length;
}

/* Scratch of one search: the factor, what is left of the errors, one column, the base's unit vectors. */
typedef struct scratch {
  double *l, *rest, *column, *unit;
  double *value; /* (count + 1) x MOST_GRID log likelihoods */
} scratch;

static bool likelihood_at(const sp_errors *e, sp_hand hand, double sd_mm, size_t p, const double *base, size_t count,
                          const double *further, const scratch *s, size_t at)
{
  const size_t n = e->n;
  if (!sp_hand_factor(e, hand, sd_mm, 0.0, s->l))
    return false;
  for (size_t j = 0; j < p; j++) {
    if (!whiten(n, s->l, base + j * n, j, s->unit, s->unit + j * n))
      return false;
    normalise(n, s->unit + j * n);
  }
  const double log_det = sp_cholesky_log_det(n, s->l);
  (void)whiten(n, s->l, e->y_mm, p, s->unit, s->rest);
  const double rss = dot(n, s->rest, s->rest);
  s->value[at] = -0.5 * (log_det + rss);
  for (size_t c = 0; c < count; c++) {
    double gain = 0.0;
    if (whiten(n, s->l, further + c * n, p, s->unit, s->column)) {
      const double part = dot(n, s->column, s->rest);
      gain = part * part / dot(n, s->column, s->column);
    }
    s->value[(c + 1) * MOST_GRID + at] = -0.5 * (log_det + fmax(rss - gain, 0.0));
  }
  return true;
}

/* ---- the maximum ------------------------------------------------------------------------------------------------ */

static sp_peak peak_of(const double *value, size_t grid)
{
  size_t top = 0;
  for (size_t g = 1; g < grid; g++)
    if (value[g] > value[top])
      top = g;
  sp_peak peak = {value[top], LEAST_SD_MM * exp(LN_RATIO * (double)top)};
  if (top == 0 || top + 1 >= grid)
    return peak;
  /* l = a - b t - c exp(-2 t), t = ln(s / s_top) */
  const double fall = value[top] - value[top - 1], rise = value[top + 1] - value[top];
  const double c = (fall - rise) / (2.0 * cosh(2.0 * LN_RATIO) - 2.0);
  const double b = -(rise + c * expm1(-2.0 * LN_RATIO)) / LN_RATIO, t = 0.5 * log(2.0 * c / b);
  if (b > 0.0 && c > 0.0 && fabs(t) <= LN_RATIO) {
    peak.log_likelihood = value[top] - b * t - c * expm1(-2.0 * t);
    peak.sd_mm *= exp(t);
  }
  return peak;
}

/* Points of the grid: up to well above the errors' own size. */
static size_t grid_of(const sp_errors *e)
{
  const double rms = sqrt(dot(e->n, e->y_mm, e->y_mm) / (double)e->n);
  const double points = ceil(log(fmax(2.0 * rms, 0.1) / LEAST_SD_MM) / LN_RATIO) + 1.0;
  return points < MOST_GRID ? (size_t)points : MOST_GRID;
}

static void scratch_free(scratch *s)
{
  free(s->l);
  free(s->rest);
  free(s->column);
  free(s->unit);
  free(s->value);
}

/* n <= SP_FINDINGS_MAX_MARKS and a few times as many columns: no product can overflow. */
static bool scratch_create(size_t n, size_t p, size_t count, scratch *s)
{
  s->l = calloc(n * n, sizeof *s->l);
  s->rest = calloc(n, sizeof *s->rest);
  s->column = calloc(n, sizeof *s->column);
  s->unit = calloc((p + 1) * n, sizeof *s->unit);
  s->value = calloc((count + 1) * MOST_GRID, sizeof *s->value);
  return s->l && s->rest && s->column && s->unit && s->value;
}

sp_status sp_likelihood(const sp_errors *e, sp_hand hand, size_t p, const double *base, size_t count,
                        const double *further, sp_peak *peak, sp_error *err)
{
  scratch s;
  if (!scratch_create(e->n, p, count, &s)) {
    scratch_free(&s);
    return sp_fail_memory(err);
  }
  const size_t grid = grid_of(e);
  for (size_t g = 0; g < grid; g++)
    if (!likelihood_at(e, hand, LEAST_SD_MM * exp(LN_RATIO * (double)g), p, base, count, further, &s, g))
      for (size_t c = 0; c <= count; c++)
        s.value[c * MOST_GRID + g] = -HUGE_VAL;
  for (size_t c = 0; c <= count; c++)
    peak[c] = peak_of(s.value + c * MOST_GRID, grid);
  scratch_free(&s);
  return SP_OK;
}

sp_status sp_coefficients(const sp_errors *e, sp_hand hand, double sd_mm, size_t p, const double *base, double *beta,
                          double *covariance, sp_error *err)
{
  const size_t n = e->n;
  scratch s;
  sp_status status = SP_OK;
  double *design = calloc((p + 1) * n, sizeof *design);
  if (!scratch_create(n, p, 0, &s) || !design) {
    status = sp_fail_memory(err);
  } else if (!sp_hand_factor(e, hand, sd_mm, 0.0, s.l)) {
    status =
        sp_fail(err, SP_E_INTERNAL, "the covariance of the errors is not positive; this is a fault of the program");
  } else {
    (void)whiten(n, s.l, e->y_mm, 0, NULL, s.rest);
    for (size_t j = 0; j < p; j++) {
      (void)whiten(n, s.l, base + j * n, 0, NULL, s.column);
      for (size_t i = 0; i < n; i++)
        design[i * p + j] = s.column[i];
    }
    status = sp_lsq(n, p, design, s.rest, NULL, beta, covariance, NULL, false, err);
  }
  free(design);
  scratch_free(&s);
  return status;
}

/* ---- chance ----------------------------------------------------------------------------------------------------- */

/* With noise of one unknown sd the ratio of likelihoods is a function of Fisher's F: F = (n - p)(exp(2 gain/n) - 1). */
double sp_chance_of_gain(double gain, size_t n, size_t p)
{
  if (!(gain > 0.0) || n <= p)
    return 1.0;
  const double nu = (double)(n - p);
  return sp_f_upper(nu * expm1(2.0 * gain / (double)n), 1.0, nu);
}

/* The integrand falls off as u^-(n/2 + 1) beyond the reciprocal of the values and is smooth in ln u: the trapezium rule
 * there converges faster than any power of its step. */
double sp_chance_below_zero(size_t n, const double *value)
{
  enum { STEPS = 800 };
  double largest = 0.0, sum = 0.0;
  for (size_t i = 0; i < n; i++)
    largest = fmax(largest, fabs(value[i]));
  if (!(largest > 0.0))
    return NAN;
  const double from = log(1e-9 / largest), step = log(1e18) / STEPS;
  for (int k = 0; k <= STEPS; k++) {
    const double u = exp(from + step * k);
    double angle = 0.0, log_rho = 0.0;
    for (size_t i = 0; i < n; i++) {
      angle += 0.5 * atan(value[i] * u);
      log_rho += 0.25 * log1p(value[i] * value[i] * u * u);
    }
    sum += sin(angle) * exp(-log_rho) * step;
  }
  return fmin(fmax(0.5 - sum / SP_PI, 0.0), 1.0);
}

/* a += factor * the matrix of the quadratic form that the residuals' weighted sum of squares is, sd 1, no measurement
 * noise. */
static bool add_form(const sp_errors *e, sp_hand hand, size_t p, const double *base, double by, const scratch *s,
                     double *white, double *a)
{
  const size_t n = e->n;
  if (!sp_hand_factor(e, hand, 1.0, 0.0, s->l))
    return false;
  for (size_t j = 0; j < p; j++) {
    if (!whiten(n, s->l, base + j * n, j, s->unit, s->unit + j * n))
      return false;
    normalise(n, s->unit + j * n);
  }
  for (size_t i = 0; i < n; i++) {
    memset(s->column, 0, n * sizeof *s->column);
    s->column[i] = 1.0;
    (void)whiten(n, s->l, s->column, p, s->unit, white + i * n);
  }
  for (size_t i = 0; i < n; i++)
    for (size_t j = 0; j < n; j++)
      a[i * n + j] += by * dot(n, white + i * n, white + j * n);
  return true;
}

/* Both likelihoods are largest at s^2 = S/n, S the sum of squares, so the gain is n/2 ln(S/S_walk) - 1/2 ln det H_walk:
 * it exceeds a value just where the form S_walk - q S is negative. */
sp_status sp_chance_of_walk(const sp_errors *errors, double gain, size_t p, const double *base, double *chance,
                            sp_error *err)
{
  const size_t n = errors->n;
  scratch s;
  double *work = calloc(4 * n * n + n, sizeof *work);
  sp_errors e = *errors;
  *chance = gain > 0.0 ? exp(-gain) : 1.0;
  if (!scratch_create(n, p, 0, &s) || !work) {
    free(work);
    scratch_free(&s);
    return sp_fail_memory(err);
  }
  double *form = work, *white = work + n * n, *vector = work + 2 * n * n, *value = work + 4 * n * n;
  e.covariance_mm2 = work + 3 * n * n; /* all zero */
  if (add_form(&e, SP_HAND_STEPPED, p, base, 1.0, &s, white, form)) {
    const double q = exp(-(2.0 * gain + sp_cholesky_log_det(n, s.l)) / (double)n);
    if (add_form(&e, SP_HAND_FROM_NUT, p, base, -q, &s, white, form) && sp_symmetric_eigen(n, form, value, vector))
      *chance = fmin(*chance, fmax(sp_chance_below_zero(n, value), 1e-6));
  }
  free(work);
  scratch_free(&s);
  return SP_OK;
}

double sp_strength_of(double chance)
{
  return chance > 1e-99 ? fmax(-log10(chance), 0.0) : 99.0;
}

const char *sp_strength_word(double strength)
{
  return strength >= 6.0 ? "not by chance" : "hardly by chance";
}
