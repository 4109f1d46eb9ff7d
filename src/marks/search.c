/* The coarse search for lines across the board.
 *
 * Grain runs along the board and changes slowly that way; a line changes everything within a tenth of a millimetre and
 * does so all across. So every strip's profile is filtered by "middle less either side", scaled by the strip's own
 * scatter and clipped (one scratch or pore must not outvote the rest); then, for each slope a line may have, the
 * responses of neighbouring strips are summed in groups of a few millimetres and the best run of groups is looked for
 * at every place (Kadane's maximum sub-array, groups that show nothing counting against). A run's sum is the score;
 * peaks of it are candidates.
 *
 * The responses of a whole picture would fill as much fresh memory as its strips, and clearing that costs more than
 * computing them. So they are held for one stretch of places at a time, with what the slopes reach beside it, in memory
 * that the next stretch uses again.
 */
#include <math.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>

#include "marks_internal.h"
#include "raster/pages.h"
#include "slotproof/numeric.h"
#include "slotproof/workers.h"
#include "workers/wide.h"

enum { GROUP_STRIPS = 8, STRETCHES = 8, MAX_PEAKS = 1024 };
static const double CLIP = 6.0;
/* A group of strips without the line costs this much: keeps runs from joining over nothing. */
static const double GROUP_COST = 2.0;
/* Lines of an honest board are square to it within a degree. The board itself may lie 2 degrees off the picture's axis,
 * whatever the rule does; while it is looked for the slopes are tried more coarsely. */
static const double SLOPE_REACH_NEAR = 0.018, SLOPE_REACH_FAR = 0.052, FAR_STEP = 1.5;
/* Fanned lines follow the straight trend of their slopes within this: spreads that grow bend it. */
static const double FAN_BEND = 0.02;
static const double MIN_SCORE = 12.0, DARK_COUNTS = 1.6, CLEARLY = 3.0, ECHO_MM = 0.42;
/* No board is broader; what spans more is an unevenness of the sensor's lines. */
static const double MAX_BREADTH_MM = 110.0;

typedef sp_line_filter filter;

sp_line_filter sp_line_filter_for(sp_mark_kind kind, double px_per_mm)
{
  filter f = {0};
  if (kind == SP_MARK_SLOT) {
    f.core = (int32_t)lround(0.45 * px_per_mm);
    f.gap = (int32_t)lround(0.22 * px_per_mm);
    f.flank = (int32_t)lround(0.5 * px_per_mm);
  } else {
    f.core = (int32_t)lround(0.12 * px_per_mm);
    f.gap = (int32_t)lround(0.10 * px_per_mm);
    f.flank = (int32_t)lround(0.30 * px_per_mm);
  }
  f.core = f.core < 2 ? 2 : f.core;
  f.gap = f.gap < 1 ? 1 : f.gap;
  f.flank = f.flank < 3 ? 3 : f.flank;
  return f;
}

static int32_t filter_reach(const filter *f)
{
  return f->kernel ? f->kernel->half_px : f->core / 2 + f->gap + f->flank + 1;
}

/* The height of a line at p[0], by the kernel. */
static double height_by(const sp_kernel *kernel, const float *p)
{
  double sum = 0.0;
  for (int32_t i = 0; i <= 2 * kernel->half_px; i++)
    sum += (double)kernel->weight[i] * (double)p[i - kernel->half_px];
  return sum;
}

/* sum[i] = p[0] + .. + p[i - 1] for i = 0 .. n. Four at a time, so that one addition of four has to wait for the one
 * before; the sums are exact either way, of numbers of 24 bits. */
static void running_sums(const float *p, int32_t n, double *sum)
{
  int32_t i = 0;
  sum[0] = 0.0;
  for (; i + 4 <= n; i += 4) {
    const double two = (double)p[i] + (double)p[i + 1], three = two + (double)p[i + 2], four = three + (double)p[i + 3];
    sum[i + 1] = sum[i] + (double)p[i];
    sum[i + 2] = sum[i] + two;
    sum[i + 3] = sum[i] + three;
    sum[i + 4] = sum[i] + four;
  }
  for (; i < n; i++)
    sum[i + 1] = sum[i] + (double)p[i];
}

/* Means of the core less those of the left and right flank. `at` is where the core begins in the running sums, `in` and
 * `beside` are one over the widths of core and flank. */
static inline void differences_at(const double *at, filter f, float in, float beside, float *left, float *right)
{
  const float core = (float)(at[f.core] - at[0]) * in;
  *left = core - (float)(at[-f.gap] - at[-f.gap - f.flank]) * beside;
  *right = core - (float)(at[f.core + f.gap + f.flank] - at[f.core + f.gap]) * beside;
}

