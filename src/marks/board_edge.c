/* The board's edges, long sides and ends alike: measured to a small part of a pixel.
 *
 * Along an edge that is known to a third of a millimetre the profile across is averaged over a twelfth of the length,
 * and a model is fitted to it: wood (a straight line in the grey) up to the edge; beyond it the lid, on which the
 * board's shadow lies (a parabola), with level and slope of its own; both blurred as the picture is. Where the shadow
 * happens to be as grey as the wood there is no step, but there still is a kink and a change from grain to none, and
 * the model takes both. For a given place of the edge the model is linear; its misfit is tabled over the places, for
 * each block. The side is the straight line along which the blocks' misfits, each with an upper limit, add up to the
 * least.
 *
 * Only around the edge the model has to be computed point by point: further off a point is all wood or all lid, a
 * polynomial of its place, and sums of powers over all such points are differences of sums tabled beforehand.
 *
 * How sure it is follows from the misfits' curvature and from the scatter of the blocks about the line. Wood scatters
 * more than the lid does, so each takes part with the variance it shows.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "board_internal.h"
#include "slotproof/numeric.h"

/* Further than so many blurs from the edge a point is all wood or all lid, to 1e-5 of a step. */
static const double MIXED = 4.5;
enum { TABLE_REACH = 6, TABLE_PER_UNIT = 100, TABLE_SIZE = 2 * TABLE_REACH * TABLE_PER_UNIT + 2 };
enum {
  BLOCKS = 12,
  MOST_POINTS = 160,
  TERMS = 5,
  VARIANCE_ROUNDS = 3,
  NEAR_PLACES = 40,
  MOST_MOVES = 5,
  FEWEST_BLOCKS = 5,
  HALF_PLACES = 48,
  PLACES = 2 * HALF_PLACES + 1
};
/* A profile reaches so far to both sides; edges are tried within this of the line it was read along, first and then. */
static const double WINDOW_MM = 1.0, REACH_MM[2] = {0.5, 0.12};
/* A block that is unsurer than this sees no step but a kink or the end of grain, and what the model cannot follow there
 * moves it as much again. */
static const double NO_STEP_U_PX = 0.2;
/* An edge that draws away further than this from where it was seen is another. */
static const double MOST_MOVED_MM = 1.2;
/* Misfit of one block that counts in full; beyond it the block has something else in it. */
static const double LIMIT = 20.0;
/* Noise is never taken for less than this, of full scale. */
static const double LEAST_NOISE = 0.001;
/* Standard deviations that the model's slopes and curve have beforehand, of full scale over the window. */
static const double PRIOR_SD = 0.3;
/* Wood is alike over such a length of a streak, pixels next to each other taken together. */
static const double ALIKE_MM = 5.0;

/* What the blocks have in common does not show in their scatter: streaks of grain along the edge, a shadow that is no
 * parabola, an axis of the scanner that is not even. From 270 rendered boards whose sides are known: errors of place
 * about twice what the scatter says and 0.02 px besides, errors of slope 1.5 times and 5e-6 besides. */
static const double AT_COMMON = 2.0, AT_FLOOR_PX = 0.04, SLOPE_COMMON = 1.5, SLOPE_FLOOR = 8.0e-6;

/* Sums over the points before one: by powers of their place, in windows, alone and times the value. */
typedef struct moments {
  double x[5], y[3], yy;
} moments;

typedef struct block {
  size_t n;
  double x_px[MOST_POINTS], value[MOST_POINTS]; /* x grows outward from the line the block was read along */
  double spread[MOST_POINTS];                   /* variance over the block's strips */
  double strips, wood_spread, lid_spread;
  moments before[MOST_POINTS + 1];
  double texture[2][MOST_POINTS + 1]; /* what the points before one say against being wood, lid */
  double u_px;                        /* of its middle */
  double misfit[PLACES];              /* by place of the edge; INFINITY where it cannot be told */
  double least;
} block;

typedef struct edge_fit {
  const sp_edge_search *s;
  int outward;
  sp_lengthwise line; /* that the blocks were read along */
  double window_px, reach_px, blur_px, full_scale;
  double variance[2];                       /* of the wood and of the lid */
  double cdf[TABLE_SIZE], bell[TABLE_SIZE]; /* of the normal distribution, from -TABLE_REACH on */
  block block[BLOCKS];
} edge_fit;

