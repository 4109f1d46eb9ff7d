/* Drawing and its reverse; see the header for the model. */
#include "slotproof/camera.h"

#include <math.h>

#include "camera/slopes.h"

static const sp_point NOWHERE = {NAN, NAN};

/* Rodrigues: R = cos a I + (1 - cos a) n n' + sin a [n]x. */
sp_camera_view sp_camera_view_of(const sp_camera *camera)
{
  sp_camera_view view = {*camera, {1, 0, 0, 0, 1, 0, 0, 0, 1}};
  const double *v = camera->rotation_rad;
  const double a = sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2]);
  if (!(a > 1e-14))
    return view;
  const double n[3] = {v[0] / a, v[1] / a, v[2] / a}, c = cos(a), s = sin(a);
  const double cross[9] = {0, -n[2], n[1], n[2], 0, -n[0], -n[1], n[0], 0};
  for (int i = 0; i < 3; i++)
    for (int j = 0; j < 3; j++)
      view.r[3 * i + j] = (i == j ? c : 0.0) + (1.0 - c) * n[i] * n[j] + s * cross[3 * i + j];
  return view;
}

/* The distortion at (x, y), and its Jacobian {dx'/dx, dx'/dy, dy'/dx, dy'/dy}. */
static sp_point distort(const sp_camera *c, double x, double y, double jacobian[4])
{
  const double r2 = x * x + y * y, radial = 1.0 + r2 * (c->k1 + r2 * c->k2), slope = c->k1 + 2.0 * c->k2 * r2;
  const sp_point out = {x * radial + 2.0 * c->p1 * x * y + c->p2 * (r2 + 2.0 * x * x),
                        y * radial + c->p1 * (r2 + 2.0 * y * y) + 2.0 * c->p2 * x * y};
  jacobian[0] = radial + 2.0 * x * x * slope + 2.0 * c->p1 * y + 6.0 * c->p2 * x;
  jacobian[1] = jacobian[2] = 2.0 * x * y * slope + 2.0 * c->p1 * x + 2.0 * c->p2 * y;
  jacobian[3] = radial + 2.0 * y * y * slope + 6.0 * c->p1 * y + 2.0 * c->p2 * x;
  return out;
}

static double determinant(const double j[4])
{
  return j[0] * j[3] - j[1] * j[2];
}

sp_point sp_camera_project(const sp_camera_view *view, double x, double y, double z)
{
  const sp_camera *c = &view->camera;
  const double *r = view->r;
  const double depth = r[6] * x + r[7] * y + r[8] * z + c->translation[2];
  double jacobian[4];
  if (!(depth > 0.0))
    return NOWHERE;
  const sp_point at = distort(c, (r[0] * x + r[1] * y + r[2] * z + c->translation[0]) / depth,
                              (r[3] * x + r[4] * y + r[5] * z + c->translation[1]) / depth, jacobian);
  if (!(determinant(jacobian) > 0.05))
    return NOWHERE;
  return (sp_point){c->f_px * at.x + c->cx_px, c->f_px * at.y + c->cy_px};
}

/* The undistorted direction, and the distortion's Jacobian (next to) there; NAN where none draws there. */
static sp_point undistort(const sp_camera *c, double want_x, double want_y, double jacobian[4])
{
  double x = want_x, y = want_y;
  for (int i = 0; i < 30; i++) {
    const sp_point at = distort(c, x, y, jacobian);
    const double ex = want_x - at.x, ey = want_y - at.y, det = determinant(jacobian);
    if (!(det > 0.05))
      return NOWHERE;
    const double dx = (jacobian[3] * ex - jacobian[1] * ey) / det, dy = (jacobian[0] * ey - jacobian[2] * ex) / det;
    x += dx;
    y += dy;
    if (fabs(dx) + fabs(dy) < 1e-13)
      return (sp_point){x, y};
  }
  return NOWHERE;
}

static sp_point on_plane(const sp_camera_view *view, sp_point ray, double z)
{
  const double *r = view->r, *t = view->camera.translation;
  /* camera centre and ray in the board's frame: -R't and R'(ray, 1) */
  double from[3], along[3];
  for (int i = 0; i < 3; i++) {
    from[i] = -(r[i] * t[0] + r[3 + i] * t[1] + r[6 + i] * t[2]);
    along[i] = r[i] * ray.x + r[3 + i] * ray.y + r[6 + i];
  }
  const double k = (z - from[2]) / along[2];
  if (!(k > 0.0))
    return NOWHERE;
  return (sp_point){from[0] + k * along[0], from[1] + k * along[1]};
}

