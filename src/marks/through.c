/* Lines that go on beyond the board are not on it: those of a cutting mat, of squared paper, of the sensor. Beyond the
 * board's ends, where those do not show, they lie between its sides as the frets do, and where they are clearer than
 * cuts in dark wood they would say what a mark of this board looks like.
 *
 * So every mark is looked at on its own straight line beyond both sides: is it seen there as it is between them, and
 * nothing like it beside it? If most lines go on, it is the sides that were not found, and all stay.
 */
#include "fits.h"

#include <math.h>
#include <stdlib.h>

/* Looked at from so far beyond a side to so far, mm; not where less than this is in sight. */
static const double FROM_MM = 1.2, TO_MM = 7.0, LEAST_MM = 3.5;
/* As much as that of what it shows on the board, and so much more than what is seen up to so far beside it, mm. */
static const double AS_STRONG = 0.5, THAN_BESIDE = 1.6, BESIDE_MM = 5.0;
enum { BESIDE = 10 };

/* Mean grey of a line's windows: the middle one less what lies around it. */
typedef struct look {
  const sp_view *view;
  sp_line_filter filter;
  int32_t reach_px, rows;
  float *row;
  double *mean;
} look;

static double response(const look *k, int32_t at)
{
  const sp_line_filter *f = &k->filter;
  double core = 0.0, flank = 0.0;
  const int32_t from = at - f->core / 2;
  for (int32_t i = 0; i < f->core; i++)
    core += k->mean[from + i] / f->core;
  for (int32_t i = 0; i < f->flank; i++)
    flank += 0.5 * (k->mean[from - f->gap - 1 - i] + k->mean[from + f->core + f->gap + i]) / f->flank;
  return flank > 0.0 ? (core - flank) / flank : 0.0;
}

/* The mean along the mark's line between two places across; false if too little of it is in the picture. */
static bool mean_between(look *k, const sp_mark *m, double v_from, double v_to, double least_px)
{
  const int32_t n = 2 * k->reach_px + 1;
  double seen = 0.0;
  for (int32_t i = 0; i < n; i++)
    k->mean[i] = 0.0;
  for (int32_t v = (int32_t)ceil(fmax(0.0, v_from)); v + k->rows <= fmin(v_to, k->view->breadth_px); v += k->rows) {
    const double u = m->u_px + m->slope * (v + 0.5 * (k->rows - 1) - m->v_px);
    const int32_t first = (int32_t)lround(u) - k->reach_px;
    if (first < 0 || first + n > (int32_t)k->view->length_px)
      continue;
    sp_view_window(k->view, first, n, v, k->rows, k->row);
    for (int32_t i = 0; i < n; i++)
      k->mean[i] += (double)k->row[i];
    seen += 1.0;
  }
  for (int32_t i = 0; i < n && seen > 0.0; i++)
    k->mean[i] /= seen;
  return seen * k->rows >= least_px;
}

/* Is the mean just taken that of a line of this sign and contrast? */
static bool is_seen(const look *k, const sp_mark *m, double contrast, double px_per_mm)
{
  const double sign = m->contrast < 0.0 ? -1.0 : 1.0, here = sign * response(k, k->reach_px);
  if (!(here > AS_STRONG * sign * contrast))
    return false;
  for (int i = 1; i <= BESIDE; i++) {
    const int32_t off = (int32_t)lround((1.0 + (BESIDE_MM - 1.0) * (i / 2) / (BESIDE / 2)) * px_per_mm);
    if (fabs(response(k, k->reach_px + (i % 2 ? off : -off))) * THAN_BESIDE > here)
      return false;
  }
  return true;
}

/* A side that the rule lies against shows nothing of what is beyond it. */
static bool is_rule_there(const sp_marks_options *o, double u_px, double v_from, double v_to)
{
  const double lo = o->rule_v0_px + o->rule_slope * u_px, hi = o->rule_v1_px + o->rule_slope * u_px;
  return o->has_rule && v_to > lo && v_from < hi;
}

/* On one side alone a scratch may lie there by chance, so there as many have to go on. */
static const size_t LEAST_ONE_SIDED = 3;

/* Beyond how many sides it goes on, if beyond each that can be looked at; else 0. */
static int sides_beyond(look *k, const sp_marks_options *o, const sp_board *board, const sp_mark *m)
{
  const double px = o->px_per_mm;
  double side[2];
  int looked = 0, seen = 0;
  sp_fits_within_board(board, m->u_px, &side[0], &side[1]);
  if (!mean_between(k, m, m->v_a_px, m->v_b_px, LEAST_MM * px))
    return 0;
  const double contrast = response(k, k->reach_px);
  for (int s = 0; s < 2; s++) {
    const double from = s ? side[1] + FROM_MM * px : side[0] - TO_MM * px, to = from + (TO_MM - FROM_MM) * px;
    if (is_rule_there(o, m->u_px, from, to) || !mean_between(k, m, from, to, LEAST_MM * px))
      continue;
    looked++;
    seen += is_seen(k, m, contrast, px);
  }
  return seen == looked ? seen : 0;
}

sp_status sp_marks_drop_through(const sp_view *view, const sp_marks_options *o, sp_marks *marks, sp_error *err)
{
  const sp_line_filter filter = sp_line_filter_for(o->kind, o->px_per_mm);
  look k = {.view = view, .filter = filter, .rows = (int32_t)fmax(3.0, round(0.34 * o->px_per_mm))};
  k.reach_px = (int32_t)ceil(BESIDE_MM * o->px_per_mm) + filter.core + filter.gap + filter.flank + 2;
  int *through = calloc(marks->count + 1, sizeof *through);
  k.row = malloc((size_t)(2 * k.reach_px + 1) * sizeof *k.row);
  k.mean = malloc((size_t)(2 * k.reach_px + 1) * sizeof *k.mean);
  const sp_status status = through && k.row && k.mean ? SP_OK : sp_fail_memory(err);
  size_t count[3] = {0}, kept = 0;
  for (size_t i = 0; !status && i < marks->count; i++)
    count[through[i] = sides_beyond(&k, o, &marks->board, &marks->marks[i])]++;
  const bool one_is_enough = count[1] + count[2] >= LEAST_ONE_SIDED,
             all_stay = 2 * (count[1] + count[2]) > marks->count;
  for (size_t i = 0; !status && i < marks->count; i++)
    if (all_stay || through[i] == 0 || (through[i] == 1 && !one_is_enough))
      marks->marks[kept++] = marks->marks[i];
  if (!status)
    marks->count = kept;
  free(through);
  free(k.row);
  free(k.mean);
  return status;
}
