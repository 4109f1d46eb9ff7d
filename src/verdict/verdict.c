/* Errors, budget, decision. See the header for the rules; the geometry is that of reference.h: straighten along u by
 * the map, scale across by a constant, then plane geometry with the board's centre line as x axis. */
#include "slotproof/verdict.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/numeric.h"
#include "verdict_internal.h"

static const double DEG = 57.29577951308232;
static const double SQRT3 = 1.7320508075688772;
/* Linear expansion per kelvin. Steel rule: 10.3e-6 (stainless 420) to 11.7e-6 (carbon steel), published tables; wood
 * along the grain: 3e-6 to 5e-6 (US Forest Products Laboratory, Wood Handbook). Reference temperature 20 C (ISO 1). */
static const double STEEL_PER_K = 11.0e-6, STEEL_HALF = 1.0e-6, WOOD_PER_K = 4.0e-6, WOOD_HALF = 1.0e-6;
static const double TEMPERATURE_U_K = 0.6; /* a room thermometer read to a degree: 1 / sqrt(3) */
/* Further from where it should end, and a partial fret is worth a word: lines often stop some millimetres short. */
static const double PART_OFF_MM = 4.0;
/* The rule's direction in the picture is known about this well (rad). */
static const double RULE_SLOPE_U = 1.0e-4;

double verdict_along_mm(const frame *f, double u_px)
{
  return f->mm ? sp_scale_map_along_mm(&f->ref->map, u_px) : u_px;
}

double verdict_rate_at(const frame *f, double u_px)
{
  return f->mm ? sp_scale_map_rate(&f->ref->map, u_px) : 1.0;
}

static frame frame_of(const sp_reference *ref, const sp_marks *marks)
{
  frame f = {ref, marks, ref->map.known, 1.0, 1.0, 0.0, 1.0, NAN};
  if (f.mm) {
    const size_t n = marks->count;
    const double a = n ? marks->marks[0].u_px : ref->map.first_px, b = n ? marks->marks[n - 1].u_px : ref->map.last_px;
    f.rate = b > a ? (verdict_along_mm(&f, b) - verdict_along_mm(&f, a)) / (b - a) : sp_scale_map_rate(&ref->map, a);
    f.across = ref->map.across_mm_per_px;
    if (marks->even)
      f.even_rate = sp_scale_map_even_rate(&ref->map);
  }
  f.tilt = atan(f.across * marks->board.centre.slope / f.rate);
  f.cosine = cos(f.tilt);
  return f;
}

/* Place along the centre line, mm (or px), arbitrary origin. */
double verdict_place_of(const frame *f, double u_px)
{
  return verdict_along_mm(f, u_px) / f->cosine;
}

/* Lean of a line against square to the centre line, rad: positive where it moves toward +u with growing v. */
double verdict_slope_rate(const frame *f, double u_px)
{
  return isnan(f->even_rate) ? verdict_rate_at(f, u_px) : f->even_rate;
}

double verdict_across(const frame *f, double u_px, double slope)
{
  return cos(atan(verdict_slope_rate(f, u_px) * slope / f->across));
}

double verdict_lean_of(const frame *f, double u_px, double slope)
{
  return atan(verdict_slope_rate(f, u_px) * slope / f->across) + f->tilt;
}

/* Its standard uncertainty, rad: the line's, the centre line's, and that of the pixels' aspect, which turns the line
 * one way and the centre line the other. */
static double u_lean(const frame *f, double u_px, double slope, double u_slope)
{
  const double lean = verdict_lean_of(f, u_px, slope), across = verdict_across(f, u_px, slope);
  const double own = u_slope * verdict_slope_rate(f, u_px) / f->across * across * across;
  const double aspect = (2.0 * f->tilt - lean) * (f->mm ? f->ref->map.u_across_relative : 0.0029);
  const double square = sp_square_map_variance(&f->ref->square, u_px, NAN);
  return hypot(hypot(own, f->marks->board.centre.u_slope), sqrt(square + aspect * aspect));
}

