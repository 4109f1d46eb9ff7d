/* photo.c: what a photograph has and a scan has not: the bench, the board's sides, shadows, the phone's own sharpening.
 *
 * The board is a slab. What is seen of it is the union of its outlines at all heights from the bench to the face, here
 * of a number of them near enough to each other; its sides are what that union covers beyond the face. So the edge of
 * the face stays exact however narrow the side is.
 *
 * Light, shadows and noise are only lifelike. All work on stored greys, as the scans' do. */
#include <math.h>
#include <stdlib.h>

#include "scene.h"

static const double pi = 3.14159265358979324;

/* ---- the bench ---- */

typedef struct lamp {
  render_point toward; /* where shadows fall, mm a mm of height */
} lamp;

static lamp lamp_of(const render_params *params)
{
  random_source source = random_stream(params->seed, STREAM_SHADOWS + 100);
  double angle = random_between(&source, 0.0, 2.0 * pi), slant = random_between(&source, 0.2, 0.9);
  return (lamp){{slant * cos(angle), slant * sin(angle)}};
}

/* 0 far outside of an edge, 1 far inside. */
static double soft_step(double inside_mm, double breadth_mm)
{
  if (fabs(inside_mm) > 4.0 * breadth_mm) {
    return inside_mm > 0.0 ? 1.0 : 0.0;
  }
  return 0.5 * (1.0 + tanh(2.0 * inside_mm / breadth_mm));
}

static double soft_board(const scene *of, render_point glass_mm, double breadth_mm)
{
  render_point p = frame_from_glass(&of->board, glass_mm);
  double half = scene_half_width_mm(of, p.x);
  return soft_step(half - p.y, breadth_mm) * soft_step(half + p.y, breadth_mm) *
         soft_step(p.x - of->x_begin_mm, breadth_mm) * soft_step(of->x_end_mm - p.x, breadth_mm);
}

static double soft_rule(const scene *of, double width_mm, render_point glass_mm, double breadth_mm)
{
  render_point p = frame_from_glass(&of->rule, glass_mm);
  return soft_step(p.y, breadth_mm) * soft_step(width_mm - p.y, breadth_mm) *
         soft_step(p.x - of->rule_begin_mm, breadth_mm) * soft_step(of->rule_end_mm - p.x, breadth_mm);
}

/* Light that reaches a place on the bench: the lamp's shadow, and less of the room's light close by. */
static double bench_light(const canvas *on, const render_params *params, const lamp *from, render_point at_mm)
{
  const scene *of = on->layout;
  double high = params->photo_thickness_mm;
  if (params->photo_cast <= 0.0) {
    return 1.0;
  }
  render_point lit = {at_mm.x - from->toward.x * high, at_mm.y - from->toward.y * high};
  double shade = soft_board(of, lit, 0.3 + 0.5 * high), near = soft_board(of, at_mm, 0.5 + 1.2 * high);
  if (of->has_rule) {
    double up = fmax(0.0, high + params->rule_height_mm);
    lit = (render_point){at_mm.x - from->toward.x * up, at_mm.y - from->toward.y * up};
    shade = fmax(shade, soft_rule(of, params->rule_width_mm, lit, 0.3 + 0.5 * up));
    near = fmax(near, soft_rule(of, params->rule_width_mm, at_mm, 0.5 + 1.2 * up));
  }
  return (1.0 - params->photo_cast * shade) * (1.0 - 0.6 * params->photo_cast * near);
}

