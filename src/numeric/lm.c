/* Levenberg-Marquardt for small dense problems.
 *
 * Each trial step solves
 *     min |J d + r|^2 + lambda |D d|^2
 * as one linear least-squares problem [J; sqrt(lambda) D] d = [-r; 0] by QR, so that a badly conditioned J is not
 * squared. J is factored once at each place; a trial only joins the rows of its own damping to the small triangle R
 * (More 1978, section 3). D holds the largest column lengths of J seen so far (J. J. More, "The Levenberg-Marquardt
 * algorithm: implementation and theory", 1978): the path does not depend on the units of the parameters. Damping
 * follows H. B. Nielsen (IMM-REP-1999-05): a step as good as foretold cuts lambda to a third, a bad one is taken back
 * and lambda grows faster each time it happens again.
 *
 * Each trial is asked for its derivatives along with its residuals. Most trials are accepted and need them, and whoever
 * has computed the ones has done most of the work for the others.
 *
 * Convergence is claimed only for a reason (see sp_lm_stop). Every test is relative, and none is believed while damping
 * keeps the steps short. Where even the model foretells less change than the rounding of the cost, the search is over.
 */
#include <float.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "numeric/qr.h"
#include "slotproof/numeric.h"

#define MAX_DAMPING 1e20
enum { P_MAX = SP_LM_MAX_PARAMETERS };

typedef struct fit {
  size_t n, p;
  sp_lm_function function;
  void *context;
  sp_lm_options options;
  double *memory;
  double *r, *trial_r; /* n */
  double *j, *trial_j; /* n x p, row-major */
  double *b;           /* n: Q' (-r) */
  double *a;           /* n x p, column-major: the factors of J D^-1 */
  double diagonal[P_MAX];
  double length[P_MAX]; /* of the columns of J */
  double size[P_MAX];   /* D; 0 where a column was always empty */
  double lambda, growth;
} fit;

void sp_lm_options_init(sp_lm_options *options)
{
  *options = (sp_lm_options){100, 1e-10, 1e-14, 1e-12, 1e-3, NULL, true};
}

static sp_status allocate(fit *f, sp_error *err)
{
  const size_t n = f->n, p = f->p;
  if (p == 0 || p > P_MAX)
    return sp_fail(err, SP_E_INTERNAL, "a fit of %zu values was asked for; 1 to %d can be made", p, P_MAX);
  if (n < p)
    return sp_fail(err, SP_E_DATA, "%zu observations are too few to fit %zu values", n, p);
  if (n > SIZE_MAX / sizeof(double) / (3 * (P_MAX + 1)))
    return sp_fail_memory(err);
  f->memory = malloc(3 * n * (p + 1) * sizeof(double));
  if (!f->memory)
    return sp_fail_memory(err);
  f->r = f->memory;
  f->trial_r = f->r + n;
  f->b = f->trial_r + n;
  f->j = f->b + n;
  f->trial_j = f->j + n * p;
  f->a = f->trial_j + n * p;
  return SP_OK;
}

/* 0 times a number is 0 unless it is infinite or none; eight at once. */
static bool all_finite(const double *a, size_t n)
{
  enum { LANES = 8 };
  double lane[LANES] = {0.0}, sum = 0.0;
  size_t i = 0;
  for (; i + LANES <= n; i += LANES)
    for (size_t k = 0; k < LANES; k++)
      lane[k] += 0.0 * a[i + k];
  for (; i < n; i++)
    sum += 0.0 * a[i];
  for (size_t k = 0; k < LANES; k++)
    sum += lane[k];
  return sum == 0.0;
}

/* Residuals and derivatives of a trial. Sum of squares, or NAN where the model is not defined. */
static double evaluate(fit *f, const double *beta, sp_lm_result *result)
{
  result->evaluations++;
  if (!f->function(beta, f->trial_r, f->trial_j, f->context))
    return NAN;
  double squares = 0.0;
  for (size_t i = 0; i < f->n; i++)
    squares += f->trial_r[i] * f->trial_r[i];
  return isfinite(squares) && all_finite(f->trial_j, f->n * f->p) ? squares : NAN;
}

static double unit(const fit *f, size_t k)
{
  return f->size[k] > 0.0 ? f->size[k] : 1.0;
}

