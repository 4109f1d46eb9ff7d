/* The board and its lines, put together: coarse candidates -> fine fits -> outline of the board -> final fits within it,
 * with one blur for the whole picture. What does not hold as a mark of the kind sought (too short, too wide, a step rather than a
 * line) is dropped here; which line is which fret is not this module's business. */
#include "slotproof/marks.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "marks_internal.h"
#include "slotproof/numeric.h"

enum { MAX_CANDIDATES = 140, BOARD_LINES = 40 };
/* A mark shows over at least this part of the board's width (a third may be missing, some more be faint). */
static const double MIN_COVERAGE = 0.42;
/* Fainter than this against the wood nobody can saw by. */
static const double MIN_CONTRAST = 0.012;

static double step_across(const sp_line_fit *f)
{
  /* difference of level left and right of the mark against its height: a step has much, a line little */
  double left = 0.0, right = 0.0, height = 0.0;
  for (size_t k = 0; k < f->count; k++) {
    const sp_piece *p = &f->pieces[k];
    if (!p->present)
      continue;
    const int32_t n = 2 * f->half_px + 1, edge = f->half_px / 3 + 1;
    for (int32_t i = 0; i < edge; i++) {
      left += (double)p->value[i] / edge;
      right += (double)p->value[n - 1 - i] / edge;
    }
    height += p->smooth_height;
  }
  return height != 0.0 ? fabs(right - left) / fabs(height) : INFINITY;
}

static bool looks_like_mark(const sp_line_fit *f, const sp_mark *m, double min_coverage, double px_per_mm)
{
  if (f->count < 6 || !(m->coverage >= min_coverage) || !(fabs(m->contrast) >= MIN_CONTRAST))
    return false;
  if (!(m->u_u_px < 0.12 * px_per_mm) || !isfinite(m->u_px) || fabs(m->slope) > 0.09)
    return false;
  if (getenv("DBG")) fprintf(stderr, "   mark u %.1f cov %.2f contrast %.3f step %.2f u %.3f slope %.4f w %.2f\n", m->u_px, m->coverage, m->contrast, step_across(f), m->u_u_px, m->slope, m->width_px);
  return step_across(f) < 0.9;
}

static sp_status fit_candidate(const sp_view *view, const sp_candidate *c, const sp_marks_options *o, double blur_px,
                               double v_px, double min_coverage, sp_mark *mark, double *blur_out, bool *good,
                               sp_error *err)
{
  sp_line_fit fit;
  *good = false;
  sp_status status = sp_line_fit_run(view, c, o->kind, o->px_per_mm, blur_px, &fit, err);
  if (status)
    return status;
  if (getenv("DBG")) fprintf(stderr, " cand u %.1f v %.0f..%.0f slope %.4f score %.1f pol %d pieces %zu\n", c->u_px, c->v0_px, c->v1_px, c->slope, c->score, c->polarity, fit.count);
  if (fit.count >= 6) {
    sp_line_fit_result(&fit, v_px, mark);
    *good = looks_like_mark(&fit, mark, min_coverage, o->px_per_mm);
    *blur_out = fit.shape.blur_px;
  }
  sp_line_fit_free(&fit);
  return SP_OK;
}

/* First pass over the strongest candidates: gives the lines that outline the board, and the picture's blur. */
static sp_status first_pass(const sp_view *view, const sp_candidate *candidates, size_t count,
                            const sp_marks_options *o, double group_px, sp_mark *lines, size_t *n, double *blur_px,
                            sp_error *err)
{
  double blur[BOARD_LINES];
  *n = 0;
  for (size_t i = 0; i < count && *n < BOARD_LINES; i++) {
    sp_candidate c = candidates[i];
    bool good;
    c.v0_px -= group_px;
    c.v1_px += group_px;
    const sp_status status = fit_candidate(view, &c, o, NAN, c.v_px, 0.3, &lines[*n], &blur[*n], &good, err);
    if (status)
      return status;
    if (good)
      (*n)++;
  }
  *blur_px = *n >= 3 ? sp_median(blur, *n) : NAN;
  return SP_OK;
}

static double length_of(const sp_mark *m)
{
  return m->v_b_px - m->v_a_px;
}

/* Keeps the lines that could share one board: about as long as the longer half of them, lying over each other. */
static size_t keep_company(sp_mark *lines, size_t n, double slope)
{
  double work[BOARD_LINES], middle[BOARD_LINES];
  if (n < 3)
    return n;
  for (size_t i = 0; i < n; i++)
    work[i] = length_of(&lines[i]);
  const double length = sp_quantile(work, n, 0.65);
  for (size_t i = 0; i < n; i++)
    work[i] = middle[i] = 0.5 * (lines[i].v_a_px + lines[i].v_b_px) - slope * lines[i].u_px;
  const double centre = sp_median(work, n);
  size_t kept = 0;
  for (size_t i = 0; i < n; i++)
    if (length_of(&lines[i]) > 0.6 * length && fabs(middle[i] - centre) < 0.4 * length)
      lines[kept++] = lines[i];
  return kept;
}

static void within_board(const sp_board *b, double u, double *v0, double *v1)
{
  *v0 = b->side[0].at_px + b->side[0].slope * u;
  *v1 = b->side[1].at_px + b->side[1].slope * u;
}

/* Where a line crosses the centre line. */
static void cross_centre(const sp_board *b, double u, double slope, double v_ref, double *u_out, double *v_out)
{
  const double v = (b->centre.at_px + b->centre.slope * (u - slope * v_ref)) / (1.0 - b->centre.slope * slope);
  *v_out = v;
  *u_out = u + slope * (v - v_ref);
}

