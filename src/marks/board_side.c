/* The board's long sides: where they are.
 *
 * A long side is a step in the grey that runs straight along the whole board. The gradient across is therefore summed
 * along every line of a wide range of places and slopes. It is summed with its sign over a twelfth of the length, so
 * that texture averages out, and the twelfths are then added by the square root of their size, so that a step which
 * shows everywhere beats a stronger one that shows here and there.
 *
 * The lines' ends say roughly where to look, no more: gaps in the lines, dust and the rule leave the slope through them
 * wrong by a degree now and then. What helps to choose among the steps is that no line goes beyond the side and the
 * longer ones reach it, that wood lies before it, and that the sides of a board taper alike about a direction the lines
 * are square to: the two are chosen together.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "board_internal.h"
#include "slotproof/numeric.h"
#include "workers/wide.h"

enum { BLOCKS = 12, MOST_STEPS = 12, FEWEST_BLOCKS = 3 };
/* Slope of a side against the board's middle: 12 mm over 180 mm is 0.033. */
static const double MOST_TAPER = 0.035;
/* Looked at inside and outside the lines' ends, in the middle of the board. */
static const double INSIDE_MM = 9.0, OUTSIDE_MM = 9.0;
static const double FILTER_MM = 0.3, PITCH_MM = 0.08, SLOPE_STEP_MM = 0.25, APART_MM = 0.5;
/* What a step is worth that lies further out than the lines' ends, or further in, is half at these. A shadow's end or
 * the rule's edge is often the stronger step but lies further out; inside are streaks of grain, which are weaker than
 * the edge, but not always. */
static const double FALL_OUTSIDE_MM = 1.0, FALL_INSIDE_MM = 2.0;
/* A line ends at a step within this; what a step is worth where none does, against one where all do. */
static const double HIT_MM = 1.0, NO_HIT = 0.3;
/* The sides' mean slope against the direction the lines are square to. */
static const double LIKE_SLOPE = 0.004, LIKE_SLOPE_FANNED = 0.015;
/* The rule's edge lies so far within the band its strokes were seen in, or outside. */
static const double RULE_IN_MM = 2.2, RULE_OUT_MM = 0.45;
/* A binding is so broad, and as broad all along: slopes of its edges differ by less (common practice, no source). */
static const double BINDING_MM[2] = {0.8, 3.5}, BINDING_SLOPE = 0.010;
/* Frets reach so near to its outer edge. */
static const double BINDING_REACHED_MM = 0.7;
/* Gradient that is no step, of full scale. */
static const double LEAST_STEP = 0.008;
/* What a side is worth that does not show, of full scale: less than any step that may be one. */
static const double UNSEEN = 2e-4;

/* ---- the rule's edge ------------------------------------------------------------------------------------------------
 */

/* Mean grey along the rule's direction at a distance r from its band's line, NAN where too little is in the picture. */
static double mean_along_rule(const sp_board_search *s, const sp_strips *across, double r)
{
  double sum = 0.0;
  size_t n = 0;
  for (uint32_t k = 0; k < across->count; k++) {
    const double u = (k + 0.5) * across->width_px - 0.5;
    const long v = lround(r + s->o->rule_slope * u);
    if (u < s->first_px || u > s->last_px || v < 0 || v >= (long)across->length_px)
      continue;
    sum += (double)across->mean[(size_t)k * across->length_px + (size_t)v];
    n++;
  }
  return n > 8 ? sum / (double)n : NAN;
}

/* Size of the step in the grey at a distance r; NAN where too little is in the picture. */
static double step_along_rule(const sp_board_search *s, const sp_strips *across, double r)
{
  return fabs(mean_along_rule(s, across, r + 1.5) - mean_along_rule(s, across, r - 1.5));
}

void sp_board_trim_rule(const sp_board_search *s, sp_marks_options *o)
{
  const sp_strips *across = &s->scene->strips[s->along == SP_ALONG_X ? SP_ALONG_Y : SP_ALONG_X];
  const double u = 0.5 * (s->first_px + s->last_px), v = s->lines[0].v_px + s->square * (u - s->lines[0].u_px);
  if (!o->has_rule)
    return;
  double *near_px = v < 0.5 * (o->rule_v0_px + o->rule_v1_px) + o->rule_slope * u ? &o->rule_v0_px : &o->rule_v1_px;
  const double into = near_px == &o->rule_v0_px ? 1.0 : -1.0;
  double top = LEAST_STEP * sp_raster_full_scale(s->scene->raster), best = *near_px;
  for (double r = -RULE_OUT_MM * o->px_per_mm; r <= RULE_IN_MM * o->px_per_mm; r += 1.0) {
    const double at = *near_px + into * r, step = step_along_rule(s, across, at);
    /* a peak, not the foot of a greater step beyond: that is the board's; comparisons are false for NAN */
    if (step > top && step >= step_along_rule(s, across, at - into) && step >= step_along_rule(s, across, at + into)) {
      top = step;
      best = at;
    }
  }
  *near_px = best;
}

