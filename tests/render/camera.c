/* camera.c: the pinhole of a photograph and its lens, forth and back.
 *
 * Forth is a formula. Back is a ray: the lens's distortion is undone by Newton's method, which from a neighbouring
 * pixel's solution is exact to rounding after two steps, then the ray is cut with the wanted plane. Both steps have
 * plain derivatives, so every pixel also knows its affine map to the plane.
 *
 * The camera aims so that board and rule come to lie in the middle, and stands where they fill the wanted share; both
 * follow from each other, so the distance is bisected and the aim mended at each of its values. */
#include <math.h>
#include <stdio.h>

#include "scene.h"

static const double pi = 3.14159265358979324;
static const double FRAME_DIAGONAL_MM = 43.266615305567875; /* of 36 mm by 24 mm */
static const double NEAREST_MM = 20.0, FARTHEST_MM = 50000.0;
enum { NEWTON_MOST = 40, AIM_ROUNDS = 8, BISECTIONS = 60, CONTENTS = 12 };

/* The lens: where a direction x, y goes, and the derivatives of that. */
static void distort(const render_camera *by, double x, double y, double out[2], double slope[2][2])
{
  double r2 = x * x + y * y, radial = 1.0 + r2 * (by->k1 + r2 * by->k2);
  double grows = 2.0 * (by->k1 + 2.0 * r2 * by->k2); /* d radial / dx is x times this */
  out[0] = x * radial + 2.0 * by->p1 * x * y + by->p2 * (r2 + 2.0 * x * x);
  out[1] = y * radial + by->p1 * (r2 + 2.0 * y * y) + 2.0 * by->p2 * x * y;
  slope[0][0] = radial + x * x * grows + 2.0 * by->p1 * y + 6.0 * by->p2 * x;
  slope[0][1] = x * y * grows + 2.0 * by->p1 * x + 2.0 * by->p2 * y;
  slope[1][0] = slope[0][1];
  slope[1][1] = radial + y * y * grows + 6.0 * by->p1 * y + 2.0 * by->p2 * x;
}

/* In the camera's frame. */
static void camera_frame(const render_camera *by, render_point glass_mm, double height_mm, double out[3])
{
  double d[3] = {glass_mm.x - by->position_mm[0], glass_mm.y - by->position_mm[1], -height_mm - by->position_mm[2]};
  for (int i = 0; i < 3; i++) {
    out[i] = by->rotation[i][0] * d[0] + by->rotation[i][1] * d[1] + by->rotation[i][2] * d[2];
  }
}

bool camera_sees(const render_camera *by, render_point glass_mm, double height_mm)
{
  double at[3];
  camera_frame(by, glass_mm, height_mm, at);
  return at[2] > 0.2 * fmax(fabs(at[0]), fabs(at[1])) && at[2] > 1.0;
}

render_point camera_project(const render_camera *by, render_point glass_mm, double height_mm)
{
  double at[3], seen[2], slope[2][2];
  camera_frame(by, glass_mm, height_mm, at);
  distort(by, at[0] / at[2], at[1] / at[2], seen, slope);
  return (render_point){by->centre_px.x + by->f_px * seen[0], by->centre_px.y + by->f_px * seen[1]};
}

/* Undoes the lens; out is d direction / d seen. */
static void undistort(const render_camera *by, camera_ray *ray, double x, double y, double out[2][2])
{
  double seen[2], slope[2][2], det = 1.0;
  for (int i = 0; i < NEWTON_MOST; i++) {
    distort(by, ray->x, ray->y, seen, slope);
    det = slope[0][0] * slope[1][1] - slope[0][1] * slope[1][0];
    double dx = x - seen[0], dy = y - seen[1];
    double step_x = (slope[1][1] * dx - slope[0][1] * dy) / det, step_y = (slope[0][0] * dy - slope[1][0] * dx) / det;
    ray->x += step_x;
    ray->y += step_y;
    if (fabs(step_x) + fabs(step_y) < 3e-7) { /* what is left goes with its square: below 1e-9 px */
      break;
    }
  }
  out[0][0] = slope[1][1] / det;
  out[0][1] = -slope[0][1] / det;
  out[1][0] = -slope[1][0] / det;
  out[1][1] = slope[0][0] / det;
}

