/* wire.c: a fret as a flatbed scanner sees it.
 *
 * The section is a crown over its two feet. Its grey follows from the slope of the metal and from the lamp, which
 * stands on one side of the sensor: light that a surface takes (Lambert's cosine), and a highlight where the surface
 * halves the angle between lamp and sensor, so off the crown's middle. A levelled or worn crown has a flat, which is
 * one even band. Beside the feet the wood has a dark joint, a shadow on the side away from the lamp and a little light
 * thrown back on the other.
 *
 * Section and surroundings are laid out as straight pieces, convolved in closed form with blur and pixel, and tabled
 * across the wire once; along the wire only the tables' weights change. The truth is the middle between the feet. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "scene.h"

static const double pi = 3.14159265358979324;

enum { NODES = 161, AROUND = 32, WIRE_SAMPLES = 1200, PER_PX = 40, MAX_TABLE = 24000 };

/* A profile of straight pieces; two nodes at one place are a step. */
typedef struct pieces {
  int count;
  double x[NODES + AROUND], y[NODES + AROUND];
} pieces;

typedef struct wire_job {
  const render_params *params;
  const render_mark *mark;
  frame in;
  double begin_mm, per_mm; /* of what is sampled along the wire */
  double worn[WIRE_SAMPLES + 1], shine[WIRE_SAMPLES + 1], shift_mm[WIRE_SAMPLES + 1];
  double rough_mm[2][WIRE_SAMPLES + 1], dirt[2][WIRE_SAMPLES + 1], reach_mm[2][WIRE_SAMPLES + 1];
  double table_begin_mm, table_per_mm;
  int table_count;
  float metal[2][MAX_TABLE]; /* grey of the fresh and of the worn crown, times its share */
  float wood[MAX_TABLE];     /* what is left of the wood's grey */
} wire_job;

double lamp_tangent(const render_params *params, render_point direction)
{
  double along = params->carriage == 0 ? direction.x : direction.y;
  return tan(params->lamp_deg * pi / 180.0) * along;
}

static void add_node(pieces *to, double x, double y)
{
  to->x[to->count] = x;
  to->y[to->count++] = y;
}

/* dz/du of the section at u; an arc on short walls, or half an ellipse. */
static double slope_of_crown(const render_params *params, double u, double width)
{
  double half = 0.5 * width, h = params->crown_mm;
  if (params->crown == RENDER_CROWN_ELLIPSE) {
    double t = fmin(fabs(u) / half, 0.9995);
    return -copysign(h / half * t / sqrt(1.0 - t * t), u);
  }
  double rise = 0.75 * h, radius = (half * half + rise * rise) / (2.0 * rise);
  return -u / sqrt(fmax(radius * radius - u * u, 1e-6 * radius * radius));
}

/* Grey of metal whose slope across the wire is dz/du; `gloss_deg` is the highlight's half-width. */
static double grey_of_metal(const render_params *params, double slope, double tangent, double gloss_deg)
{
  double lit = (1.0 - slope * tangent) / sqrt((1.0 + slope * slope) * (1.0 + tangent * tangent));
  double off = (atan(-slope) - 0.5 * atan(tangent)) * 180.0 / pi / gloss_deg;
  double ambient = params->wire_ambient;
  return params->wire_level * (ambient + (1.0 - ambient) * fmax(lit, 0.0)) + params->wire_gloss * exp(-0.5 * off * off);
}

/* The metal between the feet, with a flat of this breadth on top. */
static void lay_metal(const wire_job *job, double flat_mm, double off_mm, double tangent, pieces *out)
{
  const render_params *params = job->params;
  double half = 0.5 * job->mark->width_mm;
  out->count = 0;
  add_node(out, -half, 0.0);
  for (int i = 0; i < NODES; i++) {
    double u = -half * cos(pi * (double)i / (NODES - 1));
    bool flat = flat_mm > 0.0 && fabs(u - off_mm) < 0.5 * flat_mm;
    double slope = flat ? 0.0 : slope_of_crown(params, u, job->mark->width_mm);
    add_node(out, u,
             grey_of_metal(params, slope, tangent, flat ? params->wire_gloss_deg + 8.0 : params->wire_gloss_deg));
  }
  add_node(out, half, 0.0);
}