/* ---- steps along the board ------------------------------------------------------------------------------------------
 */

/* A step that may be the side: v = v_px + slope (u - middle). */
typedef struct step {
  double v_px, slope, worth;
  double wood; /* how much what lies just inside is the wood farther in, 0..1 */
} step;

typedef struct side_search {
  const sp_board_search *s;
  const sp_strips *across; /* profiles along v, one per strip of u */
  int outward;             /* +1: larger v is outside */
  double middle_px, pitch_px, full_scale;
  double v0_px;         /* of column 0 in the middle of the board */
  int32_t first, count; /* strips */
  int32_t row_strips, rows, columns;
  float *gradient, *seen; /* row after row (a few strips each), by column; 0 where the rule lies, and 1 elsewhere */
  float *block_sum;       /* of one block, by column: gradient, then rows seen */
  double *sum;            /* running sums of a strip */
  int32_t *shift;         /* column shift of each row for the slope at hand */
  double *root;           /* by column: sum over the blocks of the root of their mean gradient */
  int32_t *blocks;        /* by column: how many could be seen */
  step *best;             /* by column: over all slopes */
  double wood[BLOCKS];    /* grey of the wood in the middle of the board */
} side_search;

static double strip_u(const side_search *q, int32_t k)
{
  return (q->first + k + 0.5) * q->across->width_px - 0.5;
}

static const float *strip_profile(const side_search *q, int32_t k)
{
  return q->across->mean + (size_t)(q->first + k) * q->across->length_px;
}

/* Ends of the lines, as v in the middle of the board if the side has this slope. */
static void line_ends(const side_search *q, double slope, double v[SP_BOARD_MAX_LINES])
{
  for (size_t i = 0; i < q->s->count; i++) {
    const sp_mark *m = &q->s->lines[i];
    const double end = q->outward > 0 ? m->v_b_px : m->v_a_px;
    v[i] = end - slope * (m->u_px + m->slope * (end - m->v_px) - q->middle_px);
  }
}

/* The place in the middle of the board that the longer lines reach. */
static double reached_by_lines(const side_search *q, double slope)
{
  double v[SP_BOARD_MAX_LINES];
  line_ends(q, slope, v);
  return sp_quantile(v, q->s->count, q->outward > 0 ? 0.75 : 0.25);
}

/* Part of the lines that end at a step. */
static double ending_at(const side_search *q, const double *ends, double v_px)
{
  size_t n = 0;
  for (size_t i = 0; i < q->s->count; i++)
    n += fabs(ends[i] - v_px) < HIT_MM * q->s->o->px_per_mm;
  return (double)n / (double)q->s->count;
}

/* The nearest whole number, for what is nowhere near -1e6: lround is a call, and this is asked for every place. */
static int32_t nearest(double x)
{
  return (int32_t)(x + 1000000.5) - 1000000;
}

/* How many of the `half` values next to v on the outer side lie before the rule (without the pixel next to it). */
static int32_t before_rule(const side_search *q, double u, int32_t v, int32_t half)
{
  const sp_marks_options *o = q->s->o;
  const double from = o->rule_v0_px + o->rule_slope * u - 1.0, to = o->rule_v1_px + o->rule_slope * u + 1.0;
  if (!o->has_rule || (q->outward > 0 ? v + 1 >= to : v - 1 <= from))
    return half;
  const double room = q->outward > 0 ? floor(from) - v : v - ceil(to);
  return room < 0.0 ? 0 : room < half ? (int32_t)room : half;
}

/* Mean of up to `half` values next to v on one side, as many of them as lie off the rule; NAN where too few do. sum[i]
 * is that of the values before place i. */
static float half_mean(const side_search *q, const double *sum, double u, int32_t v, int32_t side, int32_t half)
{
  const int32_t length = (int32_t)q->across->length_px, end = side > 0 ? length - 1 - v : v;
  int32_t n = side == q->outward ? before_rule(q, u, v, half) : half;
  n = n < end ? n : end;
  if (v < 0 || v >= length || n < 2 || 3 * n < half)
    return NAN;
  return (float)(side > 0 ? sum[v + 1 + n] - sum[v + 1] : sum[v] - sum[v - n]) / (float)n;
}

