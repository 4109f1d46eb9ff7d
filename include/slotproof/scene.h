/* slotproof/scene.h: the picture seen along the board.
 *
 * Everything that is measured runs along one image axis (within a few degrees): the board, the rule and, across them,
 * lines and graduations. A view names that axis so that no later step asks again whether rows or columns are meant:
 *   u_px: image coordinate along the board (x_px if along is SP_ALONG_X, else y_px)
 *   v_px: the other image coordinate
 * Both keep the project's pixel convention (integer at a pixel's centre).
 */
#ifndef SLOTPROOF_SCENE_H
#define SLOTPROOF_SCENE_H

#include <stddef.h>
#include <stdint.h>

#include "slotproof/raster.h"
#include "slotproof/status.h"

typedef enum sp_along { SP_ALONG_X, SP_ALONG_Y } sp_along;

/* Does not own the raster. */
typedef struct sp_view {
  const sp_raster *raster;
  sp_along along;
  int32_t length_px;  /* number of pixels along u */
  int32_t breadth_px; /* number of pixels along v */
  double full_scale;
} sp_view;

sp_view sp_view_of(const sp_raster *raster, sp_along along);

/* The image point of (u, v). */
sp_point sp_view_point(const sp_view *view, double u_px, double v_px);

/* Means over `height` pixels across, for each of `count` pixels along:
 *   out[i] = mean of pixel(u0 + i, v) for v = v0 .. v0 + height - 1
 * Pixels outside the picture are left out of the mean; where all are outside, out[i] = NAN. */
void sp_view_window(const sp_view *view, int32_t u0, int32_t count, int32_t v0, int32_t height, float *out);

/* The same along `bands` slanted bands side by side, for the places u0 <= u < u1 inside the view (so that several
 * threads can share the length). `out` is bands x length_px:
 *   out[j * length_px + u] = mean of pixel(u, v) for v = round(v0 + slope * u) + j * height .. + height - 1 */
void sp_view_bands(const sp_view *view, double v0, double slope, int32_t height, int32_t bands, int32_t u0, int32_t u1,
                   float *out);

/* Strips of one picture along both axes; which strip width serves is decided from the picture's size alone, because a
 * stated resolution may be false: about 1/440 of the longer side, so 0.7 mm on A4, whatever the resolution. */
typedef struct sp_scene {
  const sp_raster *raster;
  uint32_t strip_px;
  sp_strips strips[2]; /* by sp_along: SP_ALONG_X has profiles along x (strips of rows) */
} sp_scene;

sp_status sp_scene_create(const sp_raster *raster, sp_scene *scene, sp_error *err);
/* The same with strips along one axis only; those of the other are left empty. */
sp_status sp_scene_create_along(const sp_raster *raster, sp_along along, sp_scene *scene, sp_error *err);
/* With strips of this width. */
sp_status sp_scene_create_strips(const sp_raster *raster, uint32_t strip_px, sp_scene *scene, sp_error *err);
void sp_scene_free(sp_scene *scene);

#endif
