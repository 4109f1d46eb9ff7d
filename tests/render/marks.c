/* marks.c: knife lines and sawn slots.
 *
 * A line is drawn in its own frame: `first` along the line, `second` across it toward the bridge. Depth and waviness
 * are sampled along it. The waviness loses its mean and slope over the visible part, so the straight line of the truth
 * is what a straight line fitted to every visible place with equal weight must find. A slot's walls are nibbled by
 * chips, each wall by itself; the truth is the kerf as sawn. */
#include <math.h>
#include <stdlib.h>

#include "scene.h"

static const double pi = 3.14159265358979324;

enum { LINE_SAMPLES = 1200 };

typedef struct line_job {
  const render_params *params;
  const render_mark *mark;
  frame in;
  double begin_mm, per_mm;
  double present[LINE_SAMPLES + 1]; /* 0 in gaps, 1 elsewhere, soft between */
  double depth[LINE_SAMPLES + 1]; /* relative, gaps included */
  double shift_mm[LINE_SAMPLES + 1]; /* waviness */
  double bite_mm[2][LINE_SAMPLES + 1]; /* chips of the walls toward nut and bridge */
} line_job;

static double sampled(const line_job *job, const double *table, double along_mm)
{
  double place = (along_mm - job->begin_mm) * job->per_mm;
  int i = place < 0.0 ? 0 : (place >= LINE_SAMPLES ? LINE_SAMPLES - 1 : (int)place);
  double rest = fmin(fmax(place - (double)i, 0.0), 1.0);
  return table[i] + rest * (table[i + 1] - table[i]);
}

static double burr_part(const canvas *on, const line_job *job, double from_wall_mm, double side, profile_blur blur)
{
  double width = job->mark->burr_width_mm;
  double outward = side * from_wall_mm - 0.5 * job->mark->width_mm;
  if (job->params->burr_shape == RENDER_BURR_FLANK) {
    return profile_flank(outward, width, blur);
  }
  return profile_box(on->table, outward - 0.5 * width, width, blur);
}

static void paint_knife(void *context, canvas *on, const canvas_point *at)
{
  const line_job *job = context;
  const render_mark *mark = job->mark;
  profile_blur blur = canvas_blur(on, at, job->in.second);
  double across = at->second_mm - sampled(job, job->shift_mm, at->first_mm);
  double value = mark->contrast * profile_box(on->table, across, mark->width_mm, blur);
  for (int side = 0; side < 2; side++) {
    if (mark->burr_height[side] > 0.0) {
      double part = burr_part(on, job, across, side == 0 ? -1.0 : 1.0, blur);
      value += fabs(mark->contrast) * mark->burr_height[side] * part;
    }
  }
  if (fabs(value) < 1e-7) {
    return;
  }
  value *= sampled(job, job->depth, at->first_mm) * board_share(on, at);
  if (mark->coverage < 1.0) {
    double c = cos(mark->angle_deg * pi / 180.0);
    double from = mark->from_y_mm / c, to = mark->to_y_mm / c;
    value *= profile_box(on->table, at->first_mm - 0.5 * (from + to), to - from, canvas_blur(on, at, job->in.first));
  }
  on->grey[at->index] += (float)(job->params->wood_level * value);
}

/* Half the kerf at a place along the slot, chips left out. */
static double half_kerf(const line_job *job, double along_mm)
{
  const render_mark *mark = job->mark;
  double c = cos(mark->angle_deg * pi / 180.0), from = mark->from_y_mm / c, to = mark->to_y_mm / c;
  return 0.5 * (mark->width_mm + mark->widening_mm * ((along_mm - from) / (to - from) - 0.5));
}

static void paint_slot(void *context, canvas *on, const canvas_point *at)
{
  const line_job *job = context;
  profile_blur blur = canvas_blur(on, at, job->in.second);
  double half = half_kerf(job, at->first_mm), u = at->second_mm - sampled(job, job->shift_mm, at->first_mm);
  double low = -half - sampled(job, job->bite_mm[0], at->first_mm);
  double high = half + sampled(job, job->bite_mm[1], at->first_mm);
  double share = profile_step(on->table, u - low, blur) - profile_step(on->table, u - high, blur);
  if (share < 1e-7) {
    return;
  }
  share *= board_share(on, at);
  double floor_level = job->params->slot_level * sampled(job, job->depth, at->first_mm);
  float *grey = &on->grey[at->index];
  *grey += (float)(share * (floor_level - *grey));
  if (on->wood) {
    on->wood[at->index] = (unsigned char)((double)on->wood[at->index] * (1.0 - 0.5 * share));
  }
}