/* Of both differences the smaller one, 0 if they disagree in sign: so a step does not respond, nor do the places beside
 * a strong line. */
static inline float response_at(const double *at, filter f, float in, float beside)
{
  float left, right;
  differences_at(at, f, in, beside, &left, &right);
  /* the middle one of 0 and both, without branches */
  const float low = left < right ? left : right, high = left < right ? right : left;
  return (low > 0.0f ? low : 0.0f) + (high < 0.0f ? high : 0.0f);
}

/* The same in size and whatever the signs: waves on the wood, of which a response shows the crests alone, are to count
 * as scatter. */
static inline float scatter_at(const double *at, filter f, float in, float beside)
{
  float left, right;
  differences_at(at, f, in, beside, &left, &right);
  return fabsf(left) < fabsf(right) ? fabsf(left) : fabsf(right);
}

/* What a strip's responses are divided by, from every eighth of them: the scatter, the larger of what half and what
 * three quarters of the places say, so that a strip that is mostly bare glass does not make its bit of wood look
 * lively. `sum` holds length + 1 values, `work` a quarter of that. */
static double scatter_of_strip(const float *p, int32_t length, const filter *f, double floor_value, double *sum,
                               float *work)
{
  const int32_t reach = filter_reach(f), n = (length + 7) / 8;
  const int32_t first = (reach + 7) / 8, past = (length - reach + 7) / 8;
  memset(work, 0, (size_t)n * sizeof *work);
  if (!f->kernel)
    running_sums(p, length, sum);
  for (int32_t i = first; i < past; i++)
    work[i] = f->kernel ? fabsf((float)height_by(f->kernel, p + 8 * i))
                        : scatter_at(sum + 8 * i - f->core / 2, *f, 1.0f / (float)f->core, 1.0f / (float)f->flank);
  const double half = 1.4826 * (double)sp_quantile_f(work, (size_t)n, 0.5);
  const double most = (double)sp_quantile_f(work, (size_t)n, 0.75) / 1.1503;
  return fmax(fmax(half, most), floor_value);
}

/* Responses at n places from `at` on, in steps that the compiler can do for several places at once, which it cannot
 * where one choice hangs on another. */
SP_WIDE static void respond(int32_t n, const double *restrict at, filter f, float *restrict r)
{
  const float in = 1.0f / (float)f.core, beside = 1.0f / (float)f.flank;
  for (int32_t i = 0; i < n; i++)
    r[i] = response_at(at + i, f, in, beside);
}

/* The same by a kernel, at p[0] .. p[n - 1]. */
SP_WIDE static void respond_by(const sp_kernel *kernel, int32_t n, const float *restrict p, float *restrict r)
{
  for (int32_t k = -kernel->half_px; k <= kernel->half_px; k++) {
    const float weight = kernel->weight[k + kernel->half_px];
    for (int32_t i = 0; i < n; i++)
      r[i] += weight * p[i + k];
  }
}

SP_WIDE static void scale_and_clip(int32_t n, double scale, float *restrict r)
{
  const float most = (float)CLIP;
  for (int32_t i = 0; i < n; i++) {
    const float x = (float)((double)r[i] * scale);
    r[i] = x < most ? x : most;
  }
  for (int32_t i = 0; i < n; i++)
    r[i] = r[i] > -most ? r[i] : -most;
}

/* Responses of one strip at the places lo .. hi - 1, scaled and clipped. `sum` holds hi - lo + 2 reach + 1 values. */
static void filter_strip(const float *p, int32_t length, const filter *f, double scale, int32_t lo, int32_t hi,
                         double *restrict sum, float *restrict response)
{
  const int32_t reach = filter_reach(f);
  const int32_t first = lo > reach ? lo : reach, past = hi < length - reach ? hi : length - reach;
  memset(response, 0, (size_t)(hi - lo) * sizeof *response);
  if (first >= past)
    return;
  if (f->kernel) {
    respond_by(f->kernel, past - first, p + first, response + (first - lo));
  } else {
    running_sums(p + first - reach, past - first + 2 * reach, sum);
    respond(past - first, sum + reach - f->core / 2, *f, response + (first - lo));
  }
  scale_and_clip(past - first, scale, response + (first - lo));
}

/* The best run of groups at every place, structure of arrays so that the loops over places run in SIMD. Where the best
 * run begins and ends is asked for at few places only, and found again there. */
typedef struct runs {
  float *score, *run; /* best so far over all slopes; running sum */
  int32_t *slope;     /* number of the best's */
} runs;

typedef struct stretch {
  int32_t from, to; /* places that are searched, without the second */
  int32_t lo, hi;   /* places whose responses are held */
} stretch;