/* How well the scale is known, for telling lines apart. */
static double relative_scale_u(const sp_reference_record *r)
{
  if (r->kind == SP_REFERENCE_STRIP)
    return fmax(2e-4, r->mpe_mm / r->span_mm / SQRT3);
  return r->kind == SP_REFERENCE_RULE ? 2e-4 : 0.004;
}

void sp_verdict_match_input(const sp_reference *ref, const sp_marks *marks, sp_match_line *lines, sp_match_options *o)
{
  const frame f = frame_of(ref, marks);
  for (size_t i = 0; i < marks->count; i++) {
    const sp_mark *m = &marks->marks[i];
    lines[i].position = verdict_place_of(&f, m->u_px);
    lines[i].u_position = m->u_u_px * verdict_rate_at(&f, m->u_px);
    lines[i].strength = m->strength;
    lines[i].part = m->part;
  }
  memset(o, 0, sizeof *o);
  o->scale_known = f.mm;
  o->u_relative_scale = relative_scale_u(&ref->record);
  for (int e = 0; e < 2; e++) {
    o->has_end[e] = marks->board.end[e].found;
    o->end_position[e] = o->has_end[e] ? verdict_place_of(&f, marks->board.end[e].u_px) : NAN;
  }
  o->nut_may_be_line = o->nut_may_be_end = true;
}

double sp_verdict_place(const sp_reference *ref, const sp_marks *marks, double u_px)
{
  const frame f = frame_of(ref, marks);
  return verdict_place_of(&f, u_px);
}

/* ---- the datum ------------------------------------------------------------------------------------------------------
 */

static size_t matched(const sp_match *match, int32_t frets, int32_t from)
{
  size_t n = 0;
  for (int32_t k = from; k <= frets; k++)
    n += match->line_of_fret[k] >= 0;
  return n;
}

/* Nut unseen: the origin that fits the marks best (their median distance from the layout). */
static sp_status fitted_datum(const frame *f, const sp_layout *layout, const sp_match *match, datum *d, sp_error *err)
{
  const size_t most = (size_t)layout->frets + 1;
  double *work = malloc(most * sizeof *work);
  size_t n = 0;
  if (!work)
    return sp_fail_memory(err);
  for (int32_t k = 0; k <= layout->frets; k++)
    if (match->line_of_fret[k] >= 0)
      work[n++] = match->direction * verdict_place_of(f, f->marks->marks[match->line_of_fret[k]].u_px) -
                  layout->position_mm[k] / (f->mm ? 1.0 : match->mm_per_unit);
  const double origin = n ? sp_median(work, n) : 0.0;
  d->kind = SP_DATUM_FIT;
  d->place = match->direction * (origin + layout->position_mm[0] / (f->mm ? 1.0 : match->mm_per_unit));
  /* standard uncertainty of a median: 1.2533 s / sqrt(n) */
  d->u_fit_mm = n >= 3 ? 1.2533 * sp_mad(work, n) / sqrt((double)n) : INFINITY;
  d->u_px = NAN;
  d->u_u_px = 0.0;
  free(work);
  return SP_OK;
}

static sp_status find_datum(const frame *f, const sp_layout *layout, const sp_match *match, datum *d, sp_error *err)
{
  memset(d, 0, sizeof *d);
  if (match->nut_is_end) {
    const sp_board_end *e = &f->marks->board.end[match->nut_end];
    *d = (datum){
        SP_DATUM_END, e->u_px, e->u_u_px, verdict_place_of(f, e->u_px), 0.0, verdict_lean_of(f, e->u_px, e->slope)};
    return SP_OK;
  }
  if (match->line_of_fret[0] >= 0) {
    const sp_mark *m = &f->marks->marks[match->line_of_fret[0]];
    *d = (datum){
        SP_DATUM_LINE, m->u_px, m->u_u_px, verdict_place_of(f, m->u_px), 0.0, verdict_lean_of(f, m->u_px, m->slope)};
    return SP_OK;
  }
  return fitted_datum(f, layout, match, d, err);
}

/* ---- the budget -----------------------------------------------------------------------------------------------------
 */

/* How far the centre line runs beside the line on which the scale was read. */
static double off_the_rule_mm(const frame *f, double u_px)
{
  const sp_lengthwise *c = &f->marks->board.centre;
  const sp_square_map *s = &f->ref->square;
  return s->known ? f->across * (c->at_px + c->slope * u_px - s->v0_px - s->slope * u_px) : 0.0;
}

