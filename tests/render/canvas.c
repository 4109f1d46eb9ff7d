/* canvas.c: visiting pixels in a turned frame, edges of the board, plain bars. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "scene.h"

static bool fill_axis(const render_axis axis[2], bool vertical, int32_t count, double **mm, double **step_mm)
{
  *mm = malloc((size_t)count * sizeof **mm);
  *step_mm = malloc((size_t)count * sizeof **step_mm);
  if (!*mm || !*step_mm) {
    return false;
  }
  for (int32_t i = 0; i < count; i++) {
    /* The footprint of a pixel is its axis's local rate, by a central difference (the waves are many pixels long). */
    render_point here = render_glass_mm(axis, (render_point){(double)i, (double)i});
    render_point before = render_glass_mm(axis, (render_point){(double)i - 0.5, (double)i - 0.5});
    render_point after = render_glass_mm(axis, (render_point){(double)i + 0.5, (double)i + 0.5});
    (*mm)[i] = vertical ? here.y : here.x;
    (*step_mm)[i] = vertical ? after.y - before.y : after.x - before.x;
  }
  return true;
}

/* What a camera's pixel sees, into the fields that do not depend on the frame. */
static void look(const canvas *on, double height_mm, canvas_point *at)
{
  camera_view view = camera_look(on->camera, &at->ray, at->at_px, height_mm);
  at->glass_mm = view.glass_mm;
  memcpy(at->mm_per_px, view.mm_per_px, sizeof at->mm_per_px);
  at->dx_mm = sqrt(view.mm_per_px[0][0] * view.mm_per_px[0][0] + view.mm_per_px[1][0] * view.mm_per_px[1][0]);
  at->dy_mm = sqrt(view.mm_per_px[0][1] * view.mm_per_px[0][1] + view.mm_per_px[1][1] * view.mm_per_px[1][1]);
}

canvas_point canvas_at_height(const canvas *on, const canvas_point *at, double height_mm)
{
  canvas_point moved = *at;
  look(on, height_mm, &moved);
  return moved;
}

/* Over a photograph the pixels' footprints change smoothly: the corners hold the broadest, the bench the farthest. */
static double broadest_pixel_mm(const canvas *on)
{
  double broadest = 0.0;
  for (int i = 0; i < 9; i++) {
    canvas_point at = {.at_px = {0.5 * (i % 3) * on->width_px, 0.5 * (i / 3) * on->height_px}};
    look(on, -100.0, &at);
    broadest = fmax(broadest, fmax(at.dx_mm, at.dy_mm));
  }
  return 1.05 * broadest;
}

bool canvas_create(const render_truth *truth, const scene *layout, const profile_table *table, canvas *out)
{
  size_t count = (size_t)truth->width_px * (size_t)truth->height_px;
  *out = (canvas){.width_px = truth->width_px,
                  .height_px = truth->height_px,
                  .psf_px = truth->psf_px,
                  .camera = truth->camera.on ? &truth->camera : NULL,
                  .table = table,
                  .layout = layout,
                  .axis = truth->axis};
  out->grey = malloc(count * sizeof *out->grey);
  bool ok = out->grey != NULL;
  if (truth->params.colour) {
    out->wood = calloc(count, 1);
    ok = ok && out->wood;
  }
  if (out->camera) {
    out->pixel_mm = broadest_pixel_mm(out);
  } else {
    ok = ok && fill_axis(truth->axis, false, truth->width_px, &out->x_mm, &out->dx_mm);
    ok = ok && fill_axis(truth->axis, true, truth->height_px, &out->y_mm, &out->dy_mm);
  }
  if (ok && !out->camera) {
    out->pixel_mm = fmax(out->dx_mm[0], out->dy_mm[0]) * 1.02;
  }
  if (!ok) {
    canvas_free(out);
  }
  return ok;
}

void canvas_free(canvas *on)
{
  free(on->grey);
  free(on->wood);
  free(on->x_mm);
  free(on->dx_mm);
  free(on->y_mm);
  free(on->dy_mm);
  memset(on, 0, sizeof *on);
}

