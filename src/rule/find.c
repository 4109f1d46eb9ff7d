/* Finding the rule.
 *
 * What sets a rule apart from everything else in the picture is a train of strokes with one period, over a long and
 * narrow band. In the strips (averages over about 0.7 mm across) the train shows as a periodic stretch of the profile.
 * The picture is cut into windows (one strip wide, 32 strips long); the liveliest of them are tested for a period by
 * their autocorrelation; windows that agree in the period vote for a slanted band.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/rule.h"
#include "slotproof/numeric.h"
#include "workers/wide.h"
#include "slotproof/workers.h"

enum { WINDOW_STRIPS = 32, MAX_LAG_STRIPS = 4, MIN_LAG = 4, MAX_WINDOWS = 260, MAX_LAGS = 4 * 32 + 2 };
/* How much longer the windows and periods are of a search for rules of which little is in sight. */
enum { LONGER = 4 };
/* Below this correlation at its period a stretch is no train of strokes. */
static const double MIN_CORRELATION = 0.30;
/* The rule lies up to 2 degrees askew (the contract); a little more is looked at. */
static const double MAX_SLOPE = 0.052;

/* How long windows are and how long a period may be, px. */
typedef struct reach {
  int32_t strip_px, window_px, lag_px;
} reach;

static reach reach_of(const sp_scene *scene, int32_t longer)
{
  const int32_t strip_px = (int32_t)scene->strip_px;
  return (reach){strip_px, longer * WINDOW_STRIPS * strip_px, longer * MAX_LAG_STRIPS * strip_px};
}

typedef struct window {
  int32_t strip, start;
  float energy;
  double period, weight; /* weight 0: not periodic */
} window;

/* Profile slope over d pixels: takes away light and grain, keeps strokes. */
static inline void difference(const float *p, int32_t n, int32_t d, float *out)
{
  for (int32_t i = 0; i < n; i++)
    out[i] = p[i + d] - p[i];
}

/* Sum of a[i] b[i]. Sixteen running sums: the order of additions is the program's to choose, not the compiler's. */
static inline float dot(const float *a, const float *b, int32_t n)
{
  enum { LANES = 16 };
  float lane[LANES] = {0}, sum = 0.0f;
  int32_t i = 0;
  for (; i + LANES <= n; i += LANES)
    for (int32_t k = 0; k < LANES; k++)
      lane[k] += a[i + k] * b[i + k];
  for (; i < n; i++)
    sum += a[i] * b[i];
  for (int32_t k = 0; k < LANES; k++)
    sum += lane[k];
  return sum;
}

static inline float mean_square(const float *x, int32_t n)
{
  return dot(x, x, n) / (float)n;
}

static inline double correlation(const float *x, int32_t n, int32_t lag, double energy)
{
  return (double)dot(x, x + lag, n - lag) / (energy * (double)(n - lag));
}

/* The first lag whose correlation is a local peak nearly as high as any; 0 if the stretch is not periodic. */
SP_WIDE static double period_of(const float *x, int32_t n, double energy, int32_t max_lag, double *height)
{
  double r[MAX_LAGS + 1], top = 0.0;
  if (max_lag > MAX_LAGS)
    max_lag = MAX_LAGS;
  for (int32_t lag = MIN_LAG - 1; lag <= max_lag; lag++)
    r[lag] = correlation(x, n, lag, energy);
  for (int32_t lag = MIN_LAG; lag < max_lag; lag++)
    if (r[lag] > r[lag - 1] && r[lag] >= r[lag + 1] && r[lag] > top)
      top = r[lag];
  if (top < MIN_CORRELATION)
    return 0.0;
  for (int32_t lag = MIN_LAG; lag < max_lag; lag++)
    if (r[lag] > r[lag - 1] && r[lag] >= r[lag + 1] && r[lag] > 0.75 * top) {
      const double bend = r[lag - 1] - 2.0 * r[lag] + r[lag + 1];
      *height = r[lag];
      return (double)lag + (bend < 0.0 ? 0.5 * (r[lag - 1] - r[lag + 1]) / bend : 0.0);
    }
  return 0.0;
}