camera_view camera_look(const render_camera *by, camera_ray *ray, render_point at_px, double height_mm)
{
  double lens[2][2], plane[2][2];
  undistort(by, ray, (at_px.x - by->centre_px.x) / by->f_px, (at_px.y - by->centre_px.y) / by->f_px, lens);
  const double(*turn)[3] = by->rotation; /* its transpose leads back */
  double way[3];
  for (int i = 0; i < 3; i++) {
    way[i] = turn[0][i] * ray->x + turn[1][i] * ray->y + turn[2][i];
  }
  double far = (-height_mm - by->position_mm[2]) / way[2];
  camera_view view = {{by->position_mm[0] + far * way[0], by->position_mm[1] + far * way[1]}, {{0.0, 0.0}, {0.0, 0.0}}};
  for (int i = 0; i < 2; i++) {
    for (int j = 0; j < 2; j++) {
      plane[i][j] = far * (turn[j][i] - way[i] / way[2] * turn[j][2]);
    }
  }
  for (int i = 0; i < 2; i++) {
    for (int j = 0; j < 2; j++) {
      view.mm_per_px[i][j] = (plane[i][0] * lens[0][j] + plane[i][1] * lens[1][j]) / by->f_px;
    }
  }
  return view;
}

/* Tilt about x, then about y, then the roll about the line of sight. */
static void turn_camera(const render_params *params, render_camera *camera)
{
  double a = params->photo_tilt_x_deg * pi / 180.0, b = params->photo_tilt_y_deg * pi / 180.0;
  double g = params->photo_roll_deg * pi / 180.0;
  double ca = cos(a), sa = sin(a), cb = cos(b), sb = sin(b), cg = cos(g), sg = sin(g);
  double tilt[3][3] = {{cb, sb * sa, sb * ca}, {0.0, ca, -sa}, {-sb, cb * sa, cb * ca}};
  for (int i = 0; i < 3; i++) {
    camera->rotation[0][i] = cg * tilt[0][i] - sg * tilt[1][i];
    camera->rotation[1][i] = sg * tilt[0][i] + cg * tilt[1][i];
    camera->rotation[2][i] = tilt[2][i];
  }
}

/* What has to be in the picture: corners of the board, of its underside and of the rule. */
typedef struct contents {
  render_point glass_mm[CONTENTS];
  double height_mm[CONTENTS];
  int count;
} contents;

static contents contents_of(const render_params *params, const scene *layout)
{
  contents of = {.count = 0};
  render_point corner[4];
  scene_board_corners(layout, corner);
  for (int i = 0; i < 8; i++) {
    of.glass_mm[of.count] = corner[i % 4];
    of.height_mm[of.count++] = i < 4 ? 0.0 : -params->photo_thickness_mm;
  }
  if (layout->has_rule) {
    scene_rule_corners(layout, params->rule_width_mm, corner);
    for (int i = 0; i < 4; i++) {
      of.glass_mm[of.count] = corner[i];
      of.height_mm[of.count++] = params->rule_height_mm;
    }
  }
  return of;
}

/* Corners of the contents' rectangle in the picture; false where some are not in front of the camera. */
static bool seen_box(const render_camera *camera, const contents *of, render_point *low, render_point *high)
{
  *low = (render_point){1e9, 1e9};
  *high = (render_point){-1e9, -1e9};
  for (int i = 0; i < of->count; i++) {
    if (!camera_sees(camera, of->glass_mm[i], of->height_mm[i])) {
      return false;
    }
    render_point at = camera_project(camera, of->glass_mm[i], of->height_mm[i]);
    *low = (render_point){fmin(low->x, at.x), fmin(low->y, at.y)};
    *high = (render_point){fmax(high->x, at.x), fmax(high->y, at.y)};
  }
  return true;
}

