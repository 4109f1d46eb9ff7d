/* The coarse search for lines across the board.
 *
 * Grain runs along the board and changes slowly that way; a line changes everything within a tenth of a millimetre and
 * does so all across. So every strip's profile is filtered by "middle less either side", scaled by the strip's own
 * scatter and clipped (one scratch or pore must not outvote the rest); then, for each slope a line may have, the
 * responses of neighbouring strips are summed in groups of a few millimetres and the best run of groups is looked for
 * at every place (Kadane's maximum sub-array, groups that show nothing counting against). A run's sum is the score;
 * peaks of it are candidates.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "marks_internal.h"
#include "raster/pages.h"
#include "slotproof/numeric.h"
#include "slotproof/workers.h"

enum { GROUP_STRIPS = 8, STRETCHES = 8, MAX_PEAKS = 1024 };
static const double CLIP = 6.0;
/* A group of strips without the line costs this much: keeps runs from joining over nothing. */
static const double GROUP_COST = 2.0;
/* Lines of an honest board are square to it within a degree. The board itself may lie 2 degrees off the picture's axis,
 * whatever the rule does; while it is looked for the slopes are tried more coarsely. */
static const double SLOPE_REACH_NEAR = 0.018, SLOPE_REACH_FAR = 0.052, FAR_STEP = 1.5;
static const double MIN_SCORE = 12.0, DARK_COUNTS = 1.6, CLEARLY = 3.0, ECHO_MM = 0.42;
/* No board is broader; what spans more is an unevenness of the sensor's lines. */
static const double MAX_BREADTH_MM = 110.0;

typedef struct filter {
  int32_t core, gap, flank; /* px: middle, space on both sides that is left out, sides */
} filter;

