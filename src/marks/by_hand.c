/* Lines that somebody points at.
 *
 * What the search over the whole board passes over is either too faint to stand out among the thousands of places it
 * tries, or has been taken for wood. Somebody who points at a place has looked at the picture, so here only some ten
 * places are tried: the tests may ask for less and still be as seldom wrong. The fine fit is the same as for any other
 * line, with what the board's other lines say of the knife; where it sees nothing, nothing is there.
 *
 * About the place all strips are summed along each slope that a line may have (no run is looked for: a faint line shows
 * only if all of it is taken), each strip's response clipped, because one pore must not outvote the rest. What such
 * sums come to where there is no line, the wood a little farther off says: noise, grain and planing waves of this very
 * board. A peak, dark or light, that stands out from that is fitted. (What the fit itself says of how sure it is will
 * not do here: it leaves out the pieces of a line that show nothing, and what is left over of mere noise looks like a
 * line.) */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "fits.h"
#include "marks_internal.h"
#include "slotproof/corrections.h"
#include "slotproof/numeric.h"

enum { MOST_OFFSETS = 401, MOST_STRIPS = 2048, PEAKS = 6, SLOPES_EACH_SIDE = 6 };
/* Lines of an honest board are square to it within a degree. */
static const double SLOPE_REACH = 0.018;
static const double PEAKS_APART_MM = 0.15, CLIP_SD = 3.0;
/* Of the sum, in standard deviations of sums over wood: some hundred are compared. */
static const double STANDS_OUT = 5.0;
/* The wood that they are taken from, and how far from any line that is known. */
static const double WOOD_REACH_MM = 12.0, WOOD_CLEAR_MM = 0.9;
enum { LEAST_WOOD = 100 };
/* Against 4.5, 0.42 and 0.012 for lines that nobody points at. */
static const double LEAST_SIGNIFICANCE = 3.5, LEAST_COVERAGE = 0.3, LEAST_CONTRAST = 0.004;
/* The same line as one that is known already; and as one of the other colour, which then is its burr. */
static const double SAME_MM = 0.4;
/* How near people click, sd. */
static const double CLICK_SD_MM = 0.7;

double sp_mark_distance_px(sp_along along, double u_px, double v_px, double slope, sp_point at_px)
{
  const double u = along == SP_ALONG_X ? at_px.x : at_px.y, v = along == SP_ALONG_X ? at_px.y : at_px.x;
  return u_px + slope * (v - v_px) - u;
}

/* ---- the sum over all strips ------------------------------------------------------------------------------------ */

typedef struct search {
  const sp_strips *strips;
  sp_line_filter f;
  double u_px, v_px, reach_px; /* about here */
  int32_t first, count;        /* strips within the board */
  double response[MOST_STRIPS];
} search;

typedef struct peak {
  double u_px, slope, sum; /* sum: mean response, grey, signed */
} peak;

/* Middle less both sides, at the whole pixel nearest to u; NAN where that reaches beyond the picture. */
static double respond(const search *s, int32_t strip, double u)
{
  const sp_line_filter *f = &s->f;
  const int32_t at = (int32_t)lround(u) - f->core / 2, reach = f->core + f->gap + f->flank;
  if (at - reach < 0 || at + reach >= (int32_t)s->strips->length_px)
    return NAN;
  const float *p = s->strips->mean + (size_t)strip * s->strips->length_px + at;
  double core = 0.0, sides = 0.0;
  for (int32_t i = 0; i < f->core; i++)
    core += (double)p[i];
  for (int32_t i = 0; i < f->flank; i++)
    sides += (double)p[-f->gap - 1 - i] + (double)p[f->core + f->gap + i];
  return core / f->core - sides / (2.0 * f->flank);
}

/* Mean of the strips' responses, clipped at CLIP_SD of their scatter about the median. */
static double sum_along(search *s, double u, double slope)
{
  double work[MOST_STRIPS];
  size_t n = 0;
  for (int32_t k = s->first; k < s->first + s->count; k++) {
    const double v = (k + 0.5) * s->strips->width_px - 0.5, r = respond(s, k, u + slope * (v - s->v_px));
    if (isfinite(r))
      s->response[n++] = r;
  }
  if (n < 6)
    return 0.0;
  memcpy(work, s->response, n * sizeof *work);
  const double middle = sp_median(work, n);
  memcpy(work, s->response, n * sizeof *work);
  const double most = CLIP_SD * sp_mad(work, n);
  double sum = 0.0;
  for (size_t i = 0; i < n; i++)
    sum += middle + fmin(most, fmax(-most, s->response[i] - middle));
  return sum / (double)n;
}

