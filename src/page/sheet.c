/* Where things lie on the drawings. The board is turned so that the nut is on the left. The picture is shown from a
 * little before the nut to a little beyond the last mark, and across from side to side, with the rule if it lies near.
 */
#include <math.h>

#include "page_internal.h"
#include "slotproof/layout.h"

/* Round the marks, mm; and how far off the board, in breadths of it, the rule may lie to be shown. */
static const double ROOM_ALONG_MM = 9.0, ROOM_ACROSS_MM = 5.0, RULE_WITHIN = 1.3;
static const double SIGN_PART = 0.42, LEAST_SIGN = 2.5, MOST_SIGN = 7.0; /* of the narrowest fret; drawing units */

static bool known(sp_point p)
{
  return isfinite(p.x) && isfinite(p.y);
}

bool sp_place_of(const sp_record *r, size_t index, sp_place *place)
{
  const sp_mark_record *m = &r->marks[index];
  if (m->found) {
    *place = (sp_place){m->end_a_px, m->end_b_px, m->centre_px};
    return known(m->end_a_px) && known(m->end_b_px) && known(m->centre_px);
  }
  if (!sp_missing_place(r, index, &place->a_px, &place->b_px))
    return false;
  place->centre_px = (sp_point){0.5 * (place->a_px.x + place->b_px.x), 0.5 * (place->a_px.y + place->b_px.y)};
  return known(place->centre_px);
}

double sp_sheet_u_px(const sp_sheet *s, sp_point p)
{
  return (p.x - s->origin_px.x) * s->along.x + (p.y - s->origin_px.y) * s->along.y;
}

double sp_sheet_v_px(const sp_sheet *s, sp_point p)
{
  return (p.x - s->origin_px.x) * s->across.x + (p.y - s->origin_px.y) * s->across.y;
}

sp_point sp_sheet_point(const sp_sheet *s, double u, double v)
{
  return (sp_point){s->origin_px.x + u * s->along.x + v * s->across.x,
                    s->origin_px.y + u * s->along.y + v * s->across.y};
}

sp_plot_frame sp_sheet_frame(const sp_sheet *s, double top, double bottom, double y_least, double y_most)
{
  return (sp_plot_frame){SP_SHEET_LEFT, SP_SHEET_RIGHT, top, bottom, s->u_least_px, s->u_most_px, y_least, y_most};
}

/* First and last mark that was found; false if they are not two. */
static bool outermost(const sp_record *r, const sp_mark_record **first, const sp_mark_record **last)
{
  *first = *last = NULL;
  for (size_t i = 0; i < r->mark_count; i++)
    if (r->marks[i].found && known(r->marks[i].centre_px)) {
      *first = *first ? *first : &r->marks[i];
      *last = &r->marks[i];
    }
  return *first && *first != *last;
}

static void take_in(const sp_sheet *s, sp_point p, double lo_hi_u[2], double lo_hi_v[2])
{
  if (!known(p))
    return;
  const double u = sp_sheet_u_px(s, p), v = sp_sheet_v_px(s, p);
  lo_hi_u[0] = fmin(lo_hi_u[0], u);
  lo_hi_u[1] = fmax(lo_hi_u[1], u);
  lo_hi_v[0] = fmin(lo_hi_v[0], v);
  lo_hi_v[1] = fmax(lo_hi_v[1], v);
}

/* The rule lies beside the board: only its distance across counts. */
static void take_in_rule(const sp_sheet *s, const sp_reference_record *rule, double v[2])
{
  const double breadth = v[1] - v[0];
  const sp_point ends[] = {rule->first_px, rule->last_px};
  double lo = v[0], hi = v[1];
  for (size_t i = 0; i < 2; i++) {
    if (!known(ends[i]))
      return;
    const double at = sp_sheet_v_px(s, ends[i]);
    lo = fmin(lo, at - ROOM_ACROSS_MM * s->px_per_mm);
    hi = fmax(hi, at + ROOM_ACROSS_MM * s->px_per_mm);
  }
  if (hi - lo < (1.0 + RULE_WITHIN) * breadth) {
    v[0] = lo;
    v[1] = hi;
  }
}

