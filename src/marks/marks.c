/* The board and its lines, put together: coarse candidates -> fine fits -> outline of the board -> final fits within
 * it, with one blur for the whole picture. What does not hold as a mark of the kind sought (too short, too wide, a step
 * rather than a line) is dropped here; which line is which fret is not this module's business. */
#include "slotproof/marks.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "marks_internal.h"
#include "slotproof/numeric.h"
#include "slotproof/workers.h"

enum { MAX_CANDIDATES = 400, BOARD_LINES = 26, FIRST_FITS = 34, CLUTTER = 6, PALE_COMPANY = 5 };
/* A slot so much paler than the board's typical one, at the rim of them all, is doubted. */
static const double PALE = 0.3;
/* Strength below which a mark has to be unlike the wood around it. */
static const double WEAK = 0.5;
/* A mark shows over at least this part of the board's width (a third may be missing, some more be faint). */
static const double MIN_COVERAGE = 0.42;
/* A partial fret: over this part of what it spans, and at least over this part of what the shortest is meant to span;
 * what spans more of the width than the last is tried as a whole fret only. */
static const double MIN_OF_PART = 0.7, MIN_OF_LEAST = 0.6, PART_MOST = 0.8;
/* Windows of a partial fret reach so far beyond it, mm: once it is seen where it ends. */
static const double BEYOND_PART_MM = 1.5;
/* Height times length of a candidate against the sixth best one. */
static const double FAINTEST = 0.06;
/* Below this (against the sixth best, or the best of few) a candidate is most likely wood: a quick fit will do. */
static const double FULL_FIT = 0.22;
/* Fainter than this against the wood nobody can saw by. */
static const double MIN_CONTRAST = 0.012;

/* A board lies 2 degrees off the picture's axis at most, and its lines are square to it within a few. */
static const double MOST_SLOPE = 0.09;

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

/* A knife line is narrower than the crest of any planing wave or a pencil's stroke; a kerf is neither a scratch nor a
 * groove. In a coarse picture, where blur hides what is narrower than itself, a line's width is known to a good part of
 * the blur only. */
static const double MOST_KNIFE_MM = 0.36, MOST_KNIFE_BLURS = 3.3;

/* No picture of so few pixels a millimetre is sharper than a pixel, whatever fine strokes made of it. */
static double least_blur(const sp_line_fit *f)
{
  return fmax(f->shape.blur_px, 1.0);
}

static bool width_fits(const sp_line_fit *f, double width_px, double px_per_mm)
{
  const double width_mm = width_px / px_per_mm;
  if (f->kind == SP_MARK_SLOT)
    return width_mm > 0.30 && width_mm < 1.2;
  return width_px < fmax(MOST_KNIFE_MM * px_per_mm, MOST_KNIFE_BLURS * least_blur(f));
}

/* What the wood does by itself elsewhere on the board (planing chatter, above all) is no line. */
static const double LEAST_SIGNIFICANCE = 4.5;
/* Significance against the surer ones of the lines that are to outline the board; what has so much is not doubtful, be
 * others ten times as sure. */
static const double DOUBTFUL = 0.4, BEYOND_DOUBT = 25.0;
/* Knives leave 0.05 to 0.2 mm: what is broader is more likely two waves and what lies between them. */
static const double BROAD_MM = 0.25, BROAD_BLURS = 2.7, BROAD_SIGNIFICANCE = 12.0;

static bool is_broad(const sp_line_fit *f, double width_px, double px_per_mm)
{
  return f->kind == SP_MARK_KNIFE && width_px > fmax(BROAD_MM * px_per_mm, BROAD_BLURS * least_blur(f));
}

/* Level left and right of a mark may differ by this part of its height; by more where a mark is known to lie beside. */
static const double MOST_STEP = 0.9, MOST_STEP_BESIDE = 2.5;

static bool has_form(const sp_line_fit *f, const sp_mark *m, double most_step, double px_per_mm)
{
  if (!width_fits(f, m->width_px, px_per_mm) || f->count < 6)
    return false;
  if (!(m->u_u_px < 0.12 * px_per_mm) || !isfinite(m->u_px) || fabs(m->slope) > MOST_SLOPE + 1.1 * f->o->most_lean)
    return false;
  return step_across(f) < most_step;
}

bool sp_marks_has_form(const sp_line_fit *f, const sp_mark *m, double px_per_mm)
{
  return has_form(f, m, MOST_STEP, px_per_mm);
}

static bool looks_like_mark(const sp_line_fit *f, const sp_mark *m, double min_coverage, bool beside, double px_per_mm,
                            bool ground_measured)
{
  /* what lies beside another mark is not asked to explain that as well */
  const double significance = f->significance * (beside ? sqrt(f->misfit) : 1.0);
  if (!(m->coverage >= min_coverage) || !(fabs(m->contrast) >= MIN_CONTRAST))
    return false;
  if (ground_measured &&
      !(significance > (is_broad(f, m->width_px, px_per_mm) ? BROAD_SIGNIFICANCE : LEAST_SIGNIFICANCE)))
    return false;
  return has_form(f, m, beside ? MOST_STEP_BESIDE : MOST_STEP, px_per_mm);
}

/* What the burred lines of a board say of its burrs. */
typedef struct burr_vote {
  size_t count;
  double cost[2];                /* summed over the lines, flat-topped and falling */
  size_t of_kind[2], of_side[2]; /* left, right */
  double burr[2][2 * MAX_CANDIDATES], width[2 * MAX_CANDIDATES], height[2 * MAX_CANDIDATES];
} burr_vote;