profile_blur canvas_blur(const canvas *on, const canvas_point *at, render_point normal)
{
  if (on->camera) {
    /* Distance from a line, as a function of column and row, has this slope: the line's normal in pixels. */
    double by_column = normal.x * at->mm_per_px[0][0] + normal.y * at->mm_per_px[1][0];
    double by_row = normal.x * at->mm_per_px[0][1] + normal.y * at->mm_per_px[1][1];
    return profile_blur_at_any_angle(by_column, by_row, on->psf_px);
  }
  return profile_blur_across(normal.x, normal.y, at->dx_mm, at->dy_mm, on->psf_px);
}

/* First index whose value is not below mm. */
static int32_t index_at(const double *values, int32_t count, double mm)
{
  int32_t low = 0, high = count;
  while (low < high) {
    int32_t middle = low + (high - low) / 2;
    if (values[middle] < mm) {
      low = middle + 1;
    } else {
      high = middle;
    }
  }
  return low;
}

/* Narrows [*low, *high] to the x for which from <= x * by + offset <= to. */
static void narrow(double by, double offset, double from, double to, double *low, double *high)
{
  if (fabs(by) < 1e-12) {
    if (offset < from || offset > to) {
      *high = *low - 1.0;
    }
    return;
  }
  double a = (from - offset) / by, b = (to - offset) / by;
  *low = fmax(*low, fmin(a, b));
  *high = fmin(*high, fmax(a, b));
}

static void paint_row(canvas *on, const frame *in, const double limit[4], int32_t row, canvas_painter *painter,
                      void *context)
{
  double dy = on->y_mm[row] - in->origin_mm.y, low = -1e9, high = 1e9;
  narrow(in->first.x, in->first.y * dy, limit[0], limit[1], &low, &high);
  narrow(in->second.x, in->second.y * dy, limit[2], limit[3], &low, &high);
  if (low > high) {
    return;
  }
  int32_t first = index_at(on->x_mm, on->width_px, in->origin_mm.x + low);
  int32_t last = index_at(on->x_mm, on->width_px, in->origin_mm.x + high);
  canvas_point at = {.glass_mm.y = on->y_mm[row], .dy_mm = on->dy_mm[row]};
  for (int32_t column = first; column < last; column++) {
    at.index = (size_t)row * (size_t)on->width_px + (size_t)column;
    at.glass_mm.x = on->x_mm[column];
    at.dx_mm = on->dx_mm[column];
    double dx = at.glass_mm.x - in->origin_mm.x;
    at.first_mm = dx * in->first.x + dy * in->first.y;
    at.second_mm = dx * in->second.x + dy * in->second.y;
    painter(context, on, &at);
  }
}

static void paint_scan(canvas *on, const frame *in, const double limit[4], canvas_painter *painter, void *context)
{
  double low = 1e9, high = -1e9;
  for (int i = 0; i < 4; i++) {
    double y = frame_to_glass(in, limit[i & 1], limit[2 + (i >> 1)]).y;
    low = fmin(low, y);
    high = fmax(high, y);
  }
  int32_t first = index_at(on->y_mm, on->height_px, low), last = index_at(on->y_mm, on->height_px, high);
  for (int32_t row = first; row < last; row++) {
    paint_row(on, in, limit, row, painter, context);
  }
}

/* The outline of a rectangle in a photograph: the lens bends its sides, so they are followed in pieces. */
enum { PIECES = 48 };
static const double PIECE_PX = 150.0, SLACK_PX = 2.0; /* the lens bends a piece by less than the slack */

typedef struct outline {
  render_point px[4 * PIECES];
  int count;
} outline;