/* Map term: covariance of the readings, and what the angles of rule and board leave open. */
double verdict_map_u_mm(const frame *f, const datum *d, double u_px, double x_mm, double y_v_mm)
{
  const sp_scale_map *map = &f->ref->map;
  const double base = isnan(d->u_px) ? 0.5 * (map->first_px + map->last_px) : d->u_px;
  const double variance = sp_scale_map_covariance_mm2(map, u_px, base, u_px) / (f->cosine * f->cosine);
  const double rule_tilt = atan(f->ref->slope);
  const double board = tan(f->tilt) * f->marks->board.centre.u_slope, rule = tan(rule_tilt) * RULE_SLOPE_U;
  const double aspect = (f->tilt * f->tilt - rule_tilt * rule_tilt) * map->u_across_relative;
  const double off = off_the_rule_mm(f, u_px);
  const double carried = sp_square_map_carried_variance(&f->ref->square, u_px, off + y_v_mm, base, off);
  return sqrt(fmax(variance, 0.0) + carried + x_mm * x_mm * (board * board + rule * rule + aspect * aspect));
}

/* Across, nothing shows a picture's unevenness. A wave of 0.03 mm over 150 mm (of that size are those along the travel:
 * ISPRS Archives 1996, Comm. I; the length a judgement) moves the middle between two sides by amplitude (2 pi / 150
 * mm)^2 half^2 / 2, and by 1 / sqrt 2 of that on the mean over all phases. */
static const double BEND_PER_MM = 1.86e-5;

double sp_uneven_across_mm(double half_mm)
{
  return BEND_PER_MM * half_mm * half_mm;
}

static double uneven_across_mm(const frame *f)
{
  const sp_board *b = &f->marks->board;
  const double half_mm = 0.5 * f->across * (b->side[1].at_px - b->side[0].at_px);
  return f->mm ? sp_uneven_across_mm(half_mm) : 0.0;
}

/* If the centre line lies elsewhere, or runs in another direction, line and nut are crossed elsewhere, which matters as
 * far as they lean differently; and off the centre line the direction itself is a shift. */
double verdict_axis_u_mm(const frame *f, const datum *d, double lean, double place, double y_v_mm)
{
  const sp_marks *m = f->marks;
  const sp_lengthwise *c = &m->board.centre;
  const double middle = verdict_place_of(f, 0.5 * (m->marks[0].u_px + m->marks[m->count - 1].u_px));
  const double line = tan(lean), nut = d->kind == SP_DATUM_FIT ? 0.0 : tan(d->lean);
  const double turn = y_v_mm + line * (place - middle) - nut * (d->place - middle);
  /* the pixels' aspect: how far off the centre line a leaning line was met */
  const double aspect = f->mm ? (2.0 * f->tilt - line) * y_v_mm * f->ref->map.u_across_relative : 0.0;
  const double aside = hypot(f->across * c->u_at_px, uneven_across_mm(f));
  return hypot(hypot((line - nut) * aside, turn * c->u_slope), aspect);
}

double verdict_rule_u_mm(const frame *f, double x_mm)
{
  if (!f->mm || !(f->ref->record.mpe_mm > 0.0))
    return 0.0;
  /* over its span the rule may be wrong by the MPE; a part of it by a part */
  return f->ref->record.mpe_mm / SQRT3 * fabs(x_mm) / f->ref->record.span_mm;
}

double verdict_temperature_u_mm(const sp_verdict_options *o, double x_mm)
{
  if (isnan(o->temperature_c))
    return NAN;
  const double dt = o->temperature_c - 20.0;
  return fabs(x_mm) * hypot(dt * hypot(STEEL_HALF, WOOD_HALF) / SQRT3, (STEEL_PER_K - WOOD_PER_K) * TEMPERATURE_U_K);
}

