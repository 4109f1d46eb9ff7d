/* The cross-section of a line from its stacked pieces.
 *
 * The pieces of a line cross the pixel grid at all phases, so their stack is sampled finer than a pixel and shows what
 * the cut looks like: a box of the cut's width and, where the blade has raised one, a bright ridge on either edge, all
 * blurred alike. Levenberg-Marquardt on the stack. A cut much narrower than the blur shows only its area (width times
 * depth), so the width has a weak prior at what knives leave (0.05 to 0.2 mm, common practice, no source). A burr is
 * believed only if the stack is fitted far better with it (F test) and it has the sign a ridge must have: without it a
 * one-sided burr would pass for a shift of the line, with it needlessly every line would lose precision.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "marks_internal.h"
#include "slotproof/numeric.h"

enum {
  AREA,
  PLACE,
  WIDTH,
  BLUR,
  RIDGE_LEFT, /* heights of the ridges against the cut's depth */
  RIDGE_RIGHT,
  RIDGE_WIDTH,
  PARAMETERS,
  PRIORS = 5
};
static const double KNIFE_WIDTH_MM = 0.105, KNIFE_WIDTH_SD_LOG = 0.42, SLOT_WIDTH_MM = 0.58;
static const double RIDGE_WIDTH_MM = 0.09, RIDGE_WIDTH_SD_LOG = 0.4, RIDGE_HEIGHT = 0.5, RIDGE_HEIGHT_SD = 0.25;
static const double LOOSE_BLUR_SD_LOG = 0.2;
/* F ratio for one ridge below which it is taken for chance, and its least height against the cut. */
static const double RIDGE_F = 14.0, RIDGE_F_EXPECTED = 5.0, RIDGE_LEAST = 0.06;
/* Chi-square per value of the stack up to which a plain cut is good enough: noise estimates are off by that much. */
static const double PLAIN_ENOUGH = 1.4;
/* A ridge as bright as the cut of a light line cannot be told from the cut. */
static const double RIDGE_MOST = 0.95;

/* The normal distribution and its density, because they are asked for a hundred thousand times a board. */
enum { NORMAL_REACH = 8, NORMAL_STEPS = 16, NORMAL_SIZE = 2 * NORMAL_REACH * NORMAL_STEPS + 1 };
typedef struct normal_table {
  double cdf[NORMAL_SIZE], pdf[NORMAL_SIZE];
} normal_table;

typedef struct problem {
  const sp_stack *stack;
  const sp_whitening *whitening;
  const normal_table *normal;
  const double *target; /* the stack's values over their noise, whitened */
  const sp_expectation *expect;
  double value[PARAMETERS];
  int active[PARAMETERS];
  size_t actives;
  double ridge_most; /* broader than this it is no ridge but the wood's shading */
  bool ridge[2];     /* which ridges are there */
  bool flank;        /* ridges fall off exponentially instead of being flat-topped */
  double noise;      /* of a stack value of weight 1 */
} problem;

typedef struct wall {
  double value, by_x, by_blur;
} wall;

typedef struct box {
  double value, by_x, by_width, by_blur;
} box;

static const double INV_SQRT2 = 0.70710678118654752, INV_SQRT_2PI = 0.39894228040143268;
/* The two points that average over a pixel, see profile.c. */
static const double PIXEL_POINT = 0.28867513459481288;

static box mean_box(box p, box q)
{
  return (box){0.5 * (p.value + q.value), 0.5 * (p.by_x + q.by_x), 0.5 * (p.by_width + q.by_width),
               0.5 * (p.by_blur + q.by_blur)};
}

static void fill_normal(normal_table *t)
{
  for (int i = 0; i < NORMAL_SIZE; i++) {
    const double z = (double)i / NORMAL_STEPS - NORMAL_REACH;
    t->cdf[i] = 0.5 * (1.0 + erf(z * INV_SQRT2));
    t->pdf[i] = INV_SQRT_2PI * exp(-0.5 * z * z);
  }
}

/* A wall at 0: dark on the left, full height on the right, blurred; seen at x. Both functions by Hermite's cubic from
 * their values and derivatives at two places, right to 1e-7. */
