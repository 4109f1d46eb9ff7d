/* The cross-section of a line from its stacked pieces.
 *
 * The pieces of a line cross the pixel grid at all phases, so their stack is sampled finer than a pixel and shows what
 * the cut looks like: a box of the cut's width and, where the blade has raised one, a bright ridge on either edge, all
 * blurred alike. Levenberg-Marquardt on the stack. A cut much narrower than the blur shows only its area (width times
 * depth), so the width has a weak prior at what knives leave (0.05 to 0.2 mm, common practice, no source). A burr is
 * believed only if the stack is fitted far better with it (F test) and it has the sign a ridge must have: without it a
 * one-sided burr would pass for a shift of the line, with it needlessly every line would lose precision. What the wood
 * around may do by itself is part of the covariance (ground.c), so neither a planing wave passes for a burr nor is it
 * left out of the doubt.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "marks_internal.h"
#include "numeric/normal.h"
#include "slotproof/numeric.h"

enum {
  AREA,
  PLACE,
  WIDTH,
  BLUR,
  RIDGE_LEFT, /* heights of the ridges against the cut's depth */
  RIDGE_RIGHT,
  RIDGE_WIDTH,
  TILT, /* of a slot's bottom */
  PARAMETERS,
  PRIORS = 6
};
static const double KNIFE_WIDTH_MM = 0.105, KNIFE_WIDTH_SD_LOG = 0.42, SLOT_WIDTH_MM = 0.58;
static const double RIDGE_WIDTH_MM = 0.09, RIDGE_WIDTH_SD_LOG = 0.4, RIDGE_HEIGHT = 0.5, RIDGE_HEIGHT_SD = 0.25;
static const double LOOSE_BLUR_SD_LOG = 0.2;
/* How unequally dark a slot may be from wall to wall, as a standard deviation, and at most: a wall that does not show
 * cannot be found. */
static const double TILT_SD = 0.3, TILT_MOST = 0.7;
/* F ratio for one ridge below which it is taken for chance, and its least height against the cut. */
static const double RIDGE_F = 14.0, RIDGE_F_EXPECTED = 5.0, RIDGE_LEAST = 0.06;
/* Chi-square per value of the stack up to which a plain cut is good enough: noise estimates are off by that much. */
static const double PLAIN_ENOUGH = 1.4;
/* A ridge as bright as the cut of a light line cannot be told from the cut; one beside a dark cut can, and an
 * exponential one is sharp at its top. On dark wood it may be much the more visible, but so is a light line between two
 * pencil strokes: only where the board's other lines say so. */
static const double RIDGE_MOST = 0.95, DARK_RIDGE_MOST = 1.5, OUTSHINING_MOST = 6.0;
/* Steps of a fit at most; how dear one may be after the first, against the best so far. */
enum { MOST_STEPS = 20, FIRST_STEPS = 5 };
static const double FUTILE_FACTOR = 10.0, FUTILE_MORE = 200.0;

typedef struct problem {
  const sp_stack *stack;
  const sp_whitening *whitening;
  const sp_normal *normal;
  const double *scale;  /* one over the noise of each of the stack's values */
  const double *target; /* the stack's values over their noise, whitened */
  double target_square; /* sum of their squares */
  const sp_expectation *expect;
  double value[PARAMETERS];
  int active[PARAMETERS];
  size_t actives;
  double ridge_most; /* broader than this it is no ridge but the wood's shading */
  bool ridge[2];     /* which ridges are there */
  bool flank;        /* ridges fall off exponentially instead of being flat-topped */
} problem;

typedef struct wall {
  double value, by_x, by_blur;
} wall;

typedef struct box {
  double value, by_x, by_width, by_blur;
} box;

/* A flank has fallen to nothing at so many times its length. */
static const double FLANK_REACH = 16.0;
/* The two points that average over a pixel, see profile.c. */
static const double PIXEL_POINT = 0.28867513459481288;

static box mean_box(box p, box q)
{
  return (box){0.5 * (p.value + q.value), 0.5 * (p.by_x + q.by_x), 0.5 * (p.by_width + q.by_width),
               0.5 * (p.by_blur + q.by_blur)};
}

/* The sign of a ridge's height against the cut. Ridges are light, unless they are a light line's shade. */
static double ridge_sign(const problem *p)
{
  return p->stack->light && !p->expect->shaded ? 1.0 : -1.0;
}