void draw_bench(canvas *on, const render_params *params)
{
  random_source source = random_stream(params->seed, STREAM_BENCH);
  uint64_t seed = random_bits(&source);
  lattice_layer broad = lattice_start(seed), fine = lattice_start(seed + 1);
  double turn = random_between(&source, 0.0, pi), c = cos(turn), s = sin(turn);
  lamp from = lamp_of(params);
  for (int32_t row = 0; row < on->height_px; row++) {
    camera_ray ray = {0.0, 0.0};
    for (int32_t column = 0; column < on->width_px; column++) {
      render_point px = {(double)column, (double)row};
      render_point at = camera_look(on->camera, &ray, px, -params->photo_thickness_mm).glass_mm;
      double u = c * at.x + s * at.y, v = c * at.y - s * at.x;
      double level = 1.0 + params->photo_texture * (1.6 * lattice_noise(&broad, u / 60.0, v / 25.0) +
                                                    1.6 * lattice_noise(&fine, u / 12.0, v / 1.5));
      level *= params->background * bench_light(on, params, &from, at);
      on->grey[(size_t)row * (size_t)on->width_px + (size_t)column] = (float)level;
    }
  }
}

/* ---- the board's sides ---- */

enum { SIDE_LAYERS = 12 };

/* Beyond one and the same edge of the board both at the bench's height and the face's: then at all between. */
static bool is_beside(const canvas *on, const canvas_point *under, const canvas_point *face)
{
  const scene *of = on->layout;
  double reach = profile_reach_mm((profile_blur){on->psf_px * on->pixel_mm, 1.42 * on->pixel_mm, 0.0});
  render_point a = frame_from_glass(&of->board, under->glass_mm), b = frame_from_glass(&of->board, face->glass_mm);
  double a_half = scene_half_width_mm(of, a.x) + reach, b_half = scene_half_width_mm(of, b.x) + reach;
  return (a.y > a_half && b.y > b_half) || (a.y < -a_half && b.y < -b_half) ||
         fmax(a.x, b.x) < of->x_begin_mm - reach || fmin(a.x, b.x) > of->x_end_mm + reach;
}

static void paint_side(void *context, canvas *on, const canvas_point *at)
{
  const render_params *params = context;
  canvas_point layer = canvas_at_height(on, at, 0.0);
  if (is_beside(on, at, &layer)) {
    return;
  }
  double face = board_share(on, &layer), whole = board_share(on, at);
  if (face >= 1.0 - 1e-9) {
    return;
  }
  for (int i = 1; i < SIDE_LAYERS; i++) {
    layer = canvas_at_height(on, at, -params->photo_thickness_mm * i / SIDE_LAYERS);
    whole = fmax(whole, board_share(on, &layer));
  }
  double side = (whole - face) / (1.0 - face); /* the face, drawn over it, hides its own share again */
  if (side <= 0.0) {
    return;
  }
  float *grey = &on->grey[at->index];
  *grey += (float)(side * (0.55 * params->wood_level - *grey));
  if (on->wood) {
    on->wood[at->index] = (unsigned char)(255.0 * side);
  }
}

void draw_board_sides(canvas *on, const render_params *params)
{
  const scene *of = on->layout;
  double half = fmax(scene_half_width_mm(of, of->x_begin_mm), scene_half_width_mm(of, of->x_end_mm));
  double spare = 2.0 * params->photo_thickness_mm; /* no side leans out by more: the camera sees 60 degrees aside */
  if (params->photo_thickness_mm > 0.0) {
    on->plane_mm = -params->photo_thickness_mm;
    canvas_paint(on, &of->board, of->x_begin_mm - spare, of->x_end_mm + spare, -half - spare, half + spare, paint_side,
                 (void *)(uintptr_t)params);
    on->plane_mm = 0.0;
  }
}

/* ---- light on everything ---- */

enum { SHADOWS_MOST = 20 };

/* A shadow's edge is a shallow arc through a place; a band has a second edge behind the first. */
typedef struct shadow {
  render_point through_px, normal;
  double bend_per_px, breadth_px, band_px, depth;
} shadow;

typedef struct exposure {
  double falloff, tilt_x, tilt_y, middle_x, middle_y, corner2;
  int shadows;
  shadow shadow[SHADOWS_MOST];
} exposure;

