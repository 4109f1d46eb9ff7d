/* The board and its lines, put together: coarse candidates -> fine fits -> outline of the board -> final fits within
 * it, with one blur for the whole picture. What does not hold as a mark of the kind sought (too short, too wide, a step
 * rather than a line) is dropped here; which line is which fret is not this module's business. */
#include "slotproof/marks.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "fits.h"
#include "marks_internal.h"
#include "slotproof/numeric.h"

enum { BOARD_LINES = 26, FIRST_FITS = 34 };
/* Height times length of a candidate against the sixth best one. */
static const double FAINTEST = 0.06;
/* Significance against the surer ones of the lines that are to outline the board; what has so much is not doubtful, be
 * others ten times as sure. */
static const double DOUBTFUL = 0.4, BEYOND_DOUBT = 25.0;

static int by_reach(const void *a, const void *b)
{
  const double x = sp_candidate_reach(a), y = sp_candidate_reach(b);
  return (x < y) - (x > y);
}

/* Lines of one board differ in depth by three or five times, not by ten: what is far fainter than the better ones is
 * wood. The candidates come out with the most visible first. */
size_t sp_candidates_drop_faint(sp_candidate *c, size_t n)
{
  qsort(c, n, sizeof *c, by_reach);
  if (n < 4)
    return n;
  const double strong = sp_candidate_reach(&c[n < 12 ? n / 2 : 5]);
  while (n > 0 && sp_candidate_reach(&c[n - 1]) < FAINTEST * strong)
    n--;
  return n;
}

static double length_of(const sp_mark *m)
{
  return m->v_b_px - m->v_a_px;
}

static double weight_of(const sp_mark *m)
{
  return fabs(m->contrast) * length_of(m);
}

typedef struct first_lines {
  size_t count;
  sp_mark line[BOARD_LINES];
  double blur[BOARD_LINES];
} first_lines;

/* The rule's strokes were blurred by the same optics; board and rule may lie at slightly different heights. */
static sp_expectation expect_before(const sp_marks_options *o)
{
  const bool seen = o->blur_px > 0.0;
  return sp_expect(o->kind, o->px_per_mm, seen ? o->blur_px : fmax(0.9, 0.03 * o->px_per_mm),
                   seen ? hypot(0.10, o->blur_sd_log) : 0.30);
}

/* The rule's own strokes must not lengthen a line that ends beside it. */
static void keep_off_rule(const sp_marks_options *o, sp_candidate *c)
{
  if (!o->has_rule)
    return;
  const double slack = 0.2 * o->px_per_mm;
  const double lo = o->rule_v0_px + o->rule_slope * c->u_px - slack,
               hi = o->rule_v1_px + o->rule_slope * c->u_px + slack;
  if (c->v_px > 0.5 * (lo + hi))
    c->v0_px = fmax(c->v0_px, hi);
  else
    c->v1_px = fmin(c->v1_px, lo);
}

/* First pass over the strongest candidates: the lines that outline the board. */
static sp_status first_pass(const sp_view *view, const sp_candidate *candidates, size_t count,
                            const sp_marks_options *o, double group_px, first_lines *lines, sp_error *err)
{
  const sp_expectation expect = expect_before(o);
  const size_t n = count < FIRST_FITS ? count : FIRST_FITS;
  sp_ground ground;
  sp_ground_default(o->kind, o->px_per_mm, view->full_scale, &ground);
  sp_fits jobs = {NULL, view, o, &expect, &ground, 0.3, calloc(n + 1, sizeof(sp_fit_job))};
  lines->count = 0;
  if (!jobs.job)
    return sp_fail_memory(err);
  for (size_t i = 0; i < n; i++) {
    sp_candidate *c = &jobs.job[i].candidate;
    *c = candidates[i];
    c->v0_px -= group_px;
    c->v1_px += group_px;
    keep_off_rule(o, c);
    jobs.job[i].wanted = true;
    jobs.job[i].effort = SP_EFFORT_QUICK;
  }
  for (size_t i = 0; i < n; i++)
    jobs.job[i].beside = sp_fits_slot_beside(&jobs, n, i);
  const sp_status status = sp_fits_run(&jobs, n, err);
  for (size_t i = 0; !status && i < n && lines->count < BOARD_LINES; i++)
    if (jobs.job[i].good && length_of(&jobs.job[i].mark) > 15.0 * o->px_per_mm) {
      lines->line[lines->count] = jobs.job[i].mark;
      if (jobs.job[i].beside) /* what makes it doubtful is the other one, not the wood */
        lines->line[lines->count].significance *= sqrt(jobs.job[i].mark.misfit);
      lines->blur[lines->count++] = jobs.job[i].blur;
    }
  free(jobs.job);
  return status;
}