static void stand_at(render_camera *camera, render_point aim_mm, double distance_mm)
{
  camera->distance_mm = distance_mm;
  camera->position_mm[0] = aim_mm.x - distance_mm * camera->rotation[2][0];
  camera->position_mm[1] = aim_mm.y - distance_mm * camera->rotation[2][1];
  camera->position_mm[2] = -distance_mm * camera->rotation[2][2];
}

/* Aims at this distance; returns the share of the picture that is filled, or something large. */
static double aim(const render_params *params, const contents *of, double distance_mm, render_camera *camera)
{
  double width = (double)params->photo_width_px, height = (double)params->photo_height_px;
  render_point wanted = {(0.5 + params->photo_shift_x) * width - 0.5, (0.5 + params->photo_shift_y) * height - 0.5};
  render_point aim_mm = {0.0, 0.0}, low, high;
  for (int i = 0; i < of->count; i++) {
    aim_mm.x += of->glass_mm[i].x / of->count;
    aim_mm.y += of->glass_mm[i].y / of->count;
  }
  double share = 1e9;
  for (int round = 0; round < AIM_ROUNDS; round++) {
    stand_at(camera, aim_mm, distance_mm);
    if (!seen_box(camera, of, &low, &high)) {
      return 1e9;
    }
    share = fmax((high.x - low.x) / width, (high.y - low.y) / height);
    camera_ray ray = {0.0, 0.0};
    render_point middle = {0.5 * (low.x + high.x), 0.5 * (low.y + high.y)};
    render_point is = camera_look(camera, &ray, middle, 0.0).glass_mm;
    render_point be = camera_look(camera, &ray, wanted, 0.0).glass_mm;
    aim_mm = (render_point){aim_mm.x + is.x - be.x, aim_mm.y + is.y - be.y};
  }
  return share;
}

static bool stand(const render_params *params, const contents *of, render_camera *camera)
{
  double near = NEAREST_MM, far = FARTHEST_MM;
  if (params->photo_distance_mm > 0.0) {
    return aim(params, of, params->photo_distance_mm, camera) <= 1.0;
  }
  for (int i = 0; i < BISECTIONS; i++) {
    double middle = sqrt(near * far);
    if (aim(params, of, middle, camera) > params->photo_fill) {
      near = middle;
    } else {
      far = middle;
    }
  }
  return aim(params, of, far, camera) <= params->photo_fill + 1e-6;
}

static void note_scale(const scene *layout, render_camera *camera)
{
  double x = 0.5 * (layout->x_begin_mm + layout->x_end_mm), length[2];
  for (int i = 0; i < 2; i++) {
    double dx = i == 0 ? 0.5 : 0.0, dy = i == 0 ? 0.0 : 0.5;
    render_point a = camera_project(camera, frame_to_glass(&layout->board, x - dx, -dy), 0.0);
    render_point b = camera_project(camera, frame_to_glass(&layout->board, x + dx, dy), 0.0);
    length[i] = sqrt((b.x - a.x) * (b.x - a.x) + (b.y - a.y) * (b.y - a.y));
  }
  camera->px_per_mm_along = length[0];
  camera->px_per_mm_across = length[1];
}

/* A lens that folds the picture over itself shows no board. */
static bool lens_is_single_valued(const render_camera *camera, const render_params *params)
{
  double width = (double)params->photo_width_px, height = (double)params->photo_height_px;
  double edge = 1.3 * sqrt(width * width + height * height) / 2.0 / camera->f_px, seen[2], slope[2][2];
  for (int i = 0; i <= 100; i++) {
    distort(camera, edge * i / 100.0 * 0.8, edge * i / 100.0 * 0.6, seen, slope);
    if (!(slope[0][0] > 0.1 && slope[0][0] * slope[1][1] - slope[0][1] * slope[1][0] > 0.1)) {
      return false;
    }
  }
  return true;
}