/* What the crown does to the wood, 0 under it. `joint` is the darkness of the joint on each side. */
static void lay_wood(const wire_job *job, double tangent, const double joint[2], pieces *out)
{
  enum { STEPS = 6 };
  const render_params *params = job->params;
  double half = 0.5 * job->mark->width_mm, far = half + fabs(tangent) * params->crown_mm + params->penumbra_mm + 1.5;
  out->count = 0;
  for (int side = 0; side < 2; side++) {
    double sign = side ? 1.0 : -1.0, length = -sign * tangent * params->crown_mm, soft = params->penumbra_mm;
    double at[2 * STEPS + 3], value[2 * STEPS + 3];
    for (int i = 0; i <= 2 * STEPS; i++) {
      double d = (far - half) * (double)i / (2.0 * STEPS) * (double)i / (2.0 * STEPS);
      /* the penumbra grows with the distance from the edge that throws it, which stands inside the foot */
      double dark = length > 0.0 ? params->shadow / (1.0 + exp((d - length) / (0.3 * soft))) : 0.0;
      double glow = length < 0.0 ? params->glow * exp(-d / 0.35) : 0.0;
      at[i] = d;
      value[i] = 1.0 - dark + glow;
    }
    /* inward on the nut's side, outward on the bridge's */
    if (!side) {
      add_node(out, -far, 1.0);
      for (int i = 2 * STEPS; i > 0; i--) {
        if (at[i] > params->joint_mm) {
          add_node(out, -half - at[i], value[i]);
        }
      }
      add_node(out, -half - params->joint_mm, value[0]);
      add_node(out, -half - params->joint_mm, value[0] * (1.0 - joint[0]));
      add_node(out, -half, value[0] * (1.0 - joint[0]));
      add_node(out, -half, 0.0);
    } else {
      add_node(out, half, 0.0);
      add_node(out, half, value[0] * (1.0 - joint[1]));
      add_node(out, half + params->joint_mm, value[0] * (1.0 - joint[1]));
      add_node(out, half + params->joint_mm, value[0]);
      for (int i = 1; i <= 2 * STEPS; i++) {
        if (at[i] > params->joint_mm) {
          add_node(out, half + at[i], value[i]);
        }
      }
      add_node(out, far, 1.0);
    }
  }
}

/* Mean over the pixel about u of the blurred profile: steps and ramps, each in closed form. */
static double blurred_pieces(const canvas *on, const pieces *of, double u, profile_blur blur)
{
  double value = of->y[0], slope = 0.0;
  for (int i = 1; i < of->count; i++) {
    double width = of->x[i] - of->x[i - 1], rise = of->y[i] - of->y[i - 1];
    if (width < 1e-9) {
      value += rise * profile_step(on->table, u - of->x[i], blur);
      continue;
    }
    double next = rise / width;
    value += (next - slope) * profile_ramp(u - of->x[i - 1], blur);
    slope = next;
    /* a ramp ends where the next piece begins, or a step stands between */
    if (i + 1 == of->count || of->x[i + 1] - of->x[i] < 1e-9) {
      value -= slope * profile_ramp(u - of->x[i], blur);
      slope = 0.0;
    }
  }
  return value;
}

static void fill_tables(const canvas *on, wire_job *job, double tangent, random_source *source)
{
  const render_params *params = job->params;
  render_point centre = render_picture_px(on->axis, job->in.origin_mm);
  int32_t column = (int32_t)fmin(fmax(centre.x, 0.0), (double)on->width_px - 1.0);
  int32_t row = (int32_t)fmin(fmax(centre.y, 0.0), (double)on->height_px - 1.0);
  canvas_point at = {.dx_mm = on->dx_mm[column], .dy_mm = on->dy_mm[row]};
  profile_blur blur = canvas_blur(on, &at, job->in.second);
  double joint[2];
  for (int side = 0; side < 2; side++) {
    joint[side] = params->joint_depth * random_between(source, 0.2, 1.0);
  }
  static const double dent_mm = 0.9;
  pieces fresh, worn, wood;
  lay_metal(job, params->flat_mm, params->flat_off_mm, tangent, &fresh);
  lay_metal(job, fmax(params->flat_mm, dent_mm), params->flat_off_mm + random_between(source, -0.15, 0.15), tangent,
            &worn);
  lay_wood(job, tangent, joint, &wood);
  double reach = wood.x[wood.count - 1] + profile_reach_mm(blur);
  job->table_begin_mm = -reach;
  job->table_per_mm = PER_PX / blur.box_mm;
  job->table_count = (int)fmin(2.0 * reach * job->table_per_mm + 2.0, MAX_TABLE);
  for (int i = 0; i < job->table_count; i++) {
    double u = job->table_begin_mm + (double)i / job->table_per_mm;
    job->metal[0][i] = (float)blurred_pieces(on, &fresh, u, blur);
    job->metal[1][i] = (float)blurred_pieces(on, &worn, u, blur);
    job->wood[i] = (float)blurred_pieces(on, &wood, u, blur);
  }
}

