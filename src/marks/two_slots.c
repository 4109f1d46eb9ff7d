/* Two slots beside each other, the one sawn in place of the other.
 *
 * Each lies in the other's window, and pulls its walls along; the search sees but one of two that lie very close. So
 * a second dip is looked for beside every slot, in the mean profile along it, and the two are then fitted in turn, each
 * with the other taken out, until both stand.
 */
#include "fits.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/numeric.h"

/* What lies nearer to a slot than this, mm, is the same; what lies further off is in no window of it. */
static const double SAME_MM = 0.4, FAR_MM = 1.6;
/* A dip of so much of the slot's depth, with wood before it that rises by so much of it, is another slot. */
static const double AS_DEEP = 0.4, RISES = 0.3;
/* It is looked for at these distances, in the profile smoothed over so much, mm. */
static const double NEAREST_MM = 0.55, FARTHEST_MM = 1.4, SMOOTH_MM = 0.1;
/* The other one shows at least this part of what the first does, as a candidate and as a mark. */
static const double AS_HIGH = 0.5, AS_VISIBLE = 0.4;
enum { TURNS = 4, ROWS = 8 };

bool sp_fits_slot_beside(const sp_fits *f, size_t count, size_t which)
{
  const sp_candidate *a = &f->job[which].candidate;
  for (size_t i = 0; f->o->kind == SP_MARK_SLOT && i < count; i++) {
    const sp_candidate *b = &f->job[i].candidate;
    const double apart_mm = fabs(b->u_px + b->slope * (a->v_px - b->v_px) - a->u_px) / f->o->px_per_mm;
    if (apart_mm > SAME_MM && apart_mm < FAR_MM && a->height * b->height > 0.0 &&
        fabs(b->height) > AS_HIGH * fabs(a->height))
      return true;
  }
  return false;
}

/* One of the two. */
typedef struct slot {
  bool good;
  sp_mark mark;
  sp_neighbour as_neighbour;
} slot;

static sp_status fit_slot(const sp_fits *f, const sp_mark *m, const sp_neighbour *neighbour, sp_effort effort,
                          slot *out, sp_error *err)
{
  sp_candidate c = {.u_px = m->u_px, .v_px = m->v_px, .slope = m->slope, .within = f->board, .neighbour = neighbour};
  sp_line_fit fit;
  c.cut_sign = m->contrast < 0.0 ? -1 : 1;
  sp_fits_within_board(f->board, m->u_px, &c.v0_px, &c.v1_px);
  out->good = false;
  const sp_status status = sp_line_fit_run(f->view, &c, f->o, f->expect, f->ground, effort, &fit, err);
  if (status)
    return status;
  if (fit.count >= 6) {
    sp_line_fit_result(&fit, c.v_px, &out->mark);
    sp_line_fit_as_neighbour(&fit, &out->as_neighbour);
    out->good = sp_marks_looks_like(&fit, &out->mark, f->min_coverage, true, f->o->px_per_mm, f->ground->measured);
  }
  sp_line_fit_free(&fit);
  return SP_OK;
}

static double apart_px(const sp_mark *a, const sp_mark *b)
{
  return fabs(a->u_px + a->slope * (b->v_px - a->v_px) - b->u_px);
}

static bool lies_beside(const sp_fits *f, const sp_mark *m, const sp_mark *other)
{
  const double apart = apart_px(m, other) / f->o->px_per_mm;
  return apart > SAME_MM && apart < FAR_MM && m->contrast * other->contrast > 0.0 &&
         sp_mark_visibility(other) > AS_VISIBLE * sp_mark_visibility(m);
}

/* ---- a dip beside ---------------------------------------------------------------------------------------------------
 */

/* Mean profile along a slot, as far as `reach` px to both sides; false where nothing of it is in the picture. */
static bool mean_profile(const sp_view *view, const sp_mark *m, int32_t reach, float *row, double *mean)
{
  const int32_t n = 2 * reach + 1, from = (int32_t)fmax(0.0, ceil(m->v_a_px));
  size_t rows = 0;
  for (int32_t i = 0; i < n; i++)
    mean[i] = 0.0;
  for (int32_t v = from; v + ROWS <= m->v_b_px && v + ROWS <= (int32_t)view->breadth_px; v += ROWS) {
    const double at = m->u_px + m->slope * (v + 0.5 * (ROWS - 1) - m->v_px);
    const int32_t first = (int32_t)lround(at) - reach;
    if (first < 0 || first + n > (int32_t)view->length_px)
      continue;
    sp_view_window(view, first, n, v, ROWS, row);
    for (int32_t i = 0; i < n; i++)
      mean[i] += (double)row[i];
    rows++;
  }
  for (int32_t i = 0; i < n && rows; i++)
    mean[i] /= (double)rows;
  return rows > 0;
}

/* Running mean over 2 half + 1 places; what is nearer to an end is left as it is. */
static void smooth(const double *in, int32_t n, int32_t half, double *out)
{
  for (int32_t i = 0; i < n; i++) {
    double sum = 0.0;
    for (int32_t k = -half; k <= half && i >= half && i + half < n; k++)
      sum += in[i + k];
    out[i] = i >= half && i + half < n ? sum / (2 * half + 1) : in[i];
  }
}

/* Place of the deepest dip beside the middle of a profile, from it in px; 0 where there is none. `sign` is that of the
 * slot against the wood. */
