/* Straight dark lines, fitted in the pixels themselves, whichever way they run.
 *
 * All lines of a kind were printed alike and are seen alike, so one cross-section serves them all: a box blurred by a
 * Gaussian and averaged over the pixel. Its breadth and blur are fitted to the stack of all lines, which samples it
 * finer than a pixel; each line then has its own level, slope of the level, depth and shift across, by least squares
 * over all its pixels, and last its lean. No pixel is resampled: the distance from the line is reckoned for each, so a line askew is
 * fitted as well as an upright one. (A pixel projects to boxes |nx| and |ny| broad on a line's normal; their variance
 * together is 1/12 px^2 in every direction, and two points +-1/sqrt(12) apart from the middle have it, too.) */
#include <math.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>

#include "numeric/normal.h"
#include "slotproof/numeric.h"
#include "slotproof/workers.h"
#include "strip_internal.h"
#include "workers/wide.h"

enum { TABLE_STEPS = 32, TABLE_REACH = 64, BINS_PER_PX = 4, ROUNDS = 3, STEPS = 3, TERMS = 4 };
/* A line's shift from where it was predicted, of the reach; its depth against the others' median; its misfit. */
static const double MOST_SHIFT = 0.6, LEAST_DEPTH = 0.5, MOST_DEPTH = 1.8, MOST_MISFIT = 3.0;
/* Paper less ink, of 255: below this nothing can be read. */
static const double LEAST_CONTRAST = 12.0;
/* What no fit of a printed line is better than. */
static const double LEAST_SD_PX = 0.005;
/* A step so small is the last: the next one would be a small part of it. */
static const double SMALL_STEP_PX = 5e-4;

/* ---- the cross-section --------------------------------------------------------------------------------------------
 */

typedef struct profile_table {
  double t[2 * TABLE_REACH * TABLE_STEPS + 2];
} profile_table;

/* With the tails of the neighbours, where there are any: in coarse pictures they reach into the window. */
static double cross_section(double x, double width, double sigma, double pitch)
{
  const double own = sp_blurred_box(x, width, sigma);
  return pitch > 0.0 ? own + sp_blurred_box(x - pitch, width, sigma) + sp_blurred_box(x + pitch, width, sigma) : own;
}

/* In so many blurs a wall has come to nothing, to the last digit. */
static const double WALL_BLURS = 9.0;

static void fill_table(const sp_ruled_profile *p, profile_table *table)
{
  const double reach = fmax(0.0, p->pitch_px) + p->width_px + WALL_BLURS * p->blur_px + 1.0;
  for (int32_t i = 0; i < 2 * TABLE_REACH * TABLE_STEPS + 2; i++) {
    const double x = (double)(i - TABLE_REACH * TABLE_STEPS) / TABLE_STEPS;
    table->t[i] = fabs(x) < reach ? cross_section(x, p->width_px, p->blur_px, p->pitch_px) : 0.0;
  }
}

/* Value and slope at x. */
static inline double table_at(const profile_table *table, double x, double *slope)
{
  const double p = (x + TABLE_REACH) * TABLE_STEPS;
  *slope = 0.0;
  if (!(p > 0.0 && p < 2.0 * TABLE_REACH * TABLE_STEPS))
    return 0.0;
  const int32_t i = (int32_t)p;
  *slope = (table->t[i + 1] - table->t[i]) * TABLE_STEPS;
  return table->t[i] + (p - i) * (table->t[i + 1] - table->t[i]);
}

/* ---- the pixels of a line -----------------------------------------------------------------------------------------
 */

static inline double grey_at(const sp_raster *r, int32_t x, int32_t y)
{
  const size_t i = (size_t)y * r->width_px + (size_t)x;
  return r->u8 ? r->u8[i] : r->u16[i] / 257.0;
}

/* Half the line's box along x or y. */
static double extent(double along, double right, const sp_ruled_line *line)
{
  return fabs(along) * line->half_px + fabs(right) * line->reach_px;
}

