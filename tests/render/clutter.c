/* clutter.c: what else lies on a board that is being made. All but the dust is clipped by the board.
 *
 * Knife lines of the truth are long, square and straight; scratches are none of these together. Pencil is wider and
 * softer than a knife line: pieces of uneven strength, as graphite takes on wood. */
#include <math.h>

#include "scene.h"

static const double pi = 3.14159265358979324;

typedef struct clutter {
  canvas *on;
  const render_params *params;
  random_source source;
} clutter;

/* A place on the board as x, y. */
static render_point place_on_board(clutter *in, double inset_mm)
{
  const scene *of = in->on->layout;
  double x = random_between(&in->source, of->x_begin_mm + inset_mm, of->x_end_mm - inset_mm);
  double half = scene_half_width_mm(of, x) - inset_mm;
  return (render_point){x, random_between(&in->source, -half, half)};
}

/* A bar between two places given on the board. */
static void board_bar(clutter *in, render_point from, render_point to, double width_mm, double contrast, double opacity)
{
  const frame *board = &in->on->layout->board;
  bar stroke = {frame_to_glass(board, from.x, from.y),
                frame_to_glass(board, to.x, to.y),
                width_mm,
                contrast,
                opacity,
                true,
                true};
  canvas_bar(in->on, &stroke);
}

static void scratch(clutter *in, double angle_rad, double length_mm)
{
  render_point at = place_on_board(in, 1.0);
  double width = random_between(&in->source, 0.02, 0.07), depth = random_between(&in->source, 0.15, 0.5);
  if (random_chance(&in->source, 0.5)) {
    depth = -depth;
  }
  double dx = 0.5 * length_mm * cos(angle_rad), dy = 0.5 * length_mm * sin(angle_rad);
  board_bar(in, (render_point){at.x - dx, at.y - dy}, (render_point){at.x + dx, at.y + dy}, width, depth, 1.0);
}

static void draw_scratches(clutter *in)
{
  for (int i = 0; i < in->params->scratches; i++) {
    double angle = random_between(&in->source, -70.0, 70.0) * pi / 180.0;
    scratch(in, angle, random_between(&in->source, 4.0, 40.0));
  }
  for (int i = 0; i < in->params->square_scratches; i++) {
    double off = random_between(&in->source, 0.5, 6.0) * (random_chance(&in->source, 0.5) ? 1.0 : -1.0);
    scratch(in, (90.0 + off) * pi / 180.0, random_between(&in->source, 0.1, 0.3) * in->params->nut_width_mm);
  }
}

enum { STRANDS = 5 };

/* Five strands side by side, the outer ones weaker, each of pieces of 0.15 mm whose strength wanders. */
static void pencil_line(clutter *in, render_point from, render_point to, double width_mm, double contrast)
{
  static const double share[STRANDS] = {0.45, 0.85, 1.0, 0.85, 0.45};
  double dx = to.x - from.x, dy = to.y - from.y, length = sqrt(dx * dx + dy * dy);
  int pieces = (int)ceil(length / 0.15);
  for (int strand = 0; strand < STRANDS; strand++) {
    double off = width_mm * ((double)strand - 0.5 * (STRANDS - 1)) / STRANDS, strength = 0.6;
    render_point side = {-off * dy / length, off * dx / length};
    for (int i = 0; i < pieces; i++) {
      double a = (double)i / pieces, b = (double)(i + 1) / pieces;
      strength = 0.7 * strength + 0.3 * random_between(&in->source, 0.0, 1.2);
      board_bar(in, (render_point){from.x + a * dx + side.x, from.y + a * dy + side.y},
                (render_point){from.x + b * dx + side.x, from.y + b * dy + side.y}, width_mm / STRANDS, contrast,
                share[strand] * strength);
    }
  }
}

static void draw_pencil(clutter *in)
{
  const scene *of = in->on->layout;
  double contrast = -random_between(&in->source, 0.2, 0.4);
  if (in->params->pencil_centre) {
    double off = random_between(&in->source, -0.4, 0.4), width = random_between(&in->source, 0.3, 0.45);
    pencil_line(in, (render_point){of->x_begin_mm, off}, (render_point){of->x_end_mm, -off}, width, contrast);
  }
  for (int i = 0; i < in->params->pencil_ticks; i++) {
    int fret = random_below(&in->source, in->params->frets + 1);
    double x = in->params->scale_length_mm * (1.0 - pow(2.0, -(double)fret / in->params->divisions));
    x += random_between(&in->source, 0.5, 2.5) * (random_chance(&in->source, 0.5) ? 1.0 : -1.0);
    double half = 0.5 * random_between(&in->source, 2.5, 7.0), lean = half * random_between(&in->source, -0.06, 0.06);
    double width = random_between(&in->source, 0.3, 0.5);
    pencil_line(in, (render_point){x - lean, -half}, (render_point){x + lean, half}, width, contrast);
  }
}

typedef struct spot_job {
  double radius_mm, contrast, lobes[3], turn[3];
  bool on_board;
} spot_job;

