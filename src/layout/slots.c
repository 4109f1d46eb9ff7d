/* The board as wood: how long each slot is, how deep, and what is left under it.
 *
 * The sides are straight, so the width is linear in the distance from the nut. A face of two radii is part of a cone
 * whose crown line is the centre line: its radius of curvature at the crown, in a section square to that line, is s tan
 * a (s from the cone's tip along the line, a half the angle of the tip), hence linear too. Such a section is an ellipse
 * and not quite a circle; over half a width h the circle is too high by h^4 tan^2 a / (8 r^3), below 0.001 mm on
 * usual necks, and taken for a circle here.
 *
 * Depths count from the face. A saw that is led along the face leaves a slot equally deep all along; a straight cut
 * that is deep enough at the edges is deeper at the middle by the sagitta. The thickness is that of the middle: at the
 * edges there is less by the sagitta.
 */
#include <math.h>
#include <stdlib.h>

#include "slotproof/layout.h"

void sp_board_shape_init(sp_board_shape *shape)
{
  *shape = (sp_board_shape){NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN};
}

bool sp_board_shape_given(const sp_board_shape *s)
{
  return !(isnan(s->nut_width_mm) && isnan(s->end_width_mm) && isnan(s->end_at_mm) && isnan(s->radius_mm) &&
           isnan(s->end_radius_mm) && isnan(s->tang_depth_mm) && isnan(s->clearance_mm) && isnan(s->thickness_mm));
}

double sp_sagitta_mm(double radius_mm, double width_mm)
{
  const double half = 0.5 * width_mm;
  if (!(radius_mm > 0.0 && half >= 0.0 && radius_mm >= half) || !isfinite(radius_mm))
    return NAN;
  return half * (half / (radius_mm + sqrt((radius_mm - half) * (radius_mm + half))));
}

/* From `at_nut` at 0 to `at_end` at end_mm, evenly; the same all along if there is no end. */
static double along(double at_nut, double at_end, double end_mm, double x_mm)
{
  return isnan(at_end) ? at_nut : at_nut + (at_end - at_nut) * (x_mm / end_mm);
}

double sp_board_width_mm(const sp_board_shape *s, double x_mm)
{
  return along(s->nut_width_mm, s->end_width_mm, s->end_at_mm, x_mm);
}

/* ---- what cannot be meant --------------------------------------------------------------------------------------- */

typedef struct need {
  double value;
  const char *name;
  double other;
  const char *other_name, *other_option;
} need;

static sp_status check_needs(const sp_board_shape *s, sp_error *err)
{
  const double end = isnan(s->end_width_mm) ? s->end_radius_mm : s->end_width_mm;
  const need needs[] = {
      {s->end_width_mm, "--end-width", s->nut_width_mm, "the width at the nut", "--nut-width"},
      {s->end_radius_mm, "--end-radius", s->radius_mm, "the radius at the nut", "--radius"},
      {s->end_at_mm, "--end-at", end, "a width or radius there", "--end-width or --end-radius"},
      {s->radius_mm, "--radius", s->nut_width_mm, "the width at the nut", "--nut-width"},
      {s->clearance_mm, "--clearance", s->tang_depth_mm, "the depth of the tang", "--tang-depth"},
      {s->thickness_mm, "--thickness", s->tang_depth_mm, "the depth of the tang", "--tang-depth"},
  };
  for (size_t i = 0; i < sizeof needs / sizeof *needs; i++)
    if (!isnan(needs[i].value) && isnan(needs[i].other))
      return sp_fail(err, SP_E_USAGE, "%s means nothing without %s; give %s as well", needs[i].name,
                     needs[i].other_name, needs[i].other_option);
  return SP_OK;
}

static sp_status check_signs(const sp_board_shape *s, sp_error *err)
{
  const double above[] = {s->nut_width_mm,  s->end_width_mm,  s->end_at_mm,   s->radius_mm,
                          s->end_radius_mm, s->tang_depth_mm, s->thickness_mm};
  for (size_t i = 0; i < sizeof above / sizeof *above; i++)
    if (!isnan(above[i]) && !(above[i] > 0.0 && isfinite(above[i])))
      return sp_fail(err, SP_E_USAGE, "a board's length of %g mm cannot be; give a length above 0", above[i]);
  if (!isnan(s->clearance_mm) && !(s->clearance_mm >= 0.0 && isfinite(s->clearance_mm)))
    return sp_fail(err, SP_E_USAGE, "a clearance of %g mm cannot be; give 0mm or more", s->clearance_mm);
  return SP_OK;
}

static sp_status check_end(const sp_layout *l, const sp_board_shape *s, sp_error *err)
{
  if (isnan(s->end_at_mm) || (s->end_at_mm >= l->position_mm[1] && s->end_at_mm <= l->scale_length_mm))
    return SP_OK;
  return sp_fail(err, SP_E_USAGE, "%g mm from the nut lies %s; give as --end-at a place on the board", s->end_at_mm,
                 s->end_at_mm < l->position_mm[1] ? "before fret 1" : "beyond the saddle");
}