static bool inside(const sp_raster *r, const sp_ruled_line *line)
{
  const double ex = extent(line->along.x, line->right.x, line), ey = extent(line->along.y, line->right.y, line);
  return line->at.x - ex >= 0.0 && line->at.y - ey >= 0.0 && line->at.x + ex <= r->width_px - 1.0 &&
         line->at.y + ey <= r->height_px - 1.0;
}

typedef struct span {
  int32_t first, last;
} span;

/* Narrows the span to the pixels of a row with |off + steep dx| <= most, dx from `middle`, with one to spare: what
 * counts in the end is `in_window`. */
static span narrowed(span s, double middle, double off, double steep, double most)
{
  if (!(fabs(steep) > 1e-3))
    return s;
  const double a = (-most - off) / steep, b = (most - off) / steep;
  s.first = (int32_t)fmax(s.first, ceil(middle + fmin(a, b)) - 1.0);
  s.last = (int32_t)fmin(s.last, floor(middle + fmax(a, b)) + 1.0);
  return s;
}

/* The rows that a line's window reaches into. */
static span rows_of(const sp_ruled_line *line)
{
  const double ey = extent(line->along.y, line->right.y, line);
  return (span){(int32_t)ceil(line->at.y - ey), (int32_t)floor(line->at.y + ey)};
}

/* The pixels of row y that may lie within it. */
static span columns_of(const sp_ruled_line *line, int32_t y)
{
  const double ex = extent(line->along.x, line->right.x, line), dy = y - line->at.y;
  const span box = {(int32_t)ceil(line->at.x - ex), (int32_t)floor(line->at.x + ex)};
  const span across = narrowed(box, line->at.x, dy * line->right.y, line->right.x, line->reach_px);
  return narrowed(across, line->at.x, dy * line->along.y, line->along.x, line->half_px);
}

/* Where pixel (x, y) lies from the line's middle; false if not within the window. */
static inline bool in_window(const sp_ruled_line *line, int32_t x, int32_t y, double *across, double *along)
{
  const double dx = x - line->at.x, dy = y - line->at.y;
  *across = dx * line->right.x + dy * line->right.y;
  *along = dx * line->along.x + dy * line->along.y;
  return fabs(*along) <= line->half_px && fabs(*across) <= line->reach_px;
}

/* ---- one line -----------------------------------------------------------------------------------------------------
 */

/* The pixels in a line's window: how far across and along from its middle, and how grey. */
typedef struct line_pixels {
  size_t count;
  double *across, *along, *grey;
} line_pixels;

/* A rectangle of w by h holds at most (w + sqrt 2) (h + sqrt 2) of the points of a square lattice. */
static bool make_room(const sp_ruled_line *line, line_pixels *p)
{
  const double most = (2.0 * line->half_px + 1.5) * (2.0 * line->reach_px + 1.5) + 1.0;
  const size_t room = most < 1e8 ? (size_t)most : 0;
  *p = (line_pixels){.across = room ? malloc(3 * room * sizeof *p->across) : NULL};
  if (!p->across)
    return false;
  p->along = p->across + room;
  p->grey = p->along + room;
  return true;
}

/* Where each pixel lies does not change while a line is fitted: it is reckoned once. The line is inside the picture. */
static void gather(const sp_raster *r, const sp_ruled_line *line, line_pixels *p)
{
  const span rows = rows_of(line);
  for (int32_t y = rows.first; y <= rows.last; y++) {
    const span columns = columns_of(line, y);
    for (int32_t x = columns.first; x <= columns.last; x++) {
      double across, along;
      if (!in_window(line, x, y, &across, &along))
        continue;
      p->across[p->count] = across;
      p->along[p->count] = along;
      p->grey[p->count++] = grey_at(r, x, y);
    }
  }
}

typedef struct line_sums {
  const profile_table *table;
  double level, slope, depth, shift; /* model: level + slope d - depth T(d - shift) */
  double gram[TERMS * TERMS], rhs[TERMS], rest2;
  double lean_gram, lean_rhs; /* of the lean: even windows keep it apart from the rest */
} line_sums;

