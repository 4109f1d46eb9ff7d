/* The cross-section of a line from its stacked pieces.
 *
 * The pieces of a line cross the pixel grid at all phases, so their stack is sampled finer than a pixel and shows what the cut
 * looks like: a box of the cut's width and, where the blade has raised one, a bright ridge on either edge, all blurred alike.
 * Levenberg-Marquardt on the stack. A cut much narrower than the blur shows only its area (width times depth), so the width has
 * a weak prior at what knives leave (0.05 to 0.2 mm, common practice, no source). A burr is believed only if the stack is
 * fitted far better with it (F test) and it has the sign a ridge must have: without it a one-sided burr would pass
 * for a shift of the line, with it needlessly every line would lose precision.
 */
#include <math.h>
#include <string.h>

#include "marks_internal.h"
#include "slotproof/numeric.h"

enum { LEVEL, TILT, AREA, PLACE, WIDTH, BLUR, RIDGE_LEFT, RIDGE_RIGHT, PARAMETERS };
static const double KNIFE_WIDTH_MM = 0.11, KNIFE_WIDTH_SD_MM = 0.045, RIDGE_WIDTH_MM = 0.10;
static const double BLUR_SD_LOG = 0.25, BLUR_GUESS_PX = 1.0;
/* F ratio for one ridge below which it is taken for chance, and its least height against the cut. */
static const double RIDGE_F = 14.0, RIDGE_LEAST = 0.05;

typedef struct problem {
  const sp_stack *stack;
  double value[PARAMETERS];
  int active[PARAMETERS];
  size_t actives;
  double ridge_width, half;
  double width_prior, width_sd;  /* sd INFINITY = none */
  double noise;                  /* of a stack value of weight 1 */
} problem;

typedef struct box {
  double value, by_x, by_width, by_blur;
} box;

static box box_at(double x, double width, double blur)
{
  const double a = x + 0.5 * width, b = x - 0.5 * width;
  const double scale = 0.39894228040143268 / blur;
  const double ga = scale * exp(-0.5 * a * a / (blur * blur)), gb = scale * exp(-0.5 * b * b / (blur * blur));
  return (box){sp_blurred_box(x, width, blur), ga - gb, 0.5 * (ga + gb), -(a * ga - b * gb) / blur};
}

/* Model and its derivatives by all parameters at x. */
static double model_at(const problem *p, double x, double *d)
{
  const double *v = p->value;
  const double depth = v[AREA] / v[WIDTH], off = 0.5 * (v[WIDTH] + p->ridge_width);
  const box cut = box_at(x - v[PLACE], v[WIDTH], v[BLUR]);
  d[LEVEL] = 1.0;
  d[TILT] = x / p->half;
  d[AREA] = cut.value / v[WIDTH];
  d[PLACE] = -depth * cut.by_x;
  d[WIDTH] = depth * (cut.by_width - cut.value / v[WIDTH]);
  d[BLUR] = depth * cut.by_blur;
  d[RIDGE_LEFT] = d[RIDGE_RIGHT] = 0.0;
  double sum = v[LEVEL] + v[TILT] * d[TILT] + depth * cut.value;
  for (int side = 0; side < 2; side++) {
    const int which = side ? RIDGE_RIGHT : RIDGE_LEFT;
    const double sign = side ? 1.0 : -1.0;
    const box ridge = box_at(x - v[PLACE] - sign * off, p->ridge_width, v[BLUR]);
    d[which] = ridge.value;
    sum += v[which] * ridge.value;
    d[PLACE] -= v[which] * ridge.by_x;
    d[WIDTH] -= 0.5 * sign * v[which] * ridge.by_x;
    d[BLUR] += v[which] * ridge.by_blur;
  }
  return sum;
}

static bool residuals(const double *beta, double *r, double *jacobian, void *context)
{
  problem *p = context;
  for (size_t a = 0; a < p->actives; a++)
    p->value[p->active[a]] = beta[a];
  if (!(p->value[WIDTH] > 0.05) || !(p->value[BLUR] > 0.3) || p->value[BLUR] > 6.0 || fabs(p->value[PLACE]) > 6.0)
    return false;
  const size_t n = p->stack->count;
  for (size_t i = 0; i < n; i++) {
    double d[PARAMETERS];
    const double w = sqrt(p->stack->weight[i]) / p->noise;
    r[i] = w * (model_at(p, p->stack->x[i], d) - p->stack->y[i]);
    if (jacobian)
      for (size_t a = 0; a < p->actives; a++)
        jacobian[i * p->actives + a] = w * d[p->active[a]];
  }
  /* the two priors, one residual each */
  r[n] = isinf(p->width_sd) ? 0.0 : (p->value[WIDTH] - p->width_prior) / p->width_sd;
  r[n + 1] = log(p->value[BLUR] / BLUR_GUESS_PX) / BLUR_SD_LOG;
  if (jacobian)
    for (size_t a = 0; a < p->actives; a++) {
      jacobian[n * p->actives + a] = p->active[a] == WIDTH && !isinf(p->width_sd) ? 1.0 / p->width_sd : 0.0;
      jacobian[(n + 1) * p->actives + a] = p->active[a] == BLUR ? 1.0 / (p->value[BLUR] * BLUR_SD_LOG) : 0.0;
    }
  return true;
}

