/* rule.c: a steel rule with engraved graduations.
 *
 * The rule's frame: `first` along the growing numbers from the zero graduation, `second` from the edge beside the board
 * into the steel. Strokes are bars at exact places, their lengths by the workshop's custom (common practice, no
 * source): on millimetres the tens longest, fives between, half millimetres shortest; on inches each halving of the
 * interval is shorter; on decimal parts of an inch wholes, halves, tenths and twentieths. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "scene.h"

typedef struct graduation_kind {
  double mm;
  int per_number; /* strokes between two numbers */
} graduation_kind;

static graduation_kind graduation_of(int kind)
{
  switch (kind) {
  case RENDER_HALF_MM:
    return (graduation_kind){0.5, 20};
  case RENDER_INCH_32:
    return (graduation_kind){25.4 / 32.0, 32};
  case RENDER_INCH_64:
    return (graduation_kind){25.4 / 64.0, 64};
  case RENDER_INCH_20:
    return (graduation_kind){25.4 / 20.0, 20};
  case RENDER_INCH_50:
    return (graduation_kind){25.4 / 50.0, 50};
  case RENDER_INCH_100:
    return (graduation_kind){25.4 / 100.0, 100};
  default:
    return (graduation_kind){1.0, 10};
  }
}

/* Of the index-th of `parts` (20, 50 or 100) an inch. */
static double decimal_length_mm(long parts, long index)
{
  const long of = index % parts;
  return of == 0 ? 7.5 : of * 2 == parts ? 6.5 : of % (parts / 10) == 0 ? 5.2 : of * 20 % parts == 0 ? 3.8 : 2.6;
}

static double stroke_length_mm(int kind, long index)
{
  static const double inch_mm[] = {8.0, 6.5, 5.5, 4.5, 3.6, 3.0, 2.5};
  if (kind == RENDER_INCH_32 || kind == RENDER_INCH_64) {
    int level = 0;
    for (long period = kind == RENDER_INCH_32 ? 32 : 64; index % period != 0; period /= 2) {
      level++;
    }
    return inch_mm[level];
  }
  if (kind == RENDER_INCH_20 || kind == RENDER_INCH_50 || kind == RENDER_INCH_100) {
    return decimal_length_mm(graduation_of(kind).per_number, index);
  }
  if (kind == RENDER_HALF_MM && index % 2 != 0) {
    return 2.6;
  }
  long mm = kind == RENDER_HALF_MM ? index / 2 : index;
  return mm % 10 == 0 ? 7.0 : (mm % 5 == 0 ? 5.4 : 3.8);
}

typedef struct steel_job {
  const render_params *params;
  uint64_t seed;
  double length_mm, reflection_mm;
} steel_job;

static double hole_share(const canvas *on, const steel_job *job, const canvas_point *at)
{
  if (!job->params->rule_hole || job->params->rule_before_mm <= 0.0) {
    return 0.0;
  }
  double dx = at->first_mm - (job->length_mm - 5.0), dy = at->second_mm - 0.5 * job->params->rule_width_mm;
  double radius = sqrt(dx * dx + dy * dy), hole = 2.5;
  if (radius > hole + 1.0 || radius < 0.5) {
    return radius < 0.5 ? 1.0 : 0.0;
  }
  const frame *rule = &on->layout->rule;
  render_point normal = {(dx * rule->first.x + dy * rule->second.x) / radius,
                         (dx * rule->first.y + dy * rule->second.y) / radius};
  return profile_step(on->table, hole - radius, canvas_blur(on, at, normal));
}

static double steel_share(const canvas *on, const steel_job *job, const canvas_point *at)
{
  double begin = on->layout->rule_begin_mm, length = on->layout->rule_end_mm - begin;
  double breadth = job->params->rule_width_mm;
  double share =
      profile_box(on->table, at->second_mm - 0.5 * breadth, breadth, canvas_blur(on, at, on->layout->rule.second));
  share *=
      profile_box(on->table, at->first_mm - begin - 0.5 * length, length, canvas_blur(on, at, on->layout->rule.first));
  return share * (1.0 - hole_share(on, job, at));
}

