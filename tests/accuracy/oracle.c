/* oracle PRESET FIRST_SEED COUNT DPI FOLDER [key=value ...]: how near the lines found come to the best any fit could do.
 *
 * For each line of a rendered board an estimator is told everything but the one number sought: the line's direction, the
 * distortions of both axes, width of the cut, point spread, noise. It starts a third of a pixel off and finds the line's
 * shift by weighted least squares over all pixels near it, with a level and a tilt of the wood for each row of pixels, and, where
 * the truth does not tell the depth along the line, a height for each millimetre. On even wood that is the maximum of the
 * likelihood; its variance is the inverse of the information (Cramer-Rao; e.g. S. M. Kay, "Fundamentals of Statistical
 * Signal Processing: Estimation Theory", 1993, chapter 3), printed beside its actual errors. On figured wood it is a
 * measure, no bound: it takes texture for white noise and has no defence against pores.
 *
 * The check gets the picture only. Its line error is taken on the glass, at the line's true middle, through the true
 * distortion: neither the rule's reading nor the nut enters. The estimator shares its blurred profile with the renderer and
 * nothing with the library.
 */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "profile.h"
#include "render.h"
#include "slotproof/check.h"

static const double PI = 3.14159265358979324;
/* Left out at both ends of a line, where the board's edge blurs in. */
static const double END_MM = 1.0;
/* Wood beside the cut that takes part: enough to tell its level, too short for its figure. */
static const double SIDE_MM = 0.35;
static const double BLOCK_MM = 1.0, START_PX = 0.33, CONFUSED_MM = 0.3;
/* A block fainter than this against the line's nominal height lies in a gap. */
static const double VISIBLE = 0.35;
enum { ROUNDS = 5, MAX_WINDOW = 400 };

typedef struct board {
  const render_image *image;
  const render_truth *truth;
  const profile_table *table;
  double *x_mm, *y_mm; /* of each column and row, on the glass */
} board;

typedef struct line {
  const board *on;
  const render_mark *mark;
  render_point centre_mm, along, across; /* the line's middle; units along it and, across it, toward the bridge */
  profile_blur blur;
  double half_mm, height; /* half of the window; nominal height, counts */
  bool height_known;
} line;

static double dot(render_point a, render_point b)
{
  return a.x * b.x + a.y * b.y;
}

static double cross(render_point a, render_point b)
{
  return a.x * b.y - a.y * b.x;
}

static render_point less(render_point a, render_point b)
{
  return (render_point){a.x - b.x, a.y - b.y};
}

static line line_of(const board *on, const render_mark *mark)
{
  const render_truth *t = on->truth;
  const render_params *p = &t->params;
  const double turn = (t->direction_deg - mark->squareness_deg) * PI / 180.0; /* of the across direction */
  line l = {.on = on, .mark = mark, .across = {cos(turn), sin(turn)}, .along = {-sin(turn), cos(turn)}};
  l.centre_mm = render_glass_mm(t->axis, mark->centre_px);
  l.blur = profile_blur_across(l.across.x, l.across.y, t->axis[0].mm_per_px, t->axis[1].mm_per_px, t->psf_px);
  l.half_mm = 0.5 * mark->width_mm + profile_reach_mm(l.blur) + SIDE_MM;
  const double full = (double)on->image->full_scale;
  const bool slot = p->marks == RENDER_SLOT;
  l.height = full * (slot ? p->slot_level - p->wood_level : p->wood_level * mark->contrast);
  l.height_known = !slot && p->depth_variation == 0.0 && p->gap_fraction == 0.0 && p->light == 0.0;
  return l;
}

/* Weighted products of the window's values y, profile t and d = dt/dshift, level and tilt taken off row by row. */
typedef struct products {
  double tt, td, dd, ty, dy;
} products;

/* Weighted residuals of the straight line through values over x; the weights' moments come from the caller. */
static void take_off_tilt(double *value, const double *x, const double *w, size_t n, double sw, double sx, double sxx)
{
  double sy = 0.0, sxy = 0.0;
  for (size_t i = 0; i < n; i++) {
    sy += w[i] * value[i];
    sxy += w[i] * x[i] * value[i];
  }
  const double det = sw * sxx - sx * sx, tilt = (sw * sxy - sx * sy) / det, level = (sy - tilt * sx) / sw;
  for (size_t i = 0; i < n; i++)
    value[i] -= level + tilt * x[i];
}

/* Variance of a pixel in counts, at profile t: the renderer's noise, half of it growing with the light, and rounding. */
static double variance(const line *l, double t)
{
  const render_params *p = &l->on->truth->params;
  const double full = (double)l->on->image->full_scale, sd = p->noise * full;
  const double grey = p->wood_level + t * l->height / full;
  return sd * sd * (0.5 + 0.5 * grey) + 1.0 / 12.0;
}

static bool upright(const line *l)
{
  return fabs(l->across.y) > fabs(l->across.x); /* the board runs down the picture: a "row" of the fit is a column's piece */
}