/* Gradient of one row, by column: mean of a filter's half after it less the mean before it, mean over the strips. What
 * cannot be seen is 0 and not counted in `seen`. */
static void row_gradient(const side_search *q, int32_t row, float *out, float *seen)
{
  const int32_t half = (int32_t)fmax(2.0, round(FILTER_MM * q->s->o->px_per_mm));
  const int32_t length = (int32_t)q->across->length_px;
  memset(out, 0, (size_t)q->columns * sizeof *out);
  for (int32_t k = row * q->row_strips; k < (row + 1) * q->row_strips; k++) {
    const double u = strip_u(q, k), v0 = q->v0_px + q->s->square * (u - q->middle_px);
    const float *p = strip_profile(q, k);
    const int32_t first = nearest(v0) - half, past = nearest(v0 + q->columns * q->pitch_px) + half + 1;
    const int32_t from = first < 0 ? 0 : first, to = past < length ? past : length;
    if (from < length)
      q->sum[from] = 0.0;
    for (int32_t v = from; v < to; v++)
      q->sum[v + 1] = q->sum[v] + (double)p[v];
    for (int32_t i = 0; i < q->columns; i++) {
      const int32_t v = nearest(v0 + i * q->pitch_px);
      out[i] += half_mean(q, q->sum, u, v, 1, half) - half_mean(q, q->sum, u, v, -1, half);
    }
  }
  for (int32_t i = 0; i < q->columns; i++) {
    seen[i] = isnan(out[i]) ? 0.0f : 1.0f;
    out[i] = isnan(out[i]) ? 0.0f : out[i] / (float)q->row_strips;
  }
}

static double row_u(const side_search *q, int32_t row)
{
  return strip_u(q, row * q->row_strips) + 0.5 * (q->row_strips - 1) * q->across->width_px;
}

static void add_row(int32_t n, const float *restrict in, float *restrict out)
{
  for (int32_t i = 0; i < n; i++)
    out[i] += in[i];
}

/* Adds one block of rows, shifted to the slope at hand, to every column. */
SP_WIDE static void add_block(const side_search *q, int32_t block)
{
  const int32_t from = block * q->rows / BLOCKS, to = (block + 1) * q->rows / BLOCKS, columns = q->columns;
  float *sum = q->block_sum, *seen = q->block_sum + columns;
  memset(sum, 0, 2 * (size_t)columns * sizeof *sum);
  for (int32_t k = from; k < to; k++) {
    const int32_t shift = q->shift[k], first = shift < 0 ? -shift : 0, past = shift > 0 ? columns - shift : columns;
    const ptrdiff_t row = (ptrdiff_t)k * columns + shift + first;
    add_row(past - first, q->gradient + row, sum + first);
    add_row(past - first, q->seen + row, seen + first);
  }
  for (int32_t i = 0; i < columns; i++)
    if (2.0f * seen[i] > (float)(to - from)) {
      q->root[i] += sqrt((double)(fabsf(sum[i]) / seen[i]));
      q->blocks[i]++;
    }
}

/* How much a step `away` (mm) outside the lines' ends is worth against one at them. */
static double nearness(double away)
{
  const double z = away / (away < 0.0 ? FALL_INSIDE_MM : FALL_OUTSIDE_MM);
  return 1.0 / (1.0 + z * z);
}

SP_WIDE static void try_slope(const side_search *q, double slope)
{
  memset(q->root, 0, (size_t)q->columns * sizeof *q->root);
  memset(q->blocks, 0, (size_t)q->columns * sizeof *q->blocks);
  for (int32_t row = 0; row < q->rows; row++)
    q->shift[row] = (int32_t)lround((slope - q->s->square) * (row_u(q, row) - q->middle_px) / q->pitch_px);
  for (int32_t block = 0; block < BLOCKS; block++)
    add_block(q, block);
  const double reached = reached_by_lines(q, slope), px_per_mm = q->s->o->px_per_mm;
  double ends[SP_BOARD_MAX_LINES];
  line_ends(q, slope, ends);
  for (int32_t i = 0; i < q->columns; i++) {
    const double v = q->v0_px + i * q->pitch_px, mean = q->blocks[i] ? q->root[i] / q->blocks[i] : 0.0;
    const double size = mean * mean;
    if (q->blocks[i] < FEWEST_BLOCKS || !(size > LEAST_STEP * q->full_scale))
      continue;
    const double worth = size * q->blocks[i] / BLOCKS * nearness(q->outward * (v - reached) / px_per_mm) *
                         (NO_HIT + ending_at(q, ends, v));
    if (worth > q->best[i].worth)
      q->best[i] = (step){v, slope, worth, 0.0};
  }
}