/* Depth: 1 plus a slow curve, never below 0.15. */
static void fill_depth(line_job *job, random_source *source, double step)
{
  double variation = job->params->depth_variation;
  random_curve(source, step, 6.0, LINE_SAMPLES + 1, job->depth);
  for (int i = 0; i <= LINE_SAMPLES; i++) {
    job->depth[i] = fmax(0.15, 1.0 + variation * job->depth[i]);
  }
}

/* 0 to 1 over 0.3 mm, a half at 0. */
static double soft_inside(double distance_mm)
{
  double t = fmin(fmax(distance_mm / 0.3 + 0.5, 0.0), 1.0);
  return t * t * (3.0 - 2.0 * t);
}

/* Takes `fraction` of the extent away in 1 to 3 pieces, one in each equal part of the line so that they never meet. */
static void cut_gaps(line_job *job, random_source *source, double from_mm, double to_mm, double step)
{
  double fraction = job->params->gap_fraction;
  int pieces = 1 + random_below(source, 3);
  double part = (to_mm - from_mm) / pieces, gap = fraction * part;
  for (int i = 0; i <= LINE_SAMPLES; i++) {
    job->present[i] = 1.0;
  }
  for (int p = 0; p < pieces && fraction > 0.0; p++) {
    double begin = from_mm + part * p + random_between(source, 0.0, part - gap);
    for (int i = 0; i <= LINE_SAMPLES; i++) {
      double at = job->begin_mm + step * (double)i;
      job->present[i] *= 1.0 - soft_inside(fmin(at - begin, begin + gap - at));
    }
  }
  for (int i = 0; i <= LINE_SAMPLES; i++) {
    job->depth[i] *= job->present[i];
  }
}

typedef struct weights {
  double w, a, aa, s, as;
} weights;

static bool visible(const line_job *job, const render_mark *mark, int i, double step)
{
  double at = job->begin_mm + step * (double)i;
  return job->present[i] > 0.5 && at >= mark->from_y_mm && at <= mark->to_y_mm;
}

/* A curve without mean and slope over the visible part, scaled to the wanted deviation there. Returns how much is
 * visible, in samples. */
static double fill_shift(line_job *job, random_source *source, const render_mark *mark, double step, double knot_mm,
                         double deviation_um)
{
  random_curve(source, step, knot_mm, LINE_SAMPLES + 1, job->shift_mm);
  weights sum = {0};
  for (int i = 0; i <= LINE_SAMPLES; i++) {
    if (visible(job, mark, i, step)) {
      double at = (double)i;
      sum.w += 1.0;
      sum.a += at;
      sum.aa += at * at;
      sum.s += job->shift_mm[i];
      sum.as += at * job->shift_mm[i];
    }
  }
  double spread = sum.w * sum.aa - sum.a * sum.a;
  double slope = spread > 0.0 ? (sum.w * sum.as - sum.a * sum.s) / spread : 0.0;
  double mean = sum.w > 0.0 ? (sum.s - slope * sum.a) / sum.w : 0.0;
  double square = 0.0;
  for (int i = 0; i <= LINE_SAMPLES; i++) {
    job->shift_mm[i] -= mean + slope * (double)i;
    square += visible(job, mark, i, step) ? job->shift_mm[i] * job->shift_mm[i] : 0.0;
  }
  double deviation = sum.w > 0.0 ? sqrt(square / sum.w) : 0.0;
  double scale = deviation > 0.0 ? deviation_um / 1000.0 / deviation : 0.0;
  for (int i = 0; i <= LINE_SAMPLES; i++) {
    job->shift_mm[i] *= scale;
  }
  return sum.w;
}

static void fill_waviness(line_job *job, random_source *source, render_mark *mark, double step)
{
  double samples = fill_shift(job, source, mark, step, 5.0, job->params->waviness_um);
  mark->waviness_um = job->params->waviness_um;
  mark->coverage *= fmin(1.0, samples * step / (mark->to_y_mm - mark->from_y_mm));
}