static filter filter_for(sp_mark_kind kind, double px_per_mm)
{
  filter f;
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

/* response[u] = mean of the core centred on u less the mean of one flank, of the two flanks the one that differs less,
 * 0 if they disagree in sign: so a step does not respond, nor do the places beside a strong line. scatter[u] is its
 * size without that exception, because waves on the wood, which it silences but for their crests, are to count as
 * scatter. `sum` holds length + 1 values. */
static void filter_strip(const float *p, int32_t length, const filter *f, double *sum, float *response, float *scatter)
{
  const int32_t before = f->core / 2, reach = before + f->gap + f->flank + 1;
  const float in = 1.0f / (float)f->core, out = 1.0f / (float)f->flank;
  sum[0] = 0.0;
  for (int32_t i = 0; i < length; i++)
    sum[i + 1] = sum[i] + (double)p[i];
  memset(response, 0, (size_t)length * sizeof *response);
  memset(scatter, 0, (size_t)length * sizeof *scatter);
  for (int32_t u = reach; u < length - reach; u++) {
    const int32_t a = u - before, b = a + f->core;
    const double core = sum[b] - sum[a];
    const float left = (float)core * in - (float)(sum[a - f->gap] - sum[a - f->gap - f->flank]) * out;
    const float right = (float)core * in - (float)(sum[b + f->gap + f->flank] - sum[b + f->gap]) * out;
    const float less = fabsf(left) < fabsf(right) ? left : right;
    response[u] = left * right <= 0.0f ? 0.0f : less;
    scatter[u] = fabsf(less);
  }
}

/* Scale by the scatter and clip. The scatter is the larger of what half and what three quarters of the places say, so
 * that a strip that is mostly bare glass does not make its bit of wood look lively. `work` brings the scatter and is
 * spoilt. */
static void normalise(float *r, int32_t length, double floor_value, float *work)
{
  size_t n = 0;
  for (int32_t i = 0; i < length; i += 8)
    work[n++] = work[i];
  const double half = 1.4826 * (double)sp_quantile_f(work, n, 0.5);
  const double most = (double)sp_quantile_f(work, n, 0.75) / 1.1503;
  const double scale = 1.0 / fmax(fmax(half, most), floor_value);
  for (int32_t i = 0; i < length; i++) {
    const double x = (double)r[i] * scale;
    r[i] = (float)(x > CLIP ? CLIP : x < -CLIP ? -CLIP : x);
  }
}

/* The best run of groups at every place, structure of arrays so that the loops over places run in SIMD. */
typedef struct runs {
  float *score, *run;            /* best so far over all slopes; running sum */
  int16_t *first, *last, *start; /* groups of the best; start of the running one */
  float *slope;
} runs;

typedef struct search {
  int32_t length, strips, groups, strip_px;
  int32_t first;   /* strip of the picture that is strip 0 here: on the board nothing else is looked at */
  float *response; /* strips x length */
  float *group;    /* length: one group at one slope */
  runs best[2];    /* darker, lighter */
} search;

/* Sums the strips of one group along lines of this slope; u is where the line crosses v = v_middle. */
static void sum_group(search *s, int32_t g, double slope, double v_middle, int32_t from, int32_t to)
{
  float *out = s->group;
  memset(out + from, 0, (size_t)(to - from) * sizeof *out);
  for (int32_t k = 0; k < GROUP_STRIPS; k++) {
    const int32_t strip = g * GROUP_STRIPS + k;
    const double v = (s->first + strip + 0.5) * s->strip_px - 0.5;
    const int32_t shift = (int32_t)lround(slope * (v - v_middle));
    const int32_t lo = from + shift < 0 ? -shift : from, hi = to + shift > s->length ? s->length - shift : to;
    const float *r = s->response + (ptrdiff_t)strip * s->length + shift;
    for (int32_t u = lo; u < hi; u++)
      out[u] += r[u];
  }
}

/* One step of Kadane's recurrence for all places at once: group g joins the run, or a new run starts here. */
static void extend_runs(search *s, int side, int32_t g, float slope, int32_t from, int32_t to)
{
  const float scale = (side ? 1.0f : -1.0f) / sqrtf((float)GROUP_STRIPS), cost = (float)GROUP_COST;
  runs *b = &s->best[side];
  const float *restrict in = s->group;
  float *restrict run = b->run, *restrict score = b->score, *restrict slopes = b->slope;
  int16_t *restrict start = b->start, *restrict first = b->first, *restrict last = b->last;
  for (int32_t u = from; u < to; u++) {
    const bool fresh = run[u] <= 0.0f;
    const float sum = (fresh ? 0.0f : run[u]) + scale * in[u] - cost;
    start[u] = fresh ? (int16_t)g : start[u];
    run[u] = sum;
    const bool better = sum > score[u];
    score[u] = better ? sum : score[u];
    first[u] = better ? start[u] : first[u];
    last[u] = better ? (int16_t)g : last[u];
    slopes[u] = better ? slope : slopes[u];
  }
}

typedef struct sweep {
  search *s;
  double centre, step, v_middle;
  int32_t steps, pieces;
} sweep;

/* All slopes for one stretch of places: stretches share nothing, so they can be done at the same time. */
static void search_stretch(void *context, size_t index)
{
  const sweep *w = context;
  search *s = w->s;
  const int32_t from = (int32_t)((int64_t)s->length * (int64_t)index / w->pieces);
  const int32_t to = (int32_t)((int64_t)s->length * ((int64_t)index + 1) / w->pieces);
  for (int32_t i = -w->steps; i <= w->steps; i++) {
    const double slope = w->centre + i * w->step;
    for (int side = 0; side < 2; side++)
      memset(s->best[side].run + from, 0, (size_t)(to - from) * sizeof(float));
    for (int32_t g = 0; g < s->groups; g++) {
      sum_group(s, g, slope, w->v_middle, from, to);
      extend_runs(s, 0, g, (float)slope, from, to);
      extend_runs(s, 1, g, (float)slope, from, to);
    }
  }
}

static bool runs_create(runs *r, size_t n)
{
  r->score = calloc(n, sizeof(float));
  r->run = calloc(n, sizeof(float));
  r->slope = calloc(n, sizeof(float));
  r->first = calloc(n, sizeof(int16_t));
  r->last = calloc(n, sizeof(int16_t));
  r->start = calloc(n, sizeof(int16_t));
  return r->score && r->run && r->slope && r->first && r->last && r->start;
}

static void runs_free(runs *r)
{
  free(r->score);
  free(r->run);
  free(r->slope);
  free(r->first);
  free(r->last);
  free(r->start);
}

static void silence_rule(search *s, const sp_marks_options *o)
{
  if (!o->has_rule)
    return;
  for (int32_t k = 0; k < s->strips; k++) {
    const double v0 = (s->first + k) * (double)s->strip_px, v1 = v0 + s->strip_px;
    float *r = s->response + (size_t)k * (size_t)s->length;
    for (int32_t u = 0; u < s->length; u++) {
      const double lo = o->rule_v0_px + o->rule_slope * u, hi = o->rule_v1_px + o->rule_slope * u;
      if (v1 > lo - s->strip_px && v0 < hi + s->strip_px)
        r[u] = 0.0f;
    }
  }
}

/* Outside the board there is nothing to find: neither an unevenness of the sensor's lines on bare glass nor the rule's
 * numerals can lengthen a run. */
static void silence_outside(search *s, const sp_board *b)
{
  const double u0 = b->end[0].found ? b->end[0].u_px : -1.0, u1 = b->end[1].found ? b->end[1].u_px : s->length;
  for (int32_t k = 0; k < s->strips; k++) {
    const double v = (s->first + k + 0.5) * (double)s->strip_px, slack = 0.5 * s->strip_px;
    float *r = s->response + (size_t)k * (size_t)s->length;
    for (int32_t u = 0; u < s->length; u++) {
      const double lo = b->side[0].at_px + b->side[0].slope * u, hi = b->side[1].at_px + b->side[1].slope * u;
      if (v < lo + slack || v > hi - slack || u < u0 || u > u1)
        r[u] = 0.0f;
    }
  }
}

/* The most visible first: scores are clipped and do not tell the strong from the very strong. */
static int by_reach(const void *a, const void *b)
{
  const sp_candidate *p = a, *q = b;
  const double x = fabs(p->height) * (p->v1_px - p->v0_px), y = fabs(q->height) * (q->v1_px - q->v0_px);
  return (x < y) - (x > y);
}

/* A line of the board does not go on beyond the rule that lies beside it. */
static bool spans_rule(const sp_marks_options *o, const sp_candidate *c)
{
  const double v0 = o->rule_v0_px + o->rule_slope * c->u_px, v1 = o->rule_v1_px + o->rule_slope * c->u_px;
  return o->has_rule && c->v0_px < v0 - 2.0 * o->px_per_mm && c->v1_px > v1 + 2.0 * o->px_per_mm;
}

/* Median over the strips of what the filter says along the candidate, in grey and unclipped: the middle less both
 * sides. */
static double height_along(const sp_strips *strips, const filter *f, const sp_candidate *c)
{
  enum { MOST = 512 };
  double h[MOST];
  size_t n = 0;
  const int32_t before = f->core / 2, reach = before + f->core + f->gap + f->flank + 1;
  const double w = strips->width_px;
  for (int32_t k = (int32_t)(c->v0_px / w); k < (int32_t)(c->v1_px / w) && n < MOST; k++) {
    const int32_t u = (int32_t)lround(c->u_px + c->slope * ((k + 0.5) * w - 0.5 - c->v_px));
    if (k < 0 || (uint32_t)k >= strips->count || u - reach < 0 || u + reach >= (int32_t)strips->length_px)
      continue;
    const float *p = strips->mean + (size_t)k * strips->length_px + u - before;
    double core = 0.0, left = 0.0, right = 0.0;
    for (int32_t i = 0; i < f->core; i++)
      core += (double)p[i] / f->core;
    for (int32_t i = 0; i < f->flank; i++) {
      left += (double)p[-f->gap - 1 - i] / f->flank;
      right += (double)p[f->core + f->gap + i] / f->flank;
    }
    /* as in filter_strip: the side that differs less, so that a strong line beside does not lend its depth */
    left = core - left;
    right = core - right;
    h[n++] = left * right <= 0.0 ? 0.0 : fabs(left) < fabs(right) ? left : right;
  }
  return n ? sp_median(h, n) : 0.0;
}

/* The clipped response has a flat top: puts the candidate where the unclipped one is highest. */
static void settle(const sp_strips *strips, const filter *f, double slope_step, int side, sp_candidate *c)
{
  const sp_candidate from = *c;
  const double sign = side ? 1.0 : -1.0;
  double top = -INFINITY;
  for (int32_t d = -2 * f->core; d <= 2 * f->core; d++)
    for (int32_t q = -1; q <= 1; q++) {
      sp_candidate trial = from;
      trial.u_px += d;
      trial.slope += 0.5 * q * slope_step;
      trial.height = height_along(strips, f, &trial);
      if (sign * trial.height > top) {
        top = sign * trial.height;
        *c = trial;
      }
    }
}

static size_t collect_peaks(const search *s, int side, const sp_strips *strips, const filter *f,
                            const sp_marks_options *o, int32_t radius, double slope_step, double v_middle, size_t room,
                            sp_candidate *out)
{
  const double most_breadth = MAX_BREADTH_MM * o->px_per_mm;
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
    c->slope = (double)b->slope[u];
    c->v0_px = (s->first + b->first[u] * GROUP_STRIPS) * (double)s->strip_px;
    c->v1_px = (s->first + (b->last[u] + 1) * GROUP_STRIPS) * (double)s->strip_px;
    c->v_px = 0.5 * (c->v0_px + c->v1_px);
    c->u_px = u + c->slope * (c->v_px - v_middle);
    c->score = (double)b->score[u];
    settle(strips, f, slope_step, side, c);
    if (c->v1_px - c->v0_px > most_breadth || spans_rule(o, c) || (side ? c->height <= 0.0 : c->height >= 0.0))
      n--;
  }
  return n;
}

