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

enum { LEVEL, TILT, CURVE, AREA, PLACE, WIDTH, BLUR, RIDGE_LEFT, RIDGE_RIGHT, RIDGE_WIDTH, PARAMETERS, PRIORS = 3 };
static const double KNIFE_WIDTH_MM = 0.11, KNIFE_WIDTH_SD_MM = 0.045, RIDGE_WIDTH_MM = 0.10;
static const double RIDGE_WIDTH_SD_LOG = 0.35;
/* F ratio for one ridge below which it is taken for chance, and its least height against the cut. */
static const double RIDGE_F = 14.0, RIDGE_LEAST = 0.06;
/* Chi-square per value of the stack up to which a plain cut is good enough: noise estimates are off by that much. */
static const double PLAIN_ENOUGH = 1.4;
/* A ridge as bright as the cut of a light line cannot be told from the cut. */
static const double RIDGE_MOST_ALIKE = 0.85;

typedef struct problem {
  const sp_stack *stack;
  double value[PARAMETERS];
  int active[PARAMETERS];
  size_t actives;
  double half;
  double ridge_prior, ridge_most; /* width of a ridge, px: expected; beyond it is no ridge but the wood's shading */
  double blur_prior, blur_sd_log;
  bool ridge[2];                 /* which ridges are there */
  bool flank;                    /* ridges fall off exponentially instead of being flat-topped */
  double width_prior, width_sd;
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

/* exp(-x / length) for x > 0, blurred: x counts from the wall outward. "width" is the length it falls to 1/e in. */
static box flank_at(double x, double length, double blur)
{
  const double a = blur / length, t = x / blur;
  const double gauss = 0.3989422804014327 * exp(-0.5 * t * t) / blur; /* of x */
  const double z = (a - t) * 0.70710678118654752;
  /* exp(a^2/2 - x/length) erfc(z)/2, written so that neither factor overflows far from the wall */
  const double value = z > 20.0 ? 0.0 : 0.5 * exp(0.5 * a * a - x / length) * erfc(z);
  box b;
  b.value = value;
  b.by_x = gauss - value / length;
  b.by_width = value * (x - a * blur) / (length * length) + gauss * a * a;
  b.by_blur = value * a / length - gauss * (a + t);
  return b;
}

/* One ridge on the given side (-1 left, +1 right) of a cut at `place`. */
static box ridge_at(const problem *p, double x, double sign)
{
  const double *v = p->value;
  if (!p->flank) {
    box b = box_at(x - v[PLACE] - sign * 0.5 * (v[WIDTH] + v[RIDGE_WIDTH]), v[RIDGE_WIDTH], v[BLUR]);
    b.by_width -= 0.5 * sign * b.by_x; /* a wider ridge has its middle further out */
    return b;
  }
  box b = flank_at(sign * (x - v[PLACE]) - 0.5 * v[WIDTH], v[RIDGE_WIDTH], v[BLUR]);
  b.by_x *= sign;
  return b;
}

/* Model and its derivatives by all parameters at x. */
static double model_at(const problem *p, double x, double *d)
{
  const double *v = p->value;
  const double depth = v[AREA] / v[WIDTH];
  const box cut = box_at(x - v[PLACE], v[WIDTH], v[BLUR]);
  d[LEVEL] = 1.0;
  d[TILT] = x / p->half;
  d[CURVE] = d[TILT] * d[TILT];
  d[AREA] = cut.value / v[WIDTH];
  d[PLACE] = -depth * cut.by_x;
  d[WIDTH] = depth * (cut.by_width - cut.value / v[WIDTH]);
  d[BLUR] = depth * cut.by_blur;
  d[RIDGE_WIDTH] = 0.0;
  double sum = v[LEVEL] + v[TILT] * d[TILT] + v[CURVE] * d[CURVE] + depth * cut.value;
  for (int side = 0; side < 2; side++) {
    const int which = side ? RIDGE_RIGHT : RIDGE_LEFT;
    const double sign = side ? 1.0 : -1.0;
    d[which] = 0.0;
    if (!p->ridge[side])
      continue;
    const box ridge = ridge_at(p, x, sign);
    d[which] = ridge.value;
    sum += v[which] * ridge.value;
    d[PLACE] -= v[which] * ridge.by_x;
    d[WIDTH] -= 0.5 * sign * v[which] * ridge.by_x;
    d[BLUR] += v[which] * ridge.by_blur;
    d[RIDGE_WIDTH] += v[which] * ridge.by_width;
  }
  return sum;
}

static bool residuals(const double *beta, double *r, double *jacobian, void *context)
{
  problem *p = context;
  for (size_t a = 0; a < p->actives; a++)
    p->value[p->active[a]] = beta[a];
  const double *v = p->value;
  if (!(v[WIDTH] > 0.05) || !(v[BLUR] > 0.3) || v[BLUR] > 6.0 || fabs(v[PLACE]) > 6.0 || !(v[RIDGE_WIDTH] > 0.2) ||
      v[RIDGE_WIDTH] > p->ridge_most)
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
  /* the priors, one residual each */
  r[n] = (v[WIDTH] - p->width_prior) / p->width_sd;
  r[n + 1] = log(v[BLUR] / p->blur_prior) / p->blur_sd_log;
  r[n + 2] = log(v[RIDGE_WIDTH] / p->ridge_prior) / RIDGE_WIDTH_SD_LOG;
  for (size_t a = 0; jacobian && a < p->actives; a++) {
    const int which = p->active[a];
    jacobian[n * p->actives + a] = which == WIDTH ? 1.0 / p->width_sd : 0.0;
    jacobian[(n + 1) * p->actives + a] = which == BLUR ? 1.0 / (v[BLUR] * p->blur_sd_log) : 0.0;
    jacobian[(n + 2) * p->actives + a] = which == RIDGE_WIDTH ? 1.0 / (v[RIDGE_WIDTH] * RIDGE_WIDTH_SD_LOG) : 0.0;
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
  if (sp_lm(p->stack->count + PRIORS, count, residuals, p, beta, &options, result, NULL) != SP_OK)
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
  p->ridge_prior = p->value[RIDGE_WIDTH] = RIDGE_WIDTH_MM * px_per_mm;
  p->ridge_most = 2.3 * p->ridge_prior;
  p->width_prior = KNIFE_WIDTH_MM * px_per_mm;
  p->width_sd = kind == SP_MARK_SLOT ? 1e9 : KNIFE_WIDTH_SD_MM * px_per_mm;
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
  shape->flank = p->flank;
  shape->burr_width_px[0] = shape->burr_width_px[1] = p->value[RIDGE_WIDTH];
}

static bool ridges_are_real(const problem *p)
{
  const double depth = p->value[AREA] / p->value[WIDTH];
  for (int r = 0; r < 2; r++) {
    const double height = p->value[RIDGE_LEFT + r] / depth;
    if (p->ridge[r] && !(fabs(height) > RIDGE_LEAST && height < RIDGE_MOST_ALIKE))
      return false;
  }
  return true;
}

/* The ridges worth keeping: fits with both, with either, and takes the simplest that is not much worse. */
static void try_ridges(problem *p, const int *base, size_t base_count, double plain_cost, sp_shape_fit *fit)
{
  static const int SIDES[3] = {1, 2, 3}; /* bit 0 left, bit 1 right */
  const problem plain = *p;
  double best = plain_cost, one_ridge = plain_cost;
  for (int k = 0; k < 6; k++) {
    const int sides = SIDES[k / 2];
    problem trial = plain;
    sp_lm_result result;
    int list[PARAMETERS];
    size_t n = base_count;
    memcpy(list, base, base_count * sizeof *base);
    trial.flank = k % 2 == 1;
    for (int r = 0; r < 2; r++)
      if ((trial.ridge[r] = (sides >> r) & 1))
        list[n++] = RIDGE_LEFT + r;
    list[n++] = RIDGE_WIDTH;
    const bool solved = solve(&trial, list, n, &result);
    if (!solved || !ridges_are_real(&trial))
      continue;
    const double rest = result.cost / (double)(p->stack->count + PRIORS - n);
    /* a second ridge has to earn its keep over one; flat or falling is no further parameter */
    const double gain = (sides < 3 ? plain_cost : one_ridge) - result.cost;
    if (gain / rest < RIDGE_F || result.cost >= best)
      continue;
    best = result.cost;
    one_ridge = sides < 3 ? best : one_ridge;
    *p = trial;
    fit->burr = true;
    fit->cost = result.cost;
    fit->u_place_px = sqrt(result.covariance[PLACE * n + PLACE] * rest);
  }
}

bool sp_shape_fit_stack(const sp_stack *s, sp_mark_kind kind, double px_per_mm, sp_blur blur, double half_px,
                        bool look_for_burr, sp_shape_fit *fit)
{
  static const int PLAIN[7] = {LEVEL, TILT, CURVE, AREA, PLACE, WIDTH, BLUR};
  problem p;
  sp_lm_result result;
  fit->u_place_px = 0.0;
  fit->burr = false;
  if (s->count < 12)
    return false;
  start(s, &fit->shape, kind, px_per_mm, half_px, &p);
  p.value[BLUR] = p.blur_prior = blur.px;
  p.blur_sd_log = blur.sd_log;
  p.noise = s->noise;
  if (!solve(&p, PLAIN, 7, &result))
    return false;
  fit->cost = result.cost;
  /* what a plain cut explains to within the noise needs no ridge */
  if (look_for_burr && kind == SP_MARK_KNIFE && result.cost > PLAIN_ENOUGH * (double)s->count)
    try_ridges(&p, PLAIN, 7, result.cost, fit);
  give_back(&p, &fit->shape);
  return true;
}