static wall point_wall(const normal_table *t, double x, double blur)
{
  const double z = x / blur, place = (z + NORMAL_REACH) * NORMAL_STEPS;
  if (!(place > 0.0) || place >= NORMAL_SIZE - 1)
    return (wall){z > 0.0 ? 1.0 : 0.0, 0.0, 0.0};
  const int i = (int)place;
  const double q = place - i, h = 1.0 / NORMAL_STEPS, z0 = (double)i / NORMAL_STEPS - NORMAL_REACH, z1 = z0 + h;
  const double rise = q * q * (3.0 - 2.0 * q), out = q * (1.0 - q) * (1.0 - q) * h, in = q * q * (q - 1.0) * h;
  const double f0 = t->pdf[i], f1 = t->pdf[i + 1];
  const double cdf = t->cdf[i] + rise * (t->cdf[i + 1] - t->cdf[i]) + out * f0 + in * f1;
  const double pdf = f0 + rise * (f1 - f0) - out * z0 * f0 - in * z1 * f1;
  return (wall){cdf, pdf / blur, -z * pdf / blur};
}

/* The mean over the pixel at x. */
static wall wall_at(const problem *p, double x)
{
  const wall a = point_wall(p->normal, x - PIXEL_POINT, p->value[BLUR]);
  const wall b = point_wall(p->normal, x + PIXEL_POINT, p->value[BLUR]);
  return (wall){0.5 * (a.value + b.value), 0.5 * (a.by_x + b.by_x), 0.5 * (a.by_blur + b.by_blur)};
}

/* A box between its left and its right wall. */
static box between(wall left, wall right)
{
  return (box){left.value - right.value, left.by_x - right.by_x, 0.5 * (left.by_x + right.by_x),
               left.by_blur - right.by_blur};
}

/* exp(-x / length) for x > 0, blurred: x counts from the wall outward. "width" is the length it falls to 1/e in. */
static box point_flank(double x, double length, double blur)
{
  const double a = blur / length, t = x / blur;
  const double gauss = INV_SQRT_2PI * exp(-0.5 * t * t) / blur; /* of x */
  const double z = (a - t) * INV_SQRT2;
  /* exp(a^2/2 - x/length) erfc(z)/2: where z is large the value is below 1e-170 and the factors may not fit a double */
  const double value = z > 20.0 ? 0.0 : 0.5 * exp(0.5 * a * a - x / length) * erfc(z);
  return (box){value, gauss - value / length, value * (x - a * blur) / (length * length) + gauss * a * a,
               value * a / length - gauss * (a + t)};
}

static box flank_at(double x, double length, double blur)
{
  return mean_box(point_flank(x - PIXEL_POINT, length, blur), point_flank(x + PIXEL_POINT, length, blur));
}