static bool trace(const canvas *on, const frame *in, const double limit[4], outline *of)
{
  static const int turn[5] = {0, 1, 3, 2, 0};
  render_point corner[5];
  of->count = 0;
  for (int i = 0; i < 5; i++) {
    corner[i] = frame_to_glass(in, limit[turn[i] & 1], limit[2 + (turn[i] >> 1)]);
    if (!camera_sees(on->camera, corner[i], on->plane_mm)) {
      return false;
    }
  }
  for (int i = 0; i < 4; i++) {
    render_point a = camera_project(on->camera, corner[i], on->plane_mm);
    render_point b = camera_project(on->camera, corner[i + 1], on->plane_mm);
    double pieces = fmin(PIECES, ceil((fabs(b.x - a.x) + fabs(b.y - a.y)) / PIECE_PX) + 1.0);
    for (int k = 0; k < (int)pieces; k++) {
      double share = k / pieces;
      render_point at = {corner[i].x + share * (corner[i + 1].x - corner[i].x),
                         corner[i].y + share * (corner[i + 1].y - corner[i].y)};
      of->px[of->count++] = camera_project(on->camera, at, on->plane_mm);
    }
  }
  return true;
}

/* Columns that the outline spans near one row; low > high where there are none. */
static void span_of_row(const outline *of, double row, double *low, double *high)
{
  double top = row - SLACK_PX, bottom = row + SLACK_PX;
  *low = 1e9;
  *high = -1e9;
  for (int i = 0; i < of->count; i++) {
    render_point a = of->px[i], b = of->px[(i + 1) % of->count];
    if (fmin(a.y, b.y) > bottom || fmax(a.y, b.y) < top) {
      continue;
    }
    double rise = b.y - a.y, from = 0.0, to = 1.0;
    if (fabs(rise) > 1e-9) {
      double s = (top - a.y) / rise, t = (bottom - a.y) / rise;
      from = fmax(0.0, fmin(s, t));
      to = fmin(1.0, fmax(s, t));
    }
    double u = a.x + from * (b.x - a.x), v = a.x + to * (b.x - a.x);
    *low = fmin(*low, fmin(u, v));
    *high = fmax(*high, fmax(u, v));
  }
}

static void paint_photo_row(canvas *on, const frame *in, const double limit[4], int32_t row, int32_t from, int32_t to,
                            canvas_painter *painter, void *context)
{
  canvas_point at = {.at_px.y = (double)row};
  camera_ray before = {0.0, 0.0};
  for (int32_t column = from; column <= to; column++) {
    at.index = (size_t)row * (size_t)on->width_px + (size_t)column;
    at.at_px.x = (double)column;
    camera_ray here = at.ray;
    if (column > from + 1) { /* neighbours look nearly as far apart as the last two did: a start for the solution */
      at.ray = (camera_ray){2.0 * here.x - before.x, 2.0 * here.y - before.y};
    }
    before = here;
    look(on, on->plane_mm, &at);
    render_point place = frame_from_glass(in, at.glass_mm);
    at.first_mm = place.x;
    at.second_mm = place.y;
    if (place.x >= limit[0] && place.x <= limit[1] && place.y >= limit[2] && place.y <= limit[3]) {
      painter(context, on, &at);
    }
  }
}

static void paint_photo(canvas *on, const frame *in, const double limit[4], canvas_painter *painter, void *context)
{
  outline of;
  if (!trace(on, in, limit, &of)) {
    return;
  }
  double top = 1e9, bottom = -1e9;
  for (int i = 0; i < of.count; i++) {
    top = fmin(top, of.px[i].y);
    bottom = fmax(bottom, of.px[i].y);
  }
  int32_t first = (int32_t)fmax(0.0, floor(fmin(top, 1e8) - SLACK_PX));
  int32_t last = (int32_t)fmin(on->height_px - 1.0, ceil(fmax(bottom, -1e8) + SLACK_PX));
  for (int32_t row = first; row <= last; row++) {
    double low, high;
    span_of_row(&of, (double)row, &low, &high);
    int32_t from = (int32_t)fmax(0.0, floor(fmin(low, 1e8) - SLACK_PX));
    int32_t to = (int32_t)fmin(on->width_px - 1.0, ceil(fmax(high, -1e8) + SLACK_PX));
    paint_photo_row(on, in, limit, row, from, to, painter, context);
  }
}