typedef struct burr_ballot {
  double cost[2], burr[2], width, height;
  int side;
} burr_ballot;

static bool cast(const sp_line_fit *fit, burr_ballot *b)
{
  if (!fit->burr)
    return false;
  memcpy(b->cost, fit->cost_of_kind, sizeof b->cost);
  memcpy(b->burr, fit->burr_of_kind_px, sizeof b->burr);
  b->width = fit->shape.width_px;
  const double left = fabs(fit->shape.burr_height[0]), right = fabs(fit->shape.burr_height[1]);
  b->side = right > left;
  b->height = fmax(left, right);
  return true;
}

static void count_ballot(const burr_ballot *b, burr_vote *v)
{
  for (int kind = 0; kind < 2; kind++) {
    /* one odd line must not outvote the rest; a kind that no ridge could be fitted with has an infinite cost */
    v->cost[kind] += fmin(b->cost[kind] - fmin(b->cost[0], b->cost[1]), 200.0);
    if (isfinite(b->cost[kind]))
      v->burr[kind][v->of_kind[kind]++] = b->burr[kind];
  }
  v->of_side[b->side]++;
  v->height[v->count] = b->height;
  v->width[v->count++] = b->width;
}

static double reach_of(const sp_candidate *c)
{
  return fabs(c->height) * (c->v1_px - c->v0_px);
}

static int by_reach(const void *a, const void *b)
{
  const double x = reach_of(a), y = reach_of(b);
  return (x < y) - (x > y);
}

/* Lines of one board differ in depth by three or five times, not by ten: what is far fainter than the better ones is
 * wood. The candidates come out with the most visible first. */