/* Is b, `apart` px beside a and of the other colour, the mark rather than a? As long as the board is not known, the more
 * visible of the two is; but a cut is dark, and the burr it raises right beside it catches the light and is often the
 * more visible, so there dark counts more. On the board the fits can tell which of the two is a line and which a burr
 * or the crest of a planing wave: only what is much less visible goes. */
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

typedef struct preparation {
  search *s;
  const sp_strips *strips;
  filter f;
  double floor_value;
  double *sum; /* pieces x (length + 1) */
  float *work; /* pieces x (length + 3) */
  int32_t pieces;
} preparation;

static void prepare_strips(void *context, size_t index)
{
  const preparation *p = context;
  const size_t n = (size_t)p->s->length;
  double *sum = p->sum + index * (n + 1);
  float *work = p->work + index * (n + 3);
  for (int32_t k = (int32_t)index; k < p->s->strips; k += p->pieces) {
    float *r = p->s->response + (size_t)k * n;
    filter_strip(p->strips->mean + (size_t)(p->s->first + k) * n, p->s->length, &p->f, sum, r, work);
    normalise(r, p->s->length, p->floor_value, work);
  }
}

/* The strips that the board touches anywhere along the picture, in whole groups. */
static void limit_to_board(const sp_board *b, int32_t strips, search *s)
{
  const double end = s->length - 1;
  const double lo = fmin(b->side[0].at_px, b->side[0].at_px + b->side[0].slope * end) / s->strip_px;
  const double hi = fmax(b->side[1].at_px, b->side[1].at_px + b->side[1].slope * end) / s->strip_px;
  s->first = (int32_t)fmin(fmax(floor(lo), 0.0), strips - 1);
  const int32_t past = (int32_t)fmin(fmax(ceil(hi), s->first + 1.0), strips);
  s->groups = (past - s->first + GROUP_STRIPS - 1) / GROUP_STRIPS;
  while (s->first + s->groups * GROUP_STRIPS > strips && s->first > 0)
    s->first--;
  if (s->first + s->groups * GROUP_STRIPS > strips)
    s->groups = (strips - s->first) / GROUP_STRIPS;
}