void canvas_paint(canvas *on, const frame *in, double a0, double a1, double b0, double b1, canvas_painter *painter,
                  void *context)
{
  double reach = profile_reach_mm((profile_blur){on->psf_px * on->pixel_mm, 1.42 * on->pixel_mm, 0.0});
  double limit[4] = {a0 - reach, a1 + reach, b0 - reach, b1 + reach};
  if (on->camera) {
    paint_photo(on, in, limit, painter, context);
  } else {
    paint_scan(on, in, limit, painter, context);
  }
}

/* Share on the inner side of a long edge. */
static double side_share(const canvas *on, const canvas_point *at, double x_mm, double y_mm, double side)
{
  const scene *of = on->layout;
  double norm = sqrt(1.0 + of->half_slope * of->half_slope);
  double inside = (scene_half_width_mm(of, x_mm) - side * y_mm) / norm;
  render_point nx = of->board.first, ny = of->board.second;
  render_point normal = {(of->half_slope * nx.x - side * ny.x) / norm, (of->half_slope * nx.y - side * ny.y) / norm};
  if (fabs(inside) > 8.0 * (at->dx_mm + at->dy_mm) * (on->psf_px + 0.2)) {
    return inside > 0.0 ? 1.0 : 0.0;
  }
  return profile_step(on->table, inside, canvas_blur(on, at, normal));
}

double board_share(const canvas *on, const canvas_point *at)
{
  const scene *of = on->layout;
  render_point p = frame_from_glass(&of->board, at->glass_mm);
  double reach = 8.0 * (at->dx_mm + at->dy_mm) * (on->psf_px + 0.2);
  double share = side_share(on, at, p.x, p.y, 1.0) * side_share(on, at, p.x, p.y, -1.0);
  if (share > 0.0 && fabs(p.x - of->x_begin_mm) < reach) {
    share *= profile_step(on->table, p.x - of->x_begin_mm, canvas_blur(on, at, of->board.first));
  } else if (p.x < of->x_begin_mm) {
    share = 0.0;
  }
  if (share > 0.0 && fabs(p.x - of->x_end_mm) < reach) {
    share *= profile_step(on->table, of->x_end_mm - p.x, canvas_blur(on, at, of->board.first));
  } else if (p.x > of->x_end_mm) {
    share = 0.0;
  }
  return share;
}

typedef struct bar_job {
  const bar *what;
  frame in;
  double length_mm;
} bar_job;

static void paint_bar(void *context, canvas *on, const canvas_point *at)
{
  const bar_job *job = context;
  double half = 0.5 * job->length_mm;
  double share = profile_box(on->table, at->second_mm, job->what->width_mm, canvas_blur(on, at, job->in.second));
  if (share < 1e-7) {
    return;
  }
  share *= profile_box(on->table, at->first_mm - half, job->length_mm, canvas_blur(on, at, job->in.first));
  share *= job->what->opacity;
  if (job->what->on_board) {
    share *= board_share(on, at);
  }
  float *grey = &on->grey[at->index];
  double change = job->what->relative ? *grey * job->what->level : job->what->level - *grey;
  *grey += (float)(share * change);
}

void canvas_bar(canvas *on, const bar *what)
{
  double dx = what->to_mm.x - what->from_mm.x, dy = what->to_mm.y - what->from_mm.y;
  double length = sqrt(dx * dx + dy * dy);
  if (!(length > 0.0) || !(what->width_mm > 0.0)) {
    return;
  }
  bar_job job = {.what = what, .length_mm = length};
  job.in = (frame){what->from_mm, {dx / length, dy / length}, {-dy / length, dx / length}};
  canvas_paint(on, &job.in, 0.0, length, -0.5 * what->width_mm, 0.5 * what->width_mm, paint_bar, &job);
}
