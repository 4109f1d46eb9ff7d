/* wood.c: the lid, the board's wood and what lies under its marks.
 *
 * Grain is lattice noise, long along the board and short across, in four layers that bend gently together; figure is a
 * slow band pattern across the board; chatter a sine along it whose phase wanders. None of this is exact, only
 * lifelike; the edges of the board are exact. */
#include <math.h>
#include <stdlib.h>

#include "scene.h"

static const double two_pi = 6.283185307179586;

enum { GRAIN_LAYERS = 4, TABLE_SAMPLES = 8192 };

lattice_layer lattice_start(uint64_t seed)
{
  return (lattice_layer){.seed = seed};
}

static void fill_cell(lattice_layer *layer, int64_t i, int64_t j)
{
  layer->i = i;
  layer->j = j;
  layer->filled = true;
  for (int q = 0; q < 2; q++) {
    for (int p = 0; p < 2; p++) {
      layer->corner[q][p] = random_lattice(layer->seed, i + p, j + q);
    }
  }
}

double lattice_noise(lattice_layer *layer, double u, double v)
{
  double fu = floor(u), fv = floor(v);
  int64_t i = (int64_t)fu, j = (int64_t)fv;
  double a = u - fu, b = v - fv;
  if (!layer->filled || layer->i != i || layer->j != j) {
    fill_cell(layer, i, j);
  }
  a = a * a * (3.0 - 2.0 * a);
  b = b * b * (3.0 - 2.0 * b);
  double low = layer->corner[0][0] + a * (layer->corner[0][1] - layer->corner[0][0]);
  double high = layer->corner[1][0] + a * (layer->corner[1][1] - layer->corner[1][0]);
  return low + b * (high - low);
}

typedef struct wood_job {
  const render_params *params;
  lattice_layer grain[GRAIN_LAYERS], wander, strength;
  double begin_mm, per_mm;            /* of the tables along x */
  double bend_mm[TABLE_SAMPLES];      /* sideways run of the grain */
  double chatter_turn[TABLE_SAMPLES]; /* wandering phase, as a relative brightness already */
} wood_job;

/* blur_mm: what a photograph's pixels blur the finest layers with; 0 in scans, which are finer than the grain. */
static double grain_at(wood_job *job, double x_mm, double y_mm, double blur_mm)
{
  static const double along_mm[GRAIN_LAYERS] = {80.0, 45.0, 22.0, 10.0};
  static const double across_mm[GRAIN_LAYERS] = {2.0, 0.7, 0.25, 0.11};
  static const double share[GRAIN_LAYERS] = {0.6, 0.6, 0.45, 0.35};
  double sum = 0.0;
  for (int i = 0; i < GRAIN_LAYERS; i++) {
    double steps = 1.5 * blur_mm / across_mm[i];
    sum += share[i] / (1.0 + steps * steps) * lattice_noise(&job->grain[i], x_mm / along_mm[i], y_mm / across_mm[i]);
  }
  return sum / 0.36;
}

static void paint_wood(void *context, canvas *on, const canvas_point *at)
{
  wood_job *job = context;
  double share = board_share(on, at);
  if (share <= 0.0) {
    return;
  }
  double x = at->first_mm, y = at->second_mm;
  double place = (x - job->begin_mm) * job->per_mm;
  int i = place < 0.0 ? 0 : (place >= TABLE_SAMPLES - 2 ? TABLE_SAMPLES - 2 : (int)place);
  double level = 1.0;
  if (job->params->grain > 0.0) {
    double blur_mm = on->camera ? on->psf_px * at->dx_mm : 0.0;
    level += job->params->grain * grain_at(job, x, y + job->bend_mm[i], blur_mm);
  }
  if (job->params->figure > 0.0) {
    double wander = 2.0 * lattice_noise(&job->wander, x / 30.0, y / 9.0);
    double strength = 1.0 + lattice_noise(&job->strength, x / 25.0, y / 25.0);
    level += job->params->figure * strength * sin(two_pi * x / job->params->figure_mm + wander);
  }
  level += job->chatter_turn[i] + (place - i) * (job->chatter_turn[i + 1] - job->chatter_turn[i]);
  float *grey = &on->grey[at->index];
  *grey += (float)(share * (job->params->wood_level * level - *grey));
  if (on->wood) {
    on->wood[at->index] = (unsigned char)(255.0 * share);
  }
}