static size_t drop_faint(sp_candidate *c, size_t n)
{
  qsort(c, n, sizeof *c, by_reach);
  if (n < 4)
    return n;
  const double strong = reach_of(&c[n < 12 ? n / 2 : 5]);
  while (n > 0 && reach_of(&c[n - 1]) < FAINTEST * strong)
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

/* One fit, for the workers: what goes in and what comes out. */
typedef struct fit_job {
  sp_candidate candidate, seen;   /* seen: as the search saw it */
  size_t whole;                   /* of a part: the job that tries it as a whole fret */
  bool wanted, good, voted, ever; /* ever: good in this pass or an earlier one, with `found` */
  bool beside;                    /* another mark lies beside it */
  sp_effort effort;
  sp_mark mark, found;
  double blur;
  burr_ballot ballot;
  sp_status status;
  sp_error err;
} fit_job;

typedef struct fit_jobs {
  const sp_board *board; /* for partial frets */
  const sp_view *view;
  const sp_marks_options *o;
  const sp_expectation *expect;
  const sp_ground *ground;
  double min_coverage;
  fit_job *job;
} fit_jobs;

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

/* A partial fret is fitted over its own length: roughly first, then where the first fit has seen it. Its mark's place
 * is where it would cross the centre line, as of any other, with what that adds to its uncertainty. */
static void run_part(const fit_jobs *jobs, fit_job *j)
{
  const double px = jobs->o->px_per_mm;
  sp_candidate c = j->candidate;
  sp_line_fit fit;
  double v0, v1, u, v;
  for (int turn = 0; turn < 2; turn++) {
    j->status = sp_line_fit_run(jobs->view, &c, jobs->o, jobs->expect, jobs->ground, turn ? j->effort : SP_EFFORT_QUICK,
                                &fit, &j->err);
    if (j->status)
      return;
    const bool seen = fit.count >= 6;
    if (seen)
      sp_line_fit_result(&fit, c.v_px, &j->mark);
    if (!seen || !(j->mark.coverage > 0.0)) {
      sp_line_fit_free(&fit);
      return;
    }
    c.u_px = j->mark.u_px;
    c.slope = j->mark.slope;
    if (turn == 0) {
      const double middle = 0.5 * (j->mark.v_a_px + j->mark.v_b_px);
      c.u_px += c.slope * (middle - c.v_px);
      c.v_px = middle;
      c.v0_px = j->mark.v_a_px - BEYOND_PART_MM * px;
      c.v1_px = j->mark.v_b_px + BEYOND_PART_MM * px;
      sp_line_fit_free(&fit);
    }
  }
  within_board(jobs->board, c.u_px, &v0, &v1);
  cross_centre(jobs->board, c.u_px, c.slope, c.v_px, &u, &v);
  sp_line_fit_result(&fit, v, &j->mark);
  const double length = j->mark.v_b_px - j->mark.v_a_px;
  j->good = looks_like_mark(&fit, &j->mark, MIN_OF_PART, false, px, jobs->ground->measured) &&
            length >= MIN_OF_LEAST * jobs->o->least_part * (v1 - v0);
  j->mark.part = true;
  j->blur = fit.shape.blur_px;
  sp_line_fit_free(&fit);
}

static void run_fit(void *context, size_t index)
{
  const fit_jobs *jobs = context;
  fit_job *j = &jobs->job[index];
  sp_line_fit fit;
  j->good = j->voted = false;
  if (!j->wanted)
    return;
  if (j->candidate.part) {
    run_part(jobs, j);
    return;
  }
  j->status = sp_line_fit_run(jobs->view, &j->candidate, jobs->o, jobs->expect, jobs->ground, j->effort, &fit, &j->err);
  if (j->status)
    return;
  if (fit.count >= 6) {
    sp_line_fit_result(&fit, j->candidate.v_px, &j->mark);
    j->good =
        looks_like_mark(&fit, &j->mark, jobs->min_coverage, j->beside, jobs->o->px_per_mm, jobs->ground->measured);
    j->blur = fit.shape.blur_px;
    j->voted = j->good && cast(&fit, &j->ballot);
  }
  sp_line_fit_free(&fit);
}

static sp_status run_fits(fit_jobs *jobs, size_t count, sp_error *err)
{
  sp_workers_run(run_fit, jobs, count);
  for (size_t i = 0; i < count; i++)
    if (jobs->job[i].status) {
      if (err)
        *err = jobs->job[i].err;
      return jobs->job[i].status;
    }
  return SP_OK;
}

/* First pass over the strongest candidates: the lines that outline the board. */
static sp_status first_pass(const sp_view *view, const sp_candidate *candidates, size_t count,
                            const sp_marks_options *o, double group_px, first_lines *lines, sp_error *err)
{
  const sp_expectation expect = expect_before(o);
  const size_t n = count < FIRST_FITS ? count : FIRST_FITS;
  sp_ground ground;
  sp_ground_default(o->kind, o->px_per_mm, view->full_scale, &ground);
  fit_jobs jobs = {NULL, view, o, &expect, &ground, 0.3, calloc(n + 1, sizeof(fit_job))};
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
  const sp_status status = run_fits(&jobs, n, err);
  for (size_t i = 0; !status && i < n && lines->count < BOARD_LINES; i++)
    if (jobs.job[i].good && length_of(&jobs.job[i].mark) > 15.0 * o->px_per_mm) {
      lines->line[lines->count] = jobs.job[i].mark;
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
  keep_significant(left >= LEAST_LEFT ? least : LEAST_SIGNIFICANCE, lines);
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

/* Where a candidate's line meets a side. */
static double meets_side(const sp_lengthwise *side, const sp_candidate *c)
{
  return (side->at_px + side->slope * (c->u_px - c->slope * c->v_px)) / (1.0 - side->slope * c->slope);
}

static bool beyond_ends(const sp_board *b, double u, double clear)
{
  return (b->end[0].found && u < b->end[0].u_px + clear) || (b->end[1].found && u > b->end[1].u_px - clear);
}

/* Of cut and burr, line and planing wave beside it, or one line found twice: what is explained better stays. A fit that
 * is put on the burr or the wave leaves the cut unexplained; one that is laid askew over a line fits well where they
 * meet, and shows there only. */
static double explained(const sp_mark *m)
{
  return m->coverage * m->significance / m->misfit;
}

/* One knife on one wood leaves lines of one colour: that of the better explained marks. */
static bool mostly_light(const sp_marks *marks)
{
  double sum[2] = {0.0, 0.0};
  for (size_t i = 0; i < marks->count; i++)
    sum[marks->marks[i].contrast > 0.0] += explained(&marks->marks[i]);
  return sum[1] > sum[0];
}

/* Or so are the most of them, however badly a light line explains what is there: some of their cuts may have been seen.
 */
static bool many_light(const sp_marks *marks)
{
  size_t light = 0;
  for (size_t i = 0; i < marks->count; i++)
    light += marks->marks[i].contrast > 0.0;
  return 2 * light > marks->count;
}

/* In a coarse picture noise passes for a burr now and then, and for one as light as its line a line that is a little
 * broader than the others: if most lines show none, none has one. */
static bool is_denied(const burr_vote *v, const sp_marks *marks, sp_expectation *e)
{
  const bool tempting = sp_shape_is_coarse(e) || mostly_light(marks);
  if (v->count == 0 || !tempting || (double)v->count >= 0.4 * (double)marks->count)
    return false;
  e->no_burr = true;
  return true;
}

/* One knife and one hand: what is unclear on single lines (how broad the burr, of which kind) is settled by all. In a
 * coarse picture the two kinds look alike and what the picture does to lines passes for one of them, so there the kind
 * stays open and the rest is believed less. */
static bool agree_on_burr(burr_vote *v, sp_expectation *e)
{
  const bool coarse = sp_shape_is_coarse(e);
  if (v->count < 4)
    return false;
  e->burr_expected = true;
  e->burr_kind_known = !coarse;
  e->flank = v->cost[1] < v->cost[0];
  for (int kind = 0; kind < 2; kind++)
    if (v->of_kind[kind] >= 4 || (kind == (int)e->flank && v->of_kind[kind] > 0))
      e->burr_px[kind] = sp_median(v->burr[kind], v->of_kind[kind]);
  if (!coarse) {
    e->burr_height = fmin(0.9, sp_median(v->height, v->count));
    e->burr_height_sd = 0.15;
  }
  e->burr_sd_log = coarse ? 0.25 : 0.12;
  e->width_px = sp_median(v->width, v->count);
  e->width_sd_log = 0.25;
  return true;
}

/* Sets up the final fit of one candidate; false if it lies off the board. */
static bool place_on_board(const sp_board *board, double clear_px, sp_candidate *c)
{
  const double v0 = meets_side(&board->side[0], c), v1 = meets_side(&board->side[1], c);
  double u, v;
  if (c->v1_px < v0 + 0.2 * (v1 - v0) || c->v0_px > v1 - 0.2 * (v1 - v0))
    return false;
  cross_centre(board, c->u_px, c->slope, c->v_px, &u, &v);
  c->u_px = u;
  c->v_px = v;
  c->v0_px = v0;
  c->v1_px = v1;
  return !beyond_ends(board, u, clear_px);
}

/* Only lines beyond doubt have a vote: of junk some part always shows something like a burr, and so does the crest of a
 * wave beside a trough. */
static double least_of_voters(const fit_jobs *jobs, size_t count, double *work)
{
  size_t n = 0;
  for (size_t i = 0; i < count; i++)
    if (jobs->job[i].good)
      work[n++] = jobs->job[i].mark.significance;
  return n ? 0.25 * sp_median(work, n) : 0.0;
}

/* A line that is a whole fret with something missing stays one. */
static void drop_parts_of_whole(fit_job *job, size_t count, size_t parts)
{
  for (size_t i = count; i < count + parts; i++)
    if (job[job[i].whole].ever)
      job[i].wanted = job[i].good = job[i].ever = false;
}

/* What a second pass cannot find again the first one has found. */
static sp_status final_pass(fit_jobs *jobs, size_t count, size_t parts, burr_vote *votes, sp_marks *marks,
                            sp_error *err)
{
  double work[MAX_CANDIDATES];
  const sp_status status = run_fits(jobs, count + parts, err);
  if (status)
    return status;
  marks->count = 0;
  const double least = least_of_voters(jobs, count, work);
  for (size_t i = 0; i < count + parts; i++) {
    if (i == count)
      drop_parts_of_whole(jobs->job, count, parts);
    fit_job *j = &jobs->job[i];
    if (j->good)
      j->found = j->mark;
    j->ever = j->ever || j->good;
    if (j->ever)
      marks->marks[marks->count++] = j->found;
  }
  const bool light = mostly_light(marks);
  for (size_t i = 0; i < count + parts; i++) {
    const fit_job *j = &jobs->job[i];
    if (j->voted && j->mark.significance >= least && (j->mark.contrast > 0.0) == light)
      count_ballot(&j->ballot, votes);
  }
  return SP_OK;
}

/* A blade that leans raises its burr on one side of all lines: so many of them agree on it. */
static const double ONE_SIDE = 0.75;

/* Where the burr shows more than its dark cut the search has found the burr. If the board's lines have theirs on one
 * side, -1 left or 1 right, the cut is looked for on the other side of what is light. */
static int usual_side(const burr_vote *v, const sp_marks *marks)
{
  const double most = ONE_SIDE * (double)v->count;
  if (v->count < 4 || mostly_light(marks))
    return 0;
  return (double)v->of_side[1] >= most ? 1 : (double)v->of_side[0] >= most ? -1 : 0;
}

static void look_beside_burr(const sp_expectation *e, int side, fit_job *j)
{
  if (!(j->good ? j->mark.contrast > 0.0 : j->candidate.height > 0.0))
    return;
  j->candidate.u_px -= side * 0.5 * (e->width_px + e->burr_px[e->flank]);
  j->candidate.cut_sign = -1;
  j->candidate.burr_side = side;
  j->effort = SP_EFFORT_AGAIN;
}

/* What was found is fitted again from where it lies; what is hopeless is not tried again. */
static void prepare_again(fit_jobs *jobs, size_t count, int burr_side)
{
  for (size_t i = 0; i < count; i++) {
    fit_job *j = &jobs->job[i];
    if (!j->good) {
      j->wanted = j->wanted && (j->candidate.burr_side || j->mark.significance > LEAST_SIGNIFICANCE);
      if (burr_side && !j->candidate.part)
        look_beside_burr(jobs->expect, burr_side, j);
      continue;
    }
    if (j->effort == SP_EFFORT_FULL)
      j->effort = SP_EFFORT_AGAIN;
    j->candidate.u_px = j->mark.u_px;
    j->candidate.v_px = j->mark.v_px;
    j->candidate.slope = j->mark.slope;
    if (j->candidate.part) {
      const double middle = 0.5 * (j->mark.v_a_px + j->mark.v_b_px);
      j->candidate.u_px += j->mark.slope * (middle - j->mark.v_px);
      j->candidate.v_px = middle;
    } else if (burr_side) {
      look_beside_burr(jobs->expect, burr_side, j);
    }
  }
}

/* On boards with partial frets: what spans a part of the width is tried as such, too. Returns how many jobs more. */
static size_t add_parts(const sp_marks_options *o, double group_px, fit_job *job, size_t count, const sp_board *board)
{
  size_t n = 0;
  if (!(o->least_part > 0.0 && o->least_part < 1.0))
    return 0;
  for (size_t i = 0; i < count; i++) {
    fit_job *part = &job[count + n];
    double v0, v1;
    const sp_candidate *c = &job[i].seen;
    within_board(board, c->u_px, &v0, &v1);
    if (!job[i].wanted || c->v1_px - c->v0_px > PART_MOST * (v1 - v0) + group_px)
      continue;
    part->candidate = *c;
    part->candidate.part = part->wanted = true;
    part->candidate.v0_px = fmax(v0, c->v0_px - group_px);
    part->candidate.v1_px = fmin(v1, c->v1_px + group_px);
    part->effort = SP_EFFORT_FULL;
    part->whole = i;
    n++;
  }
  return n;
}

/* What a cross-section leaves over per value, from where on something else lies in the window; how far beside the mark
 * that is looked for, mm; how much nearer it would be the same. */
static const double UNEXPLAINED = 2.5, BESIDE_MM[] = {0.3, 0.42, 0.54, 0.66, 0.78, 0.9}, SAME_MM = 0.22;
enum { BESIDE = 2 * sizeof BESIDE_MM / sizeof *BESIDE_MM };
/* A mark found so is explained at least this well, against the one it was found by. */
static const double AS_WELL = 0.5;

/* As found, or as a fit saw it that is no mark: the pencil's stroke itself may be too broad for one. */
static const sp_mark *seen_by(const fit_job *j)
{
  return j->ever ? &j->found : &j->mark;
}

static bool is_unexplained(const fit_jobs *jobs, const fit_job *j)
{
  const sp_mark *m = seen_by(j);
  return j->wanted && !j->candidate.part && m->coverage >= jobs->min_coverage && m->misfit > UNEXPLAINED &&
         m->significance > LEAST_SIGNIFICANCE && isfinite(m->u_px);
}

static void ask_beside(const fit_jobs *jobs, const fit_job *of, int usual, fit_job beside[BESIDE])
{
  const sp_mark *seen = seen_by(of);
  const double px = jobs->o->px_per_mm;
  for (int k = 0; k < BESIDE; k++) {
    sp_candidate *c = &beside[k].candidate;
    const double apart = BESIDE_MM[k / 2] * px * (k % 2 ? 1.0 : -1.0);
    *c = of->candidate;
    c->u_px = seen->u_px + apart;
    c->v_px = seen->v_px;
    c->slope = seen->slope;
    c->cut_sign = usual;
    c->burr_side = 0;
    beside[k].effort = SP_EFFORT_QUICK;
    beside[k].beside = true;
    beside[k].wanted = !beyond_ends(jobs->board, c->u_px, 0.5 * px);
  }
}

static bool is_known(const fit_job *job, size_t count, double u_px, double same_px)
{
  for (size_t i = 0; i < count; i++)
    if (job[i].ever && fabs(job[i].found.u_px - u_px) < same_px)
      return true;
  return false;
}

/* The best of what was seen beside a mark; the others are not wanted any more. */
static void choose_beside(const fit_jobs *jobs, const fit_job *known, size_t count, const fit_job *of, fit_job *beside)
{
  fit_job *best = NULL;
  for (int k = 0; k < BESIDE; k++) {
    fit_job *j = &beside[k];
    j->wanted = false;
    if (j->good && explained(&j->mark) > AS_WELL * explained(seen_by(of)) &&
        (!best || explained(&j->mark) > explained(&best->mark)) &&
        !is_known(known, count, j->mark.u_px, SAME_MM * jobs->o->px_per_mm))
      best = j;
  }
  if (!best)
    return;
  best->wanted = true;
  best->effort = SP_EFFORT_FULL;
  best->candidate.u_px = best->mark.u_px;
  best->candidate.slope = best->mark.slope;
}

/* A pencil's stroke beside a cut is broad, and the search sees only the darker of the two: where a mark leaves much of
 * its surroundings unexplained, a line of the board's usual colour is looked for there. Which of them is the fret the
 * layout tells. */
static sp_status look_beside_unexplained(fit_jobs *jobs, size_t count, sp_marks *marks, sp_error *err)
{
  fit_job *const known = jobs->job;
  const int usual = mostly_light(marks) ? 1 : -1;
  size_t n = 0;
  for (size_t i = 0; i < count; i++)
    n += is_unexplained(jobs, &known[i]);
  fit_job *beside = calloc(n * BESIDE + 1, sizeof *beside);
  sp_mark *more = realloc(marks->marks, (marks->count + n + 1) * sizeof *more);
  marks->marks = more ? more : marks->marks;
  if (!beside || !more) {
    free(beside);
    return sp_fail_memory(err);
  }
  fit_jobs sought = *jobs;
  sought.job = beside;
  for (int turn = 0; turn < 3; turn++) { /* asked, chosen, kept */
    size_t k = 0;
    for (size_t i = 0; i < count; i++) {
      if (!is_unexplained(jobs, &known[i]))
        continue;
      fit_job *here = beside + BESIDE * k++;
      if (turn == 0)
        ask_beside(jobs, &known[i], usual, here);
      else if (turn == 1)
        choose_beside(jobs, known, count, &known[i], here);
      for (int b = 0; turn == 2 && b < BESIDE; b++)
        if (here[b].good && !is_known(known, count, here[b].mark.u_px, SAME_MM * jobs->o->px_per_mm))
          marks->marks[marks->count++] = here[b].mark;
    }
    const sp_status status = turn < 2 ? run_fits(&sought, n * BESIDE, err) : SP_OK;
    if (status) {
      free(beside);
      return status;
    }
  }
  free(beside);
  return SP_OK;
}

/* A cut is dark, and the burr beside it catches the light (see search.c): where most lines are light, each may be the burr
 * of a dark cut beside it, on the same side of all. That is asked of every line, by what its cross-section leaves
 * unexplained: a light line alone cannot explain the dark beside it. */
static const double BETTER_EXPLAINED = 0.6, MOST_ARE_BURRS = 0.5, SOME_ARE_BURRS = 0.3, DOUBT_PART = 0.6;
enum { LEAST_BURRS = 4, LEAST_DOUBTFUL = 2 };

static bool is_light(const fit_job *j)
{
  return j->good && !j->candidate.part && j->mark.contrast > 0.0;
}

/* Distances of a cut's middle from its burr's, as parts of what both are broad together: a fit begins this near it. */
static const struct {
  double apart;
  sp_effort effort; /* with the burr from the first, or without one to begin with */
} BEGIN[] = {{0.4, SP_EFFORT_AGAIN},
             {0.55, SP_EFFORT_AGAIN},
             {0.7, SP_EFFORT_AGAIN},
             {0.9, SP_EFFORT_AGAIN},
             {0.5, SP_EFFORT_FULL}};
enum { BEGINNINGS = sizeof BEGIN / sizeof *BEGIN };

/* One trial a line: its cut lies so far right of it. */
static void ask_for_cuts(const fit_jobs *jobs, size_t count, double apart_px, sp_effort effort, fit_job *trial)
{
  for (size_t i = 0; i < count; i++) {
    const fit_job *j = &jobs->job[i];
    trial[i] = *j;
    trial[i].wanted = is_light(j);
    trial[i].candidate.u_px = j->mark.u_px + apart_px;
    trial[i].candidate.v_px = j->mark.v_px;
    trial[i].candidate.slope = j->mark.slope;
    trial[i].candidate.cut_sign = -1;
    trial[i].candidate.burr_side = apart_px > 0.0 ? -1 : 1;
    trial[i].effort = effort;
  }
}

/* From wherever it began best: the trials of one side. */
static sp_status try_side(const fit_jobs *jobs, size_t count, int sign, fit_job *work, fit_job *trial, sp_error *err)
{
  fit_jobs tried = *jobs;
  sp_status status = SP_OK;
  tried.job = work;
  for (int a = 0; !status && a < BEGINNINGS; a++) {
    ask_for_cuts(jobs, count, sign * BEGIN[a].apart * jobs->expect->usual_px, BEGIN[a].effort, work);
    status = run_fits(&tried, count, err);
    for (size_t i = 0; !status && i < count; i++)
      if (a == 0 || (work[i].good && (!trial[i].good || work[i].mark.misfit < trial[i].mark.misfit)))
        trial[i] = work[i];
  }
  return status;
}

static bool is_burr_of_cut(const fit_job *j, const fit_job *trial)
{
  return is_light(j) && trial->good && trial->mark.contrast < 0.0 &&
         trial->mark.misfit < BETTER_EXPLAINED * j->mark.misfit;
}

/* What is known of the light lines of a board. */
typedef struct light_lines {
  size_t count, burrs[2]; /* burrs of cuts that lie left and right of them */
  double apart_px[MAX_CANDIDATES];
} light_lines;

static void count_burrs(const fit_job *job, const fit_job *trial, size_t count, int right, light_lines *l)
{
  size_t n = 0;
  for (size_t i = 0; i < count; i++)
    if (is_burr_of_cut(&job[i], &trial[i]))
      l->apart_px[n++] = fabs(trial[i].mark.u_px - job[i].mark.u_px);
  l->burrs[right] = n;
}

/* Where a cut was not found by itself it lies as far beside its burr as the others do. */
static void take_cuts(const fit_job *trial, size_t count, double apart_px, fit_job *job)
{
  for (size_t i = 0; i < count; i++) {
    if (!is_light(&job[i]))
      continue;
    const bool found = is_burr_of_cut(&job[i], &trial[i]);
    const double u_px = job[i].mark.u_px + apart_px;
    job[i].candidate = trial[i].candidate;                    /* a trial that went well goes the same way again */
    job[i].candidate.height = -fabs(job[i].candidate.height); /* its place is the cut's from now on */
    if (!found)
      job[i].candidate.u_px = u_px;
    job[i].effort = found ? trial[i].effort : SP_EFFORT_AGAIN;
    job[i].ever = false;
  }
}

/* Where nearly all light lines are burrs of cuts on one side of them, the cuts take their places. Where a good part of
 * them are, nobody can tell: *doubt_px is then what is between the two. */
static sp_status find_cuts_of_burrs(fit_jobs *jobs, size_t count, bool *found, double *doubt_px, sp_error *err)
{
  fit_job *work = calloc(2 * count + 1, sizeof *work), *trial = work ? work + count : NULL;
  light_lines light = {0};
  sp_status status = work ? SP_OK : sp_fail_memory(err);
  *found = false;
  *doubt_px = 0.0;
  for (size_t i = 0; i < count; i++)
    light.count += is_light(&jobs->job[i]);
  for (int right = 0; !status && !*found && right < 2; right++) {
    status = try_side(jobs, count, right ? 1 : -1, work, trial, err);
    if (status)
      break;
    count_burrs(jobs->job, trial, count, right, &light);
    const size_t n = light.burrs[right];
    *found = n >= LEAST_BURRS && (double)n >= MOST_ARE_BURRS * (double)light.count;
    if (*found)
      take_cuts(trial, count, (right ? 1.0 : -1.0) * sp_median(light.apart_px, n), jobs->job);
    else if (n >= LEAST_DOUBTFUL && (double)n >= SOME_ARE_BURRS * (double)light.count)
      *doubt_px = fmax(*doubt_px, DOUBT_PART * sp_median(light.apart_px, n));
  }
  free(work);
  return status;
}

static void doubt_light(double doubt_px, sp_marks *marks)
{
  for (size_t i = 0; i < marks->count; i++)
    if (marks->marks[i].contrast > 0.0)
      marks->marks[i].u_u_px = hypot(marks->marks[i].u_u_px, doubt_px);
}

/* All candidates within the board, finely; a second time where the lines agree on what their burrs are like. */
static sp_status final_fits(const sp_view *view, const sp_candidate *candidates, size_t count,
                            const sp_marks_options *o, double group_px, const sp_ground *ground, sp_expectation *expect,
                            sp_marks *marks, sp_error *err)
{
  const double blur_sd_log = o->blur_px > 0.0 ? hypot(0.03, o->blur_sd_log) : 0.03;
  *expect = sp_expect(o->kind, o->px_per_mm, marks->blur_px, blur_sd_log);
  burr_vote votes = {0};
  fit_jobs jobs = {&marks->board, view, o, expect, ground, MIN_COVERAGE, calloc(2 * count + 1, sizeof(fit_job))};
  marks->marks = calloc(2 * count + 1, sizeof *marks->marks);
  if (!marks->marks || !jobs.job) {
    free(jobs.job);
    return sp_fail_memory(err);
  }
  for (size_t i = 0; i < count; i++) {
    fit_job *j = &jobs.job[i];
    j->candidate = j->seen = candidates[i];
    j->wanted = place_on_board(&marks->board, 0.5 * o->px_per_mm, &j->candidate);
    const bool faint = reach_of(&candidates[i]) < FULL_FIT * reach_of(&candidates[count < 12 ? 0 : 5]);
    j->effort = faint ? SP_EFFORT_QUICK : SP_EFFORT_FULL;
  }
  const size_t parts = add_parts(o, group_px, jobs.job, count, &marks->board);
  sp_status status = final_pass(&jobs, count, parts, &votes, marks, err);
  bool cuts = false;
  double doubt_px = 0.0;
  if (!status && o->kind == SP_MARK_KNIFE && (mostly_light(marks) || many_light(marks)))
    status = find_cuts_of_burrs(&jobs, count, &cuts, &doubt_px, err);
  if (!status && cuts) {
    votes = (burr_vote){0};
    status = final_pass(&jobs, count, parts, &votes, marks, err);
  }
  if (!status && (is_denied(&votes, marks, expect) || agree_on_burr(&votes, expect))) {
    prepare_again(&jobs, count + parts, expect->burr_expected ? usual_side(&votes, marks) : 0);
    status = final_pass(&jobs, count, parts, &votes, marks, err);
  }
  if (!status && o->kind == SP_MARK_KNIFE)
    status = look_beside_unexplained(&jobs, count, marks, err);
  doubt_light(cuts ? 0.0 : doubt_px, marks);
  free(jobs.job);
  return status;
}

static int by_place(const void *a, const void *b)
{
  const double x = ((const sp_mark *)a)->u_px, y = ((const sp_mark *)b)->u_px;
  return (x > y) - (x < y);
}

static double visibility(const sp_mark *m)
{
  return fabs(m->contrast) * m->coverage;
}

/* Two of one colour that lie further apart than one knife line is broad are two, a pencil's stroke and a cut it may be;
 * the layout tells which is the fret. */
static void merge_doubles(sp_marks *marks, double reach_px, double alike_px)
{
  const bool light = mostly_light(marks);
  size_t kept = 0;
  for (size_t i = 0; i < marks->count; i++) {
    const sp_mark *m = &marks->marks[i];
    if (kept && m->u_px - marks->marks[kept - 1].u_px < reach_px) {
      sp_mark *before = &marks->marks[kept - 1];
      const bool usual = (m->contrast > 0.0) == light, usual_before = (before->contrast > 0.0) == light;
      if (usual == usual_before && m->u_px - before->u_px > alike_px) {
        marks->marks[kept++] = *m;
        continue;
      }
      if (usual == usual_before ? explained(m) > explained(before) : usual)
        *before = *m;
      continue;
    }
    marks->marks[kept++] = *m;
  }
  marks->count = kept;
}

/* A faint line of the other colour, or one that its cross-section does not explain nearly as well as the rest are, is a
 * burr whose cut has drowned in it, or wood: better missing than taken for the line. */
static void drop_odd_colour(sp_marks *marks)
{
  const bool light = mostly_light(marks);
  double seen = 0.0, sure = 0.0;
  size_t usual = 0, kept = 0;
  for (size_t i = 0; i < marks->count; i++)
    if ((marks->marks[i].contrast > 0.0) == light) {
      seen += visibility(&marks->marks[i]);
      sure += explained(&marks->marks[i]);
      usual++;
    }
  for (size_t i = 0; i < marks->count; i++) {
    const sp_mark *m = &marks->marks[i];
    if ((m->contrast > 0.0) == light ||
        (visibility(m) * (double)usual > 0.6 * seen && explained(m) * (double)usual > 0.3 * sure))
      marks->marks[kept++] = *m;
  }
  marks->count = kept;
}

/* Strength against the sixth most visible mark: a board has at least that many lines to speak of, and however much
 * clutter there is it does not set the measure. */
static sp_status set_strengths(sp_marks *marks, sp_error *err)
{
  const size_t n = marks->count;
  double *work = malloc((n + 1) * sizeof *work);
  if (!work)
    return sp_fail_memory(err);
  for (size_t i = 0; i < n; i++)
    work[i] = fabs(marks->marks[i].contrast) * marks->marks[i].coverage;
  const double strong = n == 0 ? 1.0 : sp_quantile(work, n, n > 12 ? 1.0 - 5.0 / (double)(n - 1) : 0.6);
  for (size_t i = 0; i < n; i++)
    marks->marks[i].strength = fmin(1.0, fabs(marks->marks[i].contrast) * marks->marks[i].coverage / strong);
  free(work);
  return SP_OK;
}

/* Weak marks that have many like them are the wood's or the plane's: one of them may lie where a fret is missing, and
 * must not be taken for it. A single weak line, which has none like it, stays. */
static void drop_clutter(sp_marks *marks)
{
  size_t alike[2 * MAX_CANDIDATES] = {0}, kept = 0;
  for (size_t i = 0; i < marks->count; i++)
    for (size_t j = 0; j < marks->count; j++) {
      const double ratio = marks->marks[j].strength / marks->marks[i].strength;
      alike[i] += j != i && marks->marks[j].strength < WEAK && ratio > 0.5 && ratio < 1.8;
    }
  for (size_t i = 0; i < marks->count; i++)
    if (marks->marks[i].strength >= WEAK || alike[i] < CLUTTER)
      marks->marks[kept++] = marks->marks[i];
  marks->count = kept;
}

/* Where the wood ends without having been seen to, the shadow beside it is as broad as a slot and has two walls, of
 * which one is the end. One saw leaves slots of one depth: an outermost one that is far paler than the rest is that, or
 * as doubtful, and as the nut it would shift every fret. */
static sp_status drop_pale_outermost(sp_marks *marks, sp_error *err)
{
  const size_t n = marks->count;
  if (n < PALE_COMPANY)
    return SP_OK;
  double *work = malloc(n * sizeof *work);
  if (!work)
    return sp_fail_memory(err);
  for (size_t i = 0; i < n; i++)
    work[i] = fabs(marks->marks[i].contrast);
  const double least = PALE * sp_median(work, n);
  free(work);
  const sp_board_end *end = marks->board.end;
  if (!end[1].found && fabs(marks->marks[n - 1].contrast) < least)
    marks->count--;
  if (!end[0].found && fabs(marks->marks[0].contrast) < least)
    memmove(marks->marks, marks->marks + 1, --marks->count * sizeof *marks->marks);
  return SP_OK;
}

/* One saw leaves slots of one breadth. What is broader than the others by so much, and by this part, is two slots
 * beside each other or a slot with a pencil's stroke along it; it is by one of its walls that it is what the others
 * are. A nut's slot may be broad by design, but is as dark as the rest then. */
static const double BROADER = 1.3, BROADER_MM = 0.12, AS_DARK = 0.85;
enum { BROAD_COMPANY = 4 };

static sp_status doubt_broad_slots(double px_per_mm, sp_marks *marks, sp_error *err)
{
  const size_t n = marks->count;
  if (n < BROAD_COMPANY)
    return SP_OK;
  double *work = malloc(n * sizeof *work);
  if (!work)
    return sp_fail_memory(err);
  for (size_t i = 0; i < n; i++)
    work[i] = marks->marks[i].width_px;
  const double usual_px = sp_median(work, n);
  for (size_t i = 0; i < n; i++)
    work[i] = fabs(marks->marks[i].contrast);
  const double dark = AS_DARK * sp_median(work, n);
  free(work);
  for (size_t i = 0; i < n; i++) {
    sp_mark *m = &marks->marks[i];
    const double more_px = m->width_px - usual_px;
    const bool by_design = (i == 0 || i == n - 1) && fabs(m->contrast) > dark;
    if (!(more_px > BROADER_MM * px_per_mm) || m->width_px < BROADER * usual_px || by_design)
      continue;
    m->usual_width_px = usual_px;
    m->u_u_px = hypot(m->u_u_px, 0.5 * more_px);
  }
  return SP_OK;
}

/* `fine` is the picture in strips as narrow as its lines ask for: what searches for them looks there. */
static sp_status find_lines(const sp_scene *scene, const sp_scene *fine, sp_along along, const sp_marks_options *told,
                            sp_marks *marks, sp_error *err)
{
  sp_marks_options searched = *told, *const o = &searched;
  o->strips_in_one = (int32_t)lround((double)scene->strip_px / fine->strip_px);
  const sp_view view = sp_view_of(scene->raster, along);
  sp_candidate candidates[MAX_CANDIDATES];
  first_lines lines;
  size_t count = 0;
  memset(marks, 0, sizeof *marks);
  marks->along = along;
  marks->even = o->uneven_px != NULL;
  marks->blur_px = NAN;
  sp_status status = sp_marks_search(fine, along, o, NULL, MAX_CANDIDATES, candidates, &count, err);
  count = drop_faint(candidates, count);
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
  status = sp_marks_search(fine, along, o, &marks->board, MAX_CANDIDATES, candidates, &count, err);
  if (status)
    return status;
  count = drop_faint(candidates, count);
  sp_ground ground;
  sp_expectation expect;
  status = sp_ground_measure(scene, along, o, &marks->board, candidates, count, &ground, err);
  if (!status)
    status = final_fits(&view, candidates, count, o, 8.0 * scene->strip_px, &ground, &expect, marks, err);
  if (status)
    return status;
  qsort(marks->marks, marks->count, sizeof *marks->marks, by_place);
  merge_doubles(marks, 0.4 * o->px_per_mm, (o->kind == SP_MARK_KNIFE ? 0.25 : 0.4) * o->px_per_mm);
  drop_odd_colour(marks);
  status = o->kind == SP_MARK_SLOT ? drop_pale_outermost(marks, err) : SP_OK;
  if (!status && o->kind == SP_MARK_SLOT)
    status = doubt_broad_slots(o->px_per_mm, marks, err);
  if (!status)
    status = set_strengths(marks, err);
  if (!status)
    drop_clutter(marks);
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

void sp_marks_free(sp_marks *marks)
{
  free(marks->marks);
  free(marks->edges);
  memset(marks, 0, sizeof *marks);
}