/* What one thread works on; kept for the next stretch that comes along. */
typedef struct desk {
  atomic_flag taken;
  float *response; /* strips x held: of the places lo .. hi - 1 */
  float *group;    /* held: one group at one slope */
  float *eight;    /* held: and further strips of it */
  double *sum;     /* running sums: of a whole strip, or of what is held with the filter's reach on both sides */
} desk;

typedef struct search {
  const sp_marks_options *o;
  const sp_board *board; /* NULL: not known yet */
  const sp_strips *all;
  filter f;
  int32_t length, strips, groups, strip_px;
  int32_t first; /* strip of the picture that is strip 0 here: on the board nothing else is looked at */
  int32_t group; /* strips in a group, a multiple of GROUP_STRIPS */
  int32_t steps; /* slopes are centre + i step, i = -steps .. steps */
  double centre[STRETCHES], step, v_middle, floor_value;
  int32_t margin,
      held;      /* places that the slopes reach beyond a stretch; places of a stretch with its margins, at most */
  double *scale; /* strips: what responses are multiplied by */
  runs best[2];  /* darker, lighter */
  desk desks[SP_WORKERS_MOST];
  float *responses, *groups_at_work;
  double *sums;
} search;

static int32_t stretch_begin(const search *s, int32_t index)
{
  return (int32_t)((int64_t)s->length * (int64_t)index / STRETCHES);
}

static int32_t stretch_of(const search *s, int32_t u)
{
  int32_t index = (int32_t)((int64_t)u * STRETCHES / s->length);
  while (index + 1 < STRETCHES && u >= stretch_begin(s, index + 1))
    index++;
  return index;
}

static double slope_of(const search *s, int32_t stretch, int32_t i)
{
  return s->centre[stretch] + i * s->step;
}

static const float *profile_of(const search *s, int32_t strip)
{
  return s->all->mean + (size_t)(s->first + strip) * s->all->length_px;
}

/* There are as many desks as there can be threads, so one is free. The first free one is taken: those that are never
 * needed never cost memory. */
static desk *take_desk(search *s)
{
  size_t i = 0;
  while (atomic_flag_test_and_set(&s->desks[i].taken))
    i = (i + 1) % SP_WORKERS_MOST;
  return &s->desks[i];
}

static void leave_desk(desk *d)
{
  atomic_flag_clear(&d->taken);
}

/* v is at or above a line that runs straight: along a whole stretch if it is so at both ends. */
static bool above_along(double at, double slope, double v, int32_t lo, int32_t hi)
{
  return v >= at + slope * lo && v >= at + slope * (hi - 1);
}

static bool below_along(double at, double slope, double v, int32_t lo, int32_t hi)
{
  return v <= at + slope * lo && v <= at + slope * (hi - 1);
}

static void silence(float *r, int32_t n)
{
  memset(r, 0, (size_t)(n > 0 ? n : 0) * sizeof *r);
}

static void silence_rule(const search *s, int32_t k, int32_t lo, int32_t hi, float *r)
{
  const sp_marks_options *o = s->o;
  const double v0 = (s->first + k) * (double)s->strip_px - s->strip_px, v1 = v0 + 3.0 * s->strip_px;
  /* few strips meet the rule at all */
  if (below_along(o->rule_v0_px, o->rule_slope, v1, lo, hi) || above_along(o->rule_v1_px, o->rule_slope, v0, lo, hi))
    return;
  for (int32_t u = lo; u < hi; u++)
    if (v1 > o->rule_v0_px + o->rule_slope * u && v0 < o->rule_v1_px + o->rule_slope * u)
      r[u - lo] = 0.0f;
}

/* Outside the board there is nothing to find: neither an unevenness of the sensor's lines on bare glass nor the rule's
 * numerals can lengthen a run. */
static void silence_outside(const search *s, int32_t k, int32_t lo, int32_t hi, float *r)
{
  const sp_board *b = s->board;
  const double u0 = b->end[0].found ? b->end[0].u_px : -1.0, u1 = b->end[1].found ? b->end[1].u_px : s->length;
  const double v = (s->first + k + 0.5) * (double)s->strip_px, slack = 0.5 * s->strip_px;
  const int32_t n = hi - lo, first = (int32_t)fmin(fmax(ceil(u0) - lo, 0.0), n);
  const int32_t past = (int32_t)fmin(fmax(floor(u1) + 1.0 - lo, 0.0), n);
  const sp_lengthwise *side = b->side;
  const double from = side[0].at_px + slack, to = side[1].at_px - slack;
  silence(r, first);
  silence(r + past, n - past);
  /* most strips lie between the sides from end to end */
  if (above_along(from, side[0].slope, v, lo, hi) && below_along(to, side[1].slope, v, lo, hi))
    return;
  for (int32_t u = lo; u < hi; u++)
    if (v < from + side[0].slope * u || v > to + side[1].slope * u)
      r[u - lo] = 0.0f;
}