/* ---- the profiles ---------------------------------------------------------------------------------------------------
 */

/* Adds one strip to a profile's bins; the line passes between pixels, so every value keeps its own x. */
static void add_strip(const edge_fit *f, const float *p, int32_t length, double u, double bin_px, double *sum, block *b)
{
  const double edge = sp_lengthwise_at(&f->line, u);
  const int32_t first = (int32_t)ceil(edge - f->window_px), last = (int32_t)floor(edge + f->window_px);
  for (int32_t v = first < 0 ? 0 : first; v <= last && v < length; v++) {
    if (f->s->beside_rule && sp_on_rule(f->s->o, u, v, 0.1 * f->s->o->px_per_mm))
      continue;
    const double x = f->outward * (v - edge);
    const size_t i = (size_t)((x + f->window_px) / bin_px);
    if (i >= MOST_POINTS)
      continue;
    const double value = (double)p[v];
    sum[i] += 1.0;
    b->x_px[i] += x;
    b->value[i] += value;
    b->spread[i] += value * value;
  }
}

static void read_block(const edge_fit *f, int32_t first_strip, int32_t end_strip, block *b)
{
  const sp_strips *across = f->s->across;
  const double bin_px = fmax(1.0, 2.0 * f->window_px / (MOST_POINTS - 1));
  double sum[MOST_POINTS] = {0.0};
  memset(b, 0, sizeof *b);
  b->u_px = 0.5 * (first_strip + end_strip) * across->width_px - 0.5;
  for (int32_t k = first_strip; k < end_strip; k++)
    add_strip(f, across->mean + (size_t)k * across->length_px, (int32_t)across->length_px,
              (k + 0.5) * across->width_px - 0.5, bin_px, sum, b);
  b->strips = end_strip - first_strip;
  for (size_t i = 0; i < MOST_POINTS; i++)
    if (2.0 * sum[i] > b->strips) { /* half of the strips at least, or it is another piece of wood */
      const double mean = b->value[i] / sum[i];
      b->x_px[b->n] = b->x_px[i] / sum[i];
      b->spread[b->n] = fmax(0.0, b->spread[i] / sum[i] - mean * mean);
      b->value[b->n++] = mean;
    }
}

/* ---- the model ------------------------------------------------------------------------------------------------------
 */

static void fill_tables(edge_fit *f)
{
  for (int i = 0; i < TABLE_SIZE; i++) {
    const double z = (double)i / TABLE_PER_UNIT - TABLE_REACH;
    f->cdf[i] = sp_normal_cdf(z);
    f->bell[i] = exp(-0.5 * z * z) / sqrt(2.0 * SP_PI);
  }
}

/* Part of a point that is lid, and how fast that changes, per blur; linear in the tables, good to 1e-5. */
static double part_of_lid(const edge_fit *f, double z, double *bell)
{
  const double at = (z + TABLE_REACH) * TABLE_PER_UNIT;
  *bell = 0.0;
  if (!(at > 0.0))
    return 0.0;
  const int i = at < TABLE_SIZE - 2 ? (int)at : TABLE_SIZE - 2;
  const double part = fmin(1.0, at - i);
  *bell = f->bell[i] + part * (f->bell[i + 1] - f->bell[i]);
  return f->cdf[i] + part * (f->cdf[i + 1] - f->cdf[i]);
}

/* Part of a point that is lid, and the model's terms there: wood level and slope, lid level, slope and curve. */
static double model_terms(const edge_fit *f, double x_px, double edge_px, double term[TERMS])
{
  const double s = (x_px - edge_px) / f->window_px, b = f->blur_px / f->window_px;
  double bell;
  const double lid = part_of_lid(f, (x_px - edge_px) / f->blur_px, &bell);
  bell *= b;
  term[0] = 1.0 - lid;
  term[1] = s * (1.0 - lid) - bell;
  term[2] = lid;
  term[3] = s * lid + bell;
  term[4] = (s * s + b * b) * lid + s * bell;
  return lid;
}

static double variance_at(const edge_fit *f, double lid)
{
  return f->variance[0] + (f->variance[1] - f->variance[0]) * lid;
}

