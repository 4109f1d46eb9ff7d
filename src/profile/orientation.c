/* A camera's profile against the orientation its pictures are shown in.
 *
 * A lens belongs to the sensor, so its profile is kept in the frame of the picture as stored. EXIF's eight orientations
 * (JEITA CP-3451) are turns by quarters, mirrored or not: upright x is a stored coordinate, counted from either end,
 * and upright y the other one.
 */
#include <math.h>

#include "slotproof/profile.h"

typedef struct turning {
  bool swapped, x_back, y_back; /* upright x from stored y; upright x, y counted from the far end */
} turning;

static turning turning_of(int orientation)
{
  static const turning OF[9] = {
      [1] = {false, false, false}, [2] = {false, true, false}, [3] = {false, true, true}, [4] = {false, false, true},
      [5] = {true, false, false},  [6] = {true, true, false},  [7] = {true, true, true},  [8] = {true, false, true}};
  return OF[orientation >= 1 && orientation <= 8 ? orientation : 1];
}

sp_point sp_upright_px(sp_point stored, int orientation, uint32_t width_px, uint32_t height_px)
{
  const turning t = turning_of(orientation);
  sp_point p = t.swapped ? (sp_point){stored.y, stored.x} : stored;
  if (t.x_back)
    p.x = (t.swapped ? height_px : width_px) - 1.0 - p.x;
  if (t.y_back)
    p.y = (t.swapped ? width_px : height_px) - 1.0 - p.y;
  return p;
}

sp_point sp_stored_px(sp_point upright, int orientation, uint32_t width_px, uint32_t height_px)
{
  const turning t = turning_of(orientation);
  sp_point p = upright;
  if (t.x_back)
    p.x = (t.swapped ? height_px : width_px) - 1.0 - p.x;
  if (t.y_back)
    p.y = (t.swapped ? width_px : height_px) - 1.0 - p.y;
  return t.swapped ? (sp_point){p.y, p.x} : p;
}

void sp_lens_upright(const sp_profile *profile, int orientation, sp_lens *lens, sp_lens *u)
{
  const turning t = turning_of(orientation);
  const sp_lens *s = &profile->camera.lens, *us = &profile->camera.u;
  const sp_point centre =
      sp_upright_px((sp_point){s->cx_px, s->cy_px}, orientation, profile->width_px, profile->height_px);
  *lens = *s;
  lens->cx_px = centre.x;
  lens->cy_px = centre.y;
  lens->p2 = (t.swapped ? s->p1 : s->p2) * (t.x_back ? -1.0 : 1.0);
  lens->p1 = (t.swapped ? s->p2 : s->p1) * (t.y_back ? -1.0 : 1.0);
  if (!u)
    return;
  *u = *us;
  if (t.swapped)
    *u = (sp_lens){us->f_px, us->cy_px, us->cx_px, us->k1, us->k2, us->p2, us->p1};
}