/* A longer lag that is still in step sharpens the period: looks near k periods for k = 2, 4, 8. */
static inline double sharpen_period(const float *x, int32_t n, double energy, double period)
{
  for (int32_t k = 2; k <= 8; k *= 2) {
    const int32_t guess = (int32_t)lround(period * k), reach = (int32_t)(0.3 * period) + 1;
    int32_t best = 0;
    double top = 0.0;
    if (guess + reach + 1 >= n / 2)
      break;
    for (int32_t lag = guess - reach; lag <= guess + reach; lag++) {
      const double r = correlation(x, n, lag, energy);
      if (r > top) {
        top = r;
        best = lag;
      }
    }
    if (top < 0.5 * MIN_CORRELATION)
      break;
    const double a = correlation(x, n, best - 1, energy), c = correlation(x, n, best + 1, energy);
    if (a > top || c > top) /* the edge of the reach, no peak */
      break;
    const double bend = a - 2.0 * top + c;
    period = ((double)best + (bend < 0.0 ? 0.5 * (a - c) / bend : 0.0)) / (double)k;
  }
  return period;
}

/* Livelier, or as lively and earlier. */
static bool goes_before(const window *a, const window *b)
{
  if (a->energy != b->energy)
    return a->energy > b->energy;
  return a->strip != b->strip ? a->strip < b->strip : a->start < b->start;
}

static int by_energy(const void *a, const void *b)
{
  return goes_before(a, b) ? -1 : goes_before(b, a) ? 1 : 0;
}

/* Puts w into the place `hole` of a heap whose first window is the one that would have to go next, or further down. */
static void sift(window *heap, size_t count, size_t hole, window w)
{
  for (size_t child = 2 * hole + 1; child < count; child = 2 * hole + 1) {
    if (child + 1 < count && goes_before(&heap[child], &heap[child + 1]))
      child++;
    if (!goes_before(&w, &heap[child]))
      break;
    heap[hole] = heap[child];
    hole = child;
  }
  heap[hole] = w;
}

static void keep_lively(window *list, size_t room, size_t *count, window w)
{
  if (*count < room) {
    list[(*count)++] = w;
    for (size_t i = *count == room ? room / 2 : 0; i-- > 0;)
      sift(list, room, i, list[i]);
  } else if (goes_before(&w, &list[0])) {
    sift(list, room, 0, w);
  }
}

/* The windows of one axis with the most energy, at most `room`, the liveliest first. */
SP_WIDE static sp_status lively_windows(const sp_strips *strips, reach o, window *list, size_t room, size_t *count,
                                sp_error *err)
{
  const int32_t length = (int32_t)strips->length_px, size = o.window_px;
  const int32_t d = o.strip_px / 8 > 0 ? o.strip_px / 8 : 1;
  const int32_t per_strip = length > size + d ? (length - size - d) / (size / 2) + 1 : 0;
  *count = 0;
  float *x = malloc((size_t)(size + 1) * sizeof *x);
  if (!x)
    return sp_fail_memory(err);
  for (uint32_t s = 0; s < strips->count; s++)
    for (int32_t k = 0; k < per_strip; k++) {
      window w = {.strip = (int32_t)s, .start = k * (size / 2)};
      difference(strips->mean + (size_t)s * strips->length_px + w.start, size, d, x);
      w.energy = mean_square(x, size);
      keep_lively(list, room, count, w);
    }
  free(x);
  qsort(list, *count, sizeof *list, by_energy);
  return SP_OK;
}

SP_WIDE static sp_status find_periods(const sp_strips *strips, reach o, window *list, size_t count, sp_error *err)
{
  const int32_t size = o.window_px, d = o.strip_px / 8 > 0 ? o.strip_px / 8 : 1;
  float *x = malloc((size_t)size * sizeof *x);
  if (!x)
    return sp_fail_memory(err);
  for (size_t i = 0; i < count; i++) {
    window *w = &list[i];
    double height = 0.0;
    difference(strips->mean + (size_t)w->strip * strips->length_px + w->start, size, d, x);
    w->period = period_of(x, size, (double)w->energy, o.lag_px, &height);
    if (w->period > 0.0) {
      w->period = sharpen_period(x, size, (double)w->energy, w->period);
      w->weight = height * sqrt((double)w->energy);
    }
  }
  free(x);
  return SP_OK;
}

