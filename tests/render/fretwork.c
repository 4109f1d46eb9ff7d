/* fretwork.c: what a fretted board carries besides its frets.
 *
 * Binding, inlays, the nut piece and the head's veneer are drawn on the wood with edges in closed form. Strings lie
 * over everything: a round section lit from one side, its shadow on the wood beside it; wound ones with a fine twist.
 */
#include <math.h>

#include "scene.h"

static const double pi = 3.14159265358979324;

typedef struct fretwork {
  const render_params *params;
  double from_mm, to_mm, level; /* of what is painted now, along x on the centre line */
  double slope;                 /* dx/dy of a piece that lies askew */
  render_point middle_mm;       /* of an inlay, on the board */
  double half_along_mm, half_across_mm;
  bool joint; /* dark joints at both ends */
  double string_y_mm[2], radius_mm, turn_mm, x_mm[2], tangent;
} fretwork;

static void blend(canvas *on, const canvas_point *at, double share, double level)
{
  float *grey = &on->grey[at->index];
  *grey += (float)(share * (level - (double)*grey));
}

static void no_longer_wood(canvas *on, const canvas_point *at, double share)
{
  if (on->wood) {
    on->wood[at->index] = (unsigned char)((double)on->wood[at->index] * (1.0 - share));
  }
}

static void paint_binding(void *context, canvas *on, const canvas_point *at)
{
  const fretwork *job = context;
  double half = scene_half_width_mm(on->layout, at->first_mm) - job->params->binding_mm;
  profile_blur blur = canvas_blur(on, at, on->layout->board.second);
  double share = profile_step(on->table, fabs(at->second_mm) - half, blur) * board_share(on, at);
  blend(on, at, share, job->level);
  no_longer_wood(on, at, share);
}

/* A piece of another colour across the whole board, from_mm to to_mm. */
static void paint_cross_piece(void *context, canvas *on, const canvas_point *at)
{
  const fretwork *job = context;
  profile_blur blur = canvas_blur(on, at, on->layout->board.first);
  const double along = at->first_mm - job->slope * at->second_mm, square = 1.0 / hypot(1.0, job->slope);
  double width = square * (job->to_mm - job->from_mm), off = square * (along - 0.5 * (job->from_mm + job->to_mm));
  double inside = board_share(on, at), share = profile_box(on->table, off, width, blur) * inside;
  blend(on, at, share, job->level);
  no_longer_wood(on, at, share);
  if (job->joint) {
    double w = job->params->nut_joint_mm;
    double dark = profile_box(on->table, fabs(off) - 0.5 * width - 0.5 * w, w, blur);
    on->grey[at->index] *= (float)(1.0 - 0.7 * dark * inside);
  }
}

static void paint_inlay(void *context, canvas *on, const canvas_point *at)
{
  const fretwork *job = context;
  double x = at->first_mm - job->middle_mm.x, y = at->second_mm - job->middle_mm.y, share;
  profile_blur along = canvas_blur(on, at, on->layout->board.first);
  if (job->params->inlays == 1) {
    share = profile_step(on->table, job->half_along_mm - sqrt(x * x + y * y), along);
  } else {
    profile_blur across = canvas_blur(on, at, on->layout->board.second);
    share = profile_box(on->table, x, 2.0 * job->half_along_mm, along) *
            profile_box(on->table, y, 2.0 * job->half_across_mm, across);
  }
  blend(on, at, share, job->level * (1.0 + 0.06 * sin(3.1 * x + 1.7 * y)));
  no_longer_wood(on, at, share);
}

static double fret_mm(const render_params *params, int fret)
{
  return params->scale_length_mm * (1.0 - pow(2.0, -(double)fret / (double)params->divisions));
}

static void one_inlay(canvas *on, fretwork *job, double x_mm, double y_mm)
{
  double a = job->half_along_mm + 0.2, b = (job->params->inlays == 1 ? job->half_along_mm : job->half_across_mm) + 0.2;
  job->middle_mm = (render_point){x_mm, y_mm};
  canvas_paint(on, &on->layout->board, x_mm - a, x_mm + a, y_mm - b, y_mm + b, paint_inlay, job);
}

static void draw_inlays(canvas *on, fretwork *job)
{
  static const int frets[5] = {3, 5, 7, 9, 12};
  const render_params *params = job->params;
  job->level = params->inlay_level;
  for (int i = 0; i < 5; i++) {
    double a = fret_mm(params, frets[i] - 1), b = fret_mm(params, frets[i]), x = 0.5 * (a + b);
    if (frets[i] > params->frets) {
      continue;
    }
    double quarter = 0.5 * scene_half_width_mm(on->layout, x);
    job->half_along_mm = params->inlays == 1 ? 0.5 * params->inlay_mm : 0.5 * (b - a) - 3.5;
    job->half_across_mm = quarter;
    if (job->half_along_mm < 0.8 || job->half_along_mm > 0.5 * (b - a) - 1.8) {
      continue;
    }
    if (params->inlays == 1 && frets[i] == 12) {
      one_inlay(on, job, x, -quarter);
      one_inlay(on, job, x, quarter);
    } else {
      one_inlay(on, job, x, 0.0);
    }
  }
}