/* The best slope at every place about the hint; `side` 0 darker, 1 lighter. */
static void sum_all(search *s, double centre, int32_t half, peak (*at)[MOST_OFFSETS])
{
  for (int32_t i = -half; i <= half; i++) {
    const double u = s->u_px + i;
    for (int side = 0; side < 2; side++)
      at[side][i + half] = (peak){u, centre, 0.0};
    for (int q = -SLOPES_EACH_SIDE; q <= SLOPES_EACH_SIDE; q++) {
      const double slope = centre + SLOPE_REACH * q / SLOPES_EACH_SIDE, sum = sum_along(s, u, slope);
      peak *best = &at[sum > 0.0][i + half];
      if (fabs(sum) > fabs(best->sum))
        *best = (peak){u, slope, sum};
    }
  }
}

static int highest_first(const void *a, const void *b)
{
  const double x = fabs(((const peak *)a)->sum), y = fabs(((const peak *)b)->sum);
  return (x < y) - (x > y);
}

/* The highest places of one side that are higher than all within `apart`; at most PEAKS. */
static size_t collect(const peak *at, int32_t count, int32_t apart, peak *out)
{
  peak all[MOST_OFFSETS];
  size_t n = 0;
  for (int32_t i = 0; i < count; i++) {
    bool highest = at[i].sum != 0.0;
    for (int32_t d = -apart; d <= apart && highest; d++)
      highest = i + d < 0 || i + d >= count || fabs(at[i + d].sum) < fabs(at[i].sum) ||
                (d >= 0 && fabs(at[i + d].sum) <= fabs(at[i].sum));
    if (highest)
      all[n++] = at[i];
  }
  qsort(all, n, sizeof *all, highest_first);
  n = n < PEAKS ? n : PEAKS;
  memcpy(out, all, n * sizeof *all);
  return n;
}

static bool near_a_line(const search *s, const sp_marks *marks, double u, double clear_px)
{
  for (size_t i = 0; i < marks->count; i++) {
    const sp_mark *m = &marks->marks[i];
    if (fabs(m->u_px + m->slope * (s->v_px - m->v_px) - u) < clear_px)
      return true;
  }
  return false;
}

/* Standard deviation of sums where no line is known, about the place but not within reach of it; INFINITY if there is
 * too little of such wood. */
static double scatter_of_wood(search *s, const sp_marks *marks, double px_per_mm)
{
  const double clear = WOOD_CLEAR_MM * px_per_mm, slope = -marks->board.centre.slope;
  const sp_board_end *end = marks->board.end;
  const double lo = fmax(s->u_px - WOOD_REACH_MM * px_per_mm, end[0].found ? end[0].u_px + clear : 0.0);
  const double hi = fmin(s->u_px + WOOD_REACH_MM * px_per_mm, end[1].found ? end[1].u_px - clear : INFINITY);
  double *work = malloc(((size_t)fmax(0.0, hi - lo) + 2) * sizeof *work), scatter = INFINITY;
  size_t n = 0;
  for (double u = lo; work && u <= hi; u += 1.0)
    if (fabs(u - s->u_px) > s->reach_px && !near_a_line(s, marks, u, clear)) {
      const double sum = sum_along(s, u, slope);
      if (sum != 0.0)
        work[n++] = sum;
    }
  if (n >= LEAST_WOOD)
    scatter = sp_mad(work, n);
  free(work);
  return scatter;
}

/* Strips that lie within the board about here. */
static void limit_strips(const sp_board *b, search *s)
{
  const double w = s->strips->width_px;
  const double lo = (b->side[0].at_px + b->side[0].slope * s->u_px) / w,
               hi = (b->side[1].at_px + b->side[1].slope * s->u_px) / w;
  s->first = (int32_t)fmax(0.0, ceil(lo));
  s->count = (int32_t)fmin(fmin(floor(hi), s->strips->count) - s->first, MOST_STRIPS);
  s->v_px = (s->first + 0.5 * s->count) * w;
}