static shadow draw_lots_for_shadow(const render_params *params, const render_truth *truth, const scene *of, int which,
                                   random_source *source)
{
  double scale = truth->camera.px_per_mm_along, angle = random_between(source, 0.0, 2.0 * pi);
  double x = random_between(source, 0.2, 0.8), y = random_between(source, 0.0, 1.0);
  render_point place = {x * truth->width_px, y * truth->height_px};
  if (which == 0) {
    place = render_board_px(truth, (render_point){of->x_begin_mm + x * (of->x_end_mm - of->x_begin_mm), 0.0});
  }
  bool band = random_chance(source, 0.5);
  double broad = random_between(source, 30.0, 150.0) * scale, share = random_between(source, 0.5, 1.0);
  return (shadow){.through_px = place,
                  .normal = {cos(angle), sin(angle)},
                  .bend_per_px = random_between(source, -0.1, 0.1) / truth->width_px,
                  .breadth_px = random_between(source, 0.6, 1.4) * params->photo_penumbra_mm * scale,
                  .band_px = band ? broad : INFINITY,
                  .depth = params->photo_shadow * (which == 0 ? 1.0 : share)};
}

static exposure exposure_of(const canvas *on, const render_params *params, const render_truth *truth)
{
  random_source source = random_stream(params->seed, STREAM_SHADOWS);
  double width = (double)on->width_px, height = (double)on->height_px;
  double angle = random_between(&source, 0.0, 2.0 * pi);
  exposure of = {.falloff = params->photo_falloff,
                 .tilt_x = 2.0 * params->light * cos(angle) / width,
                 .tilt_y = 2.0 * params->light * sin(angle) / width,
                 .middle_x = truth->camera.centre_px.x,
                 .middle_y = truth->camera.centre_px.y,
                 .corner2 = 0.25 * (width * width + height * height),
                 .shadows = params->photo_shadows};
  for (int i = 0; i < of.shadows; i++) {
    of.shadow[i] = draw_lots_for_shadow(params, truth, on->layout, i, &source);
  }
  return of;
}

static double light_at(const exposure *of, double x, double y)
{
  double dx = x - of->middle_x, dy = y - of->middle_y;
  double light = (1.0 - of->falloff * (dx * dx + dy * dy) / of->corner2) * (1.0 + of->tilt_x * dx + of->tilt_y * dy);
  for (int i = 0; i < of->shadows; i++) {
    const shadow *by = &of->shadow[i];
    double px = x - by->through_px.x, py = y - by->through_px.y;
    double along = px * by->normal.y - py * by->normal.x;
    double inside = px * by->normal.x + py * by->normal.y + by->bend_per_px * along * along;
    double dark = soft_step(inside, by->breadth_px);
    if (isfinite(by->band_px)) {
      dark *= soft_step(by->band_px - inside, by->breadth_px);
    }
    light *= 1.0 - by->depth * dark;
  }
  return fmax(light, 0.0);
}

/* ---- the phone's sharpening ---- */

enum { KERNEL_MOST = 64 };

typedef struct kernel {
  int reach;
  float weight[KERNEL_MOST + 1];
} kernel;

static kernel gauss_kernel(double sigma_px)
{
  kernel of = {.reach = (int)fmin(KERNEL_MOST, ceil(3.2 * sigma_px))};
  double sum = 0.0;
  for (int i = 0; i <= of.reach; i++) {
    double weight = exp(-0.5 * i * i / (sigma_px * sigma_px));
    of.weight[i] = (float)weight;
    sum += i == 0 ? weight : 2.0 * weight;
  }
  for (int i = 0; i <= of.reach; i++) {
    of.weight[i] = (float)((double)of.weight[i] / sum);
  }
  return of;
}

/* The nearest pixel there is. */
static int32_t inside(int32_t i, int32_t count)
{
  return i < 0 ? 0 : (i >= count ? count - 1 : i);
}

