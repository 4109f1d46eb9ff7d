/* Inside the photo module. */
#ifndef SP_PHOTO_INTERNAL_H
#define SP_PHOTO_INTERNAL_H

#include "slotproof/photo.h"
#include "slotproof/scene.h"

/* ---- resample.c ---- */

/* Where in the source the place (x, y) of the new picture is taken from. */
typedef sp_point (*photo_map)(const void *context, double x, double y);

/* Draws `out` (created here: width x height, 16 bits) from `source`. What lies outside the source gets its mean grey.
 */
sp_status photo_resample(const sp_raster *source, photo_map map, const void *context, uint32_t width_px,
                         uint32_t height_px, sp_raster *out, sp_error *err);
/* The same between four pixels instead of sixteen: to look for something in. */
sp_status photo_resample_roughly(const sp_raster *source, photo_map map, const void *context, uint32_t width_px,
                                 uint32_t height_px, sp_raster *out, sp_error *err);

/* Half the size each way, each pixel the mean of four. */
sp_status photo_halve(const sp_raster *source, sp_raster *out, sp_error *err);

/* ---- crosslines.c ---- */

/* The map leads from columns and rows of a coarse grid on the plane to the picture. First and last of the rows in which
 * several lines stand square to them; INFINITY and -INFINITY if there are none. */
sp_status photo_crosslines(const sp_raster *picture, photo_map map, const void *context, size_t columns, size_t rows,
                           double found[2], sp_error *err);

/* ---- direction.c ---- */

enum { PHOTO_DIRECTIONS = 5 };

/* The directions in which the picture's edges mostly run, modulo a right angle, in -pi/4 .. pi/4 from +x toward +y, the
 * most frequent first. Returns how many. */
size_t photo_directions(const sp_raster *picture, double direction_rad[PHOTO_DIRECTIONS]);

/* ---- curve.c ---- */

/* A rule drawn curved, seen in a picture turned so that it lies within a few degrees of one axis:
 * v(u) = v[0] + v[1] t + v[2] t^2 + v[3] t^3, log period(u) = p[0] + p[1] t + p[2] t^2, t = (u - u_middle) / u_half. */
typedef struct photo_curve {
  sp_along along;
  double u_first, u_last, u_middle, u_half;
  double v[4], p[3];
  double strength;
} photo_curve;

enum { PHOTO_CURVES = 4 };

/* The most convincing ones along either axis, the best first. */
sp_status photo_curves(const sp_scene *scene, photo_curve curves[PHOTO_CURVES], size_t *count, sp_error *err);
double photo_curve_v(const photo_curve *curve, double u);
double photo_curve_period(const photo_curve *curve, double u);

#endif