/* Lines of which the wood and the noise may make as much by themselves, while others are sure: on a dark lid the
 * sensor's own lines have as much contrast as the board's, in a grey or two. */
static void keep_significant(double least, first_lines *lines)
{
  size_t kept = 0;
  for (size_t i = 0; i < lines->count; i++)
    if (lines->line[i].significance >= least) {
      lines->line[kept] = lines->line[i];
      lines->blur[kept++] = lines->blur[i];
    }
  lines->count = kept;
}

/* Where that would leave a line or two, these are surer than all the rest because little else is in the picture: a
 * clean slot beside ragged ones in a picture without noise. */
static void drop_doubtful(first_lines *lines)
{
  enum { LEAST_LEFT = 3 };
  double work[BOARD_LINES];
  size_t left = 0;
  for (size_t i = 0; i < lines->count; i++)
    work[i] = lines->line[i].significance;
  const double least = lines->count ? fmin(BEYOND_DOUBT, DOUBTFUL * sp_quantile(work, lines->count, 0.85)) : 0.0;
  for (size_t i = 0; i < lines->count; i++)
    left += lines->line[i].significance >= least;
  keep_significant(left >= LEAST_LEFT ? least : SP_LEAST_SIGNIFICANCE, lines);
}

/* Keeps the lines that could share one board: not much fainter and shorter than the better ones, lying over each other.
 */
static void keep_company(const sp_marks_options *o, first_lines *lines)
{
  double work[BOARD_LINES];
  const size_t n = lines->count;
  if (n < 3)
    return;
  for (size_t i = 0; i < n; i++)
    work[i] = weight_of(&lines->line[i]);
  const double strong = sp_quantile(work, n, n > 12 ? 1.0 - 6.0 / (double)n : 0.5);
  size_t kept = 0;
  for (size_t i = 0; i < n; i++)
    if (weight_of(&lines->line[i]) > 0.35 * strong) {
      lines->line[kept] = lines->line[i];
      lines->blur[kept++] = lines->blur[i];
    }
  const double slope = sp_lines_direction(o, lines->line, kept);
  for (size_t i = 0; i < kept; i++)
    work[i] = length_of(&lines->line[i]);
  const double length = sp_quantile(work, kept, 0.65);
  for (size_t i = 0; i < kept; i++)
    work[i] = sp_line_middle(&lines->line[i]).y - slope * sp_line_middle(&lines->line[i]).x;
  const double centre = sp_median(work, kept);
  lines->count = 0;
  for (size_t i = 0; i < kept; i++) {
    const sp_mark *m = &lines->line[i];
    const double off = fabs(sp_line_middle(m).y - slope * sp_line_middle(m).x - centre);
    if (length_of(m) > 0.6 * length && off < 0.4 * length) {
      lines->blur[lines->count] = lines->blur[i];
      lines->line[lines->count++] = *m;
    }
  }
}

/* One blur for the picture: the median over its lines, the surer half of them. */
static double common_blur(const first_lines *lines, const sp_expectation *before)
{
  double work[BOARD_LINES], blur[BOARD_LINES];
  size_t n = 0;
  for (size_t i = 0; i < lines->count; i++)
    work[i] = lines->line[i].u_u_px;
  const double sure = lines->count ? sp_median(work, lines->count) : 0.0;
  for (size_t i = 0; i < lines->count; i++)
    if (lines->line[i].u_u_px <= sure)
      blur[n++] = lines->blur[i];
  if (before->blur_sd_log < 0.3 || n < 2)
    return before->blur_px;
  return sp_median(blur, n);
}