SP_WIDE static void hold_strip(const search *s, int32_t k, int32_t lo, int32_t hi, double *sum, float *r)
{
  filter_strip(profile_of(s, k), s->length, &s->f, s->scale[k], lo, hi, sum, r);
  if (s->o->has_rule)
    silence_rule(s, k, lo, hi, r);
  if (s->board)
    silence_outside(s, k, lo, hi, r);
}

/* How far along a line of this slope strip k lies from where the line crosses v = v_middle. */
static int32_t shift_of(const search *s, double slope, int32_t k)
{
  const double v = (s->first + k + 0.5) * s->strip_px - 0.5;
  return (int32_t)lround(slope * (v - s->v_middle));
}

static void add_strip(int32_t n, const float *restrict r, float *restrict out)
{
  for (int32_t i = 0; i < n; i++)
    out[i] += r[i];
}

static void add_eight_strips(int32_t n, const float *const r[GROUP_STRIPS], float *restrict out)
{
  const float *a = r[0], *b = r[1], *c = r[2], *d = r[3], *e = r[4], *f = r[5], *g = r[6], *h = r[7];
  for (int32_t i = 0; i < n; i++)
    out[i] = a[i] + b[i] + c[i] + d[i] + e[i] + f[i] + g[i] + h[i];
}

/* Sums eight strips along lines of this slope; u is where the line crosses v = v_middle. Beyond the ends of the picture
 * nothing is added. */
SP_WIDE static void sum_eight(const search *s, const desk *d, int32_t first, double slope, const stretch *at, float *out)
{
  const float *r[GROUP_STRIPS];
  const int32_t n = at->to - at->from;
  int32_t lo[GROUP_STRIPS], hi[GROUP_STRIPS];
  bool whole = true;
  for (int32_t k = 0; k < GROUP_STRIPS; k++) {
    const int32_t strip = first + k, u = at->from + shift_of(s, slope, strip);
    lo[k] = u < 0 ? -u : 0;
    hi[k] = u + n > s->length ? s->length - u : n;
    lo[k] = lo[k] < n ? lo[k] : n;
    hi[k] = hi[k] > lo[k] ? hi[k] : lo[k];
    whole = whole && lo[k] == 0 && hi[k] == n;
    r[k] = d->response + (ptrdiff_t)strip * (at->hi - at->lo) + (lo[k] < hi[k] ? u + lo[k] - at->lo : 0);
  }
  if (whole) {
    add_eight_strips(n, r, out);
    return;
  }
  memset(out, 0, (size_t)n * sizeof *out);
  for (int32_t k = 0; k < GROUP_STRIPS; k++)
    add_strip(hi[k] - lo[k], r[k], out + lo[k]);
}

static void sum_group(const search *s, desk *d, int32_t g, double slope, const stretch *at)
{
  const int32_t first = g * s->group, n = at->to - at->from;
  sum_eight(s, d, first, slope, at, d->group);
  for (int32_t k = GROUP_STRIPS; k < s->group; k += GROUP_STRIPS) {
    sum_eight(s, d, first + k, slope, at, d->eight);
    add_strip(n, d->eight, d->group);
  }
}

/* What a group's sum counts in a run of the given side. */
static float scale_of(const search *s, int side)
{
  return (side ? 1.0f : -1.0f) / sqrtf((float)s->group);
}

/* One step of Kadane's recurrence for n places at once: the group joins the run, or a new run starts here. Masks
 * instead of branches, and arrays as arguments, because only so several places fit into one instruction. */
static void extend_runs(int32_t n, const float *restrict in, float scale, int32_t slope, float *restrict run,
                        float *restrict score, int32_t *restrict slopes)
{
  const float cost = (float)GROUP_COST;
  for (int32_t u = 0; u < n; u++) {
    const float before = run[u], most = score[u];
    const float sum = (before > 0.0f ? before : 0.0f) + scale * in[u] - cost;
    const int32_t better = -(int32_t)(sum > most);
    run[u] = sum;
    score[u] = sum > most ? sum : most;
    slopes[u] = (slope & better) | (slopes[u] & ~better);
  }
}

