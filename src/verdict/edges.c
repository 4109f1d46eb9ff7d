/* Where a line meets the board's long edges, against where it should.
 *
 * Plane geometry in (U, V) as in frame.c. Off the centre line the error is the line's place there and its lean
 * together, so their covariance counts: a line is best known near the middle of what shows of it. What mark and nut
 * share, the map's offset first of all, cancels as it does on the centre line; how far the centre line itself may be
 * turned does not, since the computed line is square to it (or at its own angle to it).
 */
#include <math.h>

#include "verdict_internal.h"

/* Where the line meets a long side, and how far from its crossing of the centre line: along that, and across toward
 * larger v. */
typedef struct meeting {
  double u_px, v_px, along_mm, across_mm;
} meeting;

static meeting meet(const frame *f, const crossing *l, const sp_lengthwise *side)
{
  meeting m;
  m.v_px = (side->at_px + side->slope * (l->u_px - l->slope * l->v_px)) / (1.0 - side->slope * l->slope);
  m.u_px = l->u_px + l->slope * (m.v_px - l->v_px);
  /* slopes in even pixels say themselves how far the line has got */
  const double du = isnan(f->even_rate) ? verdict_along_mm(f, m.u_px) - verdict_along_mm(f, l->u_px)
                                        : f->even_rate * l->slope * (m.v_px - l->v_px);
  const double dv = f->across * (m.v_px - l->v_px);
  m.along_mm = du * f->cosine + dv * sin(f->tilt);
  m.across_mm = dv * f->cosine - du * sin(f->tilt);
  return m;
}

/* The line's own part: of a nut only its turning counts, as its place is the datum. */
static double line_u_mm(const frame *f, const crossing *l, const meeting *m)
{
  const double dv = m->v_px - l->v_px, turning = dv * dv * l->u_slope * l->u_slope;
  const double placing = l->is_datum ? 0.0 : l->u_u_px * l->u_u_px + 2.0 * dv * l->cov_u_slope;
  return verdict_rate_at(f, m->u_px) / f->cosine * sqrt(fmax(turning + placing, 0.0));
}

static double u_mm(const frame *f, const datum *d, const crossing *l, const meeting *m, double x_mm,
                   const sp_verdict_options *o)
{
  const double lean = verdict_lean_of(f, l->u_px, l->slope);
  double sum = pow(line_u_mm(f, l, m), 2);
  sum += pow(verdict_axis_u_mm(f, d, lean, verdict_place_of(f, l->u_px), m->across_mm), 2);
  sum += pow(verdict_map_u_mm(f, d, m->u_px, x_mm, m->across_mm), 2);
  sum += pow(verdict_rule_u_mm(f, x_mm), 2);
  if (!isnan(o->temperature_c))
    sum += pow(verdict_temperature_u_mm(o, x_mm), 2);
  if (!l->is_datum)
    sum += pow(verdict_datum_u_mm(f, d), 2);
  return sqrt(sum);
}

/* Cents that an error at the edge is worth to a string along it: exact, as on the centre line. */
static double cents(double speaking_mm, double error_mm)
{
  return error_mm < speaking_mm ? 1200.0 * log2(speaking_mm / (speaking_mm - error_mm)) : NAN;
}

static double tolerance_mm(double speaking_mm, const sp_verdict_options *o)
{
  const double length = isnan(o->tolerance_mm) ? INFINITY : o->tolerance_mm;
  if (isnan(o->tolerance_cents))
    return length;
  return fmin(length, speaking_mm * (1.0 - exp2(-o->tolerance_cents / 1200.0)));
}

/* One edge. `bass` is +1 where larger v lies toward the bass, else -1. */
static void judge_edge(const frame *f, const sp_layout *layout, int direction, const datum *d, const crossing *l,
                       const meeting *m, int bass, const sp_verdict_options *o, const sp_mark_record *mark,
                       sp_edge_record *e)
{
  const double from_bass = bass * m->across_mm;
  e->x_mm = mark->x_mm + direction * m->along_mm * verdict_temperature_factor(o);
  e->y_mm = layout->left_handed ? -from_bass : from_bass;
  e->layout_mm = sp_layout_line_mm(layout, mark->fret, from_bass);
  e->scale_length_mm = sp_layout_string_mm(layout, mark->fret, from_bass);
  e->error_mm = e->x_mm - e->layout_mm;
  e->u_mm = u_mm(f, d, l, m, e->x_mm, o);
  e->expanded_u_mm = 2.0 * e->u_mm;
  const double speaking = sp_layout_speaking_mm(layout, mark->fret, from_bass);
  e->error_cents = cents(speaking, e->error_mm);
  e->expanded_u_cents = fabs(cents(speaking, e->expanded_u_mm));
  e->at_px = verdict_point_on(f, m->u_px, m->v_px);
  e->verdict = verdict_decide(e->error_mm, e->expanded_u_mm, tolerance_mm(speaking, o));
}

static sp_verdict whole_line(const sp_mark_record *mark)
{
  const sp_verdict all[] = {mark->verdict, mark->edge[SP_BASS].verdict, mark->edge[SP_TREBLE].verdict};
  sp_verdict verdict = SP_WITHIN;
  for (int i = 0; i < 3; i++) {
    if (all[i] == SP_OUT)
      return SP_OUT;
    if (all[i] != SP_WITHIN)
      verdict = SP_UNDECIDED;
  }
  return verdict;
}

void verdict_edges(const frame *f, const sp_layout *layout, int direction, const datum *d, const crossing *l,
                   const sp_verdict_options *o, sp_mark_record *mark)
{
  const sp_board *b = &f->marks->board;
  if (!f->mm || !b->edges_found || !isfinite(mark->x_mm))
    return;
  const int bass = layout->left_handed ? -verdict_y_sign(f, direction) : verdict_y_sign(f, direction);
  for (int side = 0; side < 2; side++) {
    const meeting m = meet(f, l, &b->side[side]);
    const bool is_bass = (side == 1) == (bass > 0);
    judge_edge(f, layout, direction, d, l, &m, bass, o, mark, &mark->edge[is_bass ? SP_BASS : SP_TREBLE]);
  }
  mark->edges_known = true;
  mark->line_verdict = whole_line(mark);
}