static void paint_steel(void *context, canvas *on, const canvas_point *at)
{
  const steel_job *job = context;
  const render_params *params = job->params;
  double share = steel_share(on, job, at);
  if (share <= 0.0) {
    return;
  }
  /* Brushing: streaks a tenth of a millimetre wide that run for centimetres, two random values blended along. */
  double along = at->first_mm / 35.0, whole = floor(along), rest = along - whole;
  double streak = at->second_mm / 0.09, row = floor(streak);
  double a = random_lattice(job->seed, (int64_t)whole, (int64_t)row);
  double b = random_lattice(job->seed, (int64_t)whole + 1, (int64_t)row);
  double off = (at->first_mm - job->reflection_mm) / 25.0;
  double steps = on->camera ? 1.5 * on->psf_px * at->dx_mm / 0.09 : 0.0; /* a photograph blurs the streaks */
  double level = 1.0 + params->rule_brushed * 1.9 * (a + rest * (b - a)) / (1.0 + steps * steps) +
                 params->rule_reflection * exp(-0.5 * off * off);
  float *grey = &on->grey[at->index];
  *grey += (float)(share * (params->rule_level * level - *grey));
  if (on->wood) {
    on->wood[at->index] = (unsigned char)((double)on->wood[at->index] * (1.0 - share));
  }
}

/* The rule's edges in a photograph, as the board's sides are drawn: what its underside covers beyond its face. */
static void paint_steel_side(void *context, canvas *on, const canvas_point *at)
{
  const steel_job *job = context;
  double under = steel_share(on, job, at);
  if (under <= 0.0) {
    return;
  }
  canvas_point top = canvas_at_height(on, at, job->params->rule_height_mm);
  render_point place = frame_from_glass(&on->layout->rule, top.glass_mm);
  top.first_mm = place.x;
  top.second_mm = place.y;
  double face = steel_share(on, job, &top), wall = under - face;
  if (wall > 0.0 && face < 1.0 - 1e-9) {
    float *grey = &on->grey[at->index];
    *grey += (float)(wall / (1.0 - face) * (0.5 * job->params->rule_level - *grey));
  }
}

static void draw_steel(canvas *on, const render_params *params)
{
  const scene *of = on->layout;
  random_source source = random_stream(params->seed, STREAM_STEEL);
  steel_job job = {.params = params, .seed = random_bits(&source), .length_mm = of->rule_end_mm};
  job.reflection_mm = random_between(&source, 0.0, of->graduated_mm);
  if (on->camera) {
    on->plane_mm = params->rule_height_mm - params->photo_rule_mm;
    canvas_paint(on, &of->rule, of->rule_begin_mm, of->rule_end_mm, 0.0, params->rule_width_mm, paint_steel_side, &job);
    on->plane_mm = params->rule_height_mm;
  }
  canvas_paint(on, &of->rule, of->rule_begin_mm, of->rule_end_mm, 0.0, params->rule_width_mm, paint_steel, &job);
}

/* One graduated edge: where it lies in the steel and which way is inward. */
typedef struct edge {
  int kind;
  double at_mm, inward;
} edge;

static void draw_number(canvas *on, const render_params *params, const edge *on_edge, double t_mm, long number)
{
  const frame *rule = &on->layout->rule;
  char text[24];
  snprintf(text, sizeof text, "%ld", number);
  double second = on_edge->at_mm + on_edge->inward * 9.6;
  bar pen = {.width_mm = 0.22, .level = params->stroke_level, .opacity = 0.9};
  draw_text(on, text, frame_to_glass(rule, t_mm, second), rule->first, 2.2, &pen);
}

static void draw_stroke(canvas *on, const render_params *params, const edge *on_edge, double t_mm, double length_mm,
                        double opacity)
{
  const frame *rule = &on->layout->rule;
  double from = on_edge->at_mm + on_edge->inward * params->stroke_inset_mm;
  double to = on_edge->at_mm + on_edge->inward * (params->stroke_inset_mm + length_mm);
  bar stroke = {frame_to_glass(rule, t_mm, from),
                frame_to_glass(rule, t_mm, to),
                params->stroke_width_mm,
                params->stroke_level,
                opacity,
                false,
                false};
  canvas_bar(on, &stroke);
}

/* Draws one edge's strokes; records them where `record` has room for all. */
static void draw_edge(canvas *on, const render_params *params, const edge *on_edge, render_stroke *record)
{
  graduation_kind kind = graduation_of(on_edge->kind);
  long count = (long)floor(on->layout->graduated_mm / kind.mm + 1e-9) + 1;
  random_source source = random_stream(params->seed, record ? STREAM_RULE : STREAM_RULE + 500);
  double cover_to = params->cover_at_mm + params->cover_mm;
  for (long k = 0; k < count; k++) {
    double t = kind.mm * (double)k, error = params->graduation_error_um / 1000.0 * random_normal(&source);
    double fate = random_between(&source, 0.0, 1.0), fading = random_between(&source, 0.15, 0.6);
    double opacity =
        fate < params->strokes_missing ? 0.0 : (fate < params->strokes_missing + params->strokes_faded ? fading : 1.0);
    if (opacity > 0.0) {
      draw_stroke(on, params, on_edge, t + error, stroke_length_mm(on_edge->kind, k), opacity);
    }
    if (k % kind.per_number == 0 && k > 0) {
      draw_number(on, params, on_edge, t, k / kind.per_number);
    }
    if (record) {
      bool covered = params->cover_mm > 0.0 && t >= params->cover_at_mm && t <= cover_to;
      record[k] = (render_stroke){{0.0, 0.0}, t, error, covered ? 0.0 : opacity};
    }
  }
}