/* All slopes for one stretch of places: stretches share nothing, so they can be done at the same time. */
SP_WIDE static void search_stretch(void *context, size_t index)
{
  search *s = context;
  const int32_t from = stretch_begin(s, (int32_t)index), to = stretch_begin(s, (int32_t)index + 1);
  const stretch at = {from, to, from > s->margin ? from - s->margin : 0,
                      to < s->length - s->margin ? to + s->margin : s->length};
  desk *d = take_desk(s);
  for (int32_t k = 0; k < s->strips; k++)
    hold_strip(s, k, at.lo, at.hi, d->sum, d->response + (ptrdiff_t)k * (at.hi - at.lo));
  for (int32_t i = -s->steps; i <= s->steps; i++) {
    for (int side = 0; side < 2; side++)
      memset(s->best[side].run + from, 0, (size_t)(to - from) * sizeof(float));
    for (int32_t g = 0; g < s->groups; g++) {
      sum_group(s, d, g, slope_of(s, (int32_t)index, i), &at);
      for (int side = 0; side < 2; side++) {
        const runs *b = &s->best[side];
        extend_runs(to - from, d->group, scale_of(s, side), i, b->run + from, b->score + from, b->slope + from);
      }
    }
  }
  leave_desk(d);
}

/* The best run at one place and slope once more, now with its first and last group. */
static void trace_run(search *s, int side, int32_t u, double slope, int32_t *first, int32_t *last)
{
  float run = 0.0f, score = 0.0f;
  int32_t start = 0;
  desk *d = take_desk(s);
  *first = *last = 0;
  for (int32_t g = 0; g < s->groups; g++) {
    float in = 0.0f;
    for (int32_t k = g * s->group; k < (g + 1) * s->group; k++) {
      const int32_t at = u + shift_of(s, slope, k);
      float r = 0.0f;
      if (at >= 0 && at < s->length)
        hold_strip(s, k, at, at + 1, d->sum, &r);
      in += r;
    }
    start = run > 0.0f ? start : g;
    run = (run > 0.0f ? run : 0.0f) + scale_of(s, side) * in - (float)GROUP_COST;
    if (run > score) {
      score = run;
      *first = start;
      *last = g;
    }
  }
  leave_desk(d);
}

static bool runs_create(runs *r, size_t n)
{
  r->score = calloc(n, sizeof(float));
  r->run = calloc(n, sizeof(float));
  r->slope = calloc(n, sizeof(int32_t));
  return r->score && r->run && r->slope;
}

static void runs_free(runs *r)
{
  free(r->score);
  free(r->run);
  free(r->slope);
}

/* The most visible first: scores are clipped and do not tell the strong from the very strong. */
static int by_reach(const void *a, const void *b)
{
  const sp_candidate *p = a, *q = b;
  const double x = fabs(p->height) * (p->v1_px - p->v0_px), y = fabs(q->height) * (q->v1_px - q->v0_px);
  return (x < y) - (x > y);
}

/* Do the candidate's strips from v0 to v1 pay for themselves as a group of them would have to? */
static bool pays_between(search *s, int side, const sp_candidate *c, double v0, double v1)
{
  double sum = 0.0;
  int32_t n = 0;
  desk *d = take_desk(s);
  for (int32_t k = 0; k < s->strips; k++) {
    const double v = (s->first + k + 0.5) * s->strip_px - 0.5;
    const int32_t at = (int32_t)lround(c->u_px + c->slope * (v - c->v_px));
    float r = 0.0f;
    if (v < v0 || v > v1 || at < 0 || at >= s->length)
      continue;
    hold_strip(s, k, at, at + 1, d->sum, &r);
    sum += (double)r;
    n++;
  }
  leave_desk(d);
  return n > 0 && (double)scale_of(s, side) * sum > GROUP_COST * n / s->group;
}

/* A line of the board does not go on beyond the rule that lies beside it. Groups of strips are broad, and the last one
 * of a line may reach over the rule although the line does not: what lies there is asked by itself. */
static bool spans_rule(search *s, int side, const sp_candidate *c)
{
  const sp_marks_options *o = s->o;
  const double clear = 2.0 * o->px_per_mm;
  const double v0 = o->rule_v0_px + o->rule_slope * c->u_px - clear,
               v1 = o->rule_v1_px + o->rule_slope * c->u_px + clear;
  return o->has_rule && c->v0_px < v0 && c->v1_px > v1 && pays_between(s, side, c, c->v0_px, v0) &&
         pays_between(s, side, c, v1, c->v1_px);
}

/* Of n values, whose order it changes, the median: what shows in a few strips only does not count. Of a line with half
 * of it missing that is next to nothing; then the mean of the middle half, to which what shows in less than a quarter
 * adds nothing either. */
static double typical_height(double *h, size_t n)
{
  const double next_to_nothing = 0.5;
  double sum = 0.0;
  const size_t first = n / 4, last = n - n / 4;
  sp_select(h, n, first);
  sp_select(h + first, n - first, last - 1 - first);
  for (size_t i = first; i < last; i++)
    sum += h[i];
  const double mean = sum / (double)(last - first);
  const double below = sp_select(h, n, (n - 1) / 2), median = 0.5 * (below + sp_select(h, n, n / 2));
  return fabs(median) < next_to_nothing * fabs(mean) ? mean : median;
}