static void table_moments(const edge_fit *f, block *b)
{
  memset(&b->before[0], 0, sizeof b->before[0]);
  for (size_t i = 0; i < b->n; i++) {
    const double x = b->x_px[i] / f->window_px, y = b->value[i];
    moments m = b->before[i];
    double power = 1.0;
    for (int k = 0; k < 5; k++, power *= x) {
      m.x[k] += power;
      if (k < 3)
        m.y[k] += power * y;
    }
    m.yy += y * y;
    b->before[i + 1] = m;
  }
}

/* Of the points from one to another, the second left out, by powers of their distance from `at`, in windows. */
static moments moments_about(const block *b, size_t from, size_t to, double at)
{
  const moments *p = &b->before[from], *q = &b->before[to];
  moments m = {.yy = q->yy - p->yy};
  for (int k = 0; k < 5; k++)
    m.x[k] = q->x[k] - p->x[k];
  for (int k = 0; k < 3; k++)
    m.y[k] = q->y[k] - p->y[k];
  /* as Horner's scheme shifts a polynomial */
  for (int last = 0; last < 4; last++)
    for (int k = 4; k > last; k--)
      m.x[k] -= at * m.x[k - 1];
  for (int last = 0; last < 2; last++)
    for (int k = 2; k > last; k--)
      m.y[k] -= at * m.y[k - 1];
  return m;
}

/* The first point beyond x_px. */
static size_t first_beyond(const block *b, double x_px)
{
  size_t lo = 0, hi = b->n;
  while (lo < hi) {
    const size_t middle = (lo + hi) / 2;
    if (b->x_px[middle] > x_px)
      hi = middle;
    else
      lo = middle + 1;
  }
  return lo;
}

/* Normal equations: lower triangle only, which is what the factorisation reads. */
typedef struct equations {
  double a[TERMS * TERMS], right[TERMS], misfit;
} equations;

static void add_wood(const edge_fit *f, const moments *m, equations *e)
{
  const double w = 1.0 / f->variance[0];
  e->a[0] += w * m->x[0];
  e->a[1 * TERMS] += w * m->x[1];
  e->a[1 * TERMS + 1] += w * m->x[2];
  e->right[0] += w * m->y[0];
  e->right[1] += w * m->y[1];
  e->misfit += w * m->yy + m->x[0] * log(f->variance[0]);
}

static void add_lid(const edge_fit *f, const moments *m, equations *e)
{
  const double w = 1.0 / f->variance[1], b = f->blur_px / f->window_px, bb = b * b;
  e->a[2 * TERMS + 2] += w * m->x[0];
  e->a[3 * TERMS + 2] += w * m->x[1];
  e->a[3 * TERMS + 3] += w * m->x[2];
  e->a[4 * TERMS + 2] += w * (m->x[2] + bb * m->x[0]);
  e->a[4 * TERMS + 3] += w * (m->x[3] + bb * m->x[1]);
  e->a[4 * TERMS + 4] += w * (m->x[4] + bb * (2.0 * m->x[2] + bb * m->x[0]));
  e->right[2] += w * m->y[0];
  e->right[3] += w * m->y[1];
  e->right[4] += w * (m->y[2] + bb * m->y[0]);
  e->misfit += w * m->yy + m->x[0] * log(f->variance[1]);
}

static void add_point(const edge_fit *f, double x_px, double y, double edge_px, equations *e)
{
  double term[TERMS];
  const double variance = variance_at(f, model_terms(f, x_px, edge_px, term)), w = 1.0 / variance;
  for (int r = 0; r < TERMS; r++) {
    const double weighted = w * term[r];
    e->right[r] += weighted * y;
    for (int c = 0; c <= r; c++)
      e->a[r * TERMS + c] += weighted * term[c];
  }
  e->misfit += w * y * y + log(variance);
}