/* One ridge on the given side (-1 left, +1 right) of a cut at `place`, which has that wall in common with it. */
static box ridge_at(const problem *p, double x, double sign, wall shared)
{
  const double *v = p->value;
  if (!p->flank) {
    const wall outer = wall_at(p, x - v[PLACE] - sign * (0.5 * v[WIDTH] + v[RIDGE_WIDTH]));
    box b = sign < 0.0 ? between(outer, shared) : between(shared, outer);
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
  const wall walls[2] = {wall_at(p, x - v[PLACE] + 0.5 * v[WIDTH]), wall_at(p, x - v[PLACE] - 0.5 * v[WIDTH])};
  const box cut = between(walls[0], walls[1]);
  double shape = cut.value;
  d[PLACE] = -depth * cut.by_x;
  d[WIDTH] = depth * cut.by_width;
  d[BLUR] = depth * cut.by_blur;
  d[RIDGE_LEFT] = d[RIDGE_RIGHT] = d[RIDGE_WIDTH] = 0.0;
  for (int side = 0; side < 2; side++) {
    const int which = RIDGE_LEFT + side;
    const double sign = side ? 1.0 : -1.0, height = depth * v[which];
    if (!p->ridge[side])
      continue;
    const box ridge = ridge_at(p, x, sign, walls[side]);
    d[which] = depth * ridge.value;
    shape += v[which] * ridge.value;
    d[PLACE] -= height * ridge.by_x;
    d[WIDTH] -= 0.5 * sign * height * ridge.by_x;
    d[BLUR] += height * ridge.by_blur;
    d[RIDGE_WIDTH] += height * ridge.by_width;
  }
  d[AREA] = shape / v[WIDTH];
  d[WIDTH] -= depth * shape / v[WIDTH];
  return depth * shape;
}

/* Residuals of the priors and which parameter each belongs to, with its derivative. */
static void priors(const problem *p, double *r, int *which, double *derivative)
{
  const double *v = p->value;
  const sp_expectation *e = p->expect;
  const bool slot = e->width_sd_log > 1e8;
  r[0] = slot ? 0.0 : log(v[WIDTH] / e->width_px) / e->width_sd_log;
  which[0] = WIDTH;
  derivative[0] = slot ? 0.0 : 1.0 / (v[WIDTH] * e->width_sd_log);
  r[1] = log(v[BLUR] / e->blur_px) / e->blur_sd_log;
  which[1] = BLUR;
  derivative[1] = 1.0 / (v[BLUR] * e->blur_sd_log);
  r[2] = log(v[RIDGE_WIDTH] / e->burr_px) / e->burr_sd_log;
  which[2] = RIDGE_WIDTH;
  derivative[2] = 1.0 / (v[RIDGE_WIDTH] * e->burr_sd_log);
  const double bright = p->stack->light ? 1.0 : -1.0;
  for (int side = 0; side < 2; side++) {
    const bool ridge = p->ridge[side];
    r[3 + side] = ridge ? (bright * v[RIDGE_LEFT + side] - e->burr_height) / e->burr_height_sd : 0.0;
    which[3 + side] = RIDGE_LEFT + side;
    derivative[3 + side] = ridge ? bright / e->burr_height_sd : 0.0;
  }
}

static bool residuals(const double *beta, double *r, double *jacobian, void *context)
{
  problem *p = context;
  for (size_t a = 0; a < p->actives; a++)
    p->value[p->active[a]] = beta[a];
  const double *v = p->value;
  if (!(v[WIDTH] > 0.05) || !(v[BLUR] > 0.15) || v[BLUR] > 6.0 || fabs(v[PLACE]) > 6.0 || !(v[RIDGE_WIDTH] > 0.2) ||
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
  sp_whiten(p->whitening, r, 1);
  if (jacobian)
    sp_whiten(p->whitening, jacobian, p->actives);
  int which[PRIORS];
  double derivative[PRIORS];
  priors(p, r + n, which, derivative);
  for (size_t k = 0; jacobian && k < PRIORS; k++)
    for (size_t a = 0; a < p->actives; a++)
      jacobian[(n + k) * p->actives + a] = which[k] == p->active[a] ? derivative[k] : 0.0;
  return true;
}

/* Fits the parameters of the list; true if it converged. */
static bool solve(problem *p, const int *list, size_t count, sp_lm_result *result)
{
  double beta[PARAMETERS];
  sp_lm_options options;
  sp_lm_options_init(&options);
  options.max_iterations = 20;
  options.step_tolerance = 2e-4;
  options.cost_tolerance = 1e-5;
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

sp_expectation sp_expect(sp_mark_kind kind, double px_per_mm, double blur_px, double blur_sd_log)
{
  const bool slot = kind == SP_MARK_SLOT;
  return (sp_expectation){.blur_px = blur_px,
                          .blur_sd_log = blur_sd_log,
                          .width_px = (slot ? SLOT_WIDTH_MM : KNIFE_WIDTH_MM) * px_per_mm,
                          .width_sd_log = slot ? 1e9 : KNIFE_WIDTH_SD_LOG,
                          .burr_px = RIDGE_WIDTH_MM * px_per_mm,
                          .burr_sd_log = RIDGE_WIDTH_SD_LOG,
                          .burr_height = RIDGE_HEIGHT,
                          .burr_height_sd = RIDGE_HEIGHT_SD};
}

bool sp_shape_is_coarse(const sp_expectation *e)
{
  return e->width_px + e->burr_px < 4.2 * hypot(e->blur_px, PIXEL_POINT); /* the pixel blurs as well: 1/sqrt 12 */
}

static void start(const sp_stack *s, const sp_whitening *w, const sp_shape *shape, const sp_expectation *expect,
                  problem *p)
{
  memset(p, 0, sizeof *p);
  p->stack = s;
  p->expect = expect;
  p->whitening = w;
  p->noise = s->noise;
  p->value[RIDGE_WIDTH] = expect->burr_px;
  p->ridge_most = 2.3 * expect->burr_px;
  p->value[AREA] = shape->width_px; /* heights in the stack are scaled to 1 */
  p->value[WIDTH] = shape->width_px;
  p->value[BLUR] = expect->blur_px;
}

static void give_back(const problem *p, sp_shape *shape)
{
  shape->width_px = p->value[WIDTH];
  shape->blur_px = p->value[BLUR];
  shape->burr_height[0] = p->ridge[0] ? p->value[RIDGE_LEFT] : 0.0;
  shape->burr_height[1] = p->ridge[1] ? p->value[RIDGE_RIGHT] : 0.0;
  shape->flank = p->flank;
  shape->burr_width_px[0] = shape->burr_width_px[1] = p->value[RIDGE_WIDTH];
}

/* High enough, lower than the cut is deep, and bright. */
static bool ridges_are_real(const problem *p)
{
  const double bright = p->stack->light ? 1.0 : -1.0;
  for (int r = 0; r < 2; r++) {
    const double height = bright * p->value[RIDGE_LEFT + r];
    if (p->ridge[r] && !(height > RIDGE_LEAST && height < RIDGE_MOST))
      return false;
  }
  return true;
}

typedef struct ridge_trial {
  bool solved, holds; /* found a minimum; and one that is believed */
  int sides;          /* bit 0 left, bit 1 right */
  problem p;
  double cost, rest, u_place_px, u_area;
} ridge_trial;

/* Cost of the parameters as they stand, with the best area for them. */
static double cost_with_best_area(problem *p)
{
  double model[SP_STACK_MAX], d[PARAMETERS], dot = 0.0, square = 0.0, cost = 0.0;
  const size_t n = p->stack->count;
  p->value[AREA] = 1.0;
  for (size_t i = 0; i < n; i++)
    model[i] = sqrt(p->stack->weight[i]) / p->noise * model_at(p, p->stack->x[i], d);
  sp_whiten(p->whitening, model, 1);
  for (size_t i = 0; i < n; i++) {
    dot += model[i] * p->target[i];
    square += model[i] * model[i];
  }
  if (!(dot > 0.0))
    return INFINITY;
  p->value[AREA] = dot / square;
  for (size_t i = 0; i < n; i++) {
    const double rest = p->value[AREA] * model[i] - p->target[i];
    cost += rest * rest;
  }
  return cost;
}

/* Where to start from. There are several minima (cut and ridge can change roles, a ridge can shrink to nothing beside a
 * narrow cut), so what is expected of a cut and a ridge is tried at some places and heights, and the best taken. */
static void start_ridges(problem *p, int sides)
{
  static const double PLACES[] = {-0.12, 0.08, 0.25, 0.45, 0.7}, HEIGHTS[] = {0.3, 0.55, 0.8};
  const double bright = p->stack->light ? 1.0 : -1.0, away = sides == 1 ? 1.0 : sides == 2 ? -1.0 : 0.3;
  const double plain_place = p->value[PLACE];
  problem best = *p;
  double least = INFINITY;
  p->value[RIDGE_WIDTH] = p->expect->burr_px;
  p->value[WIDTH] = p->expect->width_px;
  for (size_t h = 0; h < sizeof HEIGHTS / sizeof *HEIGHTS; h++)
    for (size_t k = 0; k < sizeof PLACES / sizeof *PLACES; k++) {
      for (int r = 0; r < 2; r++)
        p->value[RIDGE_LEFT + r] = (sides >> r) & 1 ? bright * HEIGHTS[h] : 0.0;
      p->value[PLACE] = plain_place + away * PLACES[k] * p->expect->burr_px;
      const double cost = cost_with_best_area(p);
      if (cost < least) {
        least = cost;
        best = *p;
      }
    }
  *p = best;
}

static ridge_trial try_ridge(const problem *plain, const int *base, size_t base_count, int sides, bool flank)
{
  ridge_trial best = {.sides = sides, .p = *plain};
  int list[PARAMETERS];
  size_t n = base_count, place = 0;
  memcpy(list, base, base_count * sizeof *base);
  while (list[place] != PLACE)
    place++;
  for (int r = 0; r < 2; r++)
    if ((sides >> r) & 1)
      list[n++] = RIDGE_LEFT + r;
  list[n++] = RIDGE_WIDTH;
  sp_lm_result result;
  problem p = *plain;
  p.flank = flank;
  p.ridge[0] = sides & 1;
  p.ridge[1] = (sides >> 1) & 1;
  start_ridges(&p, sides);
  if (!solve(&p, list, n, &result))
    return best;
  best.p = p;
  best.cost = result.cost;
  best.rest = fmax(1.0, result.cost / (double)(plain->stack->count + PRIORS - n));
  best.u_place_px = sqrt(result.covariance[place * n + place] * best.rest);
  best.u_area = sqrt(result.covariance[0] * best.rest); /* AREA comes first in every list */
  best.solved = true;
  best.holds = ridges_are_real(&p);
  return best;
}

enum { TRIALS = 6 };
/* How likely each kind of burr is before anything of it is seen, against none. */
static const double BURR_PRIOR = 0.03;

/* How far the explanations that are nearly as good as the chosen one (best, -1 = the plain cut) would put the middle of
 * the cut elsewhere: their places weighted by likelihood, the misfit of the best taken for noise. */
static double spread_of_places(const ridge_trial *t, int best, double plain_cost, double plain_place)
{
  double least = plain_cost, rest = 1.0, sum = 0.0, weight = 0.0;
  const double here = best < 0 ? plain_place : t[best].p.value[PLACE];
  for (int k = 0; k < TRIALS; k++)
    if (t[k].solved && t[k].cost < least) {
      least = t[k].cost;
      rest = t[k].rest;
    }
  for (int k = 0; k <= TRIALS; k++) {
    if (k < TRIALS && !t[k].solved)
      continue;
    const double cost = k < TRIALS ? t[k].cost : plain_cost, place = k < TRIALS ? t[k].p.value[PLACE] : plain_place;
    const double prior = k < TRIALS && best < 0 ? BURR_PRIOR : 1.0;
    const double w = prior * exp(-0.5 * (cost - least) / (2.0 * rest));
    sum += w * (place - here) * (place - here);
    weight += w;
  }
  return sqrt(sum / weight);
}

/* What the idealised cross-section itself may be wrong by: little where cut and ridge are broad against the blur, a
 * tenth of a pixel where they are not, more where ridge and cut have one colour. Sized on rendered boards (see
 * DEVELOPERS.md). */
static double model_u_px(const problem *p)
{
  const bool alike = p->stack->light;
  const double broad = (p->value[WIDTH] + p->value[RIDGE_WIDTH]) / (2.0 * hypot(p->value[BLUR], PIXEL_POINT));
  return fmin(0.3, 0.12 * exp(1.0 - broad) * (alike ? 3.0 : 1.0));
}

/* The ridges worth keeping: left, right, both, flat-topped or falling; a second one has to earn its keep over one. */
static void try_ridges(problem *p, const int *base, size_t base_count, double plain_cost, sp_shape_fit *fit)
{
  ridge_trial trial[TRIALS];
  double one_ridge[2] = {plain_cost, plain_cost};
  int best = -1;
  for (int k = 0; k < TRIALS; k++) {
    const int sides = 1 + k / 2, flank = k % 2;
    trial[k] = (ridge_trial){0};
    if (p->expect->burr_kind_known && flank != p->expect->flank)
      continue;
    trial[k] = try_ridge(p, base, base_count, sides, flank);
    ridge_trial *t = &trial[k];
    if (!t->holds)
      continue;
    const double gain = (sides < 3 ? plain_cost : one_ridge[flank]) - t->cost;
    if (p->expect->no_burr || gain / t->rest < (p->expect->burr_kind_known ? RIDGE_F_EXPECTED : RIDGE_F)) {
      t->holds = false;
      continue;
    }
    if (sides < 3)
      one_ridge[flank] = fmin(one_ridge[flank], t->cost);
    if (t->cost < fit->cost_of_kind[flank]) {
      fit->cost_of_kind[flank] = t->cost;
      fit->burr_of_kind_px[flank] = t->p.value[RIDGE_WIDTH];
    }
    if (best < 0 || t->cost < trial[best].cost)
      best = k;
  }
  if (best < 0) {
    if (p->stack->light || sp_shape_is_coarse(p->expect)) /* a burr may be there and not show */
      fit->u_place_px = spread_of_places(trial, -1, plain_cost, p->value[PLACE]);
    return;
  }
  fit->burr = true;
  fit->cost = trial[best].cost;
  fit->u_place_px = hypot(trial[best].u_place_px, spread_of_places(trial, best, plain_cost, p->value[PLACE]));
  *p = trial[best].p;
  fit->u_place_px = hypot(fit->u_place_px, model_u_px(p));
  /* a light ridge shares the area with its cut: what both have together is the plain fit's */
  fit->significance = fmax(fit->significance, fabs(p->value[AREA]) / trial[best].u_area);
}

static const int PLAIN[4] = {AREA, PLACE, WIDTH, BLUR};

/* What a plain cut can do if the blur is not as well known as it was thought: an error of the blur must not pass for a
 * burr. */
static double cost_with_loose_blur(const problem *plain)
{
  sp_expectation loose = *plain->expect;
  problem p = *plain;
  sp_lm_result result;
  loose.blur_sd_log = fmax(loose.blur_sd_log, LOOSE_BLUR_SD_LOG);
  p.expect = &loose;
  return solve(&p, PLAIN, 4, &result) ? result.cost : INFINITY;
}

/* What is left of the stack beside the cross-section, over its noise, is the wood's. */
static void find_ground(const problem *p, double *nodes)
{
  double rest[SP_STACK_MAX], d[PARAMETERS];
  for (size_t i = 0; i < p->stack->count; i++)
    rest[i] = sqrt(p->stack->weight[i]) / p->noise * (p->stack->y[i] - model_at(p, p->stack->x[i], d));
  sp_whitening_ground(p->whitening, rest, nodes);
  for (int k = 0; k < SP_GROUND_NODES; k++)
    nodes[k] = p->stack->height < 0.0 ? -nodes[k] : nodes[k];
}

static bool fit_whitened(const sp_stack *s, const sp_whitening *w, const normal_table *normal,
                         const sp_expectation *expect, bool look_for_burr, sp_shape_fit *fit)
{
  problem plain;
  sp_lm_result result;
  double target[SP_STACK_MAX];
  for (size_t i = 0; i < s->count; i++)
    target[i] = sqrt(s->weight[i]) / s->noise * s->y[i];
  sp_whiten(w, target, 1);
  start(s, w, &fit->shape, expect, &plain);
  plain.target = target;
  plain.normal = normal;
  if (!solve(&plain, PLAIN, 4, &result))
    return false;
  fit->cost = result.cost;
  const double rest = fmax(1.0, result.cost / (double)s->count);
  const double u_plain = sqrt(result.covariance[1 * 4 + 1] * rest);
  fit->u_place_px = u_plain;
  fit->significance = fabs(plain.value[AREA]) / sqrt(result.covariance[0] * rest);
  problem p = plain;
  const bool knife = expect->width_sd_log < 1e8;
  const bool unclear = fit->cost > PLAIN_ENOUGH * (double)s->count;
  /* light lines: see try_ridge */
  if (knife && look_for_burr && (unclear || s->light || expect->burr_kind_known || sp_shape_is_coarse(expect))) {
    const double plain_cost = fmin(fit->cost, cost_with_loose_blur(&plain));
    try_ridges(&p, PLAIN, 4, plain_cost, fit);
    fit->u_place_px = hypot(fit->u_place_px, u_plain);
  }
  give_back(&p, &fit->shape);
  find_ground(&p, fit->ground);
  return true;
}

bool sp_shape_fit_stack(const sp_stack *s, const sp_expectation *expect, const sp_ground *ground, bool look_for_burr,
                        sp_shape_fit *fit)
{
  fit->u_place_px = 0.0;
  fit->burr = false;
  fit->cost_of_kind[0] = fit->cost_of_kind[1] = INFINITY;
  if (s->count < 12)
    return false;
  struct room {
    sp_whitening whitening;
    normal_table normal;
  } *room = malloc(sizeof *room);
  if (!room)
    return false;
  fill_normal(&room->normal);
  const bool fitted = sp_whitening_create(ground, s, &room->whitening) &&
                      fit_whitened(s, &room->whitening, &room->normal, expect, look_for_burr, fit);
  free(room);
  return fitted;
}