static sp_status check_slot(const sp_layout *l, const sp_slots *p, int32_t fret, sp_error *err)
{
  const sp_slot *slot = &p->slot[fret];
  const sp_board_shape *s = &p->shape;
  char where[40] = "the nut";
  if (fret)
    snprintf(where, sizeof where, "fret %ld", (long)fret);
  if (!isnan(s->nut_width_mm) && !(slot->length_mm > 0.0))
    return sp_fail(err, SP_E_USAGE,
                   "with these widths the board has run out of width at %s; check --end-width and "
                   "--end-at",
                   where);
  if (slot->length_mm > l->scale_length_mm)
    return sp_fail(err, SP_E_USAGE, "the board would be %g mm wide at %s, more than its scale length; check the unit",
                   slot->length_mm, where);
  if (!isnan(s->radius_mm) && !isfinite(slot->sagitta_mm))
    return sp_fail(err, SP_E_USAGE,
                   "at %s a radius of %g mm is smaller than half the width, %g mm; check --radius and "
                   "the widths",
                   where, slot->radius_mm, 0.5 * sp_board_width_mm(s, l->position_mm[fret]));
  if (fret && !isnan(s->thickness_mm) && !(slot->left_edge_mm > 0.0))
    return sp_fail(err, SP_E_USAGE,
                   "no wood is left under the slot of %s (%g mm at the board's edge); take a thicker "
                   "board, a shallower slot or a larger radius",
                   where, slot->left_edge_mm);
  return SP_OK;
}

/* ---- the plan --------------------------------------------------------------------------------------------------- */

/* From edge to edge across the board, of a line that gains `slope` on the bridge for each mm toward the bass. */
static double across_mm(const sp_board_shape *s, double x_mm, double slope)
{
  const double width = sp_board_width_mm(s, x_mm);
  const double taper = 0.5 * slope * (sp_board_width_mm(s, x_mm + 0.5) - sp_board_width_mm(s, x_mm - 0.5));
  return 0.5 * width / (1.0 - taper) + 0.5 * width / (1.0 + taper);
}

static sp_slot slot_at(const sp_layout *l, const sp_board_shape *s, int32_t fret)
{
  const double x_mm = l->position_mm[fret], slope = sp_layout_slope(l, fret);
  const double across = slope == 0.0 ? sp_board_width_mm(s, x_mm) : across_mm(s, x_mm, slope);
  sp_slot slot;
  slot.length_mm = across * hypot(1.0, slope);
  slot.radius_mm = along(s->radius_mm, s->end_radius_mm, s->end_at_mm, x_mm);
  slot.sagitta_mm = isnan(s->radius_mm) ? 0.0 : sp_sagitta_mm(slot.radius_mm, across);
  slot.depth_mm = s->tang_depth_mm + s->clearance_mm;
  slot.straight_mm = slot.depth_mm + slot.sagitta_mm;
  slot.left_middle_mm = s->thickness_mm - slot.depth_mm;
  slot.left_edge_mm = s->thickness_mm - slot.straight_mm;
  if (sp_layout_is_partial(l, fret)) {
    double begin_mm, end_mm;
    sp_layout_part_mm(l, fret, across, &begin_mm, &end_mm);
    slot.length_mm = (end_mm - begin_mm) * hypot(1.0, slope);
  }
  return slot;
}

static sp_status fill(const sp_layout *l, sp_slots *p, sp_error *err)
{
  sp_status status = SP_OK;
  for (int32_t n = 0; n <= l->frets && !status; n++) {
    p->slot[n] = slot_at(l, &p->shape, n);
    status = check_slot(l, p, n, err);
    if (n && !(p->slot[n].left_edge_mm >= p->least_left_mm) && !isnan(p->slot[n].left_edge_mm)) {
      p->least_left_mm = p->slot[n].left_edge_mm;
      p->least_left_fret = n;
    }
  }
  return status;
}

sp_status sp_slots_plan(const sp_layout *l, const sp_board_shape *shape, sp_slots *p, sp_error *err)
{
  *p = (sp_slots){0};
  sp_status status = check_needs(shape, err);
  if (!status)
    status = check_signs(shape, err);
  if (!status)
    status = check_end(l, shape, err);
  if (status)
    return status;
  *p = (sp_slots){.shape = *shape, .frets = l->frets, .least_left_mm = NAN};
  if (isnan(shape->end_at_mm) && !(isnan(shape->end_width_mm) && isnan(shape->end_radius_mm)))
    p->shape.end_at_mm = l->position_mm[l->frets];
  if (isnan(shape->clearance_mm) && !isnan(shape->tang_depth_mm))
    p->shape.clearance_mm = 0.0;
  p->narrows = shape->end_width_mm < shape->nut_width_mm;
  p->slot = calloc((size_t)l->frets + 1, sizeof *p->slot);
  status = p->slot ? fill(l, p, err) : sp_fail_memory(err);
  if (status)
    sp_slots_free(p);
  return status;
}

void sp_slots_free(sp_slots *p)
{
  if (!p)
    return;
  free(p->slot);
  *p = (sp_slots){0};
}

bool sp_slots_warning(const sp_slots *p, int index, char text[static SP_SLOTS_WARNING_MAX])
{
  const bool little = p->least_left_mm < SP_LITTLE_WOOD_MM;
  if (little && index-- == 0)
    return snprintf(
               text, SP_SLOTS_WARNING_MAX,
               "only %.2f mm of wood is left under the slot of fret %ld%s: the board may split or break there; saw "
               "shallower or take a thicker board",
               p->least_left_mm, (long)p->least_left_fret,
               isnan(p->shape.radius_mm) ? "" : ", at the board's edge") > 0;
  if (p->narrows && index == 0)
    return snprintf(text, SP_SLOTS_WARNING_MAX,
                    "the board is narrower at its end (%.2f mm) than at the nut (%.2f mm): check that the two widths "
                    "are not swapped",
                    p->shape.end_width_mm, p->shape.nut_width_mm) > 0;
  return false;
}