/* What the filter says at p[0], in grey and unclipped. */
static double height_at(const filter *f, const float *p)
{
  double core = 0.0, left = 0.0, right = 0.0;
  if (f->kernel)
    return height_by(f->kernel, p);
  p -= f->core / 2;
  for (int32_t i = 0; i < f->core; i++)
    core += (double)p[i];
  for (int32_t i = 0; i < f->flank; i++) {
    left += (double)p[-f->gap - 1 - i];
    right += (double)p[f->core + f->gap + i];
  }
  /* as in response_at: the side that differs less, so that a strong line beside does not lend its depth */
  core /= f->core;
  left = core - left / f->flank;
  right = core - right / f->flank;
  return left * right <= 0.0 ? 0.0 : fabs(left) < fabs(right) ? left : right;
}

/* The same along the candidate, over the strips. */
static double height_along(const sp_strips *strips, const filter *f, const sp_candidate *c)
{
  enum { MOST = 2048 };
  double h[MOST];
  size_t n = 0;
  const int32_t reach = f->kernel ? f->kernel->half_px : f->core / 2 + f->core + f->gap + f->flank + 1;
  const double w = strips->width_px;
  for (int32_t k = (int32_t)(c->v0_px / w); k < (int32_t)(c->v1_px / w) && n < MOST; k++) {
    const int32_t u = (int32_t)lround(c->u_px + c->slope * ((k + 0.5) * w - 0.5 - c->v_px));
    if (k >= 0 && (uint32_t)k < strips->count && u - reach >= 0 && u + reach < (int32_t)strips->length_px)
      h[n++] = height_at(f, strips->mean + (size_t)k * strips->length_px + u);
  }
  return n ? typical_height(h, n) : 0.0;
}

/* Moves the candidate to the place and slope beside it if it is higher there. */
static void try_beside(const sp_strips *strips, const filter *f, const sp_candidate *from, double du_px, double dslope,
                       double sign, sp_candidate *best)
{
  sp_candidate trial = *from;
  trial.u_px += du_px;
  trial.slope += dslope;
  trial.height = height_along(strips, f, &trial);
  if (sign * trial.height > sign * best->height)
    *best = trial;
}

/* The clipped response has a flat top: puts the candidate where the unclipped one is highest, first along its own
 * slope, then, next to where that is, along others. */
static void settle(const sp_strips *strips, const filter *f, double slope_step, int side, sp_candidate *c)
{
  const sp_candidate from = *c;
  const double sign = side ? 1.0 : -1.0;
  c->height = -sign * INFINITY;
  for (int32_t d = -2 * f->core; d <= 2 * f->core; d++)
    try_beside(strips, f, &from, d, 0.0, sign, c);
  const sp_candidate along = *c;
  for (int32_t d = -1; d <= 1; d++)
    for (int32_t q = -1; q <= 1; q += 2)
      try_beside(strips, f, &along, d, 0.5 * q * slope_step, sign, c);
}

static size_t collect_peaks(search *s, int side, int32_t radius, size_t room, sp_candidate *out)
{
  const double most_breadth = MAX_BREADTH_MM * s->o->px_per_mm;
  const runs *b = &s->best[side];
  size_t n = 0;
  for (int32_t u = radius; u < s->length - radius && n < room; u++) {
    if ((double)b->score[u] < MIN_SCORE)
      continue;
    bool peak = true;
    for (int32_t d = 1; d <= radius && peak; d++)
      peak = b->score[u - d] < b->score[u] && b->score[u + d] <= b->score[u];
    if (!peak)
      continue;
    sp_candidate *c = &out[n++];
    *c = (sp_candidate){0};
    c->slope = slope_of(s, stretch_of(s, u), b->slope[u]);
    int32_t first, last;
    trace_run(s, side, u, c->slope, &first, &last);
    c->v0_px = (s->first + first * s->group) * (double)s->strip_px;
    c->v1_px = (s->first + (last + 1) * s->group) * (double)s->strip_px;
    c->v_px = 0.5 * (c->v0_px + c->v1_px);
    c->u_px = u + c->slope * (c->v_px - s->v_middle);
    c->score = (double)b->score[u];
    settle(s->all, &s->f, s->step, side, c);
    if (c->v1_px - c->v0_px > most_breadth || spans_rule(s, side, c) || (side ? c->height <= 0.0 : c->height >= 0.0))
      n--;
  }
  return n;
}