static double tabled(const wire_job *job, const float *table, double u, double beyond)
{
  double place = (u - job->table_begin_mm) * job->table_per_mm;
  if (place < 0.0 || place >= job->table_count - 1) {
    return beyond;
  }
  int i = (int)place;
  double rest = place - (double)i;
  return (double)table[i] + rest * ((double)table[i + 1] - (double)table[i]);
}

static double sampled(const wire_job *job, const double *table, double along_mm)
{
  double place = (along_mm - job->begin_mm) * job->per_mm;
  int i = place < 0.0 ? 0 : (place >= WIRE_SAMPLES ? WIRE_SAMPLES - 1 : (int)place);
  double rest = fmin(fmax(place - (double)i, 0.0), 1.0);
  return table[i] + rest * (table[i + 1] - table[i]);
}

/* Dirt lies in the corner between foot and wood, a little of it on the metal. */
static double dirt_at(const canvas *on, const wire_job *job, double across, double along, profile_blur blur)
{
  double left = 1.0, half = 0.5 * job->mark->width_mm;
  for (int side = 0; side < 2; side++) {
    double dirt = sampled(job, job->dirt[side], along);
    if (dirt > 1e-6) {
      double out = (side ? across : -across) - half;
      double from = -0.25 * sampled(job, job->reach_mm[side], along), to = sampled(job, job->reach_mm[side], along);
      left *= 1.0 - dirt * (profile_step(on->table, out - from, blur) - profile_step(on->table, out - to, blur));
    }
  }
  return left;
}

static void paint_wire(void *context, canvas *on, const canvas_point *at)
{
  const wire_job *job = context;
  const render_mark *mark = job->mark;
  double along = at->first_mm, across = at->second_mm - sampled(job, job->shift_mm, along);
  across -= sampled(job, job->rough_mm[across > 0.0], along) * fmin(1.0, fabs(across) / (0.25 * mark->width_mm));
  profile_blur blur = canvas_blur(on, at, job->in.second), ends = canvas_blur(on, at, job->in.first);
  double c = cos(mark->angle_deg * pi / 180.0), from = mark->from_y_mm / c, to = mark->to_y_mm / c;
  double share = profile_box(on->table, along - 0.5 * (from + to), to - from, ends);
  if (share < 1e-6) {
    return;
  }
  double worn = sampled(job, job->worn, along);
  double metal =
      (1.0 - worn) * tabled(job, job->metal[0], across, 0.0) + worn * tabled(job, job->metal[1], across, 0.0);
  double in = fmin(along - from, to - along);
  double bevel = in < job->params->bevel_mm ? 0.75 : 1.0;
  metal *= bevel * sampled(job, job->shine, along);
  double wood = tabled(job, job->wood, across, 1.0);
  float *grey = &on->grey[at->index];
  double value = ((double)*grey * wood + metal) * dirt_at(on, job, across, along, blur);
  *grey += (float)(share * (value - (double)*grey));
  if (on->wood) {
    on->wood[at->index] = (unsigned char)((double)on->wood[at->index] * (1.0 - share * (1.0 - fmin(wood, 1.0))));
  }
}

static double smooth_above(double value, double threshold)
{
  double t = fmin(fmax((value - threshold) / 0.3 + 0.5, 0.0), 1.0);
  return t * t * (3.0 - 2.0 * t);
}

static void fill_wear(const canvas *on, wire_job *job, double step)
{
  const render_params *params = job->params;
  int strings = params->strings > 1 ? params->strings : 6;
  double amount = params->dents * fmax(0.0, 1.0 - (double)(job->mark->fret - 1) / 7.0);
  for (int i = 0; i <= WIRE_SAMPLES; i++) {
    double y = job->begin_mm + step * (double)i, worn = 0.0;
    for (int k = 0; k < strings && amount > 0.0 && job->mark->fret > 0; k++) {
      double share = 2.0 * (double)k / (strings - 1) - 1.0;
      double off = (y - share * (scene_half_width_mm(on->layout, job->mark->x_mm) - 3.5)) / 0.8;
      worn += amount * exp(-off * off);
    }
    job->worn[i] = fmin(worn, 1.0);
  }
}

/* A slow curve without mean and slope over the whole wire. */
static void fill_shift(wire_job *job, random_source *source, double step)
{
  double sum = 0.0, moment = 0.0, square = 0.0, rest = 0.0;
  random_curve(source, step, 8.0, WIRE_SAMPLES + 1, job->shift_mm);
  for (int i = 0; i <= WIRE_SAMPLES; i++) {
    double t = (double)i - 0.5 * WIRE_SAMPLES;
    sum += job->shift_mm[i];
    moment += t * job->shift_mm[i];
    square += t * t;
  }
  for (int i = 0; i <= WIRE_SAMPLES; i++) {
    job->shift_mm[i] -= sum / (WIRE_SAMPLES + 1) + ((double)i - 0.5 * WIRE_SAMPLES) * moment / square;
    rest += job->shift_mm[i] * job->shift_mm[i];
  }
  double scale = rest > 0.0 ? job->params->waviness_um / 1000.0 / sqrt(rest / (WIRE_SAMPLES + 1)) : 0.0;
  for (int i = 0; i <= WIRE_SAMPLES; i++) {
    job->shift_mm[i] *= scale;
  }
}