static bool beyond_ends(const sp_board *b, double u, double clear)
{
  return (b->end[0].found && u < b->end[0].u_px + clear) || (b->end[1].found && u > b->end[1].u_px - clear);
}

static sp_status final_pass(const sp_view *view, const sp_candidate *candidates, size_t count,
                            const sp_marks_options *o, sp_marks *marks, sp_error *err)
{
  for (size_t i = 0; i < count; i++) {
    sp_candidate c = candidates[i];
    double v0, v1, u, v, blur;
    bool good;
    within_board(&marks->board, c.u_px, &v0, &v1);
    if (c.v1_px < v0 + 0.2 * (v1 - v0) || c.v0_px > v1 - 0.2 * (v1 - v0))
      continue;
    cross_centre(&marks->board, c.u_px, c.slope, c.v_px, &u, &v);
    if (beyond_ends(&marks->board, u, 0.5 * o->px_per_mm))
      continue;
    c.u_px = u;
    c.v_px = v;
    c.v0_px = v0;
    c.v1_px = v1;
    sp_mark *m = &marks->marks[marks->count];
    const sp_status status = fit_candidate(view, &c, o, marks->blur_px, v, MIN_COVERAGE, m, &blur, &good, err);
    if (status)
      return status;
    if (good)
      marks->count++;
  }
  return SP_OK;
}

static int by_place(const void *a, const void *b)
{
  const double x = ((const sp_mark *)a)->u_px, y = ((const sp_mark *)b)->u_px;
  return (x > y) - (x < y);
}

/* Two candidates may have run to the same line: the surer stays. */
static void merge_doubles(sp_marks *marks, double reach_px)
{
  size_t kept = 0;
  for (size_t i = 0; i < marks->count; i++) {
    sp_mark *m = &marks->marks[i];
    if (kept && m->u_px - marks->marks[kept - 1].u_px < reach_px) {
      sp_mark *before = &marks->marks[kept - 1];
      if (fabs(m->contrast) * m->coverage > fabs(before->contrast) * before->coverage)
        *before = *m;
      continue;
    }
    marks->marks[kept++] = *m;
  }
  marks->count = kept;
}

static sp_status set_strengths(sp_marks *marks, sp_error *err)
{
  double *work = malloc((marks->count + 1) * sizeof *work);
  if (!work)
    return sp_fail_memory(err);
  for (size_t i = 0; i < marks->count; i++)
    work[i] = fabs(marks->marks[i].contrast) * marks->marks[i].coverage;
  const double strong = marks->count ? sp_quantile(work, marks->count, 0.8) : 1.0;
  for (size_t i = 0; i < marks->count; i++)
    marks->marks[i].strength = fmin(1.0, fabs(marks->marks[i].contrast) * marks->marks[i].coverage / strong);
  free(work);
  return SP_OK;
}

static sp_status find_along(const sp_scene *scene, sp_along along, const sp_marks_options *o, sp_marks *marks,
                            sp_error *err)
{
  const sp_view view = sp_view_of(scene->raster, along);
  sp_candidate candidates[MAX_CANDIDATES];
  sp_mark lines[BOARD_LINES + 1];
  size_t count = 0, n = 0;
  memset(marks, 0, sizeof *marks);
  marks->along = along;
  marks->blur_px = NAN;
  sp_status status = sp_marks_search(scene, along, o, MAX_CANDIDATES, candidates, &count, err);
  if (!status)
    status = first_pass(&view, candidates, count, o, 8.0 * scene->strip_px, lines, &n, &marks->blur_px, err);
  if (status)
    return status;
  double slope[BOARD_LINES];
  for (size_t i = 0; i < n; i++)
    slope[i] = lines[i].slope;
  n = keep_company(lines, n, n ? -sp_median(slope, n) : 0.0);
  if (n < 2) {
    snprintf(marks->reason, sizeof marks->reason, "no lines across a board were found");
    return SP_OK;
  }
  status = sp_board_find(scene, along, o, lines, n, &marks->board, err);
  if (status)
    return status;
  marks->marks = calloc(count + 1, sizeof *marks->marks);
  if (!marks->marks)
    return sp_fail_memory(err);
  status = final_pass(&view, candidates, count, o, marks, err);
  if (status)
    return status;
  qsort(marks->marks, marks->count, sizeof *marks->marks, by_place);
  merge_doubles(marks, 0.4 * o->px_per_mm);
  return set_strengths(marks, err);
}

sp_status sp_marks_find(const sp_scene *scene, const sp_marks_options *o, sp_marks *marks, sp_error *err)
{
  if (o->along_known)
    return find_along(scene, o->along, o, marks, err);
  sp_marks other = {0};
  sp_status status = find_along(scene, SP_ALONG_X, o, marks, err);
  if (!status)
    status = find_along(scene, SP_ALONG_Y, o, &other, err);
  double sum[2] = {0.0, 0.0};
  for (size_t i = 0; i < marks->count; i++)
    sum[0] += fabs(marks->marks[i].contrast) * marks->marks[i].coverage;
  for (size_t i = 0; i < other.count; i++)
    sum[1] += fabs(other.marks[i].contrast) * other.marks[i].coverage;
  if (!status && sum[1] > sum[0]) {
    const sp_marks swap = *marks;
    *marks = other;
    other = swap;
  }
  sp_marks_free(&other);
  if (status)
    sp_marks_free(marks);
  return status;
}

void sp_marks_free(sp_marks *marks)
{
  free(marks->marks);
  memset(marks, 0, sizeof *marks);
}
