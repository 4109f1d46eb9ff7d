/* One mark, the nut too: its place, its error with all doubts, what was seen of it. */
#include <math.h>
#include <string.h>

#include "verdict_internal.h"

static const double DEG = 57.29577951308232;

void verdict_blank_mark(int32_t fret, const sp_layout *layout, sp_mark_record *r)
{
  memset(r, 0, sizeof *r);
  r->fret = fret;
  r->layout_mm = layout->position_mm[fret];
  r->layout_angle_deg = sp_layout_angle_deg(layout, fret);
  r->angle_deg = NAN;
  r->x_mm = r->error_mm = r->error_cents = r->u_mm = r->expanded_u_mm = r->expanded_u_cents = NAN;
  r->squareness_deg = r->u_squareness_deg = r->width_mm = r->u_width_mm = r->contrast = r->coverage = NAN;
  r->end_a_px = r->end_b_px = r->centre_px = (sp_point){NAN, NAN};
  r->budget = (sp_budget){NAN, NAN, NAN, NAN, NAN};
  r->recut_mm = r->from_line_mm = r->u_from_line_mm = NAN;
  r->slot = sp_slot_unknown();
  r->part = (sp_part_record){sp_layout_is_partial(layout, fret), NAN, NAN, NAN, NAN};
  r->verdict = SP_MISSING;
}

double verdict_cents_of(const sp_layout *layout, int32_t fret, double error_mm)
{
  const double left = layout->scale_length_mm - layout->position_mm[fret];
  return error_mm < left ? 1200.0 * log2(left / (left - error_mm)) : NAN;
}

/* Lengths across the slot in mm: `across` is how much that is of a px along u. End a has the smaller y. */
static void describe_kerf(const sp_walls *w, double across, bool a_is_first, sp_slot_record *s)
{
  s->kerf_a_mm = across * w->kerf_end_px[a_is_first ? 0 : 1];
  s->kerf_b_mm = across * w->kerf_end_px[a_is_first ? 1 : 0];
  s->u_kerf_end_mm = across * w->u_kerf_end_px;
  s->widening_mm = across * (a_is_first ? w->widening_px : -w->widening_px);
  s->u_widening_mm = across * w->u_widening_px;
  s->kerf_least_mm = across * w->kerf_least_px;
  s->kerf_most_mm = across * w->kerf_most_px;
  s->u_kerf_window_mm = across * w->u_kerf_window_px;
  s->kerf_sd_mm = across * w->kerf_sd_px;
  s->u_kerf_sd_mm = across * w->u_kerf_sd_px;
}

static void describe_slot(const frame *f, int direction, const sp_mark *m, double layout_angle_deg, sp_slot_record *s)
{
  const sp_walls *w = &m->walls;
  *s = sp_slot_unknown();
  if (!f->mm || !w->known)
    return;
  s->known = true;
  const double across = verdict_rate_at(f, m->u_px) * verdict_across(f, m->u_px, m->slope);
  const double sign = f->marks->along == SP_ALONG_X ? 1.0 : -1.0;
  describe_kerf(w, across, verdict_y_sign(f, direction) > 0, s);
  s->wander_mm = across * w->wander_px;
  s->u_wander_mm = across * w->u_wander_px;
  s->wander_worst_mm = direction * across * w->worst_px;
  s->u_wander_worst_mm = across * w->u_worst_px;
  s->wander_worst_px = verdict_point_on(f, m->u_px + m->slope * (w->worst_v_px - m->v_px) + w->worst_px, w->worst_v_px);
  for (int wall = 0; wall < 2; wall++) { /* 0: toward the nut */
    const int seen = direction > 0 ? wall : 1 - wall;
    s->wall_squareness_deg[wall] = sign * verdict_lean_of(f, m->u_px, w->slope[seen]) * DEG - layout_angle_deg;
    s->u_wall_squareness_deg[wall] = verdict_u_lean(f, m->u_px, w->slope[seen], w->u_slope[seen]) * DEG;
  }
}