/* A row of the equations and its products, all terms at once. */
typedef double terms __attribute__((vector_size(TERMS * sizeof(double))));

/* Adds up the equations of all pixels. The sums stay in registers: there are some thousand pixels a line. */
SP_WIDE static void sum_pixels(const line_pixels *p, line_sums *s)
{
  terms gram[TERMS] = {{0.0}}, rhs = {0.0};
  double rest2 = 0.0, lean_gram = 0.0, lean_rhs = 0.0;
  const double level = s->level, slope = s->slope, depth = s->depth, shift = s->shift;
  for (size_t k = 0; k < p->count; k++) {
    const double d = p->across[k];
    double steep;
    const double t = table_at(s->table, d - shift, &steep);
    const double rest = p->grey[k] - level - slope * d + depth * t, lean = depth * steep * p->along[k];
    const terms row = {1.0, d, -t, depth * steep};
    for (int a = 0; a < TERMS; a++)
      gram[a] += row[a] * row;
    rhs += rest * row;
    lean_gram += lean * lean;
    lean_rhs += lean * rest;
    rest2 += rest * rest;
  }
  memcpy(s->gram, gram, sizeof s->gram);
  memcpy(s->rhs, &rhs, sizeof s->rhs);
  s->rest2 = rest2;
  s->lean_gram = lean_gram;
  s->lean_rhs = lean_rhs;
}

/* One Gauss-Newton step; false if the pixels do not determine the line. */
static bool step_line(const line_pixels *p, line_sums *s)
{
  sum_pixels(p, s);
  if (p->count < 3 * TERMS || !sp_cholesky(TERMS, s->gram))
    return false;
  sp_cholesky_solve(TERMS, s->gram, s->rhs);
  s->level += s->rhs[0];
  s->slope += s->rhs[1];
  s->depth += s->rhs[2];
  s->shift += fmin(fmax(s->rhs[3], -1.0), 1.0);
  return isfinite(s->shift) && isfinite(s->depth);
}

/* Steps until there is nothing left to go. */
static bool step_to_the_line(const line_pixels *p, line_sums *s)
{
  for (int step = 0; step < STEPS; step++) {
    const double shift = s->shift;
    if (!step_line(p, s))
      return false;
    if (fabs(s->shift - shift) < SMALL_STEP_PX)
      break;
  }
  return true;
}

/* Shift's standard deviation from what is left, and the lean, with one more look at the pixels. */
static double doubt(const line_pixels *p, sp_ruled_line *line, line_sums *s, double *misfit)
{
  double inverse[TERMS * TERMS];
  sum_pixels(p, s);
  const double variance = s->rest2 / ((double)p->count - TERMS);
  *misfit = sqrt(variance) / s->depth;
  line->lean = s->lean_rhs / s->lean_gram;
  line->u_lean = fmax(LEAST_SD_PX / line->half_px, sqrt(variance / s->lean_gram));
  if (!sp_cholesky(TERMS, s->gram))
    return NAN;
  sp_cholesky_inverse(TERMS, s->gram, inverse);
  return fmax(LEAST_SD_PX, sqrt(variance * inverse[TERMS * TERMS - 1]));
}

typedef struct fit_job {
  const sp_raster *raster;
  const profile_table *table;
  sp_ruled_line *lines;
  double *misfit;
  atomic_bool out_of_memory;
} fit_job;

/* From where the last round left it. */
static void fit_gathered(const line_pixels *pixels, const profile_table *table, sp_ruled_line *line, double *misfit)
{
  line_sums s = {.table = table, .level = line->level, .depth = line->amplitude};
  if (!(s.depth > 0.0)) { /* first round: any start will do, the model is linear in these */
    s.level = 200.0;
    s.depth = 100.0;
  }
  line->good = step_to_the_line(pixels, &s) && s.depth > LEAST_CONTRAST &&
               fabs(line->shift_px + s.shift) < MOST_SHIFT * line->reach_px;
  if (!line->good)
    return;
  line->level = s.level;
  line->amplitude = s.depth;
  line->sd_px = doubt(pixels, line, &s, misfit);
  line->good = line->sd_px > 0.0;
  line->at.x += s.shift * line->right.x;
  line->at.y += s.shift * line->right.y;
  line->shift_px += s.shift;
}