/* The period most windows agree on (within 3 %), by summed weight. */
static double favourite_period(const window *list, size_t count, double *weight)
{
  double best = 0.0, period[MAX_WINDOWS], say[MAX_WINDOWS];
  size_t n = 0;
  *weight = 0.0;
  for (size_t i = 0; i < count; i++)
    if (list[i].weight > 0.0) {
      period[n] = list[i].period;
      say[n++] = list[i].weight;
    }
  for (size_t i = 0; i < n; i++) {
    double sum = 0.0, mean = 0.0;
    for (size_t j = 0; j < n; j++)
      if (fabs(period[j] - period[i]) < 0.03 * period[i]) {
        sum += say[j];
        mean += say[j] * period[j];
      }
    if (sum > *weight) {
      *weight = sum;
      best = mean / sum;
    }
  }
  return best;
}

/* Where a window's middle lies; of windows of one period only. */
typedef struct vote {
  double u_px, v_px, weight;
} vote;

static size_t votes_for(const window *list, size_t count, double period, reach o, vote *votes)
{
  size_t n = 0;
  for (size_t a = 0; a < count; a++)
    if (list[a].weight > 0.0 && fabs(list[a].period / period - 1.0) <= 0.04)
      votes[n++] = (vote){list[a].start + 0.5 * o.window_px, (list[a].strip + 0.5) * o.strip_px, list[a].weight};
  return n;
}

/* The votes of a slope: where each crosses u = 0. Padded by what lies nowhere. */
enum { VOTE_LANES = 4, MOST_VOTES = (MAX_WINDOWS + VOTE_LANES - 1) / VOTE_LANES * VOTE_LANES };
typedef struct crossings {
  double v_px[MOST_VOTES], weight[MOST_VOTES];
  size_t padded;
} crossings;

/* How much is said for places nearer to v_px than so much, by several running sums. */
static inline double said_near(const crossings *c, double v_px, double near_px)
{
  double lane[VOTE_LANES] = {0.0};
  for (size_t b = 0; b < c->padded; b += VOTE_LANES)
    for (size_t k = 0; k < VOTE_LANES; k++)
      lane[k] += fabs(c->v_px[b + k] - v_px) < near_px ? c->weight[b + k] : 0.0;
  return (lane[0] + lane[1]) + (lane[2] + lane[3]);
}

/* The mean of those places. */
static double mean_near(const crossings *c, size_t n, double v_px, double near_px)
{
  double sum = 0.0, mean = 0.0;
  for (size_t b = 0; b < n; b++)
    if (fabs(c->v_px[b] - v_px) < near_px) {
      sum += c->weight[b];
      mean += c->weight[b] * (c->v_px[b] - v_px);
    }
  return v_px + mean / sum;
}

/* The slanted line through most of the windows of one period. */
SP_WIDE static void favourite_band(const window *list, size_t count, double period, reach o, sp_comb *comb)
{
  vote votes[MAX_WINDOWS];
  const size_t n = votes_for(list, count, period, o, votes);
  const double near_px = 2.5 * o.strip_px;
  crossings c = {.padded = (n + VOTE_LANES - 1) / VOTE_LANES * VOTE_LANES};
  for (size_t a = 0; a < c.padded; a++) {
    c.v_px[a] = INFINITY;
    c.weight[a] = a < n ? votes[a].weight : 0.0;
  }
  comb->strength = 0.0;
  for (int32_t i = -26; i <= 26; i++) {
    const double slope = MAX_SLOPE * i / 26.0;
    for (size_t a = 0; a < n; a++)
      c.v_px[a] = votes[a].v_px - slope * votes[a].u_px;
    for (size_t a = 0; a < n; a++) {
      const double sum = said_near(&c, c.v_px[a], near_px);
      /* of equally good slopes the smaller */
      if (sum > comb->strength * (1.0 + 1e-9)) {
        comb->strength = sum;
        comb->slope = slope;
        comb->v0_px = mean_near(&c, n, c.v_px[a], near_px);
      }
    }
  }
}

static void drop_explained(window *list, size_t count, const sp_comb *comb, reach o)
{
  for (size_t a = 0; a < count; a++) {
    const double u = list[a].start + 0.5 * o.window_px;
    const double dv = (list[a].strip + 0.5) * o.strip_px - comb->slope * u - comb->v0_px;
    if (fabs(dv) < 9.0 * o.strip_px && fabs(list[a].period / comb->period_px - 1.0) < 0.05)
      list[a].weight = 0.0;
  }
}