/* Least misfit (minus twice the log-likelihood) with the edge at a place, and the model's coefficients. */
static double fit_block(const edge_fit *f, const block *b, double edge_px, double beta[TERMS])
{
  equations e = {.misfit = 0.0};
  const double prior = 1.0 / (PRIOR_SD * f->full_scale * PRIOR_SD * f->full_scale), at = edge_px / f->window_px;
  const size_t wood = first_beyond(b, edge_px - MIXED * f->blur_px),
               lid = first_beyond(b, edge_px + MIXED * f->blur_px);
  if (b->n < 3 + first_beyond(b, edge_px + 0.5 * f->blur_px))
    return INFINITY;
  for (int r = 1; r < TERMS; r++)
    e.a[r * TERMS + r] = r == 2 ? 0.0 : prior;
  const moments inside = moments_about(b, 0, wood, at), outside = moments_about(b, lid, b->n, at);
  add_wood(f, &inside, &e);
  add_lid(f, &outside, &e);
  for (size_t i = wood; i < lid; i++)
    add_point(f, b->x_px[i], b->value[i], edge_px, &e);
  if (!sp_cholesky(TERMS, e.a))
    return INFINITY;
  memcpy(beta, e.right, TERMS * sizeof *beta);
  sp_cholesky_solve(TERMS, e.a, beta);
  for (int r = 0; r < TERMS; r++)
    e.misfit -= beta[r] * e.right[r];
  return e.misfit;
}

static double place_px(const edge_fit *f, int32_t j)
{
  return f->reach_px * (j - HALF_PLACES) / HALF_PLACES;
}

/* Mean spread from `from` to `to`, NAN if there is none. */
static double mean_spread(const block *b, double from_px, double to_px)
{
  double sum = 0.0;
  size_t n = 0;
  for (size_t i = 0; i < b->n; i++)
    if (b->x_px[i] >= from_px && b->x_px[i] <= to_px) {
      sum += b->spread[i];
      n++;
    }
  return n > 2 ? sum / (double)n : NAN;
}

/* What one point's spread says against there being so much wood and so much lid. Where the mean itself is steep, strips
 * differ by the edge's own raggedness and say nothing. */
static double texture_at(const edge_fit *f, const block *b, size_t i, double wood, double lid)
{
  const double least = LEAST_NOISE * f->full_scale * LEAST_NOISE * f->full_scale;
  const double slope = 0.5 * (b->value[i + 1] - b->value[i - 1]);
  const double due = wood * wood * b->wood_spread + lid * lid * b->lid_spread + slope * slope / 4.0;
  return log(due) + (b->spread[i] + least) / due;
}

static void table_texture(const edge_fit *f, block *b)
{
  for (int lid = 0; lid < 2; lid++) {
    b->texture[lid][0] = b->texture[lid][1] = 0.0; /* the points at both ends have no slope */
    for (size_t i = 1; i < b->n; i++)
      b->texture[lid][i + 1] = b->texture[lid][i] + (i + 1 < b->n ? texture_at(f, b, i, 1.0 - lid, lid) : 0.0);
  }
}

/* What the change from grain to none says against the edge at a place: wood differs from strip to strip, the lid does
 * not. */
static double texture_misfit(const edge_fit *f, const block *b, double edge_px)
{
  const size_t wood = first_beyond(b, edge_px - MIXED * f->blur_px),
               lid = first_beyond(b, edge_px + MIXED * f->blur_px);
  double sum = b->texture[0][wood] + b->texture[1][b->n] - b->texture[1][lid], bell;
  for (size_t i = wood > 1 ? wood : 1; i < lid && i + 1 < b->n; i++) {
    const double part = part_of_lid(f, (b->x_px[i] - edge_px) / f->blur_px, &bell);
    sum += texture_at(f, b, i, 1.0 - part, part);
  }
  return sum * b->strips * f->s->across->width_px / (ALIKE_MM * f->s->o->px_per_mm);
}

static void set_spreads(const edge_fit *f, block *b)
{
  const double least = pow(LEAST_NOISE * f->full_scale, 2);
  b->wood_spread = mean_spread(b, -f->window_px, -f->reach_px) + least;
  b->lid_spread = mean_spread(b, f->reach_px, f->window_px) + least;
  if (b->wood_spread > b->lid_spread)
    table_texture(f, b);
}

