/* How likely a board's errors are under each kind of pattern, everything unknown about it integrated out.
 *
 * A likelihood at its peak flatters the pattern that has more to choose from, and a search over places has much to
 * choose from. So each kind is weighed by its marginal likelihood (Jeffreys, Theory of Probability, 1939, ch. 5; Kass &
 * Raftery, J. Am. Stat. Assoc. 90, 1995): the mean of the likelihood over all places, sizes and hands that were thought
 * possible beforehand. Sizes are normal with sds on a grid, so they integrate in closed form: a column c of size sd t
 * adds t^2 c c' to the covariance, which changes determinant and chi-square by known amounts. The hand's sd is
 * log-normal. A fret is off by the hand's own error and by the nut's, which is a mark of the same hand; the nut may be
 * misplaced besides. In a walk from the nut there is no such shift: its first step holds it.
 *
 * What is thought possible beforehand is common practice without source: careful hand work errs by some hundredths of a
 * millimetre, faults worth naming by some tenths to some millimetres. All kinds count as equally likely. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "findings_internal.h"
#include "slotproof/numeric.h"

/* The hand's sd, and that of one step: log-normal. */
static const double HAND_MM = 0.05, HAND_SD_LOG = 0.7;
/* ... on a grid over three of its sds either way. */
enum { HAND_POINTS = 17 };
static const double HAND_REACH = 3.0;
/* sd of the nut's misplacement where it is misplaced: half of the boards that are thought possible. */
static const double NUT_OFF_MM[] = {0.0, 0.5};
enum { NUT_CASES = 2, SIZES = 4 };
/* sds of the sizes of patterns: of a stretch at the last fret, a step, one mark. */
static const double STRETCH_MM[SIZES] = {0.3, 1.0, 3.0, 10.0}, STEP_MM[SIZES] = {0.15, 0.4, 1.0, 3.0},
                    SINGLE_MM[SIZES] = {0.3, 1.0, 3.0, 10.0};

/* log(exp(a) + exp(b)) */
static double log_sum(double a, double b)
{
  const double high = fmax(a, b), low = fmin(a, b);
  return isinf(low) ? high : high + log1p(exp(low - high));
}

static double dot(size_t n, const double *a, const double *b)
{
  double sum = 0.0;
  for (size_t i = 0; i < n; i++)
    sum += a[i] * b[i];
  return sum;
}

/* One hand and nut, factored; the errors divided by the factor. */
typedef struct setting {
  size_t n;
  double *l, *rest, *column;
  double log_weight, log_likelihood; /* of the errors alone, without constants that all kinds share */
} setting;

static bool set_up(const sp_errors *e, sp_hand hand, double sd_mm, double nut_mm, const double *y, setting *s)
{
  if (!sp_hand_factor(e, hand, sd_mm, nut_mm, s->l))
    return false;
  memcpy(s->rest, y, s->n * sizeof *s->rest);
  sp_cholesky_forward(s->n, s->l, s->rest);
  s->log_likelihood = -0.5 * (sp_cholesky_log_det(s->n, s->l) + dot(s->n, s->rest, s->rest));
  return true;
}

/* Mean over the sizes' sds of the likelihood with a column of that size besides. */
static double with_column(const setting *s, const double *column, double scale, const double sd_mm[SIZES])
{
  memcpy(s->column, column, s->n * sizeof *s->column);
  sp_cholesky_forward(s->n, s->l, s->column);
  const double square = scale * scale * dot(s->n, s->column, s->column);
  const double part = scale * dot(s->n, s->column, s->rest);
  double sum = -HUGE_VAL;
  for (int k = 0; k < SIZES; k++) {
    const double t2 = sd_mm[k] * sd_mm[k], more = 1.0 + t2 * square;
    sum = log_sum(sum, 0.5 * t2 * part * part / more - 0.5 * log(more));
  }
  return s->log_likelihood + sum - log(SIZES);
}

static void add(double *log_total, const setting *s, double log_likelihood)
{
  *log_total = log_sum(*log_total, s->log_weight + log_likelihood);
}

static void add_columns(const sp_errors *e, const double *columns, const setting *s, sp_evidence *z)
{
  const size_t n = e->n;
  const double per_last = 1.0 / columns[n - 1]; /* the stretch's column, to 1 at the last fret */
  add(&z->log[SP_STRETCH], s, with_column(s, columns, per_last, STRETCH_MM));
  const double places = (double)(n - 2 * SP_LEAST_SIDE + 1);
  for (size_t j = SP_LEAST_SIDE; j + SP_LEAST_SIDE <= n; j++)
    add(&z->log[SP_STEP], s, with_column(s, columns + (1 + j) * n, 1.0, STEP_MM) - log(places));
  for (size_t j = 0; j < n; j++)
    add(&z->log[SP_SINGLE], s, with_column(s, columns + (1 + n + j) * n, 1.0, SINGLE_MM) - log((double)n));
}