/* A patch with a wavy outline, a little stronger at its rim. */
static void paint_spot(void *context, canvas *on, const canvas_point *at)
{
  const spot_job *job = context;
  double r = sqrt(at->first_mm * at->first_mm + at->second_mm * at->second_mm);
  double angle = atan2(at->second_mm, at->first_mm), edge = 1.0;
  for (int i = 0; i < 3; i++) {
    edge += job->lobes[i] * sin((double)(i + 2) * angle + job->turn[i]);
  }
  edge *= job->radius_mm;
  profile_blur blur = canvas_blur(on, at, on->layout->board.first);
  double share = profile_step(on->table, edge - r, blur);
  if (share <= 0.0) {
    return;
  }
  share *= 0.6 + 0.4 * exp(-fabs(edge - r) / (0.2 * job->radius_mm));
  if (job->on_board) {
    share *= board_share(on, at);
  }
  on->grey[at->index] *= (float)(1.0 + share * job->contrast);
}

static void spot(clutter *in, render_point at_glass_mm, double radius_mm, double contrast, bool on_board)
{
  spot_job job = {.radius_mm = radius_mm, .contrast = contrast, .on_board = on_board};
  for (int i = 0; i < 3; i++) {
    job.lobes[i] = random_between(&in->source, 0.0, 0.15);
    job.turn[i] = random_between(&in->source, 0.0, 2.0 * pi);
  }
  frame here = in->on->layout->board;
  here.origin_mm = at_glass_mm;
  double reach = 1.5 * radius_mm;
  canvas_paint(in->on, &here, -reach, reach, -reach, reach, paint_spot, &job);
}

static void draw_glue(clutter *in)
{
  for (int i = 0; i < in->params->glue_spots; i++) {
    render_point at = place_on_board(in, 1.0);
    double contrast = random_between(&in->source, 0.06, 0.22) * (random_chance(&in->source, 0.4) ? 1.0 : -1.0);
    spot(in, frame_to_glass(&in->on->layout->board, at.x, at.y), random_between(&in->source, 0.6, 4.0), contrast, true);
  }
}

static void draw_writing(clutter *in)
{
  static const char *const words[] = {"12", "345", "NUT", "A4", "7", "TEN", "380", "KA"};
  for (int i = 0; i < in->params->writing; i++) {
    render_point at = place_on_board(in, 8.0);
    double angle = 0.5 * pi * random_below(&in->source, 4) + random_between(&in->source, -0.2, 0.2);
    render_point right = {cos(angle), sin(angle)};
    bar pen = {.width_mm = random_between(&in->source, 0.3, 0.5), .level = -0.35, .relative = true, .on_board = true};
    pen.opacity = random_between(&in->source, 0.5, 1.0);
    draw_text(in->on, words[random_below(&in->source, 8)], frame_to_glass(&in->on->layout->board, at.x, at.y), right,
              random_between(&in->source, 3.0, 6.5), &pen);
  }
}

void draw_clutter(canvas *on, const render_params *params)
{
  clutter in = {on, params, random_stream(params->seed, STREAM_CLUTTER)};
  draw_glue(&in);
  draw_pencil(&in);
  draw_writing(&in);
  draw_scratches(&in);
}

/* A hair: short bars that turn a little each time. */
static void hair(clutter *in, render_point at, double contrast)
{
  double angle = random_between(&in->source, 0.0, 2.0 * pi), bend = random_between(&in->source, -0.4, 0.4);
  int pieces = 6 + random_below(&in->source, 10);
  for (int i = 0; i < pieces; i++) {
    angle += bend + random_between(&in->source, -0.1, 0.1);
    render_point to = {at.x + 0.45 * cos(angle), at.y + 0.45 * sin(angle)};
    bar piece = {at, to, 0.03, contrast, 0.8, true, false};
    canvas_bar(in->on, &piece);
    at = to;
  }
}

void draw_dust(canvas *on, const render_params *params)
{
  clutter in = {on, params, random_stream(scene_scan_seed(params), STREAM_DUST)};
  double right = on->camera ? on->width_px - 1.0 : on->x_mm[on->width_px - 1];
  double bottom = on->camera ? on->height_px - 1.0 : on->y_mm[on->height_px - 1];
  for (int i = 0; i < params->dust; i++) {
    render_point at = {random_between(&in.source, 0.0, right), random_between(&in.source, 0.0, bottom)};
    if (on->camera) {
      camera_ray ray = {0.0, 0.0};
      at = camera_look(on->camera, &ray, at, 0.0).glass_mm;
    }
    double contrast =
        random_chance(&in.source, 0.5) ? -random_between(&in.source, 0.2, 0.6) : random_between(&in.source, 0.2, 0.8);
    if (random_chance(&in.source, 0.15)) {
      hair(&in, at, contrast);
    } else {
      spot(&in, at, random_between(&in.source, 0.03, 0.18), contrast, false);
    }
  }
}