/* Every `stride`-th place counted from the middle; where the misfit is least, -1 if nowhere. */
static int32_t table_misfit(const edge_fit *f, block *b, int32_t stride)
{
  const bool texture = b->wood_spread > b->lid_spread; /* false for NAN */
  double beta[TERMS];
  int32_t best = -1;
  b->least = INFINITY;
  for (int32_t j = HALF_PLACES % stride; j < PLACES; j += stride) {
    b->misfit[j] = fit_block(f, b, place_px(f, j), beta) + (texture ? texture_misfit(f, b, place_px(f, j)) : 0.0);
    if (b->misfit[j] < b->least) {
      b->least = b->misfit[j];
      best = j;
    }
  }
  return best;
}

/* What wood and lid scatter about the model where it fits best: the median over the blocks. */
static void set_variances(edge_fit *f)
{
  double square[2][BLOCKS];
  size_t n[2] = {0, 0};
  const double least = pow(LEAST_NOISE * f->full_scale, 2);
  for (int k = 0; k < BLOCKS; k++) {
    const block *b = &f->block[k];
    const int32_t best = table_misfit(f, &f->block[k], 3);
    double beta[TERMS], sum[2] = {0.0, 0.0}, count[2] = {0.0, 0.0};
    if (best < 0 || isinf(fit_block(f, b, place_px(f, best), beta)))
      continue;
    for (size_t i = 0; i < b->n; i++) {
      double term[TERMS], r = b->value[i];
      const int lid = model_terms(f, b->x_px[i], place_px(f, best), term) > 0.5;
      for (int t = 0; t < TERMS; t++)
        r -= beta[t] * term[t];
      sum[lid] += r * r;
      count[lid] += 1.0;
    }
    for (int lid = 0; lid < 2; lid++)
      if (count[lid] > 3.0)
        square[lid][n[lid]++] = sum[lid] / (count[lid] - 2.0);
  }
  for (int lid = 0; lid < 2; lid++)
    if (n[lid])
      f->variance[lid] = fmax(least, sp_median(square[lid], n[lid]));
}

/* ---- the line -------------------------------------------------------------------------------------------------------
 */

/* Along the blocks from place `from` at the first to place `to` at the last. */
static double joint_misfit(const edge_fit *f, int32_t from, int32_t to)
{
  double sum = 0.0;
  for (int32_t k = 0; k < BLOCKS; k++) {
    const int32_t j = (from * (BLOCKS - 1 - k) + to * k + (BLOCKS - 1) / 2) / (BLOCKS - 1);
    const double more = f->block[k].misfit[j] - f->block[k].least;
    sum += more < LIMIT ? more : LIMIT; /* NAN (all INFINITY) counts as LIMIT */
  }
  return sum;
}

static void best_joint(const edge_fit *f, int32_t *from, int32_t *to)
{
  double top = INFINITY;
  *from = *to = HALF_PLACES;
  for (int32_t i = 0; i < PLACES; i++)
    for (int32_t j = 0; j < PLACES; j++) {
      const double sum = joint_misfit(f, i, j);
      if (sum < top) {
        top = sum;
        *from = i;
        *to = j;
      }
    }
}

/* The least misfit of a block near place j, by a parabola: false where there is none. */
static bool settle(const edge_fit *f, const block *b, int32_t j, double *place, double *u)
{
  const int32_t most = HALF_PLACES / 4;
  for (int32_t moved = 0; moved < most; moved++) {
    const int32_t before = j;
    if (j + 1 < PLACES && b->misfit[j + 1] < b->misfit[j])
      j++;
    else if (j > 0 && b->misfit[j - 1] < b->misfit[j])
      j--;
    if (j == before)
      break;
  }
  if (j < 1 || j > PLACES - 2)
    return false;
  const double a = b->misfit[j - 1], c = b->misfit[j + 1], curve = a + c - 2.0 * b->misfit[j];
  const double step = f->reach_px / HALF_PLACES;
  if (!isfinite(curve) || !(curve > 0.0) || b->misfit[j] > fmin(a, c))
    return false;
  *place = place_px(f, j) + 0.5 * step * (a - c) / curve;
  *u = step * sqrt(2.0 / curve);
  return true;
}

typedef struct side_points {
  size_t n;
  double x[BLOCKS], y[BLOCKS], u[BLOCKS], weight[BLOCKS];
  double at, slope, scale, u_at, u_slope, sum;
} side_points;

