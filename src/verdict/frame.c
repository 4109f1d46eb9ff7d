/* From pixels to places on the board. The geometry is that of reference.h: straighten along u by the map, scale across
 * by a constant, then plane geometry with the board's centre line as x axis. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/numeric.h"
#include "verdict_internal.h"

/* Marks that show so well tell how lines run on this board. */
static const double USUAL_STRENGTH = 0.3;
enum { LEAST_PAIRS = 4 };

static const double SQRT3 = 1.7320508075688772;

double verdict_along_mm(const frame *f, double u_px)
{
  return f->mm ? sp_scale_map_along_mm(&f->ref->map, u_px) : u_px;
}

double verdict_rate_at(const frame *f, double u_px)
{
  return f->mm ? sp_scale_map_rate(&f->ref->map, u_px) : 1.0;
}

frame verdict_frame_of(const sp_reference *ref, const sp_marks *marks)
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
double verdict_u_lean(const frame *f, double u_px, double slope, double u_slope)
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

/* A trend along the board through the leans of the marks that show well, by medians; `work` has a place a mark. */
static void usual_lean(const sp_marks *marks, const sp_match_line *lines, double *work, double *at, double *trend)
{
  const size_t half = marks->count / 2;
  size_t n = 0;
  *at = *trend = 0.0;
  for (size_t i = 0; i + half < marks->count && half > 0; i++) {
    const sp_match_line *a = &lines[i], *b = &lines[i + half];
    if (fmin(a->strength, b->strength) > USUAL_STRENGTH && b->position > a->position)
      work[n++] = (b->askew_rad - a->askew_rad) / (b->position - a->position);
  }
  if (n >= LEAST_PAIRS)
    *trend = sp_median(work, n);
  n = 0;
  for (size_t i = 0; i < marks->count; i++)
    if (lines[i].strength > USUAL_STRENGTH)
      work[n++] = lines[i].askew_rad - *trend * lines[i].position;
  if (n)
    *at = sp_median(work, n);
}

/* A whole board may be laid out askew, or fanned, or photographed by a rule that does not tell what is square: what
 * runs as most lines there do is as good as square. */
static void find_askew(const frame *f, const sp_marks *marks, double *work, sp_match_line *lines)
{
  double at, trend;
  for (size_t i = 0; i < marks->count; i++)
    lines[i].askew_rad = verdict_lean_of(f, marks->marks[i].u_px, marks->marks[i].slope);
  usual_lean(marks, lines, work, &at, &trend);
  for (size_t i = 0; i < marks->count; i++) {
    const double lean = lines[i].askew_rad;
    lines[i].askew_rad = fmin(fabs(lean), fabs(lean - at - trend * lines[i].position));
  }
}

/* Of a colour that at most a quarter of the marks have. */
static void find_odd_colours(const sp_marks *marks, sp_match_line *lines)
{
  size_t light = 0;
  for (size_t i = 0; i < marks->count; i++)
    light += marks->marks[i].contrast > 0.0;
  const size_t dark = marks->count - light;
  for (size_t i = 0; i < marks->count; i++)
    lines[i].odd_colour = marks->marks[i].contrast > 0.0 ? 3 * light <= dark : 3 * dark <= light;
}

sp_status sp_verdict_match_input(const sp_reference *ref, const sp_marks *marks, sp_match_line *lines,
                                 sp_match_options *o, sp_error *err)
{
  const frame f = verdict_frame_of(ref, marks);
  double *work = malloc((marks->count + 1) * sizeof *work);
  if (!work)
    return sp_fail_memory(err);
  for (size_t i = 0; i < marks->count; i++) {
    const sp_mark *m = &marks->marks[i];
    lines[i].position = verdict_place_of(&f, m->u_px);
    lines[i].u_position = m->u_u_px * verdict_rate_at(&f, m->u_px);
    lines[i].strength = m->strength;
    lines[i].part = m->part;
    lines[i].nut_only = m->scribed;
  }
  find_askew(&f, marks, work, lines);
  find_odd_colours(marks, lines);
  free(work);
  memset(o, 0, sizeof *o);
  o->scale_known = f.mm;
  o->u_relative_scale = relative_scale_u(&ref->record);
  for (int e = 0; e < 2; e++) {
    o->has_end[e] = marks->board.end[e].found;
    o->end_position[e] = o->has_end[e] ? verdict_place_of(&f, marks->board.end[e].u_px) : NAN;
  }
  o->nut_may_be_line = o->nut_may_be_end = true;
  return SP_OK;
}

double sp_verdict_place(const sp_reference *ref, const sp_marks *marks, double u_px)
{
  const frame f = verdict_frame_of(ref, marks);
  return verdict_place_of(&f, u_px);
}

double sp_verdict_lean(const sp_reference *ref, const sp_marks *marks, double u_px, double slope)
{
  const frame f = verdict_frame_of(ref, marks);
  return verdict_lean_of(&f, u_px, slope);
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

void verdict_draw_places(const frame *f, int direction, double u, double v, double slope, double v_a, double v_b,
                         sp_mark_record *r)
{
  const sp_point a = verdict_point_on(f, u + slope * (v_a - v), v_a),
                 b = verdict_point_on(f, u + slope * (v_b - v), v_b);
  r->centre_px = verdict_point_on(f, u, v);
  r->end_a_px = verdict_y_sign(f, direction) > 0 ? a : b;
  r->end_b_px = verdict_y_sign(f, direction) > 0 ? b : a;
}