typedef struct stain_job {
  double at_mm, second_mm, radius_mm, depth;
} stain_job;

static void paint_stain(void *context, canvas *on, const canvas_point *at)
{
  const stain_job *job = context;
  double dx = (at->first_mm - job->at_mm) / job->radius_mm,
         dy = (at->second_mm - job->second_mm) / (0.7 * job->radius_mm);
  on->grey[at->index] *= (float)(1.0 - job->depth * exp(-(dx * dx + dy * dy)) * (at->second_mm > 0.1 ? 1.0 : 0.0));
}

static void draw_stains(canvas *on, const render_params *params)
{
  random_source source = random_stream(params->seed, STREAM_STEEL + 500);
  for (int i = 0; i < params->stains; i++) {
    stain_job job = {random_between(&source, 0.0, on->layout->graduated_mm), random_between(&source, 1.0, 6.0),
                     random_between(&source, 1.0, 5.0), random_between(&source, 0.3, 0.7)};
    double reach = 2.5 * job.radius_mm;
    canvas_paint(on, &on->layout->rule, job.at_mm - reach, job.at_mm + reach, fmax(0.0, job.second_mm - reach),
                 fmin(params->rule_width_mm, job.second_mm + reach), paint_stain, &job);
  }
}

/* A piece of paper laid across the rule, a little askew, that stops short of the board. */
static void draw_cover(canvas *on, const render_params *params)
{
  double near = -fmin(1.0, 0.5 * params->rule_gap_mm), far = params->rule_width_mm + 2.0;
  double middle = params->cover_at_mm + 0.5 * params->cover_mm;
  bar paper = {frame_to_glass(&on->layout->rule, middle + 0.2, near),
               frame_to_glass(&on->layout->rule, middle - 0.2, far),
               params->cover_mm,
               0.88,
               1.0,
               false,
               false};
  canvas_bar(on, &paper);
}

static void finish_record(const scene *of, render_truth *truth)
{
  render_rule *rule = &truth->rule;
  for (size_t k = 0; k < rule->stroke_count; k++) {
    render_point at = frame_to_glass(&of->rule, rule->stroke[k].t_mm + rule->stroke[k].error_mm, 0.0);
    rule->stroke[k].edge_px = render_seen_px(truth, at, truth->params.rule_height_mm);
  }
  rule->first_px = rule->stroke[0].edge_px;
  rule->last_px = rule->stroke[rule->stroke_count - 1].edge_px;
  double span = rule->stroke[rule->stroke_count - 1].t_mm;
  if (truth->camera.on) {
    double dx = rule->last_px.x - rule->first_px.x, dy = rule->last_px.y - rule->first_px.y;
    rule->px_per_mm = span > 0.0 ? sqrt(dx * dx + dy * dy) / span : 0.0;
    return;
  }
  /* The rule lies askew by a known angle, so its length along the picture's axis is a cosine shorter. */
  bool along_y = fabs(of->board.first.y) > fabs(of->board.first.x);
  double pixels = along_y ? rule->last_px.y - rule->first_px.y : rule->last_px.x - rule->first_px.x;
  double axial = span * fabs(along_y ? of->rule.first.y : of->rule.first.x);
  rule->px_per_mm = axial > 0.0 ? fabs(pixels) / axial : 0.0;
}

bool draw_rule(canvas *on, const render_params *params, render_truth *truth)
{
  if (!on->layout->has_rule) {
    return true;
  }
  double mm = graduation_of(params->graduation).mm;
  size_t count = (size_t)floor(on->layout->graduated_mm / mm + 1e-9) + 1;
  truth->rule.stroke = calloc(count, sizeof *truth->rule.stroke);
  if (!truth->rule.stroke) {
    return false;
  }
  truth->rule.stroke_count = count;
  truth->rule.graduation_mm = mm;
  draw_steel(on, params);
  edge near = {params->graduation, 0.0, 1.0}, far = {params->far_graduation, params->rule_width_mm, -1.0};
  draw_edge(on, params, &near, truth->rule.stroke);
  if (params->far_graduation != RENDER_NO_GRADUATION) {
    draw_edge(on, params, &far, NULL);
  }
  draw_stains(on, params);
  if (params->cover_mm > 0.0) {
    draw_cover(on, params);
  }
  on->plane_mm = 0.0;
  finish_record(on->layout, truth);
  return true;
}