/* The angle against square to the centre line, in the board's frame, and what it differs by from the computed one. */
static void describe_angle(const frame *f, double u_px, double slope, double u_slope, sp_mark_record *r)
{
  const double sign = f->marks->along == SP_ALONG_X ? 1.0 : -1.0;
  r->angle_deg = sign * verdict_lean_of(f, u_px, slope) * DEG;
  r->squareness_deg = r->angle_deg - r->layout_angle_deg;
  r->u_squareness_deg = DEG * verdict_u_lean(f, u_px, slope, u_slope);
}

static void describe_line(const frame *f, int direction, const sp_mark *m, sp_mark_record *r)
{
  const double rate = verdict_rate_at(f, m->u_px);
  r->found = true;
  describe_angle(f, m->u_px, m->slope, m->u_slope, r);
  r->width_mm = f->mm ? m->width_px * rate * verdict_across(f, m->u_px, m->slope) : NAN;
  r->u_width_mm = f->mm ? m->u_width_px * rate : NAN;
  r->contrast = m->contrast;
  r->coverage = m->coverage;
  r->by_hand = m->by_hand ? SP_BY_HAND_ADDED : SP_BY_HAND_NO;
  describe_slot(f, direction, m, r->layout_angle_deg, &r->slot);
  verdict_draw_places(f, direction, m->u_px, m->v_px, m->slope, m->v_a_px, m->v_b_px, r);
}

/* Where a line, drawn on, meets a long side. */
static double meeting_v_px(const sp_mark *m, const sp_lengthwise *side)
{
  return (side->at_px + side->slope * (m->u_px - m->slope * m->v_px)) / (1.0 - side->slope * m->slope);
}

/* Where a partial fret ends, against where it should. `bass` is +1 where larger v lies toward the bass, else -1. */
static void describe_part(const frame *f, const sp_layout *layout, int bass, const sp_mark *m, sp_mark_record *r)
{
  const sp_board *b = &f->marks->board;
  if (!f->mm || !b->edges_found)
    return;
  const double low = meeting_v_px(m, &b->side[0]), high = meeting_v_px(m, &b->side[1]);
  const double across = f->across * f->cosine, edge = bass > 0 ? high : low;
  r->part.begin_mm = across * fabs(edge - (bass > 0 ? m->v_b_px : m->v_a_px));
  r->part.end_mm = across * fabs(edge - (bass > 0 ? m->v_a_px : m->v_b_px));
  sp_layout_part_mm(layout, r->fret, across * (high - low), &r->part.layout_begin_mm, &r->part.layout_end_mm);
}

/* A partial fret is judged where it is: its middle, dropped on the centre line along its computed line, which is square
 * to that or leans by `lean` (du/dv in mm), with the uncertainty it has there and what the centre line's direction and
 * the scale across add. */
static sp_mark at_its_middle(const frame *f, const sp_mark *m, double lean)
{
  sp_mark own = *m;
  const sp_lengthwise *c = &f->marks->board.centre;
  const double middle = 0.5 * (m->v_a_px + m->v_b_px), d = middle - m->v_px, u = m->u_px + m->slope * d;
  if (!f->mm)
    return own;
  /* slopes in even pixels say themselves how far the line has got */
  const double at_mm =
      isnan(f->even_rate) ? verdict_along_mm(f, u) : verdict_along_mm(f, m->u_px) + f->even_rate * m->slope * d;
  const double off_mm = f->across * (middle - c->at_px - c->slope * u);
  const double drop_mm = off_mm * f->cosine * (sin(f->tilt) - lean * f->cosine);
  const double turn = hypot(c->u_slope, sqrt(sp_square_map_variance(&f->ref->square, u, NAN)));
  const double line = m->u_u_px * m->u_u_px + 2.0 * d * m->cov_u_slope + d * d * m->u_slope * m->u_slope;
  const double aspect = (2.0 * f->tilt - lean) * f->ref->map.u_across_relative;
  own.u_px = sp_scale_map_place_px(&f->ref->map, at_mm + drop_mm);
  own.v_px = c->at_px + c->slope * own.u_px;
  own.u_u_px = hypot(sqrt(fmax(line, 0.0)), hypot(turn, aspect) * off_mm / verdict_rate_at(f, u));
  own.cov_u_slope = m->cov_u_slope + d * m->u_slope * m->u_slope;
  return own;
}

