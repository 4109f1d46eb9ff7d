/* Drawing and its reverse; see the header for the model. */
#include "slotproof/camera.h"

#include <math.h>

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

/* The undistorted direction; NAN where none draws there. */
static sp_point undistort(const sp_camera *c, double want_x, double want_y)
{
  double x = want_x, y = want_y, jacobian[4];
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

sp_point sp_camera_unproject(const sp_camera_view *view, sp_point at_px, double z)
{
  const sp_camera *c = &view->camera;
  const double *r = view->r, *t = c->translation;
  const sp_point ray = undistort(c, (at_px.x - c->cx_px) / c->f_px, (at_px.y - c->cy_px) / c->f_px);
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

double sp_camera_distance(const sp_camera_view *view, sp_point *foot)
{
  const double *r = view->r, *t = view->camera.translation;
  *foot = (sp_point){-(r[0] * t[0] + r[3] * t[1] + r[6] * t[2]), -(r[1] * t[0] + r[4] * t[1] + r[7] * t[2])};
  return fabs(r[2] * t[0] + r[5] * t[1] + r[8] * t[2]);
}