static void fill_tables(wood_job *job, double begin_mm, double end_mm)
{
  random_source source = random_stream(job->params->seed, STREAM_CHATTER);
  double step = (end_mm - begin_mm) / (TABLE_SAMPLES - 1);
  double amplitude[TABLE_SAMPLES];
  job->begin_mm = begin_mm;
  job->per_mm = 1.0 / step;
  random_curve(&source, step, 12.0, TABLE_SAMPLES, job->chatter_turn);
  random_curve(&source, step, 20.0, TABLE_SAMPLES, amplitude);
  for (int i = 0; i < TABLE_SAMPLES; i++) {
    double turn = two_pi * step * (double)i / job->params->chatter_mm + 0.9 * job->chatter_turn[i];
    job->chatter_turn[i] = job->params->chatter * (1.0 + 0.2 * amplitude[i]) * sin(turn);
  }
  random_curve(&source, step, 60.0, TABLE_SAMPLES, job->bend_mm);
}

/* A pore is a short dark dash along the grain. */
static void draw_pores(canvas *on, const render_params *params)
{
  const scene *of = on->layout;
  random_source source = random_stream(params->seed, STREAM_PORES);
  double length = of->x_end_mm - of->x_begin_mm, half = fmax(params->nut_width_mm, params->end_width_mm) * 0.5;
  int count = (int)(params->pores_per_mm2 * length * 2.0 * half);
  for (int i = 0; i < count; i++) {
    double x = random_between(&source, of->x_begin_mm, of->x_end_mm), y = random_between(&source, -half, half);
    double run = random_between(&source, 0.5, 4.0), lean = random_between(&source, -0.02, 0.02);
    double width = random_between(&source, 0.05, 0.15), depth = random_between(&source, 0.3, 1.0);
    if (fabs(y) > scene_half_width_mm(of, x) + 0.1) {
      continue;
    }
    bar dash = {frame_to_glass(&of->board, x, y),
                frame_to_glass(&of->board, x + run, y + run * lean),
                width,
                params->pore_contrast,
                depth,
                true,
                false};
    dash.on_board =
        fabs(y) > scene_half_width_mm(of, x) - 0.5 || x + run > of->x_end_mm - 0.3 || x < of->x_begin_mm + 0.3;
    canvas_bar(on, &dash);
  }
}

bool draw_wood(canvas *on, const render_params *params)
{
  const scene *of = on->layout;
  wood_job *job = malloc(sizeof *job);
  if (!job) {
    return false;
  }
  random_source source = random_stream(params->seed, STREAM_WOOD);
  job->params = params;
  uint64_t seed = random_bits(&source);
  for (int i = 0; i < GRAIN_LAYERS; i++) {
    job->grain[i] = lattice_start(seed + (uint64_t)i);
  }
  job->wander = lattice_start(seed + 17);
  job->strength = lattice_start(seed + 18);
  fill_tables(job, of->x_begin_mm - 1.0, of->x_end_mm + 1.0);
  double half = fmax(scene_half_width_mm(of, of->x_begin_mm), scene_half_width_mm(of, of->x_end_mm));
  canvas_paint(on, &of->board, of->x_begin_mm, of->x_end_mm, -half, half, paint_wood, job);
  free(job);
  if (params->pores_per_mm2 > 0.0) {
    draw_pores(on, params);
  }
  return true;
}

/* A soft shadow on the lid beside one long edge. */
static void paint_shadow(void *context, canvas *on, const canvas_point *at)
{
  const render_params *params = context;
  double side = params->rule_side == 0 ? -1.0 : 1.0;
  double off = side * at->second_mm - scene_half_width_mm(on->layout, at->first_mm);
  if (off < -0.5) {
    return;
  }
  double ends = fmin(at->first_mm - on->layout->x_begin_mm, on->layout->x_end_mm - at->first_mm);
  double fade = fmin(fmax((ends + 0.5) / 2.0, 0.0), 1.0);
  on->grey[at->index] *= (float)(1.0 - params->edge_shadow * fade * exp(-fmax(off, 0.0) / 1.2));
}

void draw_background(canvas *on, const render_params *params)
{
  const scene *of = on->layout;
  size_t count = (size_t)on->width_px * (size_t)on->height_px;
  for (size_t i = 0; i < count; i++) {
    on->grey[i] = (float)params->background;
  }
  if (params->edge_shadow > 0.0) {
    double half = fmax(scene_half_width_mm(of, of->x_begin_mm), scene_half_width_mm(of, of->x_end_mm)) + 8.0;
    canvas_paint(on, &of->board, of->x_begin_mm - 0.5, of->x_end_mm + 0.5, -half, half, paint_shadow,
                 (void *)(uintptr_t)params);
  }
}