static bool is_slot(const sp_expectation *e)
{
  return e->width_sd_log > 1e8;
}

/* A wall at 0: dark on the left, full height on the right, blurred; seen at x. */
static inline wall point_wall(const sp_normal *t, double x, double by_blur)
{
  const double z = x * by_blur;
  double pdf;
  const double cdf = sp_normal_at(t, z, &pdf);
  return (wall){cdf, pdf * by_blur, -z * pdf * by_blur};
}

/* The mean over the pixel at x. */
static inline wall wall_at(const problem *p, double x)
{
  const double by_blur = 1.0 / p->value[BLUR];
  const wall a = point_wall(p->normal, x - PIXEL_POINT, by_blur);
  const wall b = point_wall(p->normal, x + PIXEL_POINT, by_blur);
  return (wall){0.5 * (a.value + b.value), 0.5 * (a.by_x + b.by_x), 0.5 * (a.by_blur + b.by_blur)};
}

/* A box between its left and its right wall. */
static box between(wall left, wall right)
{
  return (box){left.value - right.value, left.by_x - right.by_x, 0.5 * (left.by_x + right.by_x),
               left.by_blur - right.by_blur};
}

/* exp(-x / length) for x > 0, blurred: x counts from the wall outward. "width" is the length it falls to 1/e in. */
static box point_flank(const sp_normal *normal, double x, double length, double blur)
{
  const double a = blur / length, t = x / blur;
  double gauss; /* of x */
  (void)sp_normal_at(normal, t, &gauss);
  gauss /= blur;
  const double value = sp_normal_fallen(normal, 0.5 * a * a - x / length, t - a);
  return (box){value, gauss - value / length, value * (x - a * blur) / (length * length) + gauss * a * a,
               value * a / length - gauss * (a + t)};
}

static box flank_at(const problem *p, double x, double length, double blur)
{
  return mean_box(point_flank(p->normal, x - PIXEL_POINT, length, blur),
                  point_flank(p->normal, x + PIXEL_POINT, length, blur));
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
  box b = flank_at(p, sign * (x - v[PLACE]) - 0.5 * v[WIDTH], v[RIDGE_WIDTH], v[BLUR]);
  b.by_x *= sign;
  return b;
}

/* x from one wall to the other, -1 to 1, blurred, with what it changes by. */
static box point_ramp(const sp_normal *t, double x, double half, double blur)
{
  double pdf_a, pdf_b;
  const double a = x - half, b = x + half;
  const double inside = sp_normal_at(t, b / blur, &pdf_b) - sp_normal_at(t, a / blur, &pdf_a);
  const double at_a = pdf_a / blur, at_b = pdf_b / blur, value = (x * inside + blur * (pdf_b - pdf_a)) / half;
  return (box){value, inside / half - at_a - at_b, 0.5 * (at_a - at_b - value / half),
               blur * ((at_b - at_a) / half + (a * at_a + b * at_b) / (blur * blur))};
}

/* The same as the pixel at x sees it. */
static box ramp_at(const problem *p, double x)
{
  const double half = 0.5 * p->value[WIDTH], blur = p->value[BLUR];
  return mean_box(point_ramp(p->normal, x - PIXEL_POINT, half, blur),
                  point_ramp(p->normal, x + PIXEL_POINT, half, blur));
}

