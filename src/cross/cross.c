/* Means along lines beside the mark, by linear interpolation between four pixels. */
#include "slotproof/cross.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

/* The ends of a mark fray, and the board's edge is near: this part of its length is left out at either end. */
static const double LEFT_OUT = 0.04;
/* Least part of a line that must lie in the picture. */
static const double LEAST_INSIDE = 0.8;
enum { MOST_STEPS = 4000, LEAST_STEPS = 9 };

static double value(const sp_raster *r, size_t x, size_t y)
{
  const size_t i = y * r->width_px + x;
  return r->u8 ? r->u8[i] : r->u16[i];
}

/* False outside the picture. */
static bool sample(const sp_raster *r, sp_point p, double *grey)
{
  if (!(p.x >= 0.0 && p.y >= 0.0 && p.x < r->width_px - 1.0 && p.y < r->height_px - 1.0))
    return false;
  const size_t x = (size_t)p.x, y = (size_t)p.y;
  const double fx = p.x - (double)x, fy = p.y - (double)y;
  const double upper = value(r, x, y) + fx * (value(r, x + 1, y) - value(r, x, y));
  const double lower = value(r, x, y + 1) + fx * (value(r, x + 1, y + 1) - value(r, x, y + 1));
  *grey = upper + fy * (lower - upper);
  return true;
}

/* NAN where too little of the line lies in the picture. */
static double mean_along(const sp_raster *r, sp_point a, sp_point b)
{
  const size_t n = (size_t)fmax(2.0, ceil(hypot(b.x - a.x, b.y - a.y)));
  double sum = 0.0;
  size_t inside = 0;
  for (size_t i = 0; i < n; i++) {
    const double t = ((double)i + 0.5) / (double)n;
    double grey;
    if (!sample(r, (sp_point){a.x + t * (b.x - a.x), a.y + t * (b.y - a.y)}, &grey))
      continue;
    sum += grey;
    inside++;
  }
  return (double)inside >= LEAST_INSIDE * (double)n ? sum / (double)inside / sp_raster_full_scale(r) : NAN;
}

void sp_cross_section_free(sp_cross_section *s)
{
  free(s->offset_mm);
  free(s->grey);
  *s = (sp_cross_section){0, NULL, NULL};
}

/* Unit vector square to a-b, toward `ahead`; false if the three do not say. */
static bool square_to(sp_point a, sp_point b, sp_point ahead, sp_point *unit)
{
  const double length = hypot(b.x - a.x, b.y - a.y);
  *unit = (sp_point){-(b.y - a.y) / length, (b.x - a.x) / length};
  const double side = (ahead.x - a.x) * unit->x + (ahead.y - a.y) * unit->y;
  if (side < 0.0)
    *unit = (sp_point){-unit->x, -unit->y};
  return length >= 2.0 && side != 0.0 && isfinite(side);
}

sp_status sp_cross_section_between(const sp_raster *r, sp_point a, sp_point b, sp_point ahead, double px_per_mm,
                                   sp_cross_section *s, sp_error *err)
{
  sp_point unit;
  *s = (sp_cross_section){0, NULL, NULL};
  if (!square_to(a, b, ahead, &unit) || !(px_per_mm > 0.0) || !isfinite(px_per_mm))
    return SP_OK;
  const double reach = fmin(SP_CROSS_HALF_MM * px_per_mm / SP_CROSS_STEP_PX, MOST_STEPS);
  const long half = (long)floor(reach);
  const size_t most = 2 * (size_t)half + 1;
  s->offset_mm = calloc(most, sizeof *s->offset_mm);
  s->grey = calloc(most, sizeof *s->grey);
  if (!s->offset_mm || !s->grey) {
    sp_cross_section_free(s);
    return sp_fail_memory(err);
  }
  const sp_point from = {a.x + LEFT_OUT * (b.x - a.x), a.y + LEFT_OUT * (b.y - a.y)};
  const sp_point to = {b.x + LEFT_OUT * (a.x - b.x), b.y + LEFT_OUT * (a.y - b.y)};
  for (long i = -half; i <= half; i++) {
    const double off = (double)i * SP_CROSS_STEP_PX;
    const double grey = mean_along(r, (sp_point){from.x + off * unit.x, from.y + off * unit.y},
                                   (sp_point){to.x + off * unit.x, to.y + off * unit.y});
    if (isnan(grey) && i <= 0)
      s->count = 0; /* begins anew on this side of the picture's edge */
    if (isnan(grey) && i > 0)
      break;
    if (isnan(grey))
      continue;
    s->offset_mm[s->count] = off / px_per_mm;
    s->grey[s->count++] = grey;
  }
  if (s->count < LEAST_STEPS || s->offset_mm[0] > 0.0 || s->offset_mm[s->count - 1] < 0.0)
    sp_cross_section_free(s);
  return SP_OK;
}

sp_status sp_cross_section_of(const sp_record *record, const sp_raster *raster, size_t index, sp_cross_section *s,
                              sp_error *err)
{
  const sp_mark_record *m = &record->marks[index];
  *s = (sp_cross_section){0, NULL, NULL};
  if (!m->found)
    return SP_OK;
  const sp_point ahead = {m->centre_px.x + (record->bridgeward_px.x - record->nut_px.x),
                          m->centre_px.y + (record->bridgeward_px.y - record->nut_px.y)};
  return sp_cross_section_between(raster, m->end_a_px, m->end_b_px, ahead, record->reference.px_per_mm, s, err);
}
