/* slotproof/camera.h: how a plane is drawn by a lens, and the reverse. Numbers only; knows no picture.
 *
 * Model: pinhole with radial and tangential distortion (D. C. Brown, Photogrammetric Engineering 32, 1966; the
 * coefficients' order and meaning are OpenCV's). A point (X, Y, Z) of the board's frame lies at R (X, Y, Z)' + t in the
 * camera's, which looks along its z axis; with x = Xc/Zc, y = Yc/Zc, r^2 = x^2 + y^2:
 *   x' = x (1 + k1 r^2 + k2 r^4) + 2 p1 x y + p2 (r^2 + 2 x^2)
 *   y' = y (1 + k1 r^2 + k2 r^4) + p1 (r^2 + 2 y^2) + 2 p2 x y
 *   x_px = f x' + cx,  y_px = f y' + cy        (square pixels)
 * The board's frame: X along the rule, Y across it, Z = 0 its face; any unit of length, so long as it is one. R is
 * given as a rotation vector (Rodrigues): axis times angle.
 */
#ifndef SLOTPROOF_CAMERA_H
#define SLOTPROOF_CAMERA_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "slotproof/raster.h"
#include "slotproof/status.h"

typedef struct sp_camera {
  double f_px, cx_px, cy_px;
  double k1, k2, p1, p2;
  double rotation_rad[3];
  double translation[3]; /* in the board's unit */
} sp_camera;

/* The rotation's matrix worked out once: for many points. */
typedef struct sp_camera_view {
  sp_camera camera;
  double r[9]; /* row-major */
} sp_camera_view;

sp_camera_view sp_camera_view_of(const sp_camera *camera);

/* Where the board's point (X, Y, Z) is drawn. NAN behind the camera, or so far out that the distortion folds back. */
sp_point sp_camera_project(const sp_camera_view *view, double x, double y, double z);

/* Which point of the plane Z = z is drawn at `at_px`; NAN if none is. Newton's method on the distortion, to 1e-12. */
sp_point sp_camera_unproject(const sp_camera_view *view, sp_point at_px, double z);

/* How far the camera stands off the plane Z = 0, and the foot of its perpendicular there; the board's unit. */
double sp_camera_distance(const sp_camera_view *view, sp_point *foot);

/* ---- the camera and its place, from what is known of the plane ---- */

/* A place in the picture of which ONE coordinate on the plane Z = 0 is known: a graduation's X, an edge's Y. */
typedef struct sp_camera_sighting {
  sp_point at_px;
  bool is_y;    /* `value` is Y, else X */
  double value; /* the board's unit */
  double sd_px; /* standard deviation of the place, in the picture, across what was sighted; > 0 */
  /* By how much `value` grows if what was sighted is stretched across by 1: a printer feeds its paper by another scale
   * than it draws lines with. 0: nothing of the kind. */
  double per_stretch;
  int32_t body; /* 0: the board's frame; i: that of body i, which lies somewhere on the plane */
} sp_camera_sighting;

/* A rigid thing on the plane: its own (x, y) lies at (X, Y) + R(turn) (x, y). */
typedef struct sp_camera_body {
  double x, y, turn_rad;
} sp_camera_body;
enum { SP_CAMERA_BODIES = 5 };

/* What is known beforehand. Standard deviations; 0 holds a value fixed at the start's. */
typedef struct sp_camera_prior {
  double u_log_f, u_centre_px, u_k1, u_k2;
  double u_stretch;      /* about 0 */
  const sp_camera *mean; /* whose focal length, centre, k1 and k2 they are about; NULL: the starting camera's own. A start
                            that was fitted to the same things before is no mean: they would count again and again */
} sp_camera_prior;

typedef struct sp_camera_fit_result {
  bool converged;
  double rms_px; /* of the sightings used, about the fit */
  size_t used;   /* weight above one half */
  double sigma0; /* weighted rms over the stated deviations */
  double stretch; /* across, of what was sighted */
} sp_camera_fit_result;

/* Fits f, centre, k1, k2, the pose and the stretch (12 parameters; p1, p2 stay) by robust least squares with the priors. `camera`
 * holds the start and then the result. `weight` (may be NULL) receives each sighting's weight, 0..1. SP_E_DATA if there
 * are fewer than 12 sightings or the start sees none of them. */
sp_status sp_camera_fit(const sp_camera_sighting *sightings, size_t count, const sp_camera_prior *prior,
                        sp_camera *camera, double *weight, sp_camera_fit_result *result, sp_error *err);

/* The same together with where `body_count` (at most SP_CAMERA_BODIES) bodies lie: 3 more parameters each. `body` holds
 * about where they lie, and then where. Fitting camera and bodies by turns instead would take very many turns, because
 * what the one has wrong the others take over. */
sp_status sp_camera_fit_bodies(const sp_camera_sighting *sightings, size_t count, const sp_camera_prior *prior,
                               sp_camera *camera, sp_camera_body *body, size_t body_count, double *weight,
                               sp_camera_fit_result *result, sp_error *err);

#endif
