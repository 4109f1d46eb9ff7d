/* Levenberg-Marquardt for small dense problems.
 *
 * Each trial step solves
 *     min |J d + r|^2 + lambda |D d|^2
 * as one linear least-squares problem [J; sqrt(lambda) D] d = [-r; 0] by QR, so that a badly conditioned J is not
 * squared. D holds the largest column lengths of J seen so far (J. J. More, "The Levenberg-Marquardt algorithm:
 * implementation and theory", 1978): the path does not depend on the units of the parameters. Damping follows H. B.
 * Nielsen (IMM-REP-1999-05): a step as good as foretold cuts lambda to a third, a bad one is taken back and lambda
 * grows faster each time it happens again.
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
  double *j;           /* n x p, row-major */
  double *a, *b;       /* (n + p) x p column-major, n + p */
  double diagonal[P_MAX];
  double size[P_MAX]; /* D */
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
  if (n > SIZE_MAX / sizeof(double) / (2 * P_MAX + 4) - P_MAX)
    return sp_fail_memory(err);
  f->memory = malloc((2 * n + n * p + (n + p) * (p + 1)) * sizeof(double));
  if (!f->memory)
    return sp_fail_memory(err);
  f->r = f->memory;
  f->trial_r = f->r + n;
  f->j = f->trial_r + n;
  f->a = f->j + n * p;
  f->b = f->a + (n + p) * p;
  return SP_OK;
}

/* Sum of squares, or NAN where the model is not defined. */
static double evaluate(fit *f, const double *beta, double *r, double *j, sp_lm_result *result)
{
  result->evaluations++;
  if (!f->function(beta, r, j, f->context))
    return NAN;
  double squares = 0.0;
  for (size_t i = 0; i < f->n; i++)
    squares += r[i] * r[i];
  for (size_t i = 0; j && i < f->n * f->p; i++)
    if (!isfinite(j[i]))
      return NAN;
  return isfinite(squares) ? squares : NAN;
}

static double column_length(const fit *f, size_t k)
{
  double squares = 0.0;
  for (size_t i = 0; i < f->n; i++)
    squares += f->j[i * f->p + k] * f->j[i * f->p + k];
  return sqrt(squares);
}

static void update_sizes(fit *f)
{
  for (size_t k = 0; k < f->p; k++)
    f->size[k] = fmax(f->size[k], column_length(f, k));
}

/* Largest |cosine| between the residuals and a column of J: 0 at a minimum, whatever the units. */
static double gradient_cosine(const fit *f, double cost)
{
  double largest = 0.0;
  for (size_t k = 0; k < f->p; k++) {
    double sum = 0.0;
    for (size_t i = 0; i < f->n; i++)
      sum += f->j[i * f->p + k] * f->r[i];
    const double length = column_length(f, k);
    if (length > 0.0 && cost > 0.0)
      largest = fmax(largest, fabs(sum) / length / sqrt(cost));
  }
  return largest;
}

/* Factors [J; sqrt(lambda) D] with columns divided by D (1 where a column is empty). */
static sp_qr factor(fit *f, double lambda)
{
  const size_t rows = f->n + f->p;
  sp_qr qr = {rows, f->p, f->a, f->diagonal};
  for (size_t k = 0; k < f->p; k++) {
    const double size = f->size[k] > 0.0 ? f->size[k] : 1.0;
    double *column = f->a + k * rows;
    for (size_t i = 0; i < f->n; i++)
      column[i] = f->j[i * f->p + k] / size;
    for (size_t i = 0; i < f->p; i++)
      column[f->n + i] = i == k ? sqrt(lambda) : 0.0;
  }
  sp_qr_factor(&qr);
  return qr;
}

/* The step, and the fall of the cost that the linear model foretells: |J d|^2 + 2 lambda |D d|^2. */
static double damped_step(fit *f, double *step)
{
  const sp_qr qr = factor(f, f->lambda);
  for (size_t i = 0; i < f->n; i++)
    f->b[i] = -f->r[i];
  for (size_t i = 0; i < f->p; i++)
    f->b[f->n + i] = 0.0;
  sp_qr_apply(&qr, f->b);
  sp_qr_solve(&qr, f->b);
  double foretold = 0.0;
  for (size_t k = 0; k < f->p; k++) {
    step[k] = f->b[k] / (f->size[k] > 0.0 ? f->size[k] : 1.0);
    foretold += 2.0 * f->lambda * f->b[k] * f->b[k];
  }
  for (size_t i = 0; i < f->n; i++) {
    double change = 0.0;
    for (size_t k = 0; k < f->p; k++)
      change += f->j[i * f->p + k] * step[k];
    foretold += change * change;
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
  memcpy(beta, trial, f->p * sizeof *beta);
  result->cost = cost;
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
  const double cost = evaluate(f, trial, f->trial_r, NULL, result);
  if (cost <= result->cost) {
    const double fall = result->cost - cost;
    const bool flat = foretold <= f->options.cost_tolerance * result->cost && fall <= 2.0 * foretold;
    accept(f, beta, trial, cost, foretold > 0.0 ? fmin(fall / foretold, 1.0) : 1.0, result);
    result->stop = small ? SP_LM_CONVERGED_STEP : SP_LM_CONVERGED_COST;
    /* a step kept short by damping says nothing about the minimum */
    if ((small || flat) && f->lambda < 1.0)
      return true;
    if (isnan(evaluate(f, beta, f->r, f->j, result))) {
      result->stop = SP_LM_STUCK;
      return true;
    }
    update_sizes(f);
    return false;
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
  update_sizes(f);
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

/* (J'J)^-1 at beta, where J has full rank. */
static void find_covariance(fit *f, const double *beta, sp_lm_result *result)
{
  double work[P_MAX];
  const size_t p = f->p;
  for (size_t k = 0; k < p * p; k++)
    result->covariance[k] = NAN;
  if (f->n > p)
    result->sigma0 = sqrt(result->cost / (double)(f->n - p));
  const double scale = f->options.scale_by_residuals ? result->sigma0 * result->sigma0 : 1.0;
  if (isnan(evaluate(f, beta, f->r, f->j, result)) || isnan(scale))
    return;
  for (size_t k = 0; k < p; k++)
    f->size[k] = column_length(f, k);
  const sp_qr qr = factor(f, 0.0);
  if (!(sp_qr_weakest(&qr) > (double)f->n * DBL_EPSILON))
    return;
  sp_qr_covariance(&qr, result->covariance, work);
  for (size_t k = 0; k < p * p; k++)
    result->covariance[k] *= scale / (f->size[k / p] * f->size[k % p]);
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
    result->cost = evaluate(&f, beta, f.r, f.j, result);
    if (isnan(result->cost))
      status = sp_fail(err, SP_E_DATA, "the model of the fit has no finite value at the place where the search begins");
  }
  if (!status) {
    search(&f, beta, result);
    result->converged = result->stop <= SP_LM_CONVERGED_GRADIENT;
    find_covariance(&f, beta, result);
  }
  free(f.memory);
  return status;
}