/* Fits a line, and moves its window there. */
static void fit_line(void *context, size_t i)
{
  fit_job *job = context;
  sp_ruled_line *line = &job->lines[i];
  line_pixels pixels;
  line->good = line->good && inside(job->raster, line);
  if (!line->good)
    return;
  if (!make_room(line, &pixels)) {
    atomic_store(&job->out_of_memory, true);
    return;
  }
  gather(job->raster, line, &pixels);
  fit_gathered(&pixels, job->table, line, &job->misfit[i]);
  free(pixels.across);
}

/* ---- the stack of all ---------------------------------------------------------------------------------------------
 */

enum { BINS = 2 * TABLE_REACH * BINS_PER_PX + 1 };

typedef struct stack {
  double sum[BINS], weight[BINS];
} stack;

static void stack_line(const sp_raster *r, const sp_ruled_line *line, stack *k)
{
  const double level = line->level, depth = line->amplitude;
  const span rows = rows_of(line);
  for (int32_t y = rows.first; y <= rows.last; y++) {
    const span columns = columns_of(line, y);
    for (int32_t x = columns.first; x <= columns.last; x++) {
      double d, along;
      if (!in_window(line, x, y, &d, &along))
        continue;
      const int32_t bin = (int32_t)lround(d * BINS_PER_PX) + BINS / 2;
      if (bin < 0 || bin >= BINS)
        continue;
      k->sum[bin] += (level - grey_at(r, x, y)) * depth;
      k->weight[bin] += depth * depth;
    }
  }
}

typedef struct stack_points {
  sp_normal normal;
  size_t count;
  double pitch_px;
  double x[BINS], y[BINS], w[BINS];
} stack_points;

/* A cross-section and what it changes by with the logarithms of its width and blur. */
typedef struct section {
  double value, by_width, by_blur;
} section;

/* The two points that average over a pixel, see above. */
static const double PIXEL_POINT = 0.28867513459481288;

static void add_box(const sp_normal *t, double x, double width, double blur, section *s)
{
  for (int side = -1; side <= 1; side += 2) {
    double pdf_a, pdf_b;
    const double a = (x + side * PIXEL_POINT + 0.5 * width) / blur, b = (x + side * PIXEL_POINT - 0.5 * width) / blur;
    s->value += 0.5 * (sp_normal_at(t, a, &pdf_a) - sp_normal_at(t, b, &pdf_b));
    s->by_width += 0.25 * width / blur * (pdf_a + pdf_b);
    s->by_blur -= 0.5 * (a * pdf_a - b * pdf_b);
  }
}

/* cross_section to 1e-7, from the table. */
static section tabled_section(const stack_points *p, double x, double width, double blur)
{
  section s = {0.0, 0.0, 0.0};
  add_box(&p->normal, x, width, blur, &s);
  for (int side = -1; side <= 1 && p->pitch_px > 0.0; side += 2)
    add_box(&p->normal, x + side * p->pitch_px, width, blur, &s);
  return s;
}

/* beta: depth, level, log of the width, log of the blur. */
static bool stack_rest(const double *beta, double *residual, double *jacobian, void *context)
{
  const stack_points *p = context;
  const double width = exp(beta[2]), blur = exp(beta[3]);
  if (!(width > 0.05 && width < TABLE_REACH && blur > 0.05 && blur < TABLE_REACH))
    return false;
  for (size_t i = 0; i < p->count; i++) {
    const section s = tabled_section(p, p->x[i], width, blur);
    residual[i] = p->w[i] * (beta[0] * s.value + beta[1] - p->y[i]);
    if (!jacobian)
      continue;
    double *row = jacobian + 4 * i;
    row[0] = p->w[i] * s.value;
    row[1] = p->w[i];
    row[2] = p->w[i] * beta[0] * s.by_width;
    row[3] = p->w[i] * beta[0] * s.by_blur;
  }
  return true;
}