static int32_t deepest_dip(double *p, int32_t reach, double sign, double px_per_mm)
{
  const int32_t nearest = (int32_t)ceil(NEAREST_MM * px_per_mm), farthest = (int32_t)(FARTHEST_MM * px_per_mm);
  double sorted[2 * SP_STACK_MAX + 1], top = 0.0;
  int32_t dip = 0;
  memcpy(sorted, p, (size_t)(2 * reach + 1) * sizeof *p);
  const double wood = sp_quantile(sorted, (size_t)(2 * reach + 1), sign < 0.0 ? 0.75 : 0.25);
  const double depth = sign * (p[reach] - wood);
  for (int side = -1; side <= 1; side += 2) {
    double least = depth; /* depth of the wood between, where it is least */
    for (int32_t d = 1; d <= farthest; d++) {
      const int32_t i = reach + side * d;
      const double here = sign * (p[i] - wood);
      least = fmin(least, here);
      const bool lowest = here >= sign * (p[i - 1] - wood) && here >= sign * (p[i + 1] - wood);
      if (d < nearest || !lowest || here < AS_DEEP * depth || here - least < RISES * depth || here <= top)
        continue;
      top = here;
      dip = side * d;
    }
  }
  return dip;
}

/* Where another slot may lie beside one. */
static sp_status find_dip(const sp_fits *f, const sp_mark *m, int32_t *dip, sp_error *err)
{
  const int32_t reach = (int32_t)fmin(ceil((FARTHEST_MM + 0.4) * f->o->px_per_mm), SP_STACK_MAX);
  const int32_t n = 2 * reach + 1, half = (int32_t)lround(0.5 * SMOOTH_MM * f->o->px_per_mm);
  double *mean = malloc(2 * (size_t)n * sizeof *mean);
  float *row = malloc((size_t)n * sizeof *row);
  *dip = 0;
  const sp_status status = mean && row ? SP_OK : sp_fail_memory(err);
  if (!status && mean_profile(f->view, m, reach, row, mean)) {
    smooth(mean, n, half, mean + n);
    *dip = deepest_dip(mean + n, reach, m->contrast < 0.0 ? -1.0 : 1.0, f->o->px_per_mm);
  }
  free(mean);
  free(row);
  return status;
}

/* ---- both -----------------------------------------------------------------------------------------------------------
 */

/* In turn, each with the other taken out; both good at the end, or not. */
static sp_status fit_both(const sp_fits *f, slot *one, slot *other, sp_error *err)
{
  sp_status status = SP_OK;
  for (int turn = 0; !status && turn < TURNS && one->good && other->good; turn++) {
    status = fit_slot(f, &other->mark, &one->as_neighbour, SP_EFFORT_FULL, other, err);
    if (!status && other->good)
      status = fit_slot(f, &one->mark, &other->as_neighbour, SP_EFFORT_FULL, one, err);
  }
  one->good = one->good && other->good && lies_beside(f, &one->mark, &other->mark);
  return status;
}

typedef struct board_slots {
  sp_marks *marks;
  size_t known; /* as many of the marks as there were before */
  bool *done;
} board_slots;

/* The mark nearest to number i of those beside it; `known` if there is none. */
static size_t mark_beside(const sp_fits *f, const board_slots *b, size_t i)
{
  const sp_mark *m = b->marks->marks;
  size_t best = b->known;
  for (size_t k = 0; k < b->known; k++)
    if (k != i && lies_beside(f, &m[i], &m[k]) &&
        (best == b->known || apart_px(&m[i], &m[k]) < apart_px(&m[i], &m[best])))
      best = k;
  return best;
}

/* Mark i and what lies beside it; `pair` is two slots to work in. */
static sp_status separate(const sp_fits *f, board_slots *b, size_t i, slot *pair, sp_error *err)
{
  slot *one = pair, *other = pair + 1;
  sp_mark *m = b->marks->marks, seen = m[i];
  const size_t beside = mark_beside(f, b, i);
  const bool known = beside < b->known;
  int32_t dip = 0;
  sp_status status = known ? SP_OK : find_dip(f, &m[i], &dip, err);
  if (status || (!known && !dip))
    return status;
  seen.u_px += dip;
  status = fit_slot(f, &m[i], NULL, SP_EFFORT_FULL, one, err);
  if (!status && one->good)
    status = fit_slot(f, known ? &m[beside] : &seen, &one->as_neighbour, SP_EFFORT_FULL, other, err);
  if (status || !one->good || !other->good)
    return status;
  status = fit_both(f, one, other, err);
  if (status || !one->good)
    return status;
  const size_t at = known ? beside : b->marks->count++;
  m[i] = one->mark;
  m[at] = other->mark;
  b->done[i] = b->done[at] = true;
  return SP_OK;
}

sp_status sp_fits_separate_slots(const sp_fits *f, sp_marks *marks, sp_error *err)
{
  board_slots b = {marks, marks->count, calloc(2 * marks->count + 1, sizeof *b.done)};
  slot *pair = calloc(2, sizeof *pair);
  sp_mark *more = realloc(marks->marks, (2 * marks->count + 1) * sizeof *more);
  marks->marks = more ? more : marks->marks;
  sp_status status = b.done && pair && more ? SP_OK : sp_fail_memory(err);
  for (size_t i = 0; !status && i < b.known; i++)
    if (!b.done[i] && !marks->marks[i].part)
      status = separate(f, &b, i, pair, err);
  free(b.done);
  free(pair);
  return status;
}
