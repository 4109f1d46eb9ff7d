/* A photograph made square by a printed strip.
 *
 * Of one piece both coordinates of some hundred places are known, which gives a camera. Further pieces lie somewhere on
 * the same plane: each is a rigid body, so once there is a camera, where it lies about (a shift and a turn, no stretch)
 * is known, and camera and bodies are fitted together. What lies on both sides of the
 * board fixes the perspective across it far better than one narrow strip can. A printer feeds paper by another scale
 * than it draws along; taken for perspective, half a per cent across would be a tilt of six degrees. So one stretch
 * across, of all pieces alike, is fitted with the camera.
 */
#include <math.h>
#include <stdlib.h>

#include "check_internal.h"
#include "slotproof/strip.h"

enum { LEAST_GRADUATIONS = 40 };
/* What a printed line may be off besides the pixels' noise, along and across. */
static const double FLOOR_PX = 0.03, FLOOR_ACROSS_PX = 0.06;
/* How far a printer's two scales lie apart (0.1 to 0.5 % each are usual, common practice, no source), and where both
 * were measured with calipers. */
static const double U_STRETCH = 0.004, U_STRETCH_TOLD = 0.0005;

typedef struct strip_fit {
  const sp_raster *picture;
  double focal_35mm;
  const sp_photo_lens *lens;
  double told_stretch; /* across over along, as measured; 1 where it was not */
  sp_strip_sight sight;
  sp_camera_body body[SP_CAMERA_BODIES]; /* the pieces besides the main one */
  size_t body_count;
  sp_camera_sighting *list;
  sp_photo_known known;
} strip_fit;

static bool serves(const sp_strip_piece *p)
{
  return p->graduations >= LEAST_GRADUATIONS;
}

static size_t largest_piece(const sp_strip_sight *sight)
{
  size_t best = 0;
  for (size_t i = 1; i < sight->piece_count; i++)
    if (sight->piece[i].graduations > sight->piece[best].graduations)
      best = i;
  return best;
}

/* The nearest shift and turn of piece i's places onto where the camera sees them (Procrustes, without stretch). False if
 * too little of it is seen. */
static bool place_piece(const strip_fit *f, size_t i, const sp_camera *camera, double stretch, sp_camera_body *body)
{
  const sp_camera_view view = sp_camera_view_of(camera);
  double n = 0, ax = 0, ay = 0, bx = 0, by = 0, dot = 0, cross = 0;
  for (int pass = 0; pass < 2; pass++)
    for (size_t k = 0; k < f->sight.point_count; k++) {
      const sp_strip_point *p = &f->sight.points[k];
      if (p->piece != f->sight.piece[i].piece || p->kind != SP_STRIP_GRADUATION)
        continue;
      const sp_point at = sp_camera_unproject(&view, (sp_point){p->x_px, p->y_px}, 0.0);
      if (pass == 0) {
        n += 1;
        ax += p->X_mm;
        ay += stretch * p->Y_mm;
        bx += at.x;
        by += at.y;
      } else {
        const double x = p->X_mm - ax / n, y = stretch * p->Y_mm - ay / n, u = at.x - bx / n, v = at.y - by / n;
        dot += x * u + y * v;
        cross += x * v - y * u;
      }
    }
  if (!(n >= LEAST_GRADUATIONS && hypot(dot, cross) > 0.0))
    return false;
  const double turn = atan2(cross, dot), c = cos(turn), s = sin(turn);
  *body = (sp_camera_body){(bx - c * ax + s * ay) / n, (by - s * ax - c * ay) / n, turn};
  return true;
}

/* A graduation is a line of known X: seen at two places of it, chosen so that what is known of one does not depend on
 * the other. How they converge is what a single strip says of the perspective across the board. */
static void sight_graduation(strip_fit *f, const sp_strip_point *p, int32_t body)
{
  const double off = p->half_px / 1.7320508075688772, sd = hypot(1.4142135623730951 * p->sd_px, FLOOR_PX);
  for (int side = -1; side <= 1; side += 2)
    f->list[f->known.count++] =
        (sp_camera_sighting){{p->x_px + side * off * p->along.x, p->y_px + side * off * p->along.y},
                             false,
                             p->X_mm,
                             sd,
                             0.0,
                             body};
}