/* A saw wanders slowly: over centimetres. */
static void fill_wander(line_job *job, random_source *source, render_mark *mark, double step)
{
  for (int i = 0; i <= LINE_SAMPLES; i++) {
    job->present[i] = 1.0;
  }
  (void)fill_shift(job, source, mark, step, 15.0, job->params->slot_wander_um);
  mark->widening_mm = job->params->slot_widening_mm;
  mark->wander_um = job->params->slot_wander_um;
  for (int i = 0; i <= LINE_SAMPLES; i++) {
    if (visible(job, mark, i, step) && fabs(job->shift_mm[i]) > fabs(mark->wander_worst_mm)) {
      mark->wander_worst_mm = job->shift_mm[i];
    }
  }
}

static void fill_chips(line_job *job, random_source *source, double length_mm, double step)
{
  for (int wall = 0; wall < 2; wall++) {
    for (int i = 0; i <= LINE_SAMPLES; i++) {
      job->bite_mm[wall][i] = 0.0;
    }
    int chips = (int)(job->params->slot_chips * length_mm / 10.0 + random_between(source, 0.0, 1.0));
    for (int chip = 0; chip < chips; chip++) {
      double middle = job->begin_mm + random_between(source, 0.0, length_mm);
      double half = random_between(source, 0.08, 0.4), depth = random_between(source, 0.02, 0.18);
      for (int i = 0; i <= LINE_SAMPLES; i++) {
        double t = (job->begin_mm + step * (double)i - middle) / half;
        double bite = fabs(t) < 1.0 ? depth * cos(0.5 * pi * t) : 0.0;
        job->bite_mm[wall][i] = fmax(job->bite_mm[wall][i], bite);
      }
    }
  }
}

static void draw_mark(canvas *on, line_job *job, render_mark *mark, uint64_t stream)
{
  const frame *board = &on->layout->board;
  random_source source = random_stream(job->params->seed, stream + 100000);
  double c = cos(mark->angle_deg * pi / 180.0), s = sin(mark->angle_deg * pi / 180.0);
  job->mark = mark;
  job->in.origin_mm = frame_to_glass(board, mark->x_mm, 0.0);
  /* Along the line: y grows, x grows with it where the angle is positive. Across it: toward the bridge. */
  job->in.first = (render_point){s * board->first.x + c * board->second.x, s * board->first.y + c * board->second.y};
  job->in.second = (render_point){c * board->first.x - s * board->second.x, c * board->first.y - s * board->second.y};
  double begin = mark->from_y_mm - 1.0, length = mark->to_y_mm - mark->from_y_mm + 2.0;
  double step = length / LINE_SAMPLES;
  job->begin_mm = begin;
  job->per_mm = 1.0 / step;
  bool slot = job->params->marks == RENDER_SLOT;
  fill_depth(job, &source, step);
  double side = 0.5 * mark->width_mm;
  if (slot) {
    fill_chips(job, &source, length, step);
    fill_wander(job, &source, mark, step);
    side += 0.25 + 0.5 * fabs(mark->widening_mm) + fabs(mark->wander_worst_mm);
  } else {
    cut_gaps(job, &source, mark->from_y_mm, mark->to_y_mm, step);
    fill_waviness(job, &source, mark, step);
    side += 0.02 + (job->params->burr_shape == RENDER_BURR_FLANK ? 12.0 : 1.0) * mark->burr_width_mm;
  }
  canvas_paint(on, &job->in, mark->from_y_mm - 0.5, mark->to_y_mm + 0.5, -side, side, slot ? paint_slot : paint_knife,
               job);
}

static bool draw_wires(canvas *on, const render_params *params, render_truth *truth)
{
  bool ok = true;
  for (size_t i = 0; ok && i < truth->mark_count; i++) {
    ok = !truth->mark[i].drawn || draw_wire(on, params, &truth->mark[i], STREAM_MARK + i + 100000);
  }
  for (size_t i = 0; ok && i < truth->stray_count; i++) {
    ok = draw_wire(on, params, &truth->stray[i], STREAM_STRAY + i + 100000);
  }
  return ok;
}

bool draw_marks(canvas *on, const render_params *params, render_truth *truth)
{
  if (params->marks == RENDER_WIRE) {
    return draw_wires(on, params, truth);
  }
  line_job *job = malloc(sizeof *job);
  if (!job) {
    return false;
  }
  job->params = params;
  for (size_t i = 0; i < truth->mark_count; i++) {
    if (truth->mark[i].drawn) {
      draw_mark(on, job, &truth->mark[i], STREAM_MARK + i);
    }
  }
  for (size_t i = 0; i < truth->stray_count; i++) {
    draw_mark(on, job, &truth->stray[i], STREAM_STRAY + i);
  }
  free(job);
  return true;
}
