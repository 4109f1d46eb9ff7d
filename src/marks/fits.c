/* Many candidates fitted at the same time, whole frets and partial ones. */
#include "fits.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/workers.h"

/* A partial fret: over this part of what it spans, and at least over this part of what the shortest is meant to span.
 */
static const double MIN_OF_PART = 0.7, MIN_OF_LEAST = 0.6;
/* Windows of a partial fret reach so far beyond it, mm: once it is seen where it ends. */
static const double BEYOND_PART_MM = 1.5;

double sp_candidate_reach(const sp_candidate *c)
{
  return fabs(c->height) * (c->v1_px - c->v0_px);
}

static bool cast(const sp_line_fit *fit, sp_burr_ballot *b)
{
  if (!fit->burr)
    return false;
  memcpy(b->cost, fit->cost_of_kind, sizeof b->cost);
  memcpy(b->burr, fit->burr_of_kind_px, sizeof b->burr);
  b->width = fit->shape.width_px;
  const double left = fabs(fit->shape.burr_height[0]), right = fabs(fit->shape.burr_height[1]);
  b->side = right > left;
  b->height = fmax(left, right);
  b->lesser = b->height > 0.0 ? fmin(left, right) / b->height : 0.0;
  return true;
}

void sp_fits_within_board(const sp_board *b, double u, double *v0, double *v1)
{
  *v0 = b->side[0].at_px + b->side[0].slope * u;
  *v1 = b->side[1].at_px + b->side[1].slope * u;
}

bool sp_fits_beyond_ends(const sp_board *b, double u_px, double clear_px)
{
  const sp_board_end *end = b->end;
  return (end[0].found && u_px < end[0].u_px + clear_px) || (end[1].found && u_px > end[1].u_px - clear_px);
}

void sp_fits_cross_centre(const sp_board *b, double u, double slope, double v_ref, double *u_out, double *v_out)
{
  const double v = (b->centre.at_px + b->centre.slope * (u - slope * v_ref)) / (1.0 - b->centre.slope * slope);
  *v_out = v;
  *u_out = u + slope * (v - v_ref);
}

/* A partial fret is fitted over its own length: roughly first, then where the first fit has seen it. Its mark's place
 * is where it would cross the centre line, as of any other, with what that adds to its uncertainty. */
static void run_part(const sp_fits *jobs, sp_fit_job *j)
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
  sp_fits_within_board(jobs->board, c.u_px, &v0, &v1);
  sp_fits_cross_centre(jobs->board, c.u_px, c.slope, c.v_px, &u, &v);
  sp_line_fit_result(&fit, v, &j->mark);
  const double length = j->mark.v_b_px - j->mark.v_a_px;
  j->good = sp_marks_looks_like(&fit, &j->mark, MIN_OF_PART, false, px, jobs->ground->measured) &&
            length >= MIN_OF_LEAST * jobs->o->least_part * (v1 - v0);
  j->mark.part = true;
  j->blur = fit.shape.blur_px;
  sp_line_fit_free(&fit);
}

static void run_fit(void *context, size_t index)
{
  const sp_fits *jobs = context;
  sp_fit_job *j = &jobs->job[index];
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
    j->good = sp_marks_looks_like(&fit, &j->mark, jobs->min_coverage, j->beside, jobs->o->px_per_mm,
                                  jobs->ground->measured) ||
              (j->cancelled && sp_marks_shows_with_burr(&fit, &j->mark, jobs->min_coverage, jobs->o->px_per_mm));
    j->blur = fit.shape.blur_px;
    j->voted = j->good && cast(&fit, &j->ballot);
  }
  sp_line_fit_free(&fit);
}

sp_status sp_fits_run(sp_fits *jobs, size_t count, sp_error *err)
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