/* Is b, `apart` px beside a and of the other colour, the mark rather than a? As long as the board is not known, the
 * more visible of the two is; but a cut is dark, and the burr it raises right beside it catches the light and is often
 * the more visible, so there dark counts more. On the board the fits can tell which of the two is a line and which a
 * burr or the crest of a planing wave: only what is much less visible goes. */
static bool outdoes(const sp_candidate *b, const sp_candidate *a, double apart, double burr_px, bool on_board)
{
  if (on_board)
    return fabs(b->height) > CLEARLY * fabs(a->height);
  const double dark = apart < burr_px ? DARK_COUNTS : 1.0;
  return fabs(b->height) * (b->height < 0.0 ? dark : 1.0) > fabs(a->height) * (a->height < 0.0 ? dark : 1.0);
}

/* A burr beside a cut, or the wood between two scratches, answers with the other sign: one of two neighbours of
 * opposite sign is the mark. */
static size_t drop_echoes(sp_candidate *c, size_t n, double reach_px, double burr_px, bool on_board)
{
  for (size_t i = 0; i < n; i++)
    for (size_t j = 0; j < n; j++) {
      const double apart = fabs(c[i].u_px - c[j].u_px - c[j].slope * (c[i].v_px - c[j].v_px));
      if (c[i].height * c[j].height < 0.0 && apart < reach_px && c[j].score > 0.5 * c[i].score &&
          outdoes(&c[j], &c[i], apart, burr_px, on_board))
        c[i].score = 0.0;
    }
  size_t kept = 0;
  for (size_t i = 0; i < n; i++)
    if (c[i].score > 0.0)
      c[kept++] = c[i];
  return kept;
}

static void scale_strips(void *context, size_t index)
{
  search *s = context;
  desk *d = take_desk(s);
  for (int32_t k = (int32_t)index; k < s->strips; k += STRETCHES)
    s->scale[k] = 1.0 / scatter_of_strip(profile_of(s, k), s->length, &s->f, s->floor_value, d->sum, d->group);
  leave_desk(d);
}

/* The strips that the board touches anywhere along the picture, in whole groups. */
static void limit_to_board(const sp_board *b, int32_t strips, search *s)
{
  const double end = s->length - 1;
  const double lo = fmin(b->side[0].at_px, b->side[0].at_px + b->side[0].slope * end) / s->strip_px;
  const double hi = fmax(b->side[1].at_px, b->side[1].at_px + b->side[1].slope * end) / s->strip_px;
  s->first = (int32_t)fmin(fmax(floor(lo), 0.0), strips - 1);
  const int32_t past = (int32_t)fmin(fmax(ceil(hi), s->first + 1.0), strips);
  s->groups = (past - s->first + s->group - 1) / s->group;
  while (s->first + s->groups * s->group > strips && s->first > 0)
    s->first--;
  if (s->first + s->groups * s->group > strips)
    s->groups = (strips - s->first) / s->group;
}

static bool take_memory(search *s)
{
  const size_t n = (size_t)s->length, held = (size_t)s->held, most = SP_WORKERS_MOST;
  const size_t sums = (n > held ? n : held) + 2 * (size_t)filter_reach(&s->f) + 1;
  /* every eighth place of a strip stands in a group's place while the strips are scaled */
  const size_t group = held > n / 8 + 1 ? held : n / 8 + 1;
  s->responses = sp_pages_allocate(most * held * (size_t)(s->strips + 1) * sizeof *s->responses);
  s->groups_at_work = malloc(2 * most * group * sizeof *s->groups_at_work);
  s->sums = malloc(most * sums * sizeof *s->sums);
  s->scale = malloc((size_t)(s->strips + 1) * sizeof *s->scale);
  if (!s->responses || !s->groups_at_work || !s->sums || !s->scale)
    return false;
  for (size_t i = 0; i < most; i++) {
    desk *d = &s->desks[i];
    atomic_flag_clear(&d->taken);
    d->response = s->responses + i * held * (size_t)(s->strips + 1);
    d->group = s->groups_at_work + 2 * i * group;
    d->eight = d->group + group;
    d->sum = s->sums + i * sums;
  }
  return runs_create(&s->best[0], n + 1) && runs_create(&s->best[1], n + 1);
}

static void give_memory(search *s)
{
  free(s->responses);
  free(s->groups_at_work);
  free(s->sums);
  free(s->scale);
  runs_free(&s->best[0]);
  runs_free(&s->best[1]);
}

/* Where the slopes that are tried lie, in each stretch, and how far they reach to either side of that. Fanned lines
 * lean more and more along the board; as long as it is not known which way, all leans are tried everywhere. */
