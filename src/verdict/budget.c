/* How sure a place is, by origin, and what follows from it against a tolerance. */
#include <math.h>

#include "verdict_internal.h"

static const double SQRT3 = 1.7320508075688772;
/* Linear expansion per kelvin. Steel rule: 10.3e-6 (stainless 420) to 11.7e-6 (carbon steel), published tables; wood
 * along the grain: 3e-6 to 5e-6 (US Forest Products Laboratory, Wood Handbook). Reference temperature 20 C (ISO 1). */
static const double STEEL_PER_K = 11.0e-6, STEEL_HALF = 1.0e-6, WOOD_PER_K = 4.0e-6, WOOD_HALF = 1.0e-6;
static const double TEMPERATURE_U_K = 0.6; /* a room thermometer read to a degree: 1 / sqrt(3) */
/* The rule's direction in the picture is known about this well (rad). */
static const double RULE_SLOPE_U = 1.0e-4;

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

double verdict_datum_u_mm(const frame *f, const datum *d)
{
  if (d->kind == SP_DATUM_FIT)
    return d->u_fit_mm;
  /* k = 2 reaches the other place */
  return hypot(verdict_rate_at(f, d->u_px) * d->u_u_px / f->cosine, 0.5 * d->rival_mm);
}

sp_budget verdict_budget_of(const frame *f, const datum *d, const sp_mark *m, double x_mm, const sp_verdict_options *o)
{
  sp_budget b;
  const double lean = verdict_lean_of(f, m->u_px, m->slope), place = verdict_place_of(f, m->u_px);
  /* what all frets err by alike cancels unless the datum is something else */
  const double line_px = hypot(m->u_u_px, d->kind == SP_DATUM_END ? m->u_common_px : 0.0);
  b.line_mm = hypot(verdict_rate_at(f, m->u_px) * line_px / f->cosine, verdict_axis_u_mm(f, d, lean, place, 0.0));
  b.datum_mm = verdict_datum_u_mm(f, d);
  b.map_mm = f->mm ? verdict_map_u_mm(f, d, m->u_px, x_mm, 0.0) : 0.0;
  b.rule_mm = verdict_rule_u_mm(f, x_mm);
  b.temperature_mm = verdict_temperature_u_mm(o, x_mm);
  return b;
}

double verdict_combined_u_mm(const sp_budget *b)
{
  double sum = b->line_mm * b->line_mm + b->map_mm * b->map_mm + b->datum_mm * b->datum_mm + b->rule_mm * b->rule_mm;
  if (!isnan(b->temperature_mm))
    sum += b->temperature_mm * b->temperature_mm;
  return sqrt(sum);
}

double verdict_temperature_factor(const sp_verdict_options *o)
{
  /* the rule's graduations have grown, the board has grown: what it would measure at 20 C */
  return isnan(o->temperature_c) ? 1.0 : 1.0 + (STEEL_PER_K - WOOD_PER_K) * (o->temperature_c - 20.0);
}

/* Tolerance at this fret in mm: a length, or cents turned into the shift that makes them, the tighter of the two. */
double verdict_tolerance_mm(const sp_layout *layout, int32_t fret, const sp_verdict_options *o)
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