static void cross_piece(canvas *on, fretwork *job, double from_mm, double to_mm, double level, bool joint)
{
  double half = scene_half_width_mm(on->layout, on->layout->x_end_mm) + 1.0, reach = half * fabs(job->slope) + 0.5;
  job->from_mm = from_mm;
  job->to_mm = to_mm;
  job->level = level;
  job->joint = joint;
  canvas_paint(on, &on->layout->board, from_mm - reach, to_mm + reach, -half, half, paint_cross_piece, job);
}

void draw_fretwork(canvas *on, const render_params *params)
{
  const scene *of = on->layout;
  fretwork job = {.params = params, .level = params->binding_level};
  if (params->binding_mm > 0.0) {
    double half = scene_half_width_mm(of, of->x_end_mm);
    canvas_paint(on, &of->board, of->x_begin_mm, of->x_end_mm, -half, half, paint_binding, &job);
  }
  if (params->inlays > 0) {
    draw_inlays(on, &job);
  }
  if (params->nut_piece_mm > 0.0) {
    double face = params->nut == RENDER_NUT_END ? 0.0 : -params->nut_gap_mm;
    job.slope = params->nut == RENDER_NUT_END ? scene_fan_slope(params, 0) : 0.0;
    if (params->head_mm > 0.0) {
      cross_piece(on, &job, of->x_begin_mm - 1.0 - 50.0 * fabs(job.slope), face - params->nut_piece_mm,
                  params->head_level, false);
    }
    cross_piece(on, &job, face - params->nut_piece_mm, face, params->nut_piece_level, true);
  }
}

/* Grey of a string's round section against the sensor, and the shadow beside it. */
static void paint_string(void *context, canvas *on, const canvas_point *at)
{
  const fretwork *job = context;
  const render_params *params = job->params;
  double r = job->radius_mm, t = (at->first_mm - job->x_mm[0]) / (job->x_mm[1] - job->x_mm[0]);
  double y = at->second_mm - job->string_y_mm[0] - t * (job->string_y_mm[1] - job->string_y_mm[0]);
  profile_blur blur = canvas_blur(on, at, on->layout->board.second);
  /* the shadow falls on the wood, a crown's height and more below */
  double shadow = profile_box(on->table, y + 1.2 * params->crown_mm * job->tangent, 2.0 * r, blur);
  on->grey[at->index] *= (float)(1.0 - params->string_shadow * shadow);
  double share = profile_box(on->table, y, 2.0 * r, blur);
  if (share < 1e-6) {
    return;
  }
  double level = 0.0;
  for (int i = 0; i < 9; i++) {
    double u = ((double)i - 4.0) / 4.5, slope = -u / sqrt(1.0 - u * u), angle = atan(-slope);
    double lit = fmax(0.0, cos(angle - atan(job->tangent))), off = (angle - 0.5 * atan(job->tangent)) / 0.2;
    double grey = params->string_level * (0.2 + 0.4 * lit + 0.6 * exp(-0.5 * off * off));
    level += grey * profile_box(on->table, y - u * r, 2.0 * r / 9.0, blur);
  }
  level /= share;
  if (job->turn_mm > 0.0) {
    level *= 1.0 + 0.25 * sin(2.0 * pi * (at->first_mm + 0.4 * y) / job->turn_mm);
  }
  blend(on, at, share, level);
  no_longer_wood(on, at, share);
}

void draw_strings(canvas *on, const render_params *params)
{
  const scene *of = on->layout;
  fretwork job = {.params = params};
  job.tangent = lamp_tangent(params, of->board.second);
  job.x_mm[0] = of->x_begin_mm;
  job.x_mm[1] = of->x_end_mm;
  for (int i = 0; i < params->strings; i++) {
    double share = 2.0 * (double)i / (params->strings - 1) - 1.0, thick = (double)i / (params->strings - 1);
    for (int end = 0; end < 2; end++) {
      job.string_y_mm[end] = share * (scene_half_width_mm(of, job.x_mm[end]) - 3.5);
    }
    job.radius_mm = 0.5 * params->string_mm * (1.0 + 3.0 * thick);
    job.turn_mm = thick > 0.45 ? 0.25 + 0.15 * thick : 0.0;
    double reach = fabs(job.tangent) * 1.2 * params->crown_mm + job.radius_mm + 0.3;
    double low = fmin(job.string_y_mm[0], job.string_y_mm[1]), high = fmax(job.string_y_mm[0], job.string_y_mm[1]);
    canvas_paint(on, &of->board, job.x_mm[0], job.x_mm[1] + 4.0, low - reach, high + reach, paint_string, &job);
  }
}