static const char *unusable(const render_params *params)
{
  if (!(params->photo_width_px >= 64 && params->photo_height_px >= 64 &&
        (double)params->photo_width_px * (double)params->photo_height_px <= 4e8)) {
    return "photo_width_px and photo_height_px must be at least 64, at most 400 Mpx together";
  }
  if (!(params->photo_focal_35mm >= 8.0 && params->photo_focal_35mm <= 1000.0)) {
    return "photo_focal_35mm must be 8 to 1000";
  }
  if (!(params->photo_fill > 0.05 && params->photo_fill <= 1.0 &&
        params->photo_fill + 2.0 * fmax(fabs(params->photo_shift_x), fabs(params->photo_shift_y)) <= 1.0)) {
    return "photo_fill must be 0.05 to 1, and with twice the shift still at most 1";
  }
  if (!(fmax(fabs(params->photo_tilt_x_deg), fabs(params->photo_tilt_y_deg)) <= 40.0)) {
    return "photo_tilt_x_deg and photo_tilt_y_deg must lie between -40 and 40";
  }
  if (!(params->photo_thickness_mm >= 0.0 && params->photo_thickness_mm <= 100.0 && params->photo_rule_mm >= 0.0 &&
        fabs(params->rule_height_mm) <= 100.0)) {
    return "photo_thickness_mm, photo_rule_mm and rule_height_mm must be at most 100, thicknesses not negative";
  }
  int stored = params->photo_orientation;
  if (stored != 0 && stored != 1 && stored != 3 && stored != 6 && stored != 8) {
    return "photo_orientation must be 0, 1, 3, 6 or 8";
  }
  if (!(params->photo_penumbra_mm > 0.0 && params->photo_sharpen >= 0.0 && params->photo_sharpen_px > 0.0 &&
        params->photo_sharpen_px <= 20.0 && params->photo_shadows >= 0 && params->photo_shadows <= 20)) {
    return "photo_penumbra_mm and photo_sharpen_px must be above 0 (at most 20 px), photo_shadows 0 to 20";
  }
  return NULL;
}

bool camera_set_up(const render_params *params, const scene *layout, render_truth *truth, char *message)
{
  const char *wrong = unusable(params);
  if (wrong) {
    snprintf(message, RENDER_MESSAGE, "%s", wrong);
    return false;
  }
  double width = (double)params->photo_width_px, height = (double)params->photo_height_px;
  render_camera *camera = &truth->camera;
  *camera =
      (render_camera){.on = true,
                      .f_px = params->photo_focal_35mm * sqrt(width * width + height * height) / FRAME_DIAGONAL_MM,
                      .k1 = params->photo_k1,
                      .k2 = params->photo_k2,
                      .p1 = params->photo_p1,
                      .p2 = params->photo_p2,
                      .tilt_x_deg = params->photo_tilt_x_deg,
                      .tilt_y_deg = params->photo_tilt_y_deg,
                      .roll_deg = params->photo_roll_deg};
  camera->centre_px =
      (render_point){0.5 * (width - 1.0) + params->photo_centre_x_px, 0.5 * (height - 1.0) + params->photo_centre_y_px};
  truth->width_px = params->photo_width_px;
  truth->height_px = params->photo_height_px;
  turn_camera(params, camera);
  if (!lens_is_single_valued(camera, params)) {
    snprintf(message, RENDER_MESSAGE, "photo_k1, photo_k2, photo_p1, photo_p2 fold the picture; choose smaller ones");
    return false;
  }
  contents of = contents_of(params, layout);
  if (!stand(params, &of, camera)) {
    snprintf(message, RENDER_MESSAGE, "board and rule do not fit into the photograph; choose another distance or tilt");
    return false;
  }
  note_scale(layout, camera);
  return true;
}