/* Robust straight line through the blocks' places; `scale` is what they scatter against their own uncertainties. */
static bool line_through(side_points *p)
{
  double rest[BLOCKS];
  p->at = sp_median(memcpy(rest, p->y, p->n * sizeof *rest), p->n);
  p->slope = 0.0;
  for (int round = 0; round < 12; round++) {
    double sw = 0.0, sx = 0.0, sy = 0.0, sxx = 0.0, sxy = 0.0;
    for (size_t i = 0; i < p->n; i++)
      rest[i] = fabs(p->y[i] - p->at - p->slope * p->x[i]) / p->u[i];
    p->scale = fmax(1.0, 1.4826 * sp_median(rest, p->n));
    p->sum = 0.0;
    for (size_t i = 0; i < p->n; i++) {
      const double r = (p->y[i] - p->at - p->slope * p->x[i]) / (p->u[i] * p->scale);
      p->weight[i] = sp_tukey_weight(r, 4.685);
      const double w = p->weight[i] / (p->u[i] * p->u[i]);
      p->sum += p->weight[i];
      sw += w;
      sx += w * p->x[i];
      sy += w * p->y[i];
      sxx += w * p->x[i] * p->x[i];
      sxy += w * p->x[i] * p->y[i];
    }
    const double det = sw * sxx - sx * sx;
    if (!(det > 0.0))
      return false;
    p->slope = (sw * sxy - sx * sy) / det;
    p->at = (sy - p->slope * sx) / sw;
    p->u_at = p->scale * sqrt(sxx / det);
    p->u_slope = p->scale * sqrt(sw / det);
  }
  return true;
}

/* The line from place `from` at the first block to place `to` at the last. */
static void move_along(const edge_fit *f, double middle_px, int32_t from, int32_t to, sp_lengthwise *side)
{
  const double first = f->block[0].u_px, last = f->block[BLOCKS - 1].u_px;
  const double slope = (place_px(f, to) - place_px(f, from)) / (last - first);
  side->slope = f->line.slope + f->outward * slope;
  const double at =
      sp_lengthwise_at(&f->line, middle_px) + f->outward * (place_px(f, from) + slope * (middle_px - first));
  side->at_px = at - side->slope * middle_px;
}

/* One round: reads blocks along f->line and finds the edge beside it; *near is true if it lies well within reach. */
static bool measure_once(edge_fit *f, sp_lengthwise *side, bool *near)
{
  const sp_strips *across = f->s->across;
  const double middle = 0.5 * (f->s->first_px + f->s->last_px);
  const int32_t first = (int32_t)fmax(0.0, floor(f->s->first_px / across->width_px));
  const int32_t count = (int32_t)fmin(across->count - 1.0, floor(f->s->last_px / across->width_px)) - first + 1;
  side_points points = {0};
  int32_t from, to;
  for (int32_t k = 0; k < BLOCKS; k++)
    read_block(f, first + k * count / BLOCKS, first + (k + 1) * count / BLOCKS, &f->block[k]);
  for (int k = 0; k < BLOCKS; k++) {
    table_moments(f, &f->block[k]);
    set_spreads(f, &f->block[k]);
  }
  f->variance[0] = f->variance[1] = pow(LEAST_NOISE * f->full_scale, 2);
  for (int round = 0; round < VARIANCE_ROUNDS; round++) /* where the edge is best depends on them, and they on that */
    set_variances(f);
  for (int k = 0; k < BLOCKS; k++)
    table_misfit(f, &f->block[k], 1);
  best_joint(f, &from, &to);
  *near = abs(from - HALF_PLACES) < NEAR_PLACES && abs(to - HALF_PLACES) < NEAR_PLACES;
  if (!*near) { /* the misfits' least may lie beyond: go there first */
    move_along(f, middle, from, to, side);
    return true;
  }
  for (int32_t k = 0; k < BLOCKS; k++) {
    const int32_t j = (from * (BLOCKS - 1 - k) + to * k + (BLOCKS - 1) / 2) / (BLOCKS - 1);
    if (settle(f, &f->block[k], j, &points.y[points.n], &points.u[points.n]))
      points.x[points.n++] = f->block[k].u_px - middle;
  }
  if (points.n < FEWEST_BLOCKS || !line_through(&points) || points.sum < FEWEST_BLOCKS - 1.0)
    return false;
  const double slope = f->line.slope + f->outward * points.slope;
  const double at = sp_lengthwise_at(&f->line, middle) + f->outward * points.at;
  const double doubt = 1.0 + 2.0 * fmin(1.0, sp_median(points.u, points.n) / NO_STEP_U_PX);
  *side = (sp_lengthwise){at - slope * middle, slope, hypot(doubt * AT_COMMON * points.u_at, AT_FLOOR_PX),
                          hypot(doubt * SLOPE_COMMON * points.u_slope, SLOPE_FLOOR)};
  return true;
}