static size_t find_peaks(const sp_strips *strips, const sp_marks *marks, const sp_marks_options *o, double u_px,
                         double v_px, peak out[2 * PEAKS])
{
  const sp_board *board = &marks->board;
  peak at[2][MOST_OFFSETS];
  search s = {
      strips, sp_line_filter_for(o->kind, o->px_per_mm), u_px, v_px, SP_CORRECTION_REACH_MM * o->px_per_mm, 0, 0,
      {0.0}};
  const double centre = o->most_lean > 0.0 ? o->trend_at + o->trend * u_px : -board->centre.slope;
  limit_strips(board, &s);
  if (s.count < 6)
    return 0;
  s.u_px += centre * (s.v_px - v_px); /* a line through the place, half way across the board */
  const int32_t half = (int32_t)fmin(ceil(s.reach_px), MOST_OFFSETS / 2);
  const int32_t apart = (int32_t)fmax(1.0, round(PEAKS_APART_MM * o->px_per_mm));
  sum_all(&s, centre, half, at);
  const size_t n = collect(at[0], 2 * half + 1, apart, out);
  const size_t all = n + collect(at[1], 2 * half + 1, apart, out + n);
  const double least = STANDS_OUT * scatter_of_wood(&s, marks, o->px_per_mm);
  size_t kept = 0;
  for (size_t i = 0; i < all; i++) {
    if (fabs(out[i].sum) < least)
      continue;
    out[kept] = out[i];
    out[kept++].u_px += out[i].slope * (v_px - s.v_px); /* where the hint's v is */
  }
  return kept;
}

/* ---- the fits --------------------------------------------------------------------------------------------------- */

typedef struct task {
  const sp_scene *scene;
  const sp_marks_options *o;
  const sp_expectation *expect;
  const sp_ground *ground;
  sp_marks *marks;
} task;

static double v_of(const task *t, sp_point p)
{
  return t->marks->along == SP_ALONG_X ? p.y : p.x;
}

static double u_of(const task *t, sp_point p)
{
  return t->marks->along == SP_ALONG_X ? p.x : p.y;
}

static bool is_line(const sp_line_fit *fit, const sp_mark *m, double px_per_mm)
{
  return m->coverage >= LEAST_COVERAGE && fabs(m->contrast) >= LEAST_CONTRAST &&
         fit->significance > LEAST_SIGNIFICANCE && sp_marks_has_form(fit, m, px_per_mm);
}

/* Fits one peak over the board's whole width; *found says whether a line is there. */
static sp_status fit_peak(const task *t, const peak *p, double v_px, bool *found, sp_mark *m, sp_error *err)
{
  const sp_board *b = &t->marks->board;
  const sp_view view = sp_view_of(t->scene->raster, t->marks->along);
  const double v =
      (b->centre.at_px + b->centre.slope * (p->u_px - p->slope * v_px)) / (1.0 - b->centre.slope * p->slope);
  sp_candidate c = {.u_px = p->u_px + p->slope * (v - v_px), .v_px = v, .slope = p->slope, .height = p->sum};
  c.v0_px = b->side[0].at_px + b->side[0].slope * c.u_px;
  c.v1_px = b->side[1].at_px + b->side[1].slope * c.u_px;
  sp_line_fit fit;
  *found = false;
  const sp_status status = sp_line_fit_run(&view, &c, t->o, t->expect, t->ground, SP_EFFORT_FULL, &fit, err);
  if (status)
    return status;
  if (fit.count >= 6) {
    sp_line_fit_result(&fit, c.v_px, m);
    *found = is_line(&fit, m, t->o->px_per_mm);
    m->by_hand = true;
  }
  sp_line_fit_free(&fit);
  return SP_OK;
}

static double distance(const task *t, const sp_mark *m, sp_point at_px)
{
  return fabs(sp_mark_distance_px(t->marks->along, m->u_px, m->v_px, m->slope, at_px)) / t->o->px_per_mm;
}

static bool is_known(const task *t, const sp_mark *m)
{
  for (size_t i = 0; i < t->marks->count; i++)
    if (fabs(t->marks->marks[i].u_px - m->u_px) < SAME_MM * t->o->px_per_mm)
      return true;
  return false;
}