static void measure_columns(fit *f)
{
  double squares[P_MAX] = {0};
  for (size_t i = 0; i < f->n; i++)
    for (size_t k = 0; k < f->p; k++)
      squares[k] += f->j[i * f->p + k] * f->j[i * f->p + k];
  for (size_t k = 0; k < f->p; k++) {
    f->length[k] = sqrt(squares[k]);
    f->size[k] = fmax(f->size[k], f->length[k]);
  }
}

/* J D^-1 = Q R, and Q' (-r). */
static void factor(fit *f)
{
  sp_qr qr = {f->n, f->p, f->a, f->diagonal};
  for (size_t k = 0; k < f->p; k++)
    for (size_t i = 0; i < f->n; i++)
      f->a[k * f->n + i] = f->j[i * f->p + k] / unit(f, k);
  for (size_t i = 0; i < f->n; i++)
    f->b[i] = -f->r[i];
  sp_qr_factor(&qr);
  sp_qr_apply(&qr, f->b);
}

/* The trial becomes the place that the search is at. */
static void go_there(fit *f, double *beta, const double *trial, double cost, sp_lm_result *result)
{
  double *const r = f->r, *const j = f->j;
  f->r = f->trial_r;
  f->j = f->trial_j;
  f->trial_r = r;
  f->trial_j = j;
  memmove(beta, trial, f->p * sizeof *beta);
  result->cost = cost;
  measure_columns(f);
}

/* Element (i, k) of R, i <= k. */
static double triangle(const fit *f, size_t i, size_t k)
{
  return i == k ? f->diagonal[k] : f->a[k * f->n + i];
}

/* Largest |cosine| between the residuals and a column of J: 0 at a minimum, whatever the units. -J'r = D R' (Q'(-r)).
 */
static double gradient_cosine(const fit *f, double cost)
{
  double largest = 0.0;
  for (size_t k = 0; k < f->p; k++) {
    double sum = 0.0;
    for (size_t i = 0; i <= k; i++)
      sum += triangle(f, i, k) * f->b[i];
    if (f->length[k] > 0.0 && cost > 0.0)
      largest = fmax(largest, fabs(sum) * unit(f, k) / f->length[k] / sqrt(cost));
  }
  return largest;
}

/* The step, and the fall of the cost that the linear model foretells: |J d|^2 + 2 lambda |D d|^2. In units of D,
 * [R; sqrt(lambda)] d = [Q'(-r); 0]. */
static double damped_step(const fit *f, double *step)
{
  const size_t p = f->p;
  double a[2 * P_MAX * P_MAX], diagonal[P_MAX], d[2 * P_MAX];
  sp_qr qr = {2 * p, p, a, diagonal};
  memset(a, 0, 2 * p * p * sizeof *a); /* what p takes of it: there are many steps, and most have few parameters */
  memset(d, 0, 2 * p * sizeof *d);
  for (size_t k = 0; k < p; k++) {
    for (size_t i = 0; i <= k; i++)
      a[k * 2 * p + i] = triangle(f, i, k);
    a[k * 2 * p + p + k] = sqrt(f->lambda);
    d[k] = f->b[k];
  }
  sp_qr_factor(&qr);
  sp_qr_apply(&qr, d);
  sp_qr_solve(&qr, d);
  double foretold = 0.0;
  for (size_t i = 0; i < p; i++) {
    double change = 0.0;
    for (size_t k = i; k < p; k++)
      change += triangle(f, i, k) * d[k];
    foretold += change * change + 2.0 * f->lambda * d[i] * d[i];
    step[i] = d[i] / unit(f, i);
  }
  return foretold;
}

static bool step_is_small(const fit *f, const double *beta, const double *step)
{
  for (size_t k = 0; k < f->p; k++) {
    const double size = fabs(beta[k]) + (f->options.scale ? f->options.scale[k] : 0.0);
    if (!(fabs(step[k]) <= f->options.step_tolerance * size))
      return false;
  }
  return true;
}

static void accept(fit *f, double *beta, const double *trial, double cost, double gain, sp_lm_result *result)
{
  go_there(f, beta, trial, cost, result);
  result->iterations++;
  const double excess = 2.0 * gain - 1.0;
  f->lambda = fmax(f->lambda * fmax(1.0 / 3.0, 1.0 - excess * excess * excess), 1e-18);
  f->growth = 2.0;
}