double verdict_rival_mm(const frame *f, const sp_match *match, int32_t fret)
{
  const double here = verdict_place_of(f, f->marks->marks[match->line_of_fret[fret]].u_px);
  double nearest = INFINITY;
  for (size_t i = 0; match->is_contested[fret] && i < f->marks->count; i++)
    if (match->is_stray[i])
      nearest = fmin(nearest, fabs(verdict_place_of(f, f->marks->marks[i].u_px) - here));
  return nearest;
}

void verdict_judge_mark(const frame *f, const sp_layout *layout, const sp_match *match, const datum *d,
                        const sp_mark *m, const sp_verdict_options *o, sp_mark_record *r)
{
  sp_mark own;
  describe_line(f, match->direction, m, r);
  if (r->part.is_part) {
    describe_part(f, layout, (layout->left_handed ? -1 : 1) * verdict_y_sign(f, match->direction), m, r);
    const double sign = f->marks->along == SP_ALONG_X ? 1.0 : -1.0; /* as in describe_angle */
    own = at_its_middle(f, m, sign * tan(r->layout_angle_deg / DEG));
    m = &own;
  }
  if (!f->mm)
    return;
  const double x = match->direction * (verdict_place_of(f, m->u_px) - d->place) * verdict_temperature_factor(o);
  r->x_mm = layout->position_mm[0] + x;
  r->error_mm = r->x_mm - r->layout_mm;
  r->error_cents = verdict_cents_of(layout, r->fret, r->error_mm);
  r->budget = verdict_budget_of(f, d, m, x, o);
  const double rival = verdict_rival_mm(f, match, r->fret);
  if (isfinite(rival)) /* k = 2 reaches the other line */
    r->budget.line_mm = hypot(r->budget.line_mm, 0.5 * rival);
  r->u_mm = verdict_combined_u_mm(&r->budget);
  r->expanded_u_mm = 2.0 * r->u_mm;
  r->expanded_u_cents = fabs(verdict_cents_of(layout, r->fret, r->expanded_u_mm));
  r->verdict = verdict_decide(r->error_mm, r->expanded_u_mm, verdict_tolerance_mm(layout, r->fret, o));
  if (r->verdict == SP_OUT)
    r->recut_mm = -r->error_mm;
  if (r->part.is_part) /* it meets one edge at the most */
    return;
  const crossing line = {
      m->u_px,    m->v_px,        m->slope, hypot(m->u_u_px, d->kind == SP_DATUM_END ? m->u_common_px : 0.0),
      m->u_slope, m->cov_u_slope, false};
  verdict_edges(f, layout, match->direction, d, &line, o, r);
}

/* The nut is right by definition: all its uncertainty is in the others' datum term. */
void verdict_judge_nut(const frame *f, const sp_layout *layout, const sp_match *match, const datum *d,
                       const sp_verdict_options *o, sp_mark_record *r)
{
  crossing line;
  if (match->nut_is_end) {
    const sp_board *b = &f->marks->board;
    const sp_board_end *e = &b->end[match->nut_end];
    r->found = true;
    describe_angle(f, e->u_px, e->slope, e->u_slope, r);
    verdict_draw_places(f, match->direction, e->u_px, e->v_px, e->slope, b->side[0].at_px + b->side[0].slope * e->u_px,
                        b->side[1].at_px + b->side[1].slope * e->u_px, r);
    line = (crossing){e->u_px, e->v_px, e->slope, e->u_u_px, e->u_slope, 0.0, true};
  } else if (match->line_of_fret[0] >= 0) {
    const sp_mark *m = &f->marks->marks[match->line_of_fret[0]];
    describe_line(f, match->direction, m, r);
    line = (crossing){m->u_px, m->v_px, m->slope, m->u_u_px, m->u_slope, m->cov_u_slope, true};
  } else {
    return;
  }
  r->verdict = SP_UNDECIDED; /* seen, though without a scale nothing can be said of it */
  if (!f->mm)
    return;
  r->x_mm = r->layout_mm; /* where it stands is where the layout has it */
  r->error_mm = r->error_cents = 0.0;
  r->u_mm = r->expanded_u_mm = r->expanded_u_cents = 0.0;
  r->verdict = SP_WITHIN;
  verdict_edges(f, layout, match->direction, d, &line, o, r);
}