/* How well a found line answers the hint: what is explained best, near the click. */
static double answer(const task *t, const sp_mark *m, sp_point at_px)
{
  const double z = distance(t, m, at_px) / CLICK_SD_MM;
  return m->significance / m->misfit * exp(-0.5 * z * z);
}

/* Beside a line of the usual colour one of the other is its burr. */
static bool is_burr(const task *t, const sp_mark *list, size_t count, const sp_mark *m)
{
  const bool light = sp_marks_mostly_light(t->o, t->marks);
  if (t->marks->count < 2 || (m->contrast > 0.0) == light)
    return false;
  for (size_t i = 0; i < count; i++)
    if ((list[i].contrast > 0.0) == light && fabs(list[i].u_px - m->u_px) < SAME_MM * t->o->px_per_mm)
      return true;
  return false;
}

/* A mark nearer than this is what was meant. */
static bool is_answered(const task *t, const sp_marks_hint *hint)
{
  const sp_board *b = &t->marks->board;
  for (size_t i = 0; i < t->marks->count; i++)
    if (distance(t, &t->marks->marks[i], hint->at_px) < SP_HINT_SURE_MM)
      return true;
  for (int e = 0; e < 2 && hint->or_end; e++)
    if (b->end[e].found && fabs(sp_mark_distance_px(t->marks->along, b->end[e].u_px, b->end[e].v_px, b->end[e].slope,
                                                    hint->at_px)) < SP_CORRECTION_REACH_MM * t->o->px_per_mm)
      return true;
  return false;
}

static void insert(sp_marks *marks, const sp_mark *m)
{
  size_t i = marks->count++;
  for (; i > 0 && marks->marks[i - 1].u_px > m->u_px; i--)
    marks->marks[i] = marks->marks[i - 1];
  marks->marks[i] = *m;
}

static sp_status follow_hint(const task *t, const sp_marks_hint *hint, sp_error *err)
{
  const double u = u_of(t, hint->at_px), v = v_of(t, hint->at_px);
  peak peaks[2 * PEAKS];
  sp_mark found[2 * PEAKS];
  size_t n = 0;
  const size_t tried = find_peaks(&t->scene->strips[t->marks->along], t->marks, t->o, u, v, peaks);
  for (size_t i = 0; i < tried; i++) {
    bool line;
    const sp_status status = fit_peak(t, &peaks[i], v, &line, &found[n], err);
    if (status)
      return status;
    n += line && !is_known(t, &found[n]) && distance(t, &found[n], hint->at_px) <= SP_CORRECTION_REACH_MM;
  }
  const sp_mark *best = NULL;
  for (size_t i = 0; i < n; i++)
    if (!is_burr(t, found, n, &found[i]) && (!best || answer(t, &found[i], hint->at_px) > answer(t, best, hint->at_px)))
      best = &found[i];
  if (!best)
    return SP_OK;
  sp_mark m = *best;
  m.strength = 1.0; /* whoever points at it says that it is a mark */
  insert(t->marks, &m);
  return SP_OK;
}

/* Off the board there is none of its lines. */
static bool is_on_board(const task *t, sp_point at_px)
{
  const sp_board *b = &t->marks->board;
  const double u = u_of(t, at_px), v = v_of(t, at_px), slack = SP_CORRECTION_REACH_MM * t->o->px_per_mm;
  return v > b->side[0].at_px + b->side[0].slope * u - slack && v < b->side[1].at_px + b->side[1].slope * u + slack;
}

sp_status sp_marks_add_by_hand(const sp_scene *scene, const sp_marks_options *o, const sp_expectation *expect,
                               const sp_ground *ground, sp_marks *marks, sp_error *err)
{
  const task t = {scene, o, expect, ground, marks};
  sp_mark *room = realloc(marks->marks, (marks->count + o->hint_count + 1) * sizeof *room);
  if (!room)
    return sp_fail_memory(err);
  marks->marks = room;
  sp_status status = SP_OK;
  for (size_t i = 0; !status && i < o->hint_count; i++)
    if (is_on_board(&t, o->hints[i].at_px) && !is_answered(&t, &o->hints[i]))
      status = follow_hint(&t, &o->hints[i], err);
  return status;
}