/* ---- its cross-section ----------------------------------------------------------------------------------------------
 */

/* So far to both sides, in blurs; bins are half a pixel. */
static const double SECTION_BLURS = 10.0, SECTION_BIN_PX = 0.5;

/* Mean of the blocks as read last, about f->line. */
static void fill_profile(const edge_fit *f, const sp_lengthwise *edge, sp_edge_profile *p)
{
  double count[SP_EDGE_POINTS] = {0.0}, x_px[SP_EDGE_POINTS] = {0.0}, value[SP_EDGE_POINTS] = {0.0};
  const double reach = fmin(fmin(f->window_px, SECTION_BLURS * f->blur_px), 0.5 * SECTION_BIN_PX * SP_EDGE_POINTS);
  for (int k = 0; k < BLOCKS; k++) {
    const block *b = &f->block[k];
    const double at = f->outward * (sp_lengthwise_at(edge, b->u_px) - sp_lengthwise_at(&f->line, b->u_px));
    for (size_t i = 0; i < b->n; i++) {
      const double x = b->x_px[i] - at, bin = floor((x + reach) / SECTION_BIN_PX);
      if (!(fabs(x) < reach) || !(bin >= 0.0 && bin < SP_EDGE_POINTS))
        continue;
      count[(size_t)bin] += 1.0;
      x_px[(size_t)bin] += x;
      value[(size_t)bin] += b->value[i] / f->full_scale;
    }
  }
  p->n = 0;
  p->blur_px = f->blur_px;
  for (size_t i = 0; i < SP_EDGE_POINTS; i++)
    if (count[i] > 0.0) {
      p->x_px[p->n] = x_px[i] / count[i];
      p->value[p->n++] = value[i] / count[i];
    }
}

sp_status sp_board_edge_measure(const sp_edge_search *s, int outward, const sp_lengthwise *rough, sp_lengthwise *side,
                                bool *seen, sp_edge_profile *profile, sp_error *err)
{
  edge_fit *f = malloc(sizeof *f);
  const double px_per_mm = s->o->px_per_mm;
  const double blur = s->o->blur_px > 0.0 ? s->o->blur_px : fmax(0.9, 0.03 * px_per_mm);
  sp_lengthwise found = *rough;
  int stage = 0;
  if (!f)
    return sp_fail_memory(err);
  *f = (edge_fit){.s = s, .outward = outward, .window_px = WINDOW_MM * px_per_mm};
  f->full_scale = s->full_scale;
  fill_tables(f);
  *seen = true;
  for (int round = 0; round < MOST_MOVES && *seen && stage < 2; round++) {
    f->line = found;
    f->reach_px = fmax(REACH_MM[stage] * px_per_mm, 2.5);
    /* pixels and bins are a pixel wide, and a strip smears by its own slant: variances of even distributions */
    f->blur_px = sqrt(blur * blur + (2.0 + pow(found.slope * s->across->width_px, 2)) / 12.0);
    bool near;
    *seen = measure_once(f, &found, &near);
    stage = near ? stage + 1 : 0;
    const double moved = fmax(fabs(sp_lengthwise_at(&found, s->first_px) - sp_lengthwise_at(rough, s->first_px)),
                              fabs(sp_lengthwise_at(&found, s->last_px) - sp_lengthwise_at(rough, s->last_px)));
    *seen = *seen && moved < MOST_MOVED_MM * px_per_mm;
  }
  *seen = *seen && stage == 2;
  if (*seen)
    *side = found;
  if (profile)
    profile->n = 0;
  if (profile && *seen)
    fill_profile(f, &found, profile);
  free(f);
  return SP_OK;
}