static void blur_row(const kernel *by, const float *from, int32_t count, float *to)
{
  for (int32_t i = 0; i < count; i++) {
    float sum = by->weight[0] * from[i];
    if (i >= by->reach && i < count - by->reach) {
      for (int k = 1; k <= by->reach; k++) {
        sum += by->weight[k] * (from[i - k] + from[i + k]);
      }
    } else {
      for (int k = 1; k <= by->reach; k++) {
        sum += by->weight[k] * (from[inside(i - k, count)] + from[inside(i + k, count)]);
      }
    }
    to[i] = sum;
  }
}

static bool sharpen(canvas *on, double amount, double sigma_px)
{
  size_t width = (size_t)on->width_px, height = (size_t)on->height_px;
  kernel by = gauss_kernel(sigma_px);
  float *rows = malloc(width * height * sizeof *rows), *sum = malloc(width * sizeof *sum);
  bool ok = rows && sum;
  for (size_t row = 0; ok && row < height; row++) {
    blur_row(&by, on->grey + row * width, on->width_px, rows + row * width);
  }
  for (size_t row = 0; ok && row < height; row++) {
    for (size_t i = 0; i < width; i++) {
      sum[i] = by.weight[0] * rows[row * width + i];
    }
    for (int k = 1; k <= by.reach; k++) {
      const float *above = rows + (size_t)inside((int32_t)row - k, on->height_px) * width;
      const float *below = rows + (size_t)inside((int32_t)row + k, on->height_px) * width;
      for (size_t i = 0; i < width; i++) {
        sum[i] += by.weight[k] * (above[i] + below[i]);
      }
    }
    float *grey = on->grey + row * width;
    for (size_t i = 0; i < width; i++) {
      grey[i] += (float)amount * (grey[i] - sum[i]);
    }
  }
  free(rows);
  free(sum);
  return ok;
}

enum { LEVELS = 4096 };

/* What brings the level that a hundredth of the picture exceeds to 0.92, as far as a phone would go. */
static double gain_of(const canvas *on)
{
  size_t count = (size_t)on->width_px * (size_t)on->height_px, above = 0, wanted = count / 100;
  size_t histogram[LEVELS + 1] = {0};
  for (size_t i = 0; i < count; i++) {
    double level = fmin(fmax((double)on->grey[i], 0.0), 2.0);
    histogram[(int)(0.5 * level * LEVELS)]++;
  }
  int level = LEVELS;
  while (level > 1 && above <= wanted) {
    above += histogram[level--];
  }
  return fmin(fmax(0.92 / (2.0 * level / LEVELS), 0.4), 4.0);
}

static void let_light_in(canvas *on, const render_params *params, const render_truth *truth)
{
  exposure light = exposure_of(on, params, truth);
  for (int32_t row = 0; row < on->height_px; row++) {
    float *grey = on->grey + (size_t)row * (size_t)on->width_px;
    for (int32_t column = 0; column < on->width_px; column++) {
      grey[column] *= (float)light_at(&light, (double)column, (double)row);
    }
  }
}

bool photo_expose(canvas *on, const render_params *params, const render_truth *truth)
{
  let_light_in(on, params, truth);
  random_source source = random_stream(params->seed, STREAM_NOISE);
  size_t count = (size_t)on->width_px * (size_t)on->height_px;
  double gain = params->photo_exposed ? gain_of(on) : 1.0;
  for (size_t i = 0; i < count; i++) {
    double value = gain * (double)on->grey[i];
    if (params->noise > 0.0) {
      /* Half of the variance is the electronics', half grows with the light. */
      double strength = params->noise * sqrt(0.5 + 0.5 * fmin(fmax(value, 0.0), 1.0));
      value += strength * random_normal(&source);
    }
    on->grey[i] = (float)value;
  }
  return params->photo_sharpen <= 0.0 || sharpen(on, params->photo_sharpen, params->photo_sharpen_px);
}