/* Of a graduation both coordinates are measured, of the far rail only the place across. `body` as the fit counts. */
static void sight_piece(strip_fit *f, size_t i, int32_t body)
{
  for (size_t k = 0; k < f->sight.point_count; k++) {
    const sp_strip_point *p = &f->sight.points[k];
    if (p->piece != f->sight.piece[i].piece || (p->kind != SP_STRIP_GRADUATION && p->kind != SP_STRIP_FAR_RAIL))
      continue;
    if (p->kind == SP_STRIP_GRADUATION)
      sight_graduation(f, p, body);
    const double across = f->told_stretch * p->Y_mm;
    f->list[f->known.count++] = (sp_camera_sighting){
        {p->x_px, p->y_px}, true, across, hypot(p->sd_across_px, FLOOR_ACROSS_PX), across, body};
  }
}

static bool begin(strip_fit *f, size_t main_piece)
{
  const sp_strip_point *first = NULL, *last = NULL;
  for (size_t k = 0; k < f->sight.point_count; k++) {
    const sp_strip_point *p = &f->sight.points[k];
    if (p->piece != f->sight.piece[main_piece].piece || p->kind != SP_STRIP_GRADUATION)
      continue;
    first = first ? first : p;
    last = p;
  }
  if (!first || !(last->X_mm > first->X_mm))
    return false;
  const double span = last->X_mm - first->X_mm;
  f->known.first = first->X_mm;
  f->known.last = last->X_mm;
  f->known.at_px = (sp_point){0.5 * (first->x_px + last->x_px), 0.5 * (first->y_px + last->y_px)};
  f->known.ahead_px = (sp_point){f->known.at_px.x + (last->x_px - first->x_px) / span,
                                 f->known.at_px.y + (last->y_px - first->y_px) / span};
  f->known.sightings = f->list;
  f->known.body = f->body;
  return true;
}

static sp_status fit(strip_fit *f, sp_photo *photo, sp_error *err)
{
  const size_t main_piece = largest_piece(&f->sight);
  sp_camera camera;
  double further;
  if (!serves(&f->sight.piece[main_piece]) || !begin(f, main_piece))
    return SP_OK;
  sight_piece(f, main_piece, 0);
  const sp_status status =
      sp_photo_camera_by(f->picture, f->focal_35mm, f->lens, &f->known, &camera, &further, err);
  if (status)
    return status;
  for (size_t i = 0; i < f->sight.piece_count && f->body_count < SP_CAMERA_BODIES; i++)
    if (i != main_piece && serves(&f->sight.piece[i]) &&
        place_piece(f, i, &camera, f->told_stretch * (1.0 + further), &f->body[f->body_count]))
      sight_piece(f, i, (int32_t)++f->body_count);
  f->known.body_count = f->body_count;
  return sp_photo_straighten_by(f->picture, f->focal_35mm, f->lens, &f->known, photo, err);
}

sp_status check_straighten_by_strip(const sp_raster *picture, double focal_35mm, const sp_photo_lens *lens,
                                    const sp_reference_options *options, sp_photo *photo, sp_strip_sight *sight,
                                    sp_error *err)
{
  const double stretch = sp_strip_cross_stretch(options->strip_width_mm) / sp_strip_stretch(options->strip_length_mm);
  const bool told = isfinite(stretch);
  strip_fit f = {.picture = picture, .focal_35mm = focal_35mm, .lens = lens};
  f.told_stretch = told ? stretch : 1.0;
  f.known.u_stretch = told ? U_STRETCH_TOLD : U_STRETCH;
  const bool expected = options->kind == SP_REFERENCE_STRIP;
  sp_status status = sp_strip_look(picture, expected ? SP_STRIP_LOOK : SP_STRIP_GLANCE, &f.sight, err);
  if (status)
    return status;
  if (f.sight.piece_count) {
    f.list = calloc(3 * f.sight.point_count + 1, sizeof *f.list);
    status = f.list ? fit(&f, photo, err) : sp_fail_memory(err);
  }
  free(f.list);
  *sight = f.sight;
  return status;
}