/* Mean grey of one block from `a_px` to `b_px` beside a line, NAN where nothing of it is seen. */
static double level_beside(const side_search *q, int32_t block, const step *at, double a_px, double b_px)
{
  const int32_t from = block * q->count / BLOCKS, to = (block + 1) * q->count / BLOCKS;
  double sum = 0.0;
  size_t n = 0;
  for (int32_t k = from; k < to; k += 2) {
    const double u = strip_u(q, k), v0 = at->v_px + at->slope * (u - q->middle_px);
    const float *p = strip_profile(q, k);
    for (int32_t v = (int32_t)lround(v0 + a_px); v <= (int32_t)lround(v0 + b_px); v++)
      if (v >= 0 && v < (int32_t)q->across->length_px && !sp_on_rule(q->s->o, u, v, 0.0)) {
        sum += (double)p[v];
        n++;
      }
  }
  return n ? sum / (double)n : NAN;
}

/* The middle of the lines: whatever the sides are, there is wood. `half_px` is a quarter of the lines' length. */
static step middle_of_lines(const side_search *q, double *half_px)
{
  double v[SP_BOARD_MAX_LINES], length[SP_BOARD_MAX_LINES];
  for (size_t i = 0; i < q->s->count; i++) {
    const sp_mark *m = &q->s->lines[i];
    v[i] = 0.5 * (m->v_a_px + m->v_b_px) - q->s->square * (m->u_px - q->middle_px);
    length[i] = m->v_b_px - m->v_a_px;
  }
  *half_px = 0.25 * sp_median(length, q->s->count);
  return (step){sp_median(v, q->s->count), q->s->square, 0.0, 0.0};
}

static void set_wood(side_search *q)
{
  double half_px;
  const step inner = middle_of_lines(q, &half_px);
  for (int32_t block = 0; block < BLOCKS; block++)
    q->wood[block] = level_beside(q, block, &inner, -half_px, half_px);
}

/* 1 where the grey just inside a step is that of the wood further in, less where it is not: then it is the rule's edge
 * or a shadow's, with bare glass before it. */
static double wood_before(const side_search *q, const step *at)
{
  const double close_px = 0.15 * q->s->o->px_per_mm, far_px = 0.5 * q->s->o->px_per_mm;
  double sum = 0.0;
  int n = 0;
  for (int32_t block = 0; block < BLOCKS; block++) {
    const double wood = q->wood[block];
    const double before =
        q->outward > 0 ? level_beside(q, block, at, -far_px, -close_px) : level_beside(q, block, at, close_px, far_px);
    const double z = (before - wood) / (0.12 * wood + 0.01 * q->full_scale);
    if (isnan(z))
      continue;
    sum += exp(-0.5 * z * z);
    n++;
  }
  return n ? sum / n : 0.0;
}

/* Variance over the strips of one block, mean over a band from `near_px` to `far_px` outside a step. */
static double spread_beside(const side_search *q, int32_t block, const step *at, double near_px, double far_px)
{
  const int32_t from = block * q->count / BLOCKS, to = (block + 1) * q->count / BLOCKS;
  double total = 0.0;
  size_t columns = 0;
  for (double x = near_px; x <= far_px; x += q->pitch_px) {
    double sum = 0.0, square = 0.0, n = 0.0;
    for (int32_t k = from; k < to; k++) {
      const double u = strip_u(q, k);
      const int32_t v = (int32_t)lround(at->v_px + at->slope * (u - q->middle_px) + q->outward * x);
      if (v < 0 || v >= (int32_t)q->across->length_px || sp_on_rule(q->s->o, u, v, q->pitch_px))
        continue;
      const double value = (double)strip_profile(q, k)[v];
      sum += value;
      square += value * value;
      n += 1.0;
    }
    if (2.0 * n > to - from) {
      total += fmax(0.0, square / n - sum * sum / (n * n));
      columns++;
    }
  }
  return columns ? total / (double)columns : NAN;
}