static sp_budget budget_of(const frame *f, const datum *d, const sp_mark *m, double x_mm, const sp_verdict_options *o)
{
  sp_budget b;
  const double lean = verdict_lean_of(f, m->u_px, m->slope), place = verdict_place_of(f, m->u_px);
  /* what all frets err by alike cancels unless the datum is something else */
  const double line_px = hypot(m->u_u_px, d->kind == SP_DATUM_END ? m->u_common_px : 0.0);
  b.line_mm = hypot(verdict_rate_at(f, m->u_px) * line_px / f->cosine, verdict_axis_u_mm(f, d, lean, place, 0.0));
  b.datum_mm = d->kind == SP_DATUM_FIT ? d->u_fit_mm : verdict_rate_at(f, d->u_px) * d->u_u_px / f->cosine;
  b.map_mm = f->mm ? verdict_map_u_mm(f, d, m->u_px, x_mm, 0.0) : 0.0;
  b.rule_mm = verdict_rule_u_mm(f, x_mm);
  b.temperature_mm = verdict_temperature_u_mm(o, x_mm);
  return b;
}

static double combined(const sp_budget *b)
{
  double sum = b->line_mm * b->line_mm + b->map_mm * b->map_mm + b->datum_mm * b->datum_mm + b->rule_mm * b->rule_mm;
  if (!isnan(b->temperature_mm))
    sum += b->temperature_mm * b->temperature_mm;
  return sqrt(sum);
}

/* ---- one mark -------------------------------------------------------------------------------------------------------
 */

/* Tolerance at this fret in mm: a length, or cents turned into the shift that makes them, the tighter of the two. */
static double tolerance_at(const sp_layout *layout, int32_t fret, const sp_verdict_options *o)
{
  double tolerance = isnan(o->tolerance_mm) ? INFINITY : o->tolerance_mm;
  if (!isnan(o->tolerance_cents)) {
    const double left = layout->scale_length_mm - layout->position_mm[fret];
    tolerance = fmin(tolerance, left * (1.0 - exp2(-o->tolerance_cents / 1200.0)));
  }
  return tolerance;
}

sp_verdict verdict_decide(double error, double expanded, double tolerance)
{
  if (!isfinite(error) || !isfinite(expanded))
    return SP_UNDECIDED;
  if (fabs(error) + expanded <= tolerance)
    return SP_WITHIN;
  return fabs(error) - expanded > tolerance ? SP_OUT : SP_UNDECIDED;
}

sp_point verdict_point_on(const frame *f, double u, double v)
{
  return f->marks->along == SP_ALONG_X ? (sp_point){u, v} : (sp_point){v, u};
}

/* Sign of the board's y axis against v: y points right when looking from nut to bridge, face up. */
int verdict_y_sign(const frame *f, int direction)
{
  return f->marks->along == SP_ALONG_X ? direction : -direction;
}

static void draw_places(const frame *f, int direction, double u, double v, double slope, double v_a, double v_b,
                        sp_mark_record *r)
{
  const sp_point a = verdict_point_on(f, u + slope * (v_a - v), v_a),
                 b = verdict_point_on(f, u + slope * (v_b - v), v_b);
  r->centre_px = verdict_point_on(f, u, v);
  r->end_a_px = verdict_y_sign(f, direction) > 0 ? a : b;
  r->end_b_px = verdict_y_sign(f, direction) > 0 ? b : a;
}

static void blank_mark(int32_t fret, const sp_layout *layout, sp_mark_record *r)
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

static double cents_of(const sp_layout *layout, int32_t fret, double error_mm)
{
  const double left = layout->scale_length_mm - layout->position_mm[fret];
  return error_mm < left ? 1200.0 * log2(left / (left - error_mm)) : NAN;
}

double verdict_temperature_factor(const sp_verdict_options *o)
{
  /* the rule's graduations have grown, the board has grown: what it would measure at 20 C */
  return isnan(o->temperature_c) ? 1.0 : 1.0 + (STEEL_PER_K - WOOD_PER_K) * (o->temperature_c - 20.0);
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
    s->u_wall_squareness_deg[wall] = u_lean(f, m->u_px, w->slope[seen], w->u_slope[seen]) * DEG;
  }
}