/* Adds one row of pixels across the line at position v (the image coordinate that runs along the line). */
static void add_row(const line *l, int32_t v, double u_px, double shift_mm, products *sum)
{
  double x[MAX_WINDOW], y[MAX_WINDOW], t[MAX_WINDOW], d[MAX_WINDOW], w[MAX_WINDOW];
  double sw = 0.0, sx = 0.0, sxx = 0.0;
  const double step_mm = 1e-3;
  const bool turned = upright(l);
  const render_image *image = l->on->image;
  const int32_t reach = (int32_t)(l->half_mm / l->blur.box_mm) + 3, end = turned ? image->height_px : image->width_px;
  size_t n = 0;
  for (int32_t u = (int32_t)u_px - reach; u <= (int32_t)u_px + reach; u++) {
    const int32_t column = turned ? v : u, row = turned ? u : v;
    if (u < 0 || u >= end || n == MAX_WINDOW)
      continue;
    const double at = dot(less((render_point){l->on->x_mm[column], l->on->y_mm[row]}, l->centre_mm), l->across);
    if (fabs(at) > l->half_mm)
      continue;
    const double width = l->mark->width_mm, off = at - shift_mm;
    x[n] = at;
    y[n] = image->sample[((size_t)row * (size_t)image->width_px + (size_t)column) * (size_t)image->channels];
    t[n] = profile_box(l->on->table, off, width, l->blur);
    d[n] = (profile_box(l->on->table, off - step_mm, width, l->blur) -
            profile_box(l->on->table, off + step_mm, width, l->blur)) / (2.0 * step_mm);
    w[n] = 1.0 / variance(l, t[n]);
    sw += w[n];
    sx += w[n] * at;
    sxx += w[n] * at * at;
    n++;
  }
  if (n < 6)
    return;
  take_off_tilt(y, x, w, n, sw, sx, sxx);
  take_off_tilt(t, x, w, n, sw, sx, sxx);
  take_off_tilt(d, x, w, n, sw, sx, sxx);
  for (size_t i = 0; i < n; i++) {
    sum->tt += w[i] * t[i] * t[i];
    sum->td += w[i] * t[i] * d[i];
    sum->dd += w[i] * d[i] * d[i];
    sum->ty += w[i] * t[i] * y[i];
    sum->dy += w[i] * d[i] * y[i];
  }
}

/* What a block says of the shift: score and information, its height known or taken out. */
static void conclude_block(const line *l, const products *p, double *score, double *information)
{
  if (p->tt <= 0.0)
    return;
  const double h = l->height_known ? l->height : p->ty / p->tt;
  if (h / l->height < VISIBLE)
    return;
  *score += h * (l->height_known ? p->dy - h * p->td : p->dy - p->td * p->ty / p->tt);
  *information += h * h * (l->height_known ? p->dd : p->dd - p->td * p->td / p->tt);
}

/* Shift of the line against the truth, mm toward the bridge, and what the noise alone makes of it. */
static bool find_shift(const line *l, double *shift_mm, double *u_mm)
{
  const render_mark *m = l->mark;
  const bool turned = upright(l);
  const double ua = turned ? m->end_a_px.y : m->end_a_px.x, va = turned ? m->end_a_px.x : m->end_a_px.y;
  const double ub = turned ? m->end_b_px.y : m->end_b_px.x, vb = turned ? m->end_b_px.x : m->end_b_px.y;
  const double lean = (ub - ua) / (vb - va), inset = END_MM / l->blur.box_mm;
  const int32_t first = (int32_t)ceil(fmin(va, vb) + inset), last = (int32_t)floor(fmax(va, vb) - inset);
  const int32_t block = (int32_t)fmax(1.0, BLOCK_MM / l->blur.box_mm);
  *shift_mm = START_PX * l->blur.box_mm;
  for (int round = 0; round < ROUNDS; round++) {
    double score = 0.0, information = 0.0;
    for (int32_t v0 = first; v0 <= last; v0 += block) {
      products sum = {0};
      for (int32_t v = v0; v < v0 + block && v <= last; v++)
        add_row(l, v, ua + lean * (v - va), *shift_mm, &sum);
      conclude_block(l, &sum, &score, &information);
    }
    if (!(information > 0.0))
      return false;
    *shift_mm += score / information;
    *u_mm = 1.0 / sqrt(information);
  }
  return fabs(*shift_mm) < CONFUSED_MM;
}

/* ---- the check beside it -------------------------------------------------------------------------------------------- */

typedef struct sums {
  size_t drawn, both;
  double oracle2, noise2, line2, u_line2, whole2, u_whole2; /* mm^2 */
} sums;

/* Where the check's line crosses the normal through the true middle, mm toward the bridge of it. */
static double line_error_mm(const line *l, const sp_mark_record *m)
{
  const render_axis *axis = l->on->truth->axis;
  const render_point a = render_glass_mm(axis, (render_point){m->end_a_px.x, m->end_a_px.y});
  const render_point b = render_glass_mm(axis, (render_point){m->end_b_px.x, m->end_b_px.y});
  const render_point way = less(b, a);
  return cross(way, less(a, l->centre_mm)) / cross(way, l->across);
}

