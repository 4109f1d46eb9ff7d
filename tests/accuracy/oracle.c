/* The best that a fit could do to one line.
 *
 * The estimator is told everything but the one number sought: the line's direction, the distortions of both axes, width of
 * the cut, point spread, noise. It starts a third of a pixel off and finds the line's shift by weighted least squares over all
 * pixels near it, with a level and a tilt of the wood for each row of pixels across the line, and, where the truth does not tell
 * the depth along the line, a height for each block of rows. On even wood that is the maximum of the likelihood; its
 * variance is the inverse of the information (Cramer-Rao; S. M. Kay, "Fundamentals of Statistical Signal Processing:
 * Estimation Theory", 1993, chapter 3). On wood with grain, pores or chips the blocks are averaged with Tukey's biweight
 * instead of by information alone, and the result is a yardstick, no bound.
 *
 * Shares its blurred profile with the renderer, and nothing with the library's own fit.
 */
#include "oracle.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>

#include "slotproof/numeric.h"

/* Left out at both ends of a line, where the board's edge blurs in. */
static const double END_MM = 1.0;
/* Wood beside the cut that takes part: enough to tell its level, too short for its figure. */
static const double SIDE_MM = 0.35;
static const double BLOCK_MM = 0.5, START_PX = 0.33;
/* A block fainter than this against the line's nominal height lies in a gap. */
static const double VISIBLE = 0.35;
/* Further off than this nothing is measured any more. */
static const double LOST_MM = 0.3;
static const double STEP_MM = 1e-3; /* of the numerical derivative: 1/30 of the blur */
enum { ROUNDS = 6, MAX_WINDOW = 400, MAX_BLOCKS = 400 };

static double dot(render_point a, render_point b)
{
  return a.x * b.x + a.y * b.y;
}

bool oracle_board_open(const render_image *image, const render_truth *truth, const profile_table *table,
                       oracle_board *board)
{
  *board = (oracle_board){image, truth, table, malloc((size_t)image->width_px * sizeof(double)),
                          malloc((size_t)image->height_px * sizeof(double))};
  if (!board->x_mm || !board->y_mm)
    return false;
  for (int32_t i = 0; i < image->width_px; i++)
    board->x_mm[i] = render_glass_mm(truth->axis, (render_point){i, 0.0}).x;
  for (int32_t i = 0; i < image->height_px; i++)
    board->y_mm[i] = render_glass_mm(truth->axis, (render_point){0.0, i}).y;
  return true;
}

void oracle_board_free(oracle_board *board)
{
  free(board->x_mm);
  free(board->y_mm);
  *board = (oracle_board){0};
}

oracle_line oracle_line_of(const oracle_board *on, const render_mark *mark)
{
  const render_truth *t = on->truth;
  const render_params *p = &t->params;
  const double turn = (t->direction_deg - mark->squareness_deg) * SP_PI / 180.0; /* of the across direction */
  oracle_line l = {.on = on, .mark = mark, .across = {cos(turn), sin(turn)}, .along = {-sin(turn), cos(turn)}};
  l.centre_mm = render_glass_mm(t->axis, mark->centre_px);
  l.blur = profile_blur_across(l.across.x, l.across.y, t->axis[0].mm_per_px, t->axis[1].mm_per_px, t->psf_px);
  l.half_mm = 0.5 * mark->width_mm + profile_reach_mm(l.blur) + SIDE_MM;
  const double full = (double)on->image->full_scale;
  const bool slot = p->marks == RENDER_SLOT;
  l.height = full * (slot ? p->slot_level - p->wood_level : p->wood_level * mark->contrast);
  l.height_known = !slot && p->depth_variation == 0.0 && p->gap_fraction == 0.0 && p->light == 0.0;
  l.even = p->grain == 0.0 && p->figure == 0.0 && p->pores_per_mm2 == 0.0 && p->waviness_um == 0.0 &&
           !(slot && p->slot_chips > 0.0);
  return l;
}

/* Weighted products of the window's values y, profile t and d = dt/dshift, level and tilt taken off row by row. */
typedef struct products {
  double tt, td, dd, ty, dy;
} products;

/* One row of pixels across the line. */
typedef struct window {
  size_t n;
  double x[MAX_WINDOW], y[MAX_WINDOW], t[MAX_WINDOW], d[MAX_WINDOW], w[MAX_WINDOW];
} window;

/* Takes the weighted straight line through values over x off them. */
static void take_off_tilt(const window *in, double *value)
{
  double sw = 0.0, sx = 0.0, sxx = 0.0, sy = 0.0, sxy = 0.0;
  for (size_t i = 0; i < in->n; i++) {
    const double w = in->w[i], x = in->x[i];
    sw += w;
    sx += w * x;
    sxx += w * x * x;
    sy += w * value[i];
    sxy += w * x * value[i];
  }
  const double det = sw * sxx - sx * sx, tilt = (sw * sxy - sx * sy) / det, level = (sy - tilt * sx) / sw;
  for (size_t i = 0; i < in->n; i++)
    value[i] -= level + tilt * in->x[i];
}

/* Variance of a pixel in counts, at profile t: the renderer's noise, half of it growing with the light, and rounding. */
static double variance(const oracle_line *l, double t)
{
  const render_params *p = &l->on->truth->params;
  const double full = (double)l->on->image->full_scale, sd = p->noise * full;
  const double grey = p->wood_level + t * l->height / full;
  return sd * sd * (0.5 + 0.5 * grey) + 1.0 / 12.0;
}

/* Does the board run down the picture? Then what is a row to the fit is a piece of a column. */
static bool upright(const oracle_line *l)
{
  return fabs(l->across.y) > fabs(l->across.x);
}