/* Near 1 where grain ends at a step, little where it is as lively on both sides: then it is grain itself. */
static double grain_ends(const side_search *q, const step *at)
{
  const double px_per_mm = q->s->o->px_per_mm, least = pow(0.001 * q->full_scale, 2);
  double ratio[BLOCKS];
  size_t n = 0;
  for (int32_t block = 0; block < BLOCKS; block++) {
    const double outside = spread_beside(q, block, at, 0.4 * px_per_mm, 1.6 * px_per_mm);
    const double inside = spread_beside(q, block, at, -1.6 * px_per_mm, -0.4 * px_per_mm);
    if (!isnan(outside) && !isnan(inside))
      ratio[n++] = (inside + least) / (outside + least);
  }
  const double r = n ? sp_median(ratio, n) : 1.0;
  return fmax(0.1, (r - 1.0) / (r + 3.0));
}

/* The outer and the inner edge of a binding that the frets lie across. */
static bool are_binding(const side_search *q, const step *outer, const step *inner)
{
  const double ppm = q->s->o->px_per_mm, broad_mm = q->outward * (outer->v_px - inner->v_px) / ppm;
  const double short_mm = q->outward * (outer->v_px - reached_by_lines(q, outer->slope)) / ppm;
  return broad_mm > BINDING_MM[0] && broad_mm < BINDING_MM[1] && fabs(outer->slope - inner->slope) < BINDING_SLOPE &&
         fabs(short_mm) < fmin(BINDING_REACHED_MM, 0.5 * broad_mm);
}

/* A fretted board may be bound: its side has no wood before it but a strip that has, of even breadth. */
static void heed_bindings(const side_search *q, step *steps, size_t n)
{
  for (size_t i = 0; i < n && q->s->o->kind == SP_MARK_WIRE; i++)
    for (size_t k = 0; k < n; k++)
      if (are_binding(q, &steps[i], &steps[k]))
        steps[i].wood = fmax(steps[i].wood, steps[k].wood);
}

/* The steps that are worth most, apart from each other; moves them to the front. */
static size_t best_steps(const side_search *q, step *out)
{
  const double apart = APART_MM * q->s->o->px_per_mm;
  size_t found = 0;
  while (found < MOST_STEPS) {
    step *top = NULL;
    for (int32_t i = 0; i < q->columns; i++)
      if (q->best[i].worth > 0.0 && (!top || q->best[i].worth > top->worth))
        top = &q->best[i];
    if (!top)
      break;
    const step taken = *top;
    for (int32_t i = 0; i < q->columns; i++)
      if (fabs(q->v0_px + i * q->pitch_px - taken.v_px) < apart)
        q->best[i].worth = 0.0;
    out[found] = taken;
    out[found].wood = wood_before(q, &taken);
    out[found++].worth *= grain_ends(q, &taken);
  }
  heed_bindings(q, out, found);
  for (size_t i = 0; i < found; i++)
    out[i].worth *= out[i].wood;
  return found;
}

static void free_search(side_search *q)
{
  free(q->gradient);
  free(q->block_sum);
  free(q->sum);
  free(q->shift);
  free(q->root);
  free(q->blocks);
  free(q->best);
}

static bool set_up_search(const sp_board_search *s, int outward, side_search *q)
{
  const double px_per_mm = s->o->px_per_mm, half_taper = MOST_TAPER * 0.5 * (s->last_px - s->first_px);
  *q = (side_search){.s = s, .outward = outward};
  q->across = &s->scene->strips[s->along == SP_ALONG_X ? SP_ALONG_Y : SP_ALONG_X];
  q->full_scale = sp_raster_full_scale(s->scene->raster);
  q->pitch_px = fmax(1.0, PITCH_MM * px_per_mm);
  q->middle_px = 0.5 * (s->first_px + s->last_px);
  q->first = (int32_t)fmax(0.0, floor(s->first_px / q->across->width_px));
  q->count = (int32_t)fmin(q->across->count - 1.0, floor(s->last_px / q->across->width_px)) - q->first + 1;
  const double inside = INSIDE_MM * px_per_mm + half_taper, outside = OUTSIDE_MM * px_per_mm + half_taper;
  q->columns = (int32_t)((inside + outside) / q->pitch_px) + 1;
  q->v0_px = reached_by_lines(q, s->square) - (outward > 0 ? inside : outside);
  if (q->count < 2 * BLOCKS)
    return true;
  /* a row is short enough not to smear a taper */
  q->row_strips = q->count / (6 * BLOCKS) > 1 ? q->count / (6 * BLOCKS) : 1;
  q->rows = q->count / q->row_strips;
  const size_t columns = (size_t)q->columns, rows = (size_t)q->rows;
  q->gradient = malloc(2 * rows * columns * sizeof *q->gradient);
  q->block_sum = malloc(2 * columns * sizeof *q->block_sum);
  q->sum = malloc((q->across->length_px + 1) * sizeof *q->sum);
  q->shift = malloc(rows * sizeof *q->shift);
  q->root = malloc(columns * sizeof *q->root);
  q->blocks = malloc(columns * sizeof *q->blocks);
  q->best = calloc(columns, sizeof *q->best);
  return q->gradient && q->block_sum && q->sum && q->shift && q->root && q->blocks && q->best;
}