static sp_status prepare(const sp_scene *scene, const sp_strips *strips, const sp_marks_options *o,
                         const sp_board *board, search *s, sp_error *err)
{
  s->length = (int32_t)strips->length_px;
  s->strip_px = (int32_t)scene->strip_px;
  s->groups = (int32_t)strips->count / GROUP_STRIPS;
  if (board)
    limit_to_board(board, (int32_t)strips->count, s);
  s->strips = s->groups * GROUP_STRIPS;
  const size_t n = (size_t)s->length;
  s->response = sp_pages_allocate((size_t)(s->strips + 1) * n * sizeof *s->response);
  s->group = malloc((n + 1) * sizeof *s->group);
  const bool room = runs_create(&s->best[0], n + 1) && runs_create(&s->best[1], n + 1);
  preparation p = {s,    strips,   filter_for(o->kind, o->px_per_mm), 5e-4 * sp_raster_full_scale(scene->raster), NULL,
                   NULL, STRETCHES};
  p.sum = malloc(STRETCHES * (n + 1) * sizeof *p.sum);
  p.work = malloc(STRETCHES * (n + 3) * sizeof *p.work);
  const bool fine = s->response && s->group && room && p.sum && p.work;
  if (fine) {
    sp_workers_run(prepare_strips, &p, STRETCHES);
    silence_rule(s, o);
    if (board)
      silence_outside(s, board);
  }
  free(p.sum);
  free(p.work);
  return fine ? SP_OK : sp_fail_memory(err);
}