static sp_status find_along(const sp_scene *scene, sp_along along, int32_t longer, sp_comb *combs, size_t room,
                            size_t *found, sp_error *err)
{
  const sp_strips *strips = &scene->strips[along];
  const reach o = reach_of(scene, longer);
  window list[MAX_WINDOWS];
  size_t count = 0;
  sp_status status = lively_windows(strips, o, list, MAX_WINDOWS, &count, err);
  if (!status)
    status = find_periods(strips, o, list, count, err);
  *found = 0;
  while (!status && *found < room) {
    sp_comb comb = {.along = along};
    double weight;
    comb.period_px = favourite_period(list, count, &weight);
    if (weight <= 0.0)
      break;
    favourite_band(list, count, comb.period_px, o, &comb);
    drop_explained(list, count, &comb, o);
    combs[(*found)++] = comb;
  }
  return status;
}

static int by_strength(const void *a, const void *b)
{
  const double x = ((const sp_comb *)a)->strength, y = ((const sp_comb *)b)->strength;
  return (x < y) - (x > y);
}

typedef struct axis_search {
  const sp_scene *scene;
  int32_t longer;
  sp_comb *combs;
  size_t found[2];
  sp_status status[2];
  sp_error err[2];
} axis_search;

static void search_axis(void *context, size_t axis)
{
  axis_search *a = context;
  a->status[axis] = find_along(a->scene, axis == 0 ? SP_ALONG_X : SP_ALONG_Y, a->longer,
                               a->combs + axis * (SP_MAX_COMBS / 2), SP_MAX_COMBS / 2, &a->found[axis], &a->err[axis]);
}

static sp_status find(const sp_scene *scene, int32_t longer, sp_comb combs[SP_MAX_COMBS], size_t *count, sp_error *err)
{
  axis_search a = {.scene = scene, .longer = longer, .combs = combs};
  sp_workers_run(search_axis, &a, 2);
  *count = 0;
  for (size_t axis = 0; axis < 2; axis++) {
    if (a.status[axis]) {
      if (err)
        *err = a.err[axis];
      return a.status[axis];
    }
    for (size_t i = 0; i < a.found[axis]; i++)
      combs[(*count)++] = combs[axis * (SP_MAX_COMBS / 2) + i];
  }
  qsort(combs, *count, sizeof *combs, by_strength);
  return SP_OK;
}

sp_status sp_rule_find(const sp_scene *scene, sp_comb combs[SP_MAX_COMBS], size_t *count, sp_error *err)
{
  return find(scene, 1, combs, count, err);
}

sp_status sp_rule_find_along(const sp_scene *scene, sp_along along, sp_comb combs[SP_MAX_COMBS / 2], size_t *count,
                             sp_error *err)
{
  const sp_status status = find_along(scene, along, 1, combs, SP_MAX_COMBS / 2, count, err);
  if (!status)
    qsort(combs, *count, sizeof *combs, by_strength);
  return status;
}

sp_status sp_rule_find_few(const sp_scene *scene, sp_comb combs[SP_MAX_COMBS], size_t *count, sp_error *err)
{
  return find(scene, LONGER, combs, count, err);
}

sp_status sp_rule_stretches(const sp_scene *scene, sp_along along, sp_rule_stretch list[SP_RULE_STRETCHES],
                            size_t *count, sp_error *err)
{
  const sp_strips *strips = &scene->strips[along];
  const reach o = reach_of(scene, 1);
  window *windows = malloc(SP_RULE_STRETCHES * sizeof *windows);
  size_t n = 0;
  *count = 0;
  sp_status status = windows ? SP_OK : sp_fail_memory(err);
  if (!status)
    status = lively_windows(strips, o, windows, SP_RULE_STRETCHES, &n, err);
  if (!status)
    status = find_periods(strips, o, windows, n, err);
  for (size_t i = 0; !status && i < n; i++)
    if (windows[i].weight > 0.0)
      list[(*count)++] =
          (sp_rule_stretch){windows[i].start + 0.5 * o.window_px, (windows[i].strip + 0.5) * (double)o.strip_px,
                            windows[i].period, windows[i].weight};
  free(windows);
  return status;
}