static void fill_along(const canvas *on, wire_job *job, random_source *source, double step)
{
  const render_params *params = job->params;
  double curve[WIRE_SAMPLES + 1];
  fill_wear(on, job, step);
  fill_shift(job, source, step);
  random_curve(source, step, 2.0, WIRE_SAMPLES + 1, job->shine);
  double common = 1.0 + params->wire_uneven * random_normal(source);
  for (int i = 0; i <= WIRE_SAMPLES; i++) {
    job->shine[i] = fmax(0.5, common + params->wire_uneven * job->shine[i]);
  }
  for (int side = 0; side < 2; side++) {
    random_curve(source, step, 0.7, WIRE_SAMPLES + 1, job->rough_mm[side]);
    random_curve(source, step, 1.2, WIRE_SAMPLES + 1, job->reach_mm[side]);
    random_curve(source, step, 2.5, WIRE_SAMPLES + 1, curve);
    for (int i = 0; i <= WIRE_SAMPLES; i++) {
      job->rough_mm[side][i] *= params->foot_um / 1000.0;
      job->reach_mm[side][i] = fmin(fmax(0.22 + 0.12 * job->reach_mm[side][i], 0.04), 0.6);
      /* the curve's normal deviate above this is so rare */
      double threshold = params->dirt > 0.0 ? 1.2 - 2.4 * params->dirt : 9.0;
      job->dirt[side][i] = params->dirt_depth * smooth_above(curve[i], threshold);
    }
  }
}

typedef struct blob_job {
  double radius_mm, change;
} blob_job;

static void paint_blob(void *context, canvas *on, const canvas_point *at)
{
  const blob_job *job = context;
  double r2 = (at->first_mm * at->first_mm + at->second_mm * at->second_mm) / (job->radius_mm * job->radius_mm);
  on->grey[at->index] *= (float)(1.0 + job->change * exp(-r2));
}

static void draw_foot_glue(canvas *on, const wire_job *job, random_source *source)
{
  for (int i = 0; i < job->params->foot_glue; i++) {
    double side = random_chance(source, 0.5) ? 1.0 : -1.0;
    double along = random_between(source, job->mark->from_y_mm + 1.0, job->mark->to_y_mm - 1.0);
    blob_job blob = {random_between(source, 0.2, 0.6), random_between(source, -0.25, 0.35)};
    frame here = job->in;
    here.origin_mm = frame_to_glass(&job->in, along, side * 0.5 * job->mark->width_mm);
    canvas_paint(on, &here, -2.5 * blob.radius_mm, 2.5 * blob.radius_mm, -2.5 * blob.radius_mm, 2.5 * blob.radius_mm,
                 paint_blob, &blob);
  }
}

bool draw_wire(canvas *on, const render_params *params, render_mark *mark, uint64_t stream)
{
  wire_job *job = malloc(sizeof *job);
  if (!job) {
    return false;
  }
  const frame *board = &on->layout->board;
  random_source source = random_stream(params->seed, stream);
  double c = cos(mark->angle_deg * pi / 180.0), s = sin(mark->angle_deg * pi / 180.0);
  job->params = params;
  job->mark = mark;
  job->in.origin_mm = frame_to_glass(board, mark->x_mm, 0.0);
  job->in.first = (render_point){s * board->first.x + c * board->second.x, s * board->first.y + c * board->second.y};
  job->in.second = (render_point){c * board->first.x - s * board->second.x, c * board->first.y - s * board->second.y};
  double step = (mark->to_y_mm - mark->from_y_mm + 2.0) / WIRE_SAMPLES;
  job->begin_mm = mark->from_y_mm - 1.0;
  job->per_mm = 1.0 / step;
  fill_tables(on, job, lamp_tangent(params, job->in.second), &source);
  fill_along(on, job, &source, step);
  double side = -job->table_begin_mm;
  canvas_paint(on, &job->in, mark->from_y_mm - 0.5, mark->to_y_mm + 0.5, -side, side, paint_wire, job);
  draw_foot_glue(on, job, &source);
  mark->waviness_um = params->waviness_um;
  free(job);
  return true;
}