/* One trial. True if the search is over, with the reason in result->stop. */
static bool try_step(fit *f, double *beta, sp_lm_result *result)
{
  double step[P_MAX], trial[P_MAX];
  const double foretold = damped_step(f, step);
  const bool small = step_is_small(f, beta, step);
  for (size_t k = 0; k < f->p; k++)
    trial[k] = beta[k] + step[k];
  const double cost = evaluate(f, trial, result);
  if (cost <= result->cost) {
    const double fall = result->cost - cost;
    const bool flat = foretold <= f->options.cost_tolerance * result->cost && fall <= 2.0 * foretold;
    accept(f, beta, trial, cost, foretold > 0.0 ? fmin(fall / foretold, 1.0) : 1.0, result);
    result->stop = small ? SP_LM_CONVERGED_STEP : SP_LM_CONVERGED_COST;
    factor(f);
    /* a step kept short by damping says nothing about the minimum */
    return (small || flat) && f->lambda < 1.0;
  }
  /* not lowered: at a minimum the model itself foretells a change that drowns in rounding */
  const bool free_step = f->lambda < 1.0 && !isnan(cost);
  const bool drowned = foretold <= 4.0 * DBL_EPSILON * result->cost;
  result->stop = free_step && small ? SP_LM_CONVERGED_STEP : free_step && drowned ? SP_LM_CONVERGED_COST : SP_LM_STUCK;
  f->lambda *= f->growth;
  f->growth *= 2.0;
  return result->stop != SP_LM_STUCK || !(f->lambda < MAX_DAMPING);
}

static void search(fit *f, double *beta, sp_lm_result *result)
{
  for (;;) {
    if (result->cost <= 0.0 || gradient_cosine(f, result->cost) <= f->options.gradient_tolerance) {
      result->stop = SP_LM_CONVERGED_GRADIENT;
      return;
    }
    if (result->iterations >= f->options.max_iterations) {
      result->stop = SP_LM_TOO_MANY_STEPS;
      return;
    }
    if (try_step(f, beta, result))
      return;
  }
}

/* (J'J)^-1 at the place where the search ended, where J has full rank. R is rescaled to columns of J of length 1. */
static void find_covariance(fit *f, sp_lm_result *result)
{
  double a[P_MAX * P_MAX] = {0}, diagonal[P_MAX], work[P_MAX];
  const size_t p = f->p;
  const sp_qr qr = {p, p, a, diagonal};
  for (size_t k = 0; k < p * p; k++)
    result->covariance[k] = NAN;
  if (f->n > p)
    result->sigma0 = sqrt(result->cost / (double)(f->n - p));
  const double scale = f->options.scale_by_residuals ? result->sigma0 * result->sigma0 : 1.0;
  if (isnan(scale))
    return;
  for (size_t k = 0; k < p; k++) {
    const double stretch = unit(f, k) / f->length[k]; /* infinite for an empty column: its diagonal is then NAN */
    diagonal[k] = f->diagonal[k] * stretch;
    for (size_t i = 0; i < k; i++)
      a[k * p + i] = triangle(f, i, k) * stretch;
  }
  if (!(sp_qr_weakest(&qr) > (double)f->n * DBL_EPSILON))
    return;
  sp_qr_covariance(&qr, result->covariance, work);
  for (size_t k = 0; k < p * p; k++)
    result->covariance[k] *= scale / (f->length[k / p] * f->length[k % p]);
  result->covariance_known = true;
}

sp_status sp_lm(size_t n, size_t p, sp_lm_function function, void *context, double *beta, const sp_lm_options *options,
                sp_lm_result *result, sp_error *err)
{
  fit f = {.n = n, .p = p, .function = function, .context = context, .growth = 2.0};
  sp_lm_options_init(&f.options);
  if (options)
    f.options = *options;
  f.lambda = f.options.damping;
  *result = (sp_lm_result){.stop = SP_LM_STUCK, .cost = NAN, .sigma0 = NAN};
  sp_status status = allocate(&f, err);
  if (!status) {
    const double cost = evaluate(&f, beta, result);
    if (isnan(cost))
      status = sp_fail(err, SP_E_DATA, "the model of the fit has no finite value at the place where the search begins");
    else
      go_there(&f, beta, beta, cost, result);
  }
  if (!status) {
    factor(&f);
    search(&f, beta, result);
    result->converged = result->stop <= SP_LM_CONVERGED_GRADIENT;
    find_covariance(&f, result);
  }
  free(f.memory);
  return status;
}