static void compare(const board *on, const sp_record *record, sums *s)
{
  for (size_t i = 1; i < on->truth->mark_count; i++) {
    const render_mark *mark = &on->truth->mark[i];
    double shift, u;
    if (!mark->drawn)
      continue;
    s->drawn++;
    const line l = line_of(on, mark);
    const sp_mark_record *m = i < record->mark_count ? &record->marks[i] : NULL;
    const double whole = m && m->found ? m->error_mm - mark->error_mm : NAN;
    if (!(fabs(whole) < CONFUSED_MM) || !find_shift(&l, &shift, &u))
      continue;
    const double own = line_error_mm(&l, m);
    s->both++;
    s->oracle2 += shift * shift;
    s->noise2 += u * u;
    s->line2 += own * own;
    s->u_line2 += m->budget.line_mm * m->budget.line_mm;
    s->whole2 += whole * whole;
    s->u_whole2 += m->u_mm * m->u_mm;
  }
}

static bool check(const render_params *p, const char *path, sp_record *record)
{
  sp_layout layout = {0};
  sp_error err = {0};
  sp_check_options options;
  sp_check_options_init(&options);
  options.layout = &layout;
  options.reference.mpe_mm = 0.0;
  options.marks = p->marks == RENDER_SLOT ? SP_MARK_SLOT : SP_MARK_KNIFE;
  sp_status status = sp_layout_equal(p->scale_length_mm, p->frets, p->divisions, &layout, &err);
  if (!status)
    status = sp_check_picture(path, &options, record, NULL, &err);
  if (status)
    fprintf(stderr, "%s: %s\n", path, err.text);
  sp_layout_free(&layout);
  return status == SP_OK;
}

static bool take_axes(board *on)
{
  const int32_t w = on->image->width_px, h = on->image->height_px;
  on->x_mm = malloc((size_t)w * sizeof *on->x_mm);
  on->y_mm = malloc((size_t)h * sizeof *on->y_mm);
  for (int32_t i = 0; on->x_mm && i < w; i++)
    on->x_mm[i] = render_glass_mm(on->truth->axis, (render_point){i, 0.0}).x;
  for (int32_t i = 0; on->y_mm && i < h; i++)
    on->y_mm[i] = render_glass_mm(on->truth->axis, (render_point){0.0, i}).y;
  return on->x_mm && on->y_mm;
}

static bool one_board(const render_params *params, const profile_table *table, const char *path, sums *s)
{
  char message[RENDER_MESSAGE] = "";
  render_image image;
  static render_truth truth;
  sp_record record;
  if (!render_board(params, &image, &truth, message)) {
    fprintf(stderr, "oracle: %s\n", message);
    return false;
  }
  board on = {&image, &truth, table, NULL, NULL};
  sp_record_init(&record);
  const bool fine = take_axes(&on) && render_write_png(&image, path, message) && check(params, path, &record);
  if (fine)
    compare(&on, &record, s);
  else
    fprintf(stderr, "oracle: %s\n", message);
  remove(path);
  sp_record_free(&record);
  free(on.x_mm);
  free(on.y_mm);
  render_truth_free(&truth);
  render_image_free(&image);
  return fine;
}

static void print(const char *preset, double dpi, const sums *s)
{
  const double n = (double)s->both, um = 1e3;
  printf("%s, %.0f dpi: %zu lines, %zu measured by both; rms along the board, um\n", preset, dpi, s->drawn, s->both);
  if (!s->both)
    return;
  printf("  told everything %.3f (from noise alone %.3f)   lines of the check %.3f (stated %.3f)   ratio %.2f\n",
         um * sqrt(s->oracle2 / n), um * sqrt(s->noise2 / n), um * sqrt(s->line2 / n), um * sqrt(s->u_line2 / n),
         sqrt(s->line2 / s->oracle2));
  printf("  whole check, with rule and nut: %.3f (stated %.3f)\n", um * sqrt(s->whole2 / n), um * sqrt(s->u_whole2 / n));
}

int main(int argc, char **argv)
{
  static profile_table table;
  render_difficulty level;
  sums s = {0};
  if (argc < 6 || !render_difficulty_named(argv[1], &level)) {
    fprintf(stderr, "usage: oracle PRESET FIRST_SEED COUNT DPI FOLDER [key=value ...]\n");
    return 64;
  }
  const unsigned long first = strtoul(argv[2], NULL, 10), count = strtoul(argv[3], NULL, 10);
  profile_table_fill(&table);
  for (unsigned long seed = first; seed < first + count; seed++) {
    char path[600], message[RENDER_MESSAGE] = "";
    render_params params;
    render_params_random(&params, seed, level);
    params.dpi = strtod(argv[4], NULL);
    for (int i = 6; i < argc; i++)
      if (!render_params_set(&params, argv[i], message)) {
        fprintf(stderr, "oracle: %s\n", message);
        return 64;
      }
    snprintf(path, sizeof path, "%s/oracle_%lu.png", argv[5], seed);
    if (!one_board(&params, &table, path, &s))
      return 70;
  }
  print(argv[1], strtod(argv[4], NULL), &s);
  return 0;
}