sp_point sp_camera_unproject(const sp_camera_view *view, sp_point at_px, double z)
{
  const sp_camera *c = &view->camera;
  double jacobian[4];
  const sp_point ray = undistort(c, (at_px.x - c->cx_px) / c->f_px, (at_px.y - c->cy_px) / c->f_px, jacobian);
  return on_plane(view, ray, z);
}
double sp_camera_distance(const sp_camera_view *view, sp_point *foot)
{
  const double *r = view->r, *t = view->camera.translation;
  *foot = (sp_point){-(r[0] * t[0] + r[3] * t[1] + r[6] * t[2]), -(r[1] * t[0] + r[4] * t[1] + r[7] * t[2])};
  return fabs(r[2] * t[0] + r[5] * t[1] + r[8] * t[2]);
}

/* ---- derivatives, for the fit ---- */

camera_turns camera_turns_of(const sp_camera *camera)
{
  const double h = 1e-6;
  camera_turns turns;
  for (int i = 0; i < 3; i++) {
    sp_camera less = *camera, more = *camera;
    less.rotation_rad[i] -= h;
    more.rotation_rad[i] += h;
    const sp_camera_view a = sp_camera_view_of(&less), b = sp_camera_view_of(&more);
    for (int k = 0; k < 9; k++)
      turns.r[i][k] = (b.r[k] - a.r[k]) / (2.0 * h);
  }
  return turns;
}

/* What the undistorted direction changes by, a column a parameter, where the drawn place stays: J dq = dw - dk. */
static void direction_slopes(const sp_camera *c, sp_point ray, const double jacobian[4], sp_point want,
                             sp_point slope[CAMERA_TURNS])
{
  const double r2 = ray.x * ray.x + ray.y * ray.y, det = determinant(jacobian);
  const sp_point drawn[CAMERA_TURNS] = {{-want.x, -want.y},
                                        {-1.0 / c->f_px, 0.0},
                                        {0.0, -1.0 / c->f_px},
                                        {-ray.x * r2, -ray.y * r2},
                                        {-ray.x * r2 * r2, -ray.y * r2 * r2}};
  for (int i = 0; i < CAMERA_TURNS; i++)
    slope[i] = (sp_point){(jacobian[3] * drawn[i].x - jacobian[1] * drawn[i].y) / det,
                          (jacobian[0] * drawn[i].y - jacobian[2] * drawn[i].x) / det};
}

/* What the direction to a place changes by if the place moves by (dx, dy, dz) in the camera's frame. */
static sp_point seen_move(sp_point ray, double depth, double dx, double dy, double dz)
{
  return (sp_point){(dx - ray.x * dz) / depth, (dy - ray.y * dz) / depth};
}

/* The place's direction must follow what is drawn: A d(X, Y) = dq - (what the pose does to it). */
bool camera_place_and_slopes(const sp_camera_view *view, const camera_turns *turns, sp_point at_px, sp_point *place,
                             double x_slope[CAMERA_SLOPES], double y_slope[CAMERA_SLOPES])
{
  const sp_camera *c = &view->camera;
  const double *r = view->r, *t = c->translation;
  const sp_point want = {(at_px.x - c->cx_px) / c->f_px, (at_px.y - c->cy_px) / c->f_px};
  double jacobian[4];
  const sp_point ray = undistort(c, want.x, want.y, jacobian);
  *place = on_plane(view, ray, 0.0);
  if (!isfinite(place->x) || !isfinite(place->y))
    return false;
  const double depth = r[6] * place->x + r[7] * place->y + t[2];
  sp_point slope[CAMERA_SLOPES];
  direction_slopes(c, ray, jacobian, want, slope);
  for (int i = 0; i < 3; i++) {
    const double *d = turns->r[i];
    const sp_point turned = seen_move(ray, depth, d[0] * place->x + d[1] * place->y, d[3] * place->x + d[4] * place->y,
                                      d[6] * place->x + d[7] * place->y);
    const sp_point shifted = seen_move(ray, depth, i == 0, i == 1, i == 2);
    slope[CAMERA_TURNS + i] = (sp_point){-turned.x, -turned.y};
    slope[CAMERA_SHIFTS + i] = (sp_point){-shifted.x, -shifted.y};
  }
  slope[0].x += t[2] * slope[CAMERA_SHIFTS + 2].x;
  slope[0].y += t[2] * slope[CAMERA_SHIFTS + 2].y;
  const sp_point x = seen_move(ray, depth, r[0], r[3], r[6]), y = seen_move(ray, depth, r[1], r[4], r[7]);
  const double det = x.x * y.y - y.x * x.y;
  for (int i = 0; i < CAMERA_SLOPES; i++) {
    x_slope[i] = (y.y * slope[i].x - y.x * slope[i].y) / det;
    y_slope[i] = (x.x * slope[i].y - x.y * slope[i].x) / det;
  }
  return true;
}