/* `fine` is the picture in strips as narrow as its lines ask for: what searches for them looks there. */
static sp_status find_lines(const sp_scene *scene, const sp_scene *fine, sp_along along, const sp_marks_options *told,
                            sp_marks *marks, sp_error *err)
{
  sp_marks_options searched = *told, *const o = &searched;
  o->strips_in_one = (int32_t)lround((double)scene->strip_px / fine->strip_px);
  const sp_view view = sp_view_of(scene->raster, along);
  sp_candidate candidates[SP_MOST_CANDIDATES];
  first_lines lines;
  size_t count = 0;
  memset(marks, 0, sizeof *marks);
  marks->along = along;
  marks->even = o->uneven_px != NULL;
  marks->blur_px = NAN;
  sp_status status = sp_marks_search(fine, along, o, NULL, SP_MOST_CANDIDATES, candidates, &count, err);
  count = sp_candidates_drop_faint(candidates, count);
  if (!status)
    status = first_pass(&view, candidates, count, o, 8.0 * scene->strip_px, &lines, err);
  if (status)
    return status;
  drop_doubtful(&lines);
  keep_company(o, &lines);
  if (lines.count < 2) {
    snprintf(marks->reason, sizeof marks->reason, "no lines across a board were found");
    return SP_OK;
  }
  const sp_expectation before = expect_before(o);
  marks->blur_px = common_blur(&lines, &before);
  sp_lines_trend(lines.line, lines.count, o);
  status = sp_board_find(scene, along, o, lines.line, lines.count, &marks->board, err);
  if (status)
    return status;
  /* now that the board is known: once more, in it alone */
  status = sp_marks_search(fine, along, o, &marks->board, SP_MOST_CANDIDATES, candidates, &count, err);
  if (status)
    return status;
  count = sp_candidates_drop_faint(candidates, count);
  sp_ground ground;
  sp_expectation expect;
  status = sp_ground_measure(scene, along, o, &marks->board, candidates, count, &ground, err);
  if (!status)
    status = sp_marks_search_hidden(fine, o, marks, &ground, SP_MOST_CANDIDATES, candidates, &count, err);
  if (!status)
    status = sp_fits_final(&view, candidates, count, o, 8.0 * scene->strip_px, &ground, &expect, marks, err);
  if (status)
    return status;
  if (!o->uneven_px)
    status = sp_marks_drop_through(&view, o, marks, err);
  if (!status)
    status = sp_marks_settle(o, marks, err);
  if (!status && o->kind == SP_MARK_SLOT && o->scribed_nut)
    status = sp_marks_add_scribed(fine, &view, o, 8.0 * scene->strip_px, marks, err);
  if (!status && o->hint_count)
    status = sp_marks_add_by_hand(fine, o, &expect, &ground, marks, err);
  return status;
}

static sp_status find_along(const sp_scene *scene, sp_along along, const sp_marks_options *o, sp_marks *marks,
                            sp_error *err)
{
  if (o->kind == SP_MARK_WIRE)
    return o->most_lean > 0.0 ? sp_wires_find_fanned(scene, along, o, marks, err)
                              : sp_wires_find(scene, along, o, marks, err);
  const uint32_t strip_px = sp_lean_strip_px(o, scene->strip_px);
  if (strip_px == scene->strip_px)
    return find_lines(scene, scene, along, o, marks, err);
  sp_scene fine;
  memset(marks, 0, sizeof *marks);
  sp_status status = sp_scene_create_strips(scene->raster, strip_px, &fine, err);
  if (status)
    return status;
  status = find_lines(scene, &fine, along, o, marks, err);
  sp_scene_free(&fine);
  return status;
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