/* All steps that may be the side `outward` of the lines. */
static sp_status find_steps(const sp_board_search *s, int outward, step *steps, size_t *found, sp_error *err)
{
  side_search q;
  *found = 0;
  if (!set_up_search(s, outward, &q)) {
    free_search(&q);
    return sp_fail_memory(err);
  }
  if (q.count >= 2 * BLOCKS) {
    const size_t columns = (size_t)q.columns;
    q.seen = q.gradient + (size_t)q.rows * columns;
    for (int32_t row = 0; row < q.rows; row++)
      row_gradient(&q, row, q.gradient + (size_t)row * columns, q.seen + (size_t)row * columns);
    const double length = s->last_px - s->first_px;
    const double most = MOST_TAPER + (s->o->most_lean > 0.0 ? LIKE_SLOPE_FANNED : 0.0);
    const int32_t slopes = (int32_t)ceil(most * length / (SLOPE_STEP_MM * s->o->px_per_mm));
    for (int32_t j = -slopes; j <= slopes; j++)
      try_slope(&q, s->square + most * j / slopes);
    set_wood(&q);
    *found = best_steps(&q, steps);
  }
  free_search(&q);
  return SP_OK;
}

/* What two steps are worth as the board's sides; -1 stands for a side that does not show. */
static double pair_worth(const step *lower, const step *upper, const sp_board_search *s, double least)
{
  const double worth = (lower ? lower->worth : least) * (upper ? upper->worth : least);
  if (!lower || !upper)
    return worth;
  const double like = s->o->most_lean > 0.0 ? LIKE_SLOPE_FANNED : LIKE_SLOPE;
  const double z = (0.5 * (lower->slope + upper->slope) - s->square) / like;
  return worth * exp(-0.5 * z * z);
}

/* The pair that is worth most together; NULL: that side does not show. */
static void choose_pair(const step *const steps[2], const size_t found[2], const sp_board_search *s, double least,
                        const step *choice[2])
{
  double top = 0.0;
  for (size_t a = 0; a <= found[0]; a++)
    for (size_t b = 0; b <= found[1]; b++) {
      const step *lower = a < found[0] ? &steps[0][a] : NULL, *upper = b < found[1] ? &steps[1][b] : NULL;
      const double worth = pair_worth(lower, upper, s, least);
      if (worth > top) {
        top = worth;
        choice[0] = lower;
        choice[1] = upper;
      }
    }
}

sp_status sp_board_sides(const sp_board_search *s, sp_lengthwise side[2], bool seen[2], sp_error *err)
{
  step lower[MOST_STEPS], upper[MOST_STEPS];
  const step *const steps[2] = {lower, upper};
  const step *choice[2] = {NULL, NULL};
  size_t found[2] = {0, 0};
  const double middle_px = 0.5 * (s->first_px + s->last_px);
  const sp_edge_search edge = {&s->scene->strips[s->along == SP_ALONG_X ? SP_ALONG_Y : SP_ALONG_X],
                               s->first_px,
                               s->last_px,
                               sp_raster_full_scale(s->scene->raster),
                               s->o,
                               true};
  seen[0] = seen[1] = false;
  sp_status status = find_steps(s, -1, lower, &found[0], err);
  if (!status)
    status = find_steps(s, 1, upper, &found[1], err);
  choose_pair(steps, found, s, UNSEEN * sp_raster_full_scale(s->scene->raster), choice);
  for (int k = 0; !status && k < 2; k++) {
    const step *p = choice[k];
    if (!p)
      continue;
    const sp_lengthwise rough = {p->v_px - p->slope * middle_px, p->slope, 0.0, 0.0};
    status = sp_board_edge_measure(&edge, k ? 1 : -1, &rough, &side[k], &seen[k], NULL, err);
  }
  return status;
}