static double choose_centres(search *s)
{
  const sp_marks_options *o = s->o;
  const double turn = s->board ? -s->board->centre.slope : 0.0;
  for (int32_t k = 0; k < STRETCHES; k++)
    s->centre[k] = turn;
  if (o->most_lean == 0.0)
    return s->board ? SLOPE_REACH_NEAR : SLOPE_REACH_FAR;
  if (!s->board)
    return SLOPE_REACH_FAR + o->most_lean;
  for (int32_t k = 0; k < STRETCHES; k++)
    s->centre[k] = o->trend_at + o->trend * 0.5 * (stretch_begin(s, k) + stretch_begin(s, k + 1));
  return SLOPE_REACH_NEAR + FAN_BEND + fabs(o->trend) * 0.5 * s->length / STRETCHES;
}

static void choose_slopes(search *s)
{
  const double reach = choose_centres(s);
  s->v_middle = (s->first + 0.5 * s->strips) * s->strip_px;
  /* half a group off by half a core is the most a wrong slope may cost */
  s->step = (s->board ? 1.0 : FAR_STEP) * fmax(0.002, (double)s->f.core / (25.0 * s->o->px_per_mm));
  s->steps = (int32_t)ceil(reach / s->step);
  const double leaning = fmax(fabs(s->centre[0]), fabs(s->centre[STRETCHES - 1]));
  const double steepest = leaning + s->steps * s->step, farthest = (0.5 * s->strips + 1.0) * s->strip_px;
  s->margin = (int32_t)fmin(ceil(steepest * farthest) + 1.0, s->length);
  s->held = (int32_t)fmin(s->length / STRETCHES + 1.0 + 2.0 * s->margin, s->length);
}

static sp_status prepare(const sp_scene *scene, const sp_strips *strips, const sp_marks_options *o,
                         const sp_board *board, const sp_kernel *kernel, search *s, sp_error *err)
{
  s->o = o;
  s->board = board;
  s->all = strips;
  s->f = sp_line_filter_for(o->kind, o->px_per_mm);
  s->f.kernel = kernel;
  s->floor_value = 5e-4 * sp_raster_full_scale(scene->raster);
  s->length = (int32_t)strips->length_px;
  s->strip_px = (int32_t)scene->strip_px;
  s->group = GROUP_STRIPS * (o->strips_in_one > 1 ? o->strips_in_one : 1);
  s->groups = (int32_t)strips->count / s->group;
  if (board)
    limit_to_board(board, (int32_t)strips->count, s);
  s->strips = s->groups * s->group;
  choose_slopes(s);
  return take_memory(s) ? SP_OK : sp_fail_memory(err);
}

static sp_status run_search(const sp_scene *scene, sp_along along, const sp_marks_options *o, const sp_board *board,
                            const sp_kernel *kernel, size_t room, sp_candidate *candidates, size_t *count,
                            sp_error *err)
{
  search s = {0};
  *count = 0;
  const sp_strips *strips = &scene->strips[along];
  sp_status status = prepare(scene, strips, o, board, kernel, &s, err);
  sp_candidate *peaks = status ? NULL : malloc(2 * MAX_PEAKS * sizeof *peaks);
  if (!status && !peaks)
    status = sp_fail_memory(err);
  if (!status) {
    sp_workers_run(scale_strips, &s, STRETCHES);
    sp_workers_run(search_stretch, &s, STRETCHES);
    /* on the board a line may lie between the crests of planing waves */
    const double apart_mm = o->kind == SP_MARK_SLOT ? (board ? 0.6 : 1.0) : board ? 0.3 : 0.6;
    const int32_t radius = (int32_t)fmax(2.0, round(apart_mm * o->px_per_mm));
    size_t n = collect_peaks(&s, 0, radius, MAX_PEAKS, peaks);
    n += collect_peaks(&s, 1, radius, MAX_PEAKS, peaks + n);
    n = drop_echoes(peaks, n, ECHO_MM * o->px_per_mm, 0.22 * o->px_per_mm, board != NULL);
    qsort(peaks, n, sizeof *peaks, by_reach);
    *count = n < room ? n : room;
    memcpy(candidates, peaks, *count * sizeof *candidates);
  }
  free(peaks);
  give_memory(&s);
  return status;
}

sp_status sp_marks_search(const sp_scene *scene, sp_along along, const sp_marks_options *o, const sp_board *board,
                          size_t room, sp_candidate *candidates, size_t *count, sp_error *err)
{
  return run_search(scene, along, o, board, NULL, room, candidates, count, err);
}

sp_status sp_marks_search_waves(const sp_scene *scene, sp_along along, const sp_marks_options *o, const sp_board *board,
                                const sp_kernel *kernel, size_t room, sp_candidate *candidates, size_t *count,
                                sp_error *err)
{
  return run_search(scene, along, o, board, kernel, room, candidates, count, err);
}