/* Not beyond the picture, at least at the board's middle. */
static void keep_inside(const sp_raster *raster, const sp_sheet *s, double u_middle, double v[2])
{
  const sp_point middle = sp_sheet_point(s, u_middle, 0.0);
  const bool upright = fabs(s->across.y) > fabs(s->across.x);
  const double at = upright ? middle.y : middle.x, rate = upright ? s->across.y : s->across.x;
  const double size = upright ? raster->height_px : raster->width_px;
  const double one = (-0.5 - at) / rate, other = (size - 0.5 - at) / rate;
  v[0] = fmax(v[0], fmin(one, other));
  v[1] = fmin(v[1], fmax(one, other));
}

static void bound(const sp_record *r, const sp_raster *raster, sp_sheet *s)
{
  double u[2] = {INFINITY, -INFINITY}, v[2] = {INFINITY, -INFINITY};
  for (size_t i = 0; i < r->mark_count; i++) {
    sp_place place;
    if (!sp_place_of(r, i, &place))
      continue;
    take_in(s, place.a_px, u, v);
    take_in(s, place.b_px, u, v);
  }
  double outline_u[2] = {INFINITY, -INFINITY};
  for (size_t i = 0; i < 4; i++)
    take_in(s, r->outline_px[i], outline_u, v);
  v[0] -= ROOM_ACROSS_MM * s->px_per_mm;
  v[1] += ROOM_ACROSS_MM * s->px_per_mm;
  take_in_rule(s, &r->reference, v);
  keep_inside(raster, s, 0.5 * (u[0] + u[1]), v);
  s->u_least_px = u[0] - ROOM_ALONG_MM * s->px_per_mm;
  s->u_most_px = u[1] + ROOM_ALONG_MM * s->px_per_mm;
  s->v_least_px = v[0];
  s->v_most_px = v[1];
  s->known = s->u_most_px > s->u_least_px && s->v_most_px > s->v_least_px;
}

double sp_page_limit_mm(const sp_record *r, const sp_mark_record *m)
{
  const double by_cents = r->tolerance_cents / sp_cents_per_mm(r->scale_length_mm, m->layout_mm);
  return fmin(r->tolerance_mm, by_cents); /* fmin passes over the one that is not known */
}

static double narrowest_px(const sp_record *r, const sp_sheet *s)
{
  double least = INFINITY, before = NAN;
  for (size_t i = 0; i < r->mark_count; i++) {
    sp_place place;
    if (!sp_place_of(r, i, &place))
      continue;
    const double u = sp_sheet_u_px(s, place.centre_px);
    least = fmin(least, fabs(u - before)); /* fmin passes over NAN */
    before = u;
  }
  return least;
}

void sp_sheet_of(const sp_record *r, const sp_raster *raster, sp_sheet *s)
{
  const sp_mark_record *first, *last;
  *s = (sp_sheet){.along = {1.0, 0.0}, .across = {0.0, 1.0}, .px_per_mm = r->reference.px_per_mm};
  if (!outermost(r, &first, &last))
    return;
  const sp_point a = known(r->nut_px) ? r->nut_px : first->centre_px,
                 b = known(r->bridgeward_px) ? r->bridgeward_px : last->centre_px;
  const double length = hypot(b.x - a.x, b.y - a.y);
  if (!(length > 0.0))
    return;
  s->along = (sp_point){(b.x - a.x) / length, (b.y - a.y) / length};
  s->across = (sp_point){-s->along.y, s->along.x};
  s->origin_px = a;
  if (!isfinite(s->px_per_mm))
    s->px_per_mm =
        (sp_sheet_u_px(s, last->centre_px) - sp_sheet_u_px(s, first->centre_px)) / (last->layout_mm - first->layout_mm);
  if (!(s->px_per_mm > 0.0))
    return;
  bound(r, raster, s);
  s->narrowest = narrowest_px(r, s) / (s->u_most_px - s->u_least_px) * (SP_SHEET_RIGHT - SP_SHEET_LEFT);
  s->sign_radius = fmin(fmax(SIGN_PART * s->narrowest, LEAST_SIGN), MOST_SIGN);
}