/* Everything at one hand. */
static void add_hand(const sp_errors *e, const double *columns, const double *without_eighteen, double sd_mm,
                     setting *s, sp_evidence *z)
{
  const double weight = s->log_weight;
  if (set_up(e, SP_HAND_STEPPED, sd_mm, 0.0, e->y_mm, s))
    add(&z->log[SP_WALK], s, s->log_likelihood);
  s->log_weight = weight - log(NUT_CASES);
  for (int k = 0; k < NUT_CASES; k++) {
    const double nut_mm = hypot(sd_mm, NUT_OFF_MM[k]);
    if (without_eighteen && set_up(e, SP_HAND_FROM_NUT, sd_mm, nut_mm, without_eighteen, s))
      add(&z->log[SP_EIGHTEEN], s, s->log_likelihood);
    if (!set_up(e, SP_HAND_FROM_NUT, sd_mm, nut_mm, e->y_mm, s))
      continue;
    /* each by itself where it is the only pattern */
    add(k ? &z->log[SP_OFFSET] : &z->log_none, s, s->log_likelihood + log(NUT_CASES));
    add_columns(e, columns, s, z);
  }
  s->log_weight = weight;
}

/* Calls `at` for each hand of the grid with its weight; the weights sum to 1. */
static double hand_at(int k, double *log_weight)
{
  const double t = HAND_REACH * (2.0 * k / (HAND_POINTS - 1.0) - 1.0);
  double sum = 0.0;
  for (int i = 0; i < HAND_POINTS; i++) {
    const double x = HAND_REACH * (2.0 * i / (HAND_POINTS - 1.0) - 1.0);
    sum += exp(-0.5 * x * x);
  }
  *log_weight = -0.5 * t * t - log(sum);
  return HAND_MM * exp(HAND_SD_LOG * t);
}

static bool setting_create(size_t n, setting *s)
{
  *s = (setting){.n = n};
  s->l = calloc(n, n * sizeof *s->l);
  s->rest = calloc(n, sizeof *s->rest);
  s->column = calloc(n, sizeof *s->column);
  return s->l && s->rest && s->column;
}

static void setting_free(setting *s)
{
  free(s->l);
  free(s->rest);
  free(s->column);
}

sp_status sp_evidence_of(const sp_errors *e, const double *columns, const double *without_eighteen, sp_evidence *z,
                         sp_error *err)
{
  setting s;
  const bool room = setting_create(e->n, &s);
  z->log_none = -HUGE_VAL;
  for (int k = 0; k < SP_PATTERNS; k++)
    z->log[k] = -HUGE_VAL;
  for (int k = 0; room && k < HAND_POINTS; k++) {
    const double sd_mm = hand_at(k, &s.log_weight);
    add_hand(e, columns, without_eighteen, sd_mm, &s, z);
  }
  setting_free(&s);
  return room ? SP_OK : sp_fail_memory(err);
}

/* The sizes' sds are taken from the sizes found, at a price of one nat each: no grid could hold all combinations. */
static bool add_set(const sp_errors *e, const sp_set *set, double sd_mm, double nut_mm, setting *s, double *log_total)
{
  const size_t n = e->n;
  sp_errors with = *e;
  with.covariance_mm2 = calloc(n, n * sizeof *with.covariance_mm2);
  if (!with.covariance_mm2)
    return false;
  memcpy(with.covariance_mm2, e->covariance_mm2, n * n * sizeof *with.covariance_mm2);
  for (size_t c = 0; c < set->count; c++)
    for (size_t i = 0; i < n; i++)
      for (size_t j = 0; j < n; j++)
        with.covariance_mm2[i * n + j] +=
            set->size_mm[c] * set->size_mm[c] * set->column[c * n + i] * set->column[c * n + j];
  if (set_up(&with, SP_HAND_FROM_NUT, sd_mm, nut_mm, e->y_mm, s))
    add(log_total, s, s->log_likelihood);
  free(with.covariance_mm2);
  return true;
}

sp_status sp_evidence_of_set(const sp_errors *e, const sp_set *set, double *log_evidence, sp_error *err)
{
  setting s;
  bool room = setting_create(e->n, &s);
  double total = -HUGE_VAL;
  for (int k = 0; room && k < HAND_POINTS; k++) {
    const double sd_mm = hand_at(k, &s.log_weight);
    s.log_weight -= log(NUT_CASES);
    for (int c = 0; room && c < NUT_CASES; c++)
      room = add_set(e, set, sd_mm, hypot(sd_mm, NUT_OFF_MM[c]), &s, &total);
  }
  setting_free(&s);
  *log_evidence = total - (double)set->count - set->log_places;
  return room ? SP_OK : sp_fail_memory(err);
}

const sp_chosen *sp_find_chosen(const sp_search *s, sp_pattern what)
{
  for (size_t i = 0; i < s->count; i++)
    if (s->chosen[i].what == what)
      return &s->chosen[i];
  return NULL;
}