/* Fits the parameters of the list; true if it converged. */
static bool solve(problem *p, const int *list, size_t count, sp_lm_result *result)
{
  double beta[PARAMETERS];
  sp_lm_options options;
  sp_lm_options_init(&options);
  options.max_iterations = 40;
  options.step_tolerance = 1e-6;
  options.cost_tolerance = 1e-9;
  options.scale_by_residuals = false;
  p->actives = count;
  for (size_t a = 0; a < count; a++) {
    p->active[a] = list[a];
    beta[a] = p->value[list[a]];
  }
  if (sp_lm(p->stack->count + 2, count, residuals, p, beta, &options, result, NULL) != SP_OK)
    return false;
  for (size_t a = 0; a < count; a++)
    p->value[list[a]] = beta[a];
  return result->covariance_known;
}

static void start(const sp_stack *s, const sp_shape *shape, sp_mark_kind kind, double px_per_mm, double half,
                  problem *p)
{
  memset(p, 0, sizeof *p);
  p->stack = s;
  p->half = half;
  p->noise = 1.0;
  p->ridge_width = RIDGE_WIDTH_MM * px_per_mm;
  p->width_prior = KNIFE_WIDTH_MM * px_per_mm;
  p->width_sd = kind == SP_MARK_SLOT ? INFINITY : KNIFE_WIDTH_SD_MM * px_per_mm;
  p->value[AREA] = shape->width_px; /* heights in the stack are scaled to 1 */
  p->value[WIDTH] = shape->width_px;
  p->value[BLUR] = shape->blur_px;
}

static void give_back(const problem *p, sp_shape *shape)
{
  const double depth = p->value[AREA] / p->value[WIDTH];
  shape->width_px = p->value[WIDTH];
  shape->blur_px = p->value[BLUR];
  shape->burr_height[0] = p->value[RIDGE_LEFT] / depth;
  shape->burr_height[1] = p->value[RIDGE_RIGHT] / depth;
  shape->burr_width_px[0] = shape->burr_width_px[1] = p->ridge_width;
}

/* The ridges worth keeping: fits with both, with either, and takes the simplest that is not much worse. */
static void try_ridges(problem *p, const int *base, size_t base_count, double plain_cost, sp_shape_fit *fit)
{
  static const int WHICH[3][2] = {{RIDGE_LEFT, -1}, {RIDGE_RIGHT, -1}, {RIDGE_LEFT, RIDGE_RIGHT}};
  const problem plain = *p;
  double reference = plain_cost;
  for (int t = 0; t < 3; t++) {
    problem trial = plain;
    sp_lm_result result;
    int list[PARAMETERS];
    size_t n = base_count;
    memcpy(list, base, base_count * sizeof *base);
    for (int k = 0; k < 2; k++)
      if (WHICH[t][k] >= 0)
        list[n++] = WHICH[t][k];
    if (!solve(&trial, list, n, &result))
      continue;
    const double rest = result.cost / (double)(p->stack->count + 2 - n);
    const double depth = trial.value[AREA] / trial.value[WIDTH];
    const double left = trial.value[RIDGE_LEFT] / depth, right = trial.value[RIDGE_RIGHT] / depth;
    bool real = true;
    for (int k = 0; k < 2; k++)
      if (WHICH[t][k] >= 0)
        real = real && (WHICH[t][k] == RIDGE_LEFT ? left : right) < -RIDGE_LEAST;
    const double gain = t < 2 ? plain_cost - result.cost : reference - result.cost;
    if (!real || gain / rest < RIDGE_F || (t < 2 && result.cost >= reference))
      continue;
    reference = result.cost;
    *p = trial;
    fit->burr = true;
    fit->cost = result.cost;
    fit->u_place_px = sqrt(result.covariance[PLACE * n + PLACE] * rest);
  }
}

bool sp_shape_fit_stack(const sp_stack *s, sp_mark_kind kind, double px_per_mm, double blur_px, double half_px,
                        bool look_for_burr, sp_shape_fit *fit)
{
  static const int PLAIN[6] = {LEVEL, TILT, AREA, PLACE, WIDTH, BLUR};
  const size_t count = isnan(blur_px) ? 6 : 5;
  problem p;
  sp_lm_result result;
  fit->u_place_px = 0.0;
  fit->burr = false;
  if (s->count < 12)
    return false;
  start(s, &fit->shape, kind, px_per_mm, half_px, &p);
  if (!isnan(blur_px))
    p.value[BLUR] = blur_px;
  p.noise = s->noise;
  if (!solve(&p, PLAIN, count, &result))
    return false;
  fit->cost = result.cost;
  if (look_for_burr && kind == SP_MARK_KNIFE)
    try_ridges(&p, PLAIN, count, result.cost, fit);
  give_back(&p, &fit->shape);
  return true;
}
