/* A photograph made square by a printed strip.
 *
 * Of one piece both coordinates of some hundred places are known, which gives a camera. Further pieces lie somewhere on
 * the same plane: each is a rigid body, so once there is a camera its place (a shift and a turn, no stretch) is fitted
 * and its places join the others; camera and places are fitted in turn until they agree. What lies on both sides of the
 * board fixes the perspective across it far better than one narrow strip can.
 */
#include <math.h>
#include <stdlib.h>

#include "check_internal.h"
#include "slotproof/strip.h"

enum { LEAST_GRADUATIONS = 40, ROUNDS = 5 };
/* What a printed line may be off besides the pixels' noise, along and across. */
static const double FLOOR_PX = 0.03, FLOOR_ACROSS_PX = 0.06;

/* Where a piece lies on the plane: its (0, 0), and its X axis. */
typedef struct placement {
  double x, y, c, s;
} placement;

typedef struct strip_fit {
  const sp_raster *picture;
  double focal_35mm;
  const sp_photo_lens *lens;
  sp_strip_sight sight;
  placement place[SP_STRIP_PIECES];
  bool placed[SP_STRIP_PIECES];
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

static sp_point placed_mm(const placement *p, double x, double y)
{
  return (sp_point){p->x + p->c * x - p->s * y, p->y + p->s * x + p->c * y};
}

/* The nearest shift and turn of piece i's places onto where the camera sees them (Procrustes, without stretch). */
static void place_piece(strip_fit *f, size_t i, const sp_camera *camera)
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
        ay += p->Y_mm;
        bx += at.x;
        by += at.y;
      } else {
        const double x = p->X_mm - ax / n, y = p->Y_mm - ay / n, u = at.x - bx / n, v = at.y - by / n;
        dot += x * u + y * v;
        cross += x * v - y * u;
      }
    }
  const double size = hypot(dot, cross);
  f->placed[i] = n >= LEAST_GRADUATIONS && size > 0.0;
  if (!f->placed[i])
    return;
  placement *p = &f->place[i];
  *p = (placement){0.0, 0.0, dot / size, cross / size};
  const sp_point middle = placed_mm(p, ax / n, ay / n);
  p->x = bx / n - middle.x;
  p->y = by / n - middle.y;
}

/* A sighting knows X or Y of the plane; a piece that is turned knows neither but both together, so that each place
 * gives two. */
static void sight_piece(strip_fit *f, size_t i)
{
  for (size_t k = 0; k < f->sight.point_count; k++) {
    const sp_strip_point *p = &f->sight.points[k];
    if (p->piece != f->sight.piece[i].piece || p->kind != SP_STRIP_GRADUATION)
      continue;
    const sp_point at = {p->x_px, p->y_px}, on = placed_mm(&f->place[i], p->X_mm, p->Y_mm);
    f->list[f->known.count++] = (sp_camera_sighting){at, false, on.x, hypot(p->sd_px, FLOOR_PX)};
    f->list[f->known.count++] = (sp_camera_sighting){at, true, on.y, hypot(p->sd_across_px, FLOOR_ACROSS_PX)};
  }
}

/* Far rails: only the place across is measured; of the first piece that is Y itself. */
static void sight_far_rail(strip_fit *f, size_t i)
{
  for (size_t k = 0; k < f->sight.point_count; k++) {
    const sp_strip_point *p = &f->sight.points[k];
    if (p->piece == f->sight.piece[i].piece && p->kind == SP_STRIP_FAR_RAIL)
      f->list[f->known.count++] =
          (sp_camera_sighting){{p->x_px, p->y_px}, true, p->Y_mm, hypot(p->sd_across_px, FLOOR_ACROSS_PX)};
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
  f->place[main_piece] = (placement){0.0, 0.0, 1.0, 0.0};
  f->placed[main_piece] = true;
  return true;
}

static void take_sightings(strip_fit *f, size_t main_piece)
{
  f->known.count = 0;
  f->known.sightings = f->list;
  for (size_t i = 0; i < f->sight.piece_count; i++)
    if (f->placed[i])
      sight_piece(f, i);
  sight_far_rail(f, main_piece);
}

static sp_status fit(strip_fit *f, sp_photo *photo, sp_error *err)
{
  const size_t main_piece = largest_piece(&f->sight);
  sp_camera camera;
  if (!serves(&f->sight.piece[main_piece]) || !begin(f, main_piece))
    return SP_OK;
  sp_status status = SP_OK;
  for (int round = 0; !status && round < ROUNDS; round++) {
    size_t others = 0;
    take_sightings(f, main_piece);
    status = sp_photo_camera_by(f->picture, f->focal_35mm, f->lens, &f->known, &camera, err);
    for (size_t i = 0; !status && i < f->sight.piece_count; i++)
      if (i != main_piece && serves(&f->sight.piece[i])) {
        place_piece(f, i, &camera);
        others++;
      }
    if (!others)
      break;
  }
  if (status)
    return status;
  take_sightings(f, main_piece);
  return sp_photo_straighten_by(f->picture, f->focal_35mm, f->lens, &f->known, photo, err);
}

sp_status check_straighten_by_strip(const sp_raster *picture, double focal_35mm, const sp_photo_lens *lens,
                                    sp_photo *photo, sp_error *err)
{
  strip_fit f = {.picture = picture, .focal_35mm = focal_35mm, .lens = lens};
  sp_status status = sp_strip_look(picture, SP_STRIP_LOOK, &f.sight, err);
  if (status)
    return status;
  if (f.sight.piece_count) {
    f.list = calloc(3 * f.sight.point_count + 1, sizeof *f.list);
    status = f.list ? fit(&f, photo, err) : sp_fail_memory(err);
  }
  free(f.list);
  sp_strip_sight_free(&f.sight);
  return status;
}