/* The angle against square to the centre line, in the board's frame, and what it differs by from the computed one. */
static void describe_angle(const frame *f, double u_px, double slope, double u_slope, sp_mark_record *r)
{
  const double sign = f->marks->along == SP_ALONG_X ? 1.0 : -1.0;
  r->angle_deg = sign * verdict_lean_of(f, u_px, slope) * DEG;
  r->squareness_deg = r->angle_deg - r->layout_angle_deg;
  r->u_squareness_deg = DEG * u_lean(f, u_px, slope, u_slope);
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
  draw_places(f, direction, m->u_px, m->v_px, m->slope, m->v_a_px, m->v_b_px, r);
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
  const double at_mm = isnan(f->even_rate) ? verdict_along_mm(f, u)
                                           : verdict_along_mm(f, m->u_px) + f->even_rate * m->slope * d;
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

static void judge_mark(const frame *f, const sp_layout *layout, const sp_match *match, const datum *d, const sp_mark *m,
                       const sp_verdict_options *o, sp_mark_record *r)
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
  r->error_cents = cents_of(layout, r->fret, r->error_mm);
  r->budget = budget_of(f, d, m, x, o);
  r->u_mm = combined(&r->budget);
  r->expanded_u_mm = 2.0 * r->u_mm;
  r->expanded_u_cents = fabs(cents_of(layout, r->fret, r->expanded_u_mm));
  r->verdict = verdict_decide(r->error_mm, r->expanded_u_mm, tolerance_at(layout, r->fret, o));
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
static void judge_nut(const frame *f, const sp_layout *layout, const sp_match *match, const datum *d,
                      const sp_verdict_options *o, sp_mark_record *r)
{
  crossing line;
  if (match->nut_is_end) {
    const sp_board *b = &f->marks->board;
    const sp_board_end *e = &b->end[match->nut_end];
    r->found = true;
    describe_angle(f, e->u_px, e->slope, e->u_slope, r);
    draw_places(f, match->direction, e->u_px, e->v_px, e->slope, b->side[0].at_px + b->side[0].slope * e->u_px,
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

/* ---- the best-fitting layout ----------------------------------------------------------------------------------------
 */

typedef struct best_fit {
  bool known;
  double origin, scale; /* place = origin + direction * scale * (layout / L) */
  double u_origin, u_scale, rms;
} best_fit;

/* Standard uncertainties of a straight line fitted with Tukey's weights to residuals `rest` at x (every second of
 * `design`): variance of psi over the square of its mean slope, with Huber's correction for few lines (Huber &
 * Ronchetti, Robust Statistics, 7.6). The weights alone would make it too small, because they shrink what the hand has
 * scattered. */
static void robust_u(const double *design, const double *rest, size_t n, double scale, best_fit *fit)
{
  double sx = 0.0, sxx = 0.0, psi2 = 0.0, turn = 0.0, turn2 = 0.0;
  const double count = (double)n;
  for (size_t i = 0; i < n; i++) {
    const double x = design[2 * i + 1], z = rest[i] / scale, in = fabs(z) < 1.0 ? 1.0 - z * z : 0.0;
    const double psi = rest[i] * in * in, slope = in * (in > 0.0 ? 1.0 - 5.0 * z * z : 0.0);
    sx += x;
    sxx += x * x;
    psi2 += psi * psi;
    turn += slope;
    turn2 += slope * slope;
  }
  const double mean = fmax(turn / count, 0.1),
               spread = fmax(turn2 / count - mean * mean, 0.0); /* nearly all lines slips: large */
  const double few = 1.0 + 2.0 / count * spread / (mean * mean);
  const double variance = few * few * psi2 / (count - 2.0) / (mean * mean), det = count * sxx - sx * sx;
  fit->u_origin = sqrt(variance * sxx / det);
  fit->u_scale = sqrt(variance * count / det);
}

/* Robust straight line of place against layout / L (Tukey weights): one misplaced line must not move it. */
static sp_status fit_layout(const frame *f, const sp_layout *layout, const sp_match *match, best_fit *fit,
                            sp_error *err)
{
  const size_t n = matched(match, layout->frets, 0);
  memset(fit, 0, sizeof *fit);
  if (n < 4)
    return SP_OK;
  double *work = malloc(6 * n * sizeof *work);
  if (!work)
    return sp_fail_memory(err);
  double *design = work, *y = work + 2 * n, *w = work + 3 * n, *rest = work + 4 * n, *spare = work + 5 * n;
  size_t i = 0;
  for (int32_t k = 0; k <= layout->frets; k++)
    if (match->line_of_fret[k] >= 0) {
      design[2 * i] = 1.0;
      design[2 * i + 1] = layout->position_mm[k] / layout->scale_length_mm;
      y[i] = match->direction * verdict_place_of(f, f->marks->marks[match->line_of_fret[k]].u_px);
      w[i++] = 1.0;
    }
  double beta[2] = {0}, cov[4] = {0}, sigma = 0.0, scale = 1.0;
  bool fine = true;
  for (int round = 0; round < 8 && fine; round++) {
    fine = sp_lsq(n, 2, design, y, w, beta, cov, &sigma, true, NULL) == SP_OK;
    for (i = 0; i < n; i++)
      spare[i] = fabs(rest[i] = y[i] - beta[0] - beta[1] * design[2 * i + 1]);
    scale = SP_TUKEY_C * (1.4826 * sp_median(spare, n) + 1e-4);
    for (i = 0; i < n; i++) {
      const double z = rest[i] / scale;
      w[i] = fabs(z) < 1.0 ? fmax((1.0 - z * z) * (1.0 - z * z), 1e-6) : 1e-6;
    }
  }
  double rr = 0.0, ww = 0.0;
  for (i = 0; i < n; i++) {
    rr += w[i] * rest[i] * rest[i];
    ww += w[i];
  }
  *fit = (best_fit){.known = fine, .origin = beta[0], .scale = beta[1], .rms = sqrt(rr / ww)};
  robust_u(design, rest, n, scale, fit);
  free(work);
  return SP_OK;
}

/* Without a scale: cents against the best-fitting layout, which need none. */
static void judge_ratios(const frame *f, const sp_layout *layout, const sp_match *match, const best_fit *fit,
                         sp_record *record)
{
  if (f->mm || !fit->known || !(fit->scale > 0.0))
    return;
  for (int32_t k = 0; k <= layout->frets; k++) {
    const ptrdiff_t line = match->line_of_fret[k];
    sp_mark_record *r = &record->marks[k];
    if (line < 0)
      continue;
    const sp_mark *m = &f->marks->marks[line];
    const double x =
        (match->direction * verdict_place_of(f, m->u_px) - fit->origin) * layout->scale_length_mm / fit->scale;
    r->error_cents = cents_of(layout, k, x - r->layout_mm);
    const double u = hypot(m->u_u_px, fit->u_origin) * layout->scale_length_mm / fit->scale;
    r->expanded_u_cents = fabs(cents_of(layout, k, 2.0 * u));
    r->verdict = SP_UNDECIDED;
  }
}

/* ---- the whole record -----------------------------------------------------------------------------------------------
 */

static sp_status add_strays(const frame *f, const sp_layout *layout, const sp_match *match, const datum *d,
                            const sp_verdict_options *o, sp_record *record, sp_error *err)
{
  record->strays = calloc(f->marks->count + 1, sizeof *record->strays);
  if (!record->strays)
    return sp_fail_memory(err);
  for (size_t i = 0; i < f->marks->count; i++) {
    const sp_mark *m = &f->marks->marks[i];
    sp_mark_record r = {0};
    if (!match->is_stray[i])
      continue;
    draw_places(f, match->direction ? match->direction : 1, m->u_px, m->v_px, m->slope, m->v_a_px, m->v_b_px, &r);
    sp_stray_record *s = &record->strays[record->stray_count++];
    s->end_a_px = r.end_a_px;
    s->end_b_px = r.end_b_px;
    s->x_mm = f->mm && match->direction && d
                  ? layout->position_mm[0] +
                        match->direction * (verdict_place_of(f, m->u_px) - d->place) * verdict_temperature_factor(o)
                  : NAN;
  }
  return SP_OK;
}

/* A partial fret that spans another part than it is meant to. */
static sp_status warn_parts(sp_record *record, sp_error *err)
{
  sp_status status = SP_OK;
  for (size_t i = 0; !status && i < record->mark_count; i++) {
    const sp_mark_record *m = &record->marks[i];
    const sp_part_record *p = &m->part;
    if (m->found && p->is_part &&
        (fabs(p->begin_mm - p->layout_begin_mm) > PART_OFF_MM || fabs(p->end_mm - p->layout_end_mm) > PART_OFF_MM))
      status =
          sp_record_warn(record, err,
                         "fret %ld is meant to reach from %.1f to %.1f mm off the bass edge and reaches from %.1f to "
                         "%.1f mm; check on which side of the board it belongs, and its length",
                         (long)m->fret, p->layout_begin_mm, p->layout_end_mm, p->begin_mm, p->end_mm);
  }
  return status;
}

/* What stands behind a zero fret: a line, or else the board's end. */
static void describe_nut_behind(const frame *f, const sp_match *match, const datum *d, const sp_verdict_options *o,
                                sp_nut_behind_record *r)
{
  const sp_board *b = &f->marks->board;
  const sp_board_end *e = &b->end[match->direction > 0 ? 0 : 1];
  sp_mark_record drawn = {0};
  double u = NAN, u_u = NAN;
  if (match->nut_behind >= 0) {
    const sp_mark *m = &f->marks->marks[match->nut_behind];
    draw_places(f, match->direction, m->u_px, m->v_px, m->slope, m->v_a_px, m->v_b_px, &drawn);
    u = m->u_px;
    u_u = m->u_u_px;
  } else if (e->found && isfinite(d->u_px)) {
    draw_places(f, match->direction, e->u_px, e->v_px, e->slope, b->side[0].at_px + b->side[0].slope * e->u_px,
                b->side[1].at_px + b->side[1].slope * e->u_px, &drawn);
    r->is_end = true;
    u = e->u_px;
    u_u = e->u_u_px;
  } else {
    return;
  }
  r->known = true;
  r->end_a_px = drawn.end_a_px;
  r->end_b_px = drawn.end_b_px;
  if (!f->mm || d->kind == SP_DATUM_FIT)
    return;
  const double x = match->direction * (d->place - verdict_place_of(f, u));
  r->behind_mm = x * verdict_temperature_factor(o);
  r->u_mm = hypot(verdict_rate_at(f, u) / f->cosine * hypot(u_u, d->u_u_px), verdict_map_u_mm(f, d, u, x, 0.0));
}

static sp_verdict overall(const sp_record *record)
{
  sp_verdict verdict = SP_WITHIN;
  for (size_t i = 0; i < record->mark_count; i++) {
    if (record->marks[i].verdict == SP_OUT)
      return SP_OUT;
    if (record->marks[i].verdict != SP_WITHIN)
      verdict = SP_UNDECIDED;
  }
  return verdict;
}

static void outline(const frame *f, int direction, sp_record *record)
{
  const sp_board *b = &f->marks->board;
  const double last =
      (f->marks->along == SP_ALONG_X ? record->sources[0].width_px : record->sources[0].height_px) - 1.0;
  double u[2] = {b->end[0].found ? b->end[0].u_px : 0.0, b->end[1].found ? b->end[1].u_px : last};
  const int nut = direction < 0;
  const int small_y = verdict_y_sign(f, direction) > 0 ? 0 : 1;
  const sp_lengthwise *lo = &b->side[small_y], *hi = &b->side[!small_y];
  const double un = u[nut], ub = u[!nut];
  record->outline_px[0] = verdict_point_on(f, un, lo->at_px + lo->slope * un);
  record->outline_px[1] = verdict_point_on(f, un, hi->at_px + hi->slope * un);
  record->outline_px[2] = verdict_point_on(f, ub, hi->at_px + hi->slope * ub);
  record->outline_px[3] = verdict_point_on(f, ub, lo->at_px + lo->slope * ub);
  record->nut_px = verdict_point_on(f, un, b->centre.at_px + b->centre.slope * un);
  record->bridgeward_px = verdict_point_on(f, ub, b->centre.at_px + b->centre.slope * ub);
}

/* The layout that fits best is another one than asked for: by five standard uncertainties, and enough to be heard of.
 */
static bool fits_other_scale(const frame *f, const sp_layout *layout, const best_fit *fit)
{
  const double off = fit->scale - layout->scale_length_mm;
  const double last = layout->position_mm[layout->frets] / layout->scale_length_mm;
  return f->mm && fit->known && fabs(off) > 5.0 * fit->u_scale && fabs(off) * last > 0.3;
}

static sp_status other_scale(const sp_layout *layout, double scale_mm, const best_fit *fit, sp_record *record,
                             sp_error *err)
{
  sp_finding finding = {.kind = "other-scale-length", .value = scale_mm, .unit = "mm", .strength = NAN};
  finding.u_value = fit->known ? fit->u_scale : NAN;
  snprintf(
      finding.text, sizeof finding.text,
      "the lines follow a %sscale length of %.2f mm, not the %.6g mm asked for; check which board this is and what it "
      "was laid out for before anything is cut",
      layout->fanned ? "mean " : "", scale_mm, layout->scale_length_mm);
  return sp_record_add_finding(record, &finding, err);
}

static sp_status fill_marks(const frame *f, const sp_layout *layout, const sp_match *match, const sp_verdict_options *o,
                            sp_record *record, sp_error *err)
{
  datum d;
  best_fit fit;
  sp_status status = find_datum(f, layout, match, &d, err);
  if (!status)
    status = fit_layout(f, layout, match, &fit, err);
  if (status)
    return status;
  judge_nut(f, layout, match, &d, o, &record->marks[0]);
  for (int32_t k = 1; k <= layout->frets; k++)
    if (match->line_of_fret[k] >= 0)
      judge_mark(f, layout, match, &d, &f->marks->marks[match->line_of_fret[k]], o, &record->marks[k]);
  record->datum = d.kind;
  record->datum_u_mm = !f->mm                   ? NAN
                       : d.kind == SP_DATUM_FIT ? d.u_fit_mm
                                                : verdict_rate_at(f, d.u_px) * d.u_u_px / f->cosine;
  if (f->mm && fit.known) {
    record->fit_scale_length_mm = fit.scale;
    record->fit_u_scale_length_mm = fit.u_scale;
    record->fit_offset_mm = fit.origin + layout->position_mm[0] - match->direction * d.place;
    record->fit_residual_rms_mm = fit.rms;
  }
  judge_ratios(f, layout, match, &fit, record);
  if (match->state == SP_MATCH_OTHER_SCALE && f->mm)
    status = other_scale(layout, fit.known ? fit.scale : match->scale_length_mm, &fit, record, err);
  else if (fits_other_scale(f, layout, &fit))
    status = other_scale(layout, fit.scale, &fit, record, err);
  if (!status)
    status = warn_parts(record, err);
  if (layout->zero_fret)
    describe_nut_behind(f, match, &d, o, &record->nut_behind);
  if (!status)
    status = add_strays(f, layout, match, &d, o, record, err);
  return status;
}

sp_status sp_verdict_decide(const sp_layout *layout, const sp_reference *ref, const sp_marks *marks,
                            const sp_match *match, const sp_verdict_options *o, sp_record *record, sp_error *err)
{
  const frame f = frame_of(ref, marks);
  const bool placed = match->state == SP_MATCH_OK || match->state == SP_MATCH_OTHER_SCALE;
  sp_status status = SP_OK;
  record->marks = calloc((size_t)layout->frets + 1, sizeof *record->marks);
  if (!record->marks)
    return sp_fail_memory(err);
  record->mark_count = (size_t)layout->frets + 1;
  for (int32_t k = 0; k <= layout->frets; k++)
    blank_mark(k, layout, &record->marks[k]);
  if (placed)
    status = fill_marks(&f, layout, match, o, record, err);
  else if (marks->count)
    status = add_strays(&f, layout, match, NULL, o, record, err);
  if (!status && match->reason[0] && match->state != SP_MATCH_OTHER_SCALE)
    status = sp_record_warn(record, err, "%s", match->reason);
  if (marks->count)
    outline(&f, placed ? match->direction : 1, record);
  record->verdict = overall(record);
  return status;
}