/* The pixels about u_px at v, the coordinate that runs along the line. */
static void fill_window(const oracle_line *l, int32_t v, double u_px, double shift_mm, window *in)
{
  const oracle_board *on = l->on;
  const render_image *image = on->image;
  const bool turned = upright(l);
  const int32_t reach = (int32_t)(l->half_mm / l->blur.box_mm) + 3, end = turned ? image->height_px : image->width_px;
  in->n = 0;
  for (int32_t u = (int32_t)u_px - reach; u <= (int32_t)u_px + reach; u++) {
    const int32_t column = turned ? v : u, row = turned ? u : v;
    if (u < 0 || u >= end || in->n == MAX_WINDOW)
      continue;
    const render_point from = {on->x_mm[column] - l->centre_mm.x, on->y_mm[row] - l->centre_mm.y};
    const double at = dot(from, l->across), width = l->mark->width_mm, off = at - shift_mm;
    if (fabs(at) > l->half_mm)
      continue;
    const size_t i = in->n++;
    in->x[i] = at;
    in->y[i] = image->sample[((size_t)row * (size_t)image->width_px + (size_t)column) * (size_t)image->channels];
    in->t[i] = profile_box(on->table, off, width, l->blur);
    in->d[i] = (profile_box(on->table, off - STEP_MM, width, l->blur) -
                profile_box(on->table, off + STEP_MM, width, l->blur)) / (2.0 * STEP_MM);
    in->w[i] = 1.0 / variance(l, in->t[i]);
  }
}

static void add_row(window *in, products *sum)
{
  if (in->n < 6)
    return;
  take_off_tilt(in, in->y);
  take_off_tilt(in, in->t);
  take_off_tilt(in, in->d);
  for (size_t i = 0; i < in->n; i++) {
    sum->tt += in->w[i] * in->t[i] * in->t[i];
    sum->td += in->w[i] * in->t[i] * in->d[i];
    sum->dd += in->w[i] * in->d[i] * in->d[i];
    sum->ty += in->w[i] * in->t[i] * in->y[i];
    sum->dy += in->w[i] * in->d[i] * in->y[i];
  }
}

/* What each block says by itself: by how much the line lies beside the present place, and the inverse of its variance. */
typedef struct blocks {
  size_t n;
  double shift_mm[MAX_BLOCKS], information[MAX_BLOCKS];
} blocks;

static void conclude_block(const oracle_line *l, const products *p, blocks *b)
{
  if (p->tt <= 0.0 || b->n == MAX_BLOCKS)
    return;
  const double fitted = p->ty / p->tt, h = l->height_known ? l->height : fitted;
  const double information = h * h * (l->height_known ? p->dd : p->dd - p->td * p->td / p->tt);
  if (h / l->height < VISIBLE || !(information > 0.0))
    return;
  b->shift_mm[b->n] = h * (p->dy - p->td * h) / information;
  b->information[b->n++] = information;
}

/* Mean of the blocks weighted by information; on uneven wood, robust. */
static double mean_shift(const blocks *b, bool even)
{
  double mean = 0.0, work[MAX_BLOCKS], scale = INFINITY;
  for (int round = 0; round < (even ? 1 : 8); round++) {
    double sum = 0.0, weight = 0.0;
    for (size_t k = 0; k < b->n; k++) {
      const double z = (b->shift_mm[k] - mean) * sqrt(b->information[k]) / scale;
      const double w = fabs(z) < 1.0 ? b->information[k] * (1.0 - z * z) * (1.0 - z * z) : 0.0;
      sum += w * b->shift_mm[k];
      weight += w;
    }
    mean = weight > 0.0 ? sum / weight : mean;
    for (size_t k = 0; k < b->n; k++)
      work[k] = fabs(b->shift_mm[k] - mean) * sqrt(b->information[k]);
    scale = 4.685 * 1.4826 * sp_median(work, b->n);
  }
  return mean;
}

bool oracle_find_shift(const oracle_line *l, double *shift_mm, double *u_mm)
{
  const render_mark *m = l->mark;
  const bool turned = upright(l);
  const double ua = turned ? m->end_a_px.y : m->end_a_px.x, va = turned ? m->end_a_px.x : m->end_a_px.y;
  const double ub = turned ? m->end_b_px.y : m->end_b_px.x, vb = turned ? m->end_b_px.x : m->end_b_px.y;
  const double lean = (ub - ua) / (vb - va), inset = END_MM / l->blur.box_mm;
  const int32_t first = (int32_t)ceil(fmin(va, vb) + inset), last = (int32_t)floor(fmax(va, vb) - inset);
  const int32_t rows = (int32_t)fmax(1.0, BLOCK_MM / l->blur.box_mm);
  blocks b;
  window in;
  *shift_mm = START_PX * l->blur.box_mm;
  for (int round = 0; round < ROUNDS; round++) {
    double information = 0.0;
    b.n = 0;
    for (int32_t v0 = first; v0 <= last; v0 += rows) {
      products sum = {0};
      for (int32_t v = v0; v < v0 + rows && v <= last; v++) {
        fill_window(l, v, ua + lean * (v - va), *shift_mm, &in);
        add_row(&in, &sum);
      }
      conclude_block(l, &sum, &b);
    }
    if (b.n < 4)
      return false;
    for (size_t k = 0; k < b.n; k++)
      information += b.information[k];
    *shift_mm += mean_shift(&b, l->even);
    *u_mm = 1.0 / sqrt(information);
  }
  return fabs(*shift_mm) < LOST_MM;
}
