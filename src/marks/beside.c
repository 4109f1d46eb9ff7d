/* What lies beside knife lines that leave much unexplained: a cut beside a pencil's stroke. */
#include "fits.h"

#include <math.h>
#include <stdlib.h>

/* What a cross-section leaves over per value, from where on something else lies in the window. */
static const double UNEXPLAINED = 2.5;
/* What lies nearer to a line than this, mm, is the same. */
static const double SAME_MM = 0.22;

bool sp_mark_is_well_explained(const sp_mark *m)
{
  return m->misfit <= UNEXPLAINED;
}

double sp_fits_same_px(const sp_marks_options *o)
{
  return SAME_MM * o->px_per_mm;
}

/* How far beside an unexplained mark another is looked for, mm. */
static const double BESIDE_MM[] = {0.3, 0.42, 0.54, 0.66, 0.78, 0.9};
enum { BESIDE = 2 * sizeof BESIDE_MM / sizeof *BESIDE_MM };
/* A mark found so is sp_mark_explained at least this well, against the one it was found by. */
static const double AS_WELL = 0.5;

/* What shows along less of a line than this part of what another does does not stand for it. */
static const double MUCH_LESS = 0.7;

/* As found, or as a fit saw it that is no mark: the pencil's stroke itself may be too broad for one. */
static const sp_mark *seen_by(const sp_fit_job *j)
{
  return j->ever ? &j->found : &j->mark;
}

/* Is it what shows of a mark beside it, a cut's burr? That one's window reaches beyond it, and it leaves nothing
 * unexplained there, along as much of the line. */
static bool is_explained_by_another(const sp_fits *jobs, size_t count, const sp_fit_job *j)
{
  const sp_mark *m = seen_by(j);
  for (size_t i = 0; i < count; i++) {
    const sp_fit_job *other = &jobs->job[i];
    if (other != j && other->ever && !other->candidate.part && sp_mark_is_well_explained(&other->found) &&
        fabs(other->found.u_px - m->u_px) < sp_fits_same_px(jobs->o) &&
        sp_mark_explained(&other->found) > sp_mark_explained(m) && other->found.coverage >= MUCH_LESS * m->coverage)
      return true;
  }
  return false;
}

static bool is_unexplained(const sp_fits *jobs, size_t count, const sp_fit_job *j)
{
  const sp_mark *m = seen_by(j);
  return j->wanted && !j->candidate.part && m->coverage >= jobs->min_coverage && !sp_mark_is_well_explained(m) &&
         m->significance > SP_LEAST_SIGNIFICANCE && isfinite(m->u_px) && !is_explained_by_another(jobs, count, j);
}

static void ask_beside(const sp_fits *jobs, const sp_fit_job *of, int usual, sp_fit_job beside[BESIDE])
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
    beside[k].wanted = !sp_fits_beyond_ends(jobs->board, c->u_px, 0.5 * px);
  }
}

static bool is_known(const sp_fit_job *job, size_t count, double u_px, double same_px)
{
  for (size_t i = 0; i < count; i++)
    if (job[i].ever && fabs(job[i].found.u_px - u_px) < same_px)
      return true;
  return false;
}

/* The best of what was seen beside a mark; the others are not wanted any more. */
static void choose_beside(const sp_fits *jobs, const sp_fit_job *known, size_t count, const sp_fit_job *of,
                          sp_fit_job *beside)
{
  sp_fit_job *best = NULL;
  for (int k = 0; k < BESIDE; k++) {
    sp_fit_job *j = &beside[k];
    j->wanted = false;
    if (j->good && sp_mark_explained(&j->mark) > AS_WELL * sp_mark_explained(seen_by(of)) &&
        (!best || sp_mark_explained(&j->mark) > sp_mark_explained(&best->mark)) &&
        !is_known(known, count, j->mark.u_px, sp_fits_same_px(jobs->o)))
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
sp_status sp_fits_look_beside(sp_fits *jobs, size_t count, sp_marks *marks, sp_error *err)
{
  sp_fit_job *const known = jobs->job;
  const int usual = sp_marks_mostly_light(jobs->o, marks) ? 1 : -1;
  size_t n = 0;
  for (size_t i = 0; i < count; i++)
    n += is_unexplained(jobs, count, &known[i]);
  sp_fit_job *beside = calloc(n * BESIDE + 1, sizeof *beside);
  sp_mark *more = realloc(marks->marks, (marks->count + n + 1) * sizeof *more);
  marks->marks = more ? more : marks->marks;
  if (!beside || !more) {
    free(beside);
    return sp_fail_memory(err);
  }
  sp_fits sought = *jobs;
  sought.job = beside;
  for (int turn = 0; turn < 3; turn++) { /* asked, chosen, kept */
    size_t k = 0;
    for (size_t i = 0; i < count; i++) {
      if (!is_unexplained(jobs, count, &known[i]))
        continue;
      sp_fit_job *here = beside + BESIDE * k++;
      if (turn == 0)
        ask_beside(jobs, &known[i], usual, here);
      else if (turn == 1)
        choose_beside(jobs, known, count, &known[i], here);
      for (int b = 0; turn == 2 && b < BESIDE; b++)
        if (here[b].good && !is_known(known, count, here[b].mark.u_px, sp_fits_same_px(jobs->o)))
          marks->marks[marks->count++] = here[b].mark;
    }
    const sp_status status = turn < 2 ? sp_fits_run(&sought, n * BESIDE, err) : SP_OK;
    if (status) {
      free(beside);
      return status;
    }
  }
  free(beside);
  return SP_OK;
}