sp_status sp_marks_search(const sp_scene *scene, sp_along along, const sp_marks_options *o, const sp_board *board,
                          size_t room, sp_candidate *candidates, size_t *count, sp_error *err)
{
  search s = {0};
  *count = 0;
  const sp_strips *strips = &scene->strips[along];
  sp_status status = prepare(scene, strips, o, board, &s, err);
  sp_candidate *peaks = status ? NULL : malloc(2 * MAX_PEAKS * sizeof *peaks);
  if (!status && !peaks)
    status = sp_fail_memory(err);
  if (!status) {
    const filter f = filter_for(o->kind, o->px_per_mm);
    const double v_middle = (s.first + 0.5 * s.strips) * s.strip_px;
    const double centre = board ? -board->centre.slope : 0.0, reach = board ? SLOPE_REACH_NEAR : SLOPE_REACH_FAR;
    /* half a group off by half a core is the most a wrong slope may cost */
    const double step = (board ? 1.0 : FAR_STEP) * fmax(0.002, (double)f.core / (25.0 * o->px_per_mm));
    const int32_t steps = (int32_t)ceil(reach / step);
    sweep w = {&s, centre, step, v_middle, steps, STRETCHES};
    sp_workers_run(search_stretch, &w, STRETCHES);
    /* on the board a line may lie between the crests of planing waves */
    const double apart_mm = o->kind == SP_MARK_SLOT ? 1.0 : board ? 0.3 : 0.6;
    const int32_t radius = (int32_t)fmax(2.0, round(apart_mm * o->px_per_mm));
    size_t n = collect_peaks(&s, 0, strips, &f, o, radius, step, v_middle, MAX_PEAKS, peaks);
    n += collect_peaks(&s, 1, strips, &f, o, radius, step, v_middle, MAX_PEAKS, peaks + n);
    n = drop_echoes(peaks, n, ECHO_MM * o->px_per_mm, 0.22 * o->px_per_mm, board != NULL);
    qsort(peaks, n, sizeof *peaks, by_reach);
    *count = n < room ? n : room;
    memcpy(candidates, peaks, *count * sizeof *candidates);
  }
  free(peaks);
  free(s.response);
  free(s.group);
  runs_free(&s.best[0]);
  runs_free(&s.best[1]);
  return status;
}