static void list_bins(const stack *k, stack_points *p)
{
  double most = 0.0;
  p->count = 0;
  for (size_t i = 0; i < BINS; i++)
    most = fmax(most, k->weight[i]);
  for (size_t i = 0; i < BINS; i++)
    if (k->weight[i] > 0.05 * most) {
      p->x[p->count] = ((double)i - BINS / 2) / BINS_PER_PX;
      p->y[p->count] = k->sum[i] / k->weight[i];
      p->w[p->count++] = sqrt(k->weight[i] / most);
    }
}

/* Breadth and blur from the stack; left as they are where it does not tell. */
static sp_status fit_profile(const sp_raster *r, size_t count, const sp_ruled_line *lines, sp_ruled_profile *profile,
                             sp_error *err)
{
  stack *k = calloc(1, sizeof *k);
  stack_points *p = calloc(1, sizeof *p);
  sp_status status = k && p ? SP_OK : sp_fail_memory(err);
  for (size_t i = 0; !status && i < count; i++)
    if (lines[i].good)
      stack_line(r, &lines[i], k);
  if (!status) {
    sp_normal_fill(&p->normal);
    p->pitch_px = profile->pitch_px;
    list_bins(k, p);
  }
  if (!status && p->count > 6) {
    double beta[4] = {1.0, 0.0, log(profile->width_px), log(profile->blur_px)};
    sp_lm_result result;
    sp_lm_options options;
    sp_lm_options_init(&options);
    options.cost_tolerance = 1e-7; /* breadth and blur trade along a flat valley in coarse pictures: any place of it */
    status = sp_lm(p->count, 4, stack_rest, p, beta, &options, &result, err);
    if (!status && result.covariance_known) {
      profile->width_px = exp(beta[2]);
      profile->blur_px = exp(beta[3]);
      profile->blur_sd_log = sqrt(result.covariance[15]);
    }
  }
  free(k);
  free(p);
  return status;
}

/* ---- all lines ----------------------------------------------------------------------------------------------------
 */

static double median_of_good(size_t count, const sp_ruled_line *lines, const double *value, double *work)
{
  size_t n = 0;
  for (size_t i = 0; i < count; i++)
    if (lines[i].good)
      work[n++] = value ? value[i] : lines[i].amplitude;
  return sp_median(work, n);
}

/* Lines of another depth or shape than the rest are covered, dirty or no lines. */
static void drop_odd(size_t count, sp_ruled_line *lines, const double *misfit, double *work)
{
  const double depth = median_of_good(count, lines, NULL, work), usual = median_of_good(count, lines, misfit, work);
  for (size_t i = 0; i < count; i++)
    lines[i].good = lines[i].good && lines[i].amplitude > LEAST_DEPTH * depth &&
                    lines[i].amplitude < MOST_DEPTH * depth && misfit[i] < MOST_MISFIT * usual;
}

sp_status sp_strip_fit_lines(const sp_raster *raster, size_t count, sp_ruled_line *lines, sp_ruled_profile *profile,
                             bool profile_given, sp_error *err)
{
  profile_table *table = malloc(sizeof *table);
  double *work = calloc(2 * count + 1, sizeof *work);
  fit_job job = {raster, table, lines, work, false};
  sp_status status = table && work ? SP_OK : sp_fail_memory(err);
  for (size_t i = 0; i < count; i++) {
    lines[i].good = true;
    lines[i].shift_px = lines[i].amplitude = lines[i].level = 0.0;
    lines[i].sd_px = NAN;
  }
  for (int round = 0; !status && round < ROUNDS; round++) {
    fill_table(profile, table);
    sp_workers_run(fit_line, &job, count);
    if (atomic_load(&job.out_of_memory)) {
      status = sp_fail_memory(err);
      break;
    }
    drop_odd(count, lines, job.misfit, work + count);
    if (round + 1 < ROUNDS && !profile_given)
      status = fit_profile(raster, count, lines, profile, err);
  }
  free(table);
  free(work);
  return status;
}