/* A slot's bottom, and its near wall, are lit from one side: the cut is not equally dark from wall to wall. */
static double add_tilt(const problem *p, double x, double depth, double *d)
{
  const box ramp = ramp_at(p, x - p->value[PLACE]);
  const double height = depth * p->value[TILT];
  d[TILT] = depth * ramp.value;
  d[PLACE] -= height * ramp.by_x;
  d[WIDTH] += height * ramp.by_width;
  d[BLUR] += height * ramp.by_blur;
  return p->value[TILT] * ramp.value;
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
  d[RIDGE_LEFT] = d[RIDGE_RIGHT] = d[RIDGE_WIDTH] = d[TILT] = 0.0;
  if (is_slot(p->expect))
    shape += add_tilt(p, x, depth, d);
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

/* Where the cross-section begins and ends: beyond it is nothing, to 1e-7. */
static void extent(const problem *p, double *from, double *to)
{
  const double *v = p->value;
  const double half = 0.5 * v[WIDTH] + PIXEL_POINT + SP_NORMAL_REACH * v[BLUR];
  const double ridge = v[RIDGE_WIDTH] * (p->flank ? FLANK_REACH : 1.0);
  *from = v[PLACE] - half - (p->ridge[0] ? ridge : 0.0);
  *to = v[PLACE] + half + (p->ridge[1] ? ridge : 0.0);
}

/* Residuals of the priors and which parameter each belongs to, with its derivative. */
static void priors(const problem *p, double *r, int *which, double *derivative)
{
  const double *v = p->value;
  const sp_expectation *e = p->expect;
  const bool slot = is_slot(e);
  r[0] = slot ? 0.0 : log(v[WIDTH] / e->width_px) / e->width_sd_log;
  which[0] = WIDTH;
  derivative[0] = slot ? 0.0 : 1.0 / (v[WIDTH] * e->width_sd_log);
  r[1] = log(v[BLUR] / e->blur_px) / e->blur_sd_log;
  which[1] = BLUR;
  derivative[1] = 1.0 / (v[BLUR] * e->blur_sd_log);
  r[2] = log(v[RIDGE_WIDTH] / e->burr_px[p->flank]) / e->burr_sd_log;
  which[2] = RIDGE_WIDTH;
  derivative[2] = 1.0 / (v[RIDGE_WIDTH] * e->burr_sd_log);
  r[5] = v[TILT] / TILT_SD;
  which[5] = TILT;
  derivative[5] = 1.0 / TILT_SD;
  const double bright = ridge_sign(p);
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
      v[RIDGE_WIDTH] > p->ridge_most || !(fabs(v[TILT]) < TILT_MOST))
    return false;
  const size_t n = p->stack->count;
  double from, to;
  extent(p, &from, &to);
  for (size_t i = 0; i < n; i++) {
    double d[PARAMETERS] = {0.0};
    const double w = p->scale[i], x = p->stack->x[i];
    const double model = x > from && x < to ? model_at(p, x, d) : 0.0;
    r[i] = w * (model - p->stack->y[i]);
    for (size_t a = 0; jacobian && a < p->actives; a++)
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

/* Fits the parameters of the list in at most so many steps; true if the outcome is of use. */
static bool solve(problem *p, const int *list, size_t count, size_t steps, sp_lm_result *result)
{
  double beta[PARAMETERS];
  sp_lm_options options;
  sp_lm_options_init(&options);
  options.max_iterations = steps;
  options.step_tolerance = 2e-4;
  options.cost_tolerance = 3e-4; /* of some hundred: nothing against the noise */
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
                          .burr_px = {RIDGE_WIDTH_MM * px_per_mm, RIDGE_WIDTH_MM * px_per_mm},
                          .usual_px = (KNIFE_WIDTH_MM + RIDGE_WIDTH_MM) * px_per_mm,
                          .burr_sd_log = RIDGE_WIDTH_SD_LOG,
                          .burr_height = RIDGE_HEIGHT,
                          .burr_height_sd = RIDGE_HEIGHT_SD};
}

bool sp_shape_is_coarse(const sp_expectation *e)
{
  return e->usual_px < 4.2 * hypot(e->blur_px, PIXEL_POINT); /* the pixel blurs as well: 1/sqrt 12 */
}

static void start(const sp_shape *shape, const sp_expectation *expect, problem *p)
{
  p->expect = expect;
  p->value[RIDGE_WIDTH] = expect->burr_px[0];
  p->ridge_most = 2.3 * fmax(expect->burr_px[0], expect->burr_px[1]);
  p->value[AREA] = shape->width_px; /* heights in the stack are scaled to 1 */
  p->value[WIDTH] = shape->width_px;
  p->value[BLUR] = expect->blur_px;
  p->value[TILT] = is_slot(expect) ? shape->tilt : 0.0;
}

static void give_back(const problem *p, sp_shape *shape)
{
  shape->width_px = p->value[WIDTH];
  shape->blur_px = p->value[BLUR];
  shape->burr_height[0] = p->ridge[0] ? p->value[RIDGE_LEFT] : 0.0;
  shape->burr_height[1] = p->ridge[1] ? p->value[RIDGE_RIGHT] : 0.0;
  shape->flank = p->flank;
  shape->tilt = p->value[TILT];
  shape->burr_width_px[0] = shape->burr_width_px[1] = p->value[RIDGE_WIDTH];
}

/* High enough, lower than the cut is deep, and bright. */
static bool ridges_are_real(const problem *p)
{
  const double bright = ridge_sign(p);
  const bool alike = p->stack->light && !p->expect->shaded;
  const double most = alike                       ? RIDGE_MOST
                      : p->expect->burr_outshines ? OUTSHINING_MOST
                      : p->flank                  ? DARK_RIDGE_MOST
                                                  : RIDGE_MOST;
  for (int r = 0; r < 2; r++) {
    const double height = bright * p->value[RIDGE_LEFT + r];
    if (p->ridge[r] && !(height > RIDGE_LEAST && height < most))
      return false;
  }
  return true;
}

typedef struct ridge_trial {
  bool wanted, solved, holds; /* to be tried; found a minimum; and one that is believed */
  int sides;                  /* bit 0 left, bit 1 right */
  problem p;
  double start_cost, cost, rest, u_place_px, u_area;
} ridge_trial;

/* What a cross-section is made of, whitened: the cut, and its ridges of height 1. Products of those with each other and
 * with the stack. */
typedef struct ridge_parts {
  double cut_cut, cut_ridge, ridge_ridge, cut_target, ridge_target;
} ridge_parts;

/* Cut and ridges where the parameters say, for an area of 1. */
static ridge_parts parts_of(const problem *p)
{
  double part[2 * SP_STACK_MAX] = {0.0}, from, to;
  const double *v = p->value, depth = 1.0 / v[WIDTH];
  const size_t n = p->stack->count;
  ridge_parts sum = {0.0, 0.0, 0.0, 0.0, 0.0};
  extent(p, &from, &to);
  for (size_t i = 0; i < n; i++) {
    const double x = p->stack->x[i], w = depth * p->scale[i];
    if (x <= from || x >= to)
      continue;
    const wall walls[2] = {wall_at(p, x - v[PLACE] + 0.5 * v[WIDTH]), wall_at(p, x - v[PLACE] - 0.5 * v[WIDTH])};
    part[2 * i] = w * (walls[0].value - walls[1].value);
    for (int side = 0; side < 2; side++)
      if (p->ridge[side])
        part[2 * i + 1] += w * ridge_at(p, x, side ? 1.0 : -1.0, walls[side]).value;
  }
  sp_whiten(p->whitening, part, 2);
  for (size_t i = 0; i < n; i++) {
    const double cut = part[2 * i], ridge = part[2 * i + 1];
    sum.cut_cut += cut * cut;
    sum.cut_ridge += cut * ridge;
    sum.ridge_ridge += ridge * ridge;
    sum.cut_target += cut * p->target[i];
    sum.ridge_target += ridge * p->target[i];
  }
  return sum;
}

/* Where to start from; what it costs there. There are several minima (cut and ridge can change roles, a ridge can
 * shrink to nothing beside a narrow cut), so what is expected of a cut and a ridge is tried at some places and heights,
 * and the best taken, with the area that is best for it. */
static double start_ridges(problem *p, int sides)
{
  static const double PLACES[] = {-0.12, 0.08, 0.25, 0.45, 0.7}, HEIGHTS[] = {0.3, 0.55, 0.8, 1.3, 2.0, 3.5};
  const size_t heights = p->expect->burr_outshines ? sizeof HEIGHTS / sizeof *HEIGHTS : 3;
  const double bright = ridge_sign(p), away = sides == 1 ? 1.0 : sides == 2 ? -1.0 : 0.3;
  const double plain_place = p->value[PLACE];
  problem best = *p;
  double least = INFINITY;
  p->value[RIDGE_WIDTH] = p->expect->burr_px[p->flank];
  if (!p->expect->shaded) /* what shows most is the line then, and the plain fit knows it */
    p->value[WIDTH] = p->expect->width_px;
  for (size_t k = 0; k < sizeof PLACES / sizeof *PLACES; k++) {
    p->value[PLACE] = plain_place + away * PLACES[k] * p->expect->burr_px[p->flank];
    const ridge_parts t = parts_of(p);
    for (size_t h = 0; h < heights; h++) {
      const double height = bright * HEIGHTS[h], along = t.cut_target + height * t.ridge_target;
      const double square = t.cut_cut + height * (2.0 * t.cut_ridge + height * t.ridge_ridge);
      const double cost = along > 0.0 ? p->target_square - along * along / square : INFINITY;
      if (!(cost < least))
        continue;
      least = cost;
      best = *p;
      best.value[AREA] = along / square;
      for (int r = 0; r < 2; r++)
        best.value[RIDGE_LEFT + r] = p->ridge[r] ? height : 0.0;
    }
  }
  *p = best;
  return least;
}

static ridge_trial set_up_trial(const problem *plain, int sides, bool flank)
{
  ridge_trial t = {.wanted = !plain->expect->burr_kind_known || flank == plain->expect->flank, .sides = sides};
  t.p = *plain;
  t.p.flank = flank;
  t.p.ridge[0] = sides & 1;
  t.p.ridge[1] = (sides >> 1) & 1;
  if (t.wanted)
    t.start_cost = start_ridges(&t.p, sides);
  return t;
}

/* What costs so much more than the best explanation so far, after some steps, will not become the best one nor count as
 * nearly as good: a ridge on the wrong side wanders about for long. */
static bool is_futile(double cost, double least)
{
  return cost > FUTILE_FACTOR * least + FUTILE_MORE;
}

/* Fits a trial; `least` is what the best one so far costs. */
static void run_trial(ridge_trial *t, double least)
{
  int list[PARAMETERS] = {AREA, PLACE, WIDTH, BLUR};
  size_t n = 4;
  for (int r = 0; r < 2; r++)
    if (t->p.ridge[r])
      list[n++] = RIDGE_LEFT + r;
  list[n++] = RIDGE_WIDTH;
  sp_lm_result result;
  bool fine = solve(&t->p, list, n, FIRST_STEPS, &result);
  if (result.stop == SP_LM_TOO_MANY_STEPS && !is_futile(result.cost, least))
    fine = solve(&t->p, list, n, MOST_STEPS - FIRST_STEPS, &result);
  if (!fine || is_futile(result.cost, least))
    return;
  t->cost = result.cost;
  t->rest = fmax(1.0, result.cost / (double)(t->p.stack->count + PRIORS - n));
  t->u_place_px = sqrt(result.covariance[1 * n + 1] * t->rest);
  t->u_area = sqrt(result.covariance[0] * t->rest);
  t->solved = true;
  t->holds = ridges_are_real(&t->p);
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
  const bool alike = p->stack->light && !p->expect->shaded;
  const double fitted = p->value[WIDTH] + p->value[RIDGE_WIDTH];
  const double broad = fmin(fitted, p->expect->usual_px) / (2.0 * hypot(p->value[BLUR], PIXEL_POINT));
  return fmin(0.3, 0.12 * exp(1.0 - broad) * (alike ? 3.0 : 1.0));
}

/* Fits all trials, the most promising first, so that the others can be given up early; those with one ridge before
 * those with two. */
static void run_trials(ridge_trial *trial)
{
  double least = INFINITY;
  for (int done = 0; done < TRIALS; done++) {
    ridge_trial *next = NULL;
    for (int k = 0; k < TRIALS; k++) {
      ridge_trial *t = &trial[k];
      if (t->wanted && (!next || (t->sides < 3) > (next->sides < 3) ||
                        ((t->sides < 3) == (next->sides < 3) && t->start_cost < next->start_cost)))
        next = t;
    }
    if (!next)
      return;
    next->wanted = false;
    run_trial(next, least);
    if (next->solved)
      least = fmin(least, next->cost);
  }
}

/* The ridges worth keeping: left, right, both, flat-topped or falling; a second one has to earn its keep over one. */
static void try_ridges(problem *p, double plain_cost, sp_shape_fit *fit)
{
  ridge_trial trial[TRIALS];
  double one_ridge[2] = {plain_cost, plain_cost};
  int best = -1;
  for (int k = 0; k < TRIALS; k++)
    trial[k] = set_up_trial(p, 1 + k / 2, k % 2);
  run_trials(trial);
  for (int k = 0; k < TRIALS; k++) {
    ridge_trial *t = &trial[k];
    const int flank = t->p.flank;
    if (!t->holds)
      continue;
    const double gain = (t->sides < 3 ? plain_cost : one_ridge[flank]) - t->cost;
    if (p->expect->no_burr || gain / t->rest < (p->expect->burr_expected ? RIDGE_F_EXPECTED : RIDGE_F)) {
      t->holds = false;
      continue;
    }
    if (t->sides < 3)
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
  fit->shown = sqrt(fmax(0.0, (p->target_square - fit->cost) / trial[best].rest - PARAMETERS));
}

static const int PLAIN[5] = {AREA, PLACE, WIDTH, BLUR, TILT}; /* the last for slots only */

/* What a plain cut can do if the blur is not as well known as it was thought: an error of the blur must not pass for a
 * burr. */
static double cost_with_loose_blur(const problem *plain)
{
  sp_expectation loose = *plain->expect;
  problem p = *plain;
  sp_lm_result result;
  loose.blur_sd_log = fmax(loose.blur_sd_log, LOOSE_BLUR_SD_LOG);
  p.expect = &loose;
  return solve(&p, PLAIN, 4, MOST_STEPS, &result) ? result.cost : INFINITY;
}

/* What is left of the stack beside the cross-section, over its noise, is the wood's. */
static void find_ground(const problem *p, double *nodes)
{
  double rest[SP_STACK_MAX], d[PARAMETERS];
  for (size_t i = 0; i < p->stack->count; i++)
    rest[i] = p->scale[i] * (p->stack->y[i] - model_at(p, p->stack->x[i], d));
  sp_whitening_ground(p->whitening, rest, nodes);
  for (int k = 0; k < SP_GROUND_NODES; k++)
    nodes[k] = p->stack->height < 0.0 ? -nodes[k] : nodes[k];
}

/* What stays the same as long as a stack is fitted. */
typedef struct setting {
  sp_whitening whitening;
  sp_normal normal;
  double scale[SP_STACK_MAX], target[SP_STACK_MAX];
} setting;

static void pose(const sp_stack *s, setting *w, problem *p)
{
  *p = (problem){.stack = s, .whitening = &w->whitening, .normal = &w->normal, .scale = w->scale, .target = w->target};
  for (size_t i = 0; i < s->count; i++) {
    w->scale[i] = sqrt(s->weight[i]) / s->noise;
    w->target[i] = w->scale[i] * s->y[i];
  }
  sp_whiten(&w->whitening, w->target, 1);
  for (size_t i = 0; i < s->count; i++)
    p->target_square += w->target[i] * w->target[i];
}

static bool fit_whitened(const sp_stack *s, setting *w, const sp_expectation *expect, bool look_for_burr,
                         sp_shape_fit *fit)
{
  problem plain;
  sp_lm_result result;
  pose(s, w, &plain);
  start(&fit->shape, expect, &plain);
  const size_t n = is_slot(expect) ? 5 : 4;
  if (!solve(&plain, PLAIN, n, MOST_STEPS, &result))
    return false;
  fit->cost = result.cost;
  const double rest = fmax(1.0, result.cost / (double)s->count);
  const double u_plain = sqrt(result.covariance[1 * n + 1] * rest);
  fit->u_place_px = u_plain;
  fit->significance = fabs(plain.value[AREA]) / sqrt(result.covariance[0] * rest);
  problem p = plain;
  const bool knife = !is_slot(expect);
  const bool unclear = fit->cost > PLAIN_ENOUGH * (double)s->count;
  /* light lines: see spread_of_places */
  if (knife && look_for_burr && (unclear || s->light || expect->burr_expected || sp_shape_is_coarse(expect))) {
    const double plain_cost = fmin(fit->cost, cost_with_loose_blur(&plain));
    try_ridges(&p, plain_cost, fit);
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
  fit->shown = 0.0;
  fit->cost_of_kind[0] = fit->cost_of_kind[1] = INFINITY;
  if (s->count < 12)
    return false;
  setting *w = malloc(sizeof *w);
  if (!w)
    return false;
  sp_normal_fill(&w->normal);
  const bool fitted = sp_whitening_create(ground, s, &w->whitening) && fit_whitened(s, w, expect, look_for_burr, fit);
  free(w);
  return fitted;
}
