/* Where each stroke's middle lies: least squares against the profile that all strokes share, a box blurred by a
 * Gaussian.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "numeric/normal.h"
#include "rule_internal.h"
#include "slotproof/numeric.h"
#include "workers/wide.h"

enum { STACK_STEPS = 4, STACK_BINS = 2 * 14 * STACK_STEPS + 1 };

/* How far from its middle a blurred box reaches: beyond, it is less than 1e-11 of its height. */
static double reach_of_stroke(double width, double sigma)
{
  return 0.5 * width + 7.0 * sigma + 1.0;
}

/* Puts a value at a place of the table that is so many steps from its middle; a whole pixel's at both of its places. */
static void put_in_table(int32_t steps, double value, float *table)
{
  enum { STEPS = SP_RULE_TABLE_STEPS, LENGTH = SP_RULE_TABLE_LENGTH };
  const int32_t i = steps + SP_RULE_TABLE_REACH * STEPS, px = i / STEPS;
  table[i % STEPS * LENGTH + px] = (float)value;
  if (i % STEPS == 0 && px > 0)
    table[STEPS * LENGTH + px - 1] = (float)value;
}

/* T is even, its slope odd: both sides at once. */
void sp_rule_table_fill(double width, double sigma, profile_table *table)
{
  const double peak = sp_blurred_box(0.0, width, sigma), h = 1e-3;
  const double reach = fmin(SP_RULE_TABLE_REACH, reach_of_stroke(width, sigma)) * SP_RULE_TABLE_STEPS;
  memset(table, 0, sizeof *table);
  for (int32_t i = 0; i <= (int32_t)reach; i++) {
    const double x = (double)i / SP_RULE_TABLE_STEPS, value = sp_blurred_box(x, width, sigma) / peak;
    const double slope = (sp_blurred_box(x + h, width, sigma) - sp_blurred_box(x - h, width, sigma)) / (2.0 * h * peak);
    put_in_table(i, value, table->t);
    put_in_table(-i, value, table->t);
    put_in_table(i, slope, table->slope);
    put_in_table(-i, -slope, table->slope);
  }
}

typedef struct fit_setting {
  const bands *b;
  zone z;
  double base, period, half; /* window half-width in px */
  const profile_table *table;
} fit_setting;

/* Adds `height` times the table at x, x + 1, .. x + n - 1; all of them lie the same part of a step past one. */
static inline void add_from_table(const float *restrict table, double x, int32_t n, double height, double *restrict out)
{
  enum { STEPS = SP_RULE_TABLE_STEPS, LENGTH = SP_RULE_TABLE_LENGTH };
  const double place = (x + SP_RULE_TABLE_REACH) * STEPS, whole = floor(place), part = place - whole;
  const int32_t px = (int32_t)floor(whole / STEPS), phase = (int32_t)whole - px * STEPS;
  const int32_t from = px < 0 ? -px : 0, to = px + n > LENGTH ? LENGTH - px : n;
  if (from >= to)
    return;
  const float *restrict a = table + phase * LENGTH + px + from, *restrict b = a + LENGTH;
  double *restrict o = out + from;
  for (int32_t i = 0; i < to - from; i++)
    o[i] += height * ((double)a[i] + part * (double)(b[i] - a[i]));
}

enum { TERMS = 4, MOST_WINDOW = 2 * SP_RULE_TABLE_REACH };
/* Level, slope of the background, height, place: a row of the equations, all products of it at once. */
typedef double terms __attribute__((vector_size(TERMS * sizeof(double))));

typedef struct step_sums {
  terms gram[TERMS], rhs;
} step_sums;

/* The pixels of sub-band j about stroke k; the neighbours' profiles are taken off, so that close strokes do not pull
 * each other. */
static inline void add_band(const fit_setting *f, const sp_stroke *s, size_t n, size_t k, int32_t j, bool sloped,
                            step_sums *sums)
{
  double model[MOST_WINDOW], shape[MOST_WINDOW], steep[MOST_WINDOW], level = 0.0;
  const double lean = -f->b->slope * (sp_rule_band_centre(f->b, j) - f->base), middle = s[k].u_px + lean;
  const float *x = sp_rule_band(f->b, j);
  const int32_t lo = (int32_t)ceil(middle - f->half), hi = (int32_t)floor(middle + f->half), count = hi - lo + 1;
  if (lo < 0 || hi >= f->b->length)
    return;
  for (int32_t i = lo; i <= hi; i++)
    level += (double)x[i];
  level /= count;
  for (int32_t i = 0; i < count; i++)
    model[i] = shape[i] = steep[i] = 0.0;
  for (size_t m = k > 0 ? k - 1 : 0; m <= k + 1 && m < n; m++)
    if (m != k)
      add_from_table(f->table->t, lo - s[m].u_px - lean, count, s[m].amplitude, model);
  add_from_table(f->table->t, lo - middle, count, 1.0, shape);
  add_from_table(f->table->slope, lo - middle, count, -s[k].amplitude, steep);
  for (int32_t i = 0; i < count; i++) {
    const double y = (double)x[lo + i] - level - model[i] - s[k].amplitude * shape[i];
    const terms row = {1.0, sloped ? lo + i - middle : 0.0, shape[i], steep[i]};
    for (int a = 0; a < TERMS; a++)
      sums->gram[a] += row[a] * row;
    sums->rhs += y * row;
  }
}

/* One Gauss-Newton step for stroke k: level, slope of the background, height, place. Returns the step in px. */
SP_WIDE static double fit_step(const fit_setting *f, sp_stroke *s, size_t n, size_t k)
{
  step_sums sums = {.rhs = {0.0}};
  double gram[TERMS * TERMS], rhs[TERMS];
  const bool sloped = f->half >= 5.0;
  for (int32_t j = f->z.first; j <= f->z.last; j++)
    add_band(f, s, n, k, j, sloped, &sums);
  memcpy(gram, sums.gram, sizeof gram);
  memcpy(rhs, &sums.rhs, sizeof rhs);
  if (!sloped)
    gram[5] = 1.0;
  if (!sp_cholesky(TERMS, gram))
    return 1e9;
  sp_cholesky_solve(TERMS, gram, rhs);
  s[k].amplitude += rhs[2];
  const double most = 0.5, step = rhs[3] > most ? most : rhs[3] < -most ? -most : rhs[3];
  s[k].u_px += step;
  return step;
}

/* Mean profile of all strokes on a quarter-pixel grid, heights scaled to 1. */
static size_t stack_strokes(const fit_setting *f, const sp_stroke *s, size_t n, double *x_out, double *y_out)
{
  enum { BINS = STACK_BINS };
  double sum[BINS] = {0}, weight[BINS] = {0};
  for (size_t k = 0; k < n; k++)
    for (int32_t j = f->z.first; j <= f->z.last; j++) {
      const double middle = s[k].u_px - f->b->slope * (sp_rule_band_centre(f->b, j) - f->base);
      const int32_t lo = (int32_t)ceil(middle - f->half), hi = (int32_t)floor(middle + f->half);
      const float *x = sp_rule_band(f->b, j);
      if (lo < 0 || hi >= f->b->length)
        continue;
      double level = 0.0;
      for (int32_t i = lo; i <= hi; i++)
        level += (double)x[i];
      level /= hi - lo + 1;
      for (int32_t i = lo; i <= hi; i++) {
        const int32_t bin = (int32_t)lround((i - middle) * STACK_STEPS) + BINS / 2;
        if (bin < 0 || bin >= BINS)
          continue;
        sum[bin] += ((double)x[i] - level) * s[k].amplitude;
        weight[bin] += s[k].amplitude * s[k].amplitude;
      }
    }
  size_t m = 0;
  for (int32_t i = 0; i < BINS; i++)
    if (weight[i] > 0.0) {
      x_out[m] = (double)(i - BINS / 2) / STACK_STEPS;
      y_out[m++] = sum[i] / weight[i];
    }
  return m;
}

typedef struct stroke_stack {
  const double *x, *y;
  size_t count;
  double period;
  const sp_normal *normal;
} stroke_stack;

/* The two points that average over a pixel (numeric/box.c). */
static const double PIXEL_POINT = 0.28867513459481288;

/* sp_blurred_box to 1e-7, from the table; times two. */
static inline double box_twice(const sp_normal *normal, double x, double width, double by_sigma)
{
  double pdf, sum = 0.0;
  for (int side = -1; side <= 1; side += 2)
    sum += sp_normal_at(normal, (x + side * PIXEL_POINT + 0.5 * width) * by_sigma, &pdf) -
           sp_normal_at(normal, (x + side * PIXEL_POINT - 0.5 * width) * by_sigma, &pdf);
  return sum;
}

/* A stroke and its neighbours at x, as far as they reach. */
static double stroke_among_others(const stroke_stack *k, double x, double width, double sigma)
{
  const double reach = reach_of_stroke(width, sigma), by_sigma = 1.0 / sigma;
  double sum = 0.0;
  for (int m = -1; m <= 1; m++)
    if (fabs(x + m * k->period) < reach)
      sum += box_twice(k->normal, x + m * k->period, width, by_sigma);
  return 0.5 * sum;
}

/* What is left of the stack after the best height and level for this width and blur. */
static double stack_rest(const stroke_stack *k, double width, double sigma)
{
  const double *x = k->x, *y = k->y;
  const size_t n = k->count;
  double st = 0, sy = 0, stt = 0, sty = 0, syy = 0, shape[STACK_BINS / 2 + 1];
  size_t filled = 0; /* the shape is even: once for both sides */
  for (size_t i = 0; i < n; i++) {
    const size_t bin = (size_t)(fabs(x[i]) * STACK_STEPS + 0.5);
    for (; filled <= bin; filled++)
      shape[filled] = stroke_among_others(k, (double)filled / STACK_STEPS, width, sigma);
    const double t = shape[bin];
    st += t;
    sy += y[i];
    stt += t * t;
    sty += t * y[i];
    syy += y[i] * y[i];
  }
  const double m = (double)n, det = stt - st * st / m, cov = sty - st * sy / m;
  return det > 0.0 ? syy - sy * sy / m - cov * cov / det : INFINITY;
}

/* Best width for a given blur, by golden section: the rest has one minimum in the width. */
static double best_width(const stroke_stack *k, double sigma, double *width)
{
  const double golden = 0.6180339887498949;
  double lo = 0.3, hi = fmin(0.75 * k->period, 14.0);
  double a = hi - golden * (hi - lo), b = lo + golden * (hi - lo);
  double fa = stack_rest(k, a, sigma);
  double fb = stack_rest(k, b, sigma);
  while (hi - lo > 0.02) {
    if (fa < fb) {
      hi = b;
      b = a;
      fb = fa;
      a = hi - golden * (hi - lo);
      fa = stack_rest(k, a, sigma);
    } else {
      lo = a;
      a = b;
      fa = fb;
      b = lo + golden * (hi - lo);
      fb = stack_rest(k, b, sigma);
    }
  }
  *width = 0.5 * (lo + hi);
  return fmin(fa, fb);
}

/* Width and blur of the common stroke. The two trade against each other along a narrow curved valley, so the blur is
 * searched with the best width for each: coarsely, then three times finer about the best. */
static void fit_stack(const stroke_stack *k, double *width, double *sigma)
{
  double best = INFINITY, middle = 0.9, factor = 1.32;
  for (int level = 0; level < 3; level++) {
    const int reach = level ? 3 : 4;
    const double centre = middle;
    for (int i = -reach; i <= reach; i++) {
      const double s = centre * pow(factor, i);
      double w;
      const double rest = best_width(k, s, &w);
      if (rest < best) {
        best = rest;
        middle = *sigma = s;
        *width = w;
      }
    }
    factor = pow(factor, 0.3);
  }
}

/* Standard deviation of the blur's logarithm, from how much worse the stack is fitted with a tenth more of it. What the
 * best leaves is mostly misfit, which hangs together from bin to bin: it counts for half as many values. */
static double doubt_of_blur(const stroke_stack *k, double width, double sigma)
{
  const double tenth = 1.1;
  double w;
  const double rest = stack_rest(k, width, sigma);
  const double worse = fmin(best_width(k, sigma * tenth, &w), best_width(k, sigma / tenth, &w));
  const double variance = 2.0 * rest / fmax(1.0, (double)k->count - 4.0);
  return worse > rest ? fmin(0.5, log(tenth) * sqrt(variance / (worse - rest))) : 0.5;
}

/* A stroke is about as strong as its neighbours. What was taken for one at the rim of something that covers the rule,
 * or on it, is weaker or of the other colour, and lies anywhere within half a period. */
static const double LEAST_OF_NEIGHBOURS = 0.45, MOST_OF_NEIGHBOURS = 2.2;

static void drop_unlike(sp_rule_reading *r)
{
  enum { AROUND = 12 };
  for (size_t k = 0; k < r->count; k++) {
    double near[2 * AROUND + 1];
    size_t n = 0;
    for (size_t m = k > AROUND ? k - AROUND : 0; m <= k + AROUND && m < r->count; m++)
      near[n++] = r->strokes[m].amplitude;
    const double part = r->strokes[k].amplitude / sp_median(near, n);
    if (!(part > LEAST_OF_NEIGHBOURS && part < MOST_OF_NEIGHBOURS))
      r->strokes[k].good = false;
  }
}

sp_status sp_rule_refine(const bands *b, zone z, double base, double period, sp_rule_reading *reading, sp_error *err)
{
  profile_table *table = malloc(sizeof *table);
  sp_normal *normal = malloc(sizeof *normal);
  double *x = malloc(512 * sizeof *x);
  if (!table || !normal || !x) {
    free(table);
    free(normal);
    free(x);
    return sp_fail_memory(err);
  }
  sp_normal_fill(normal);
  fit_setting f = {b, z, base, period, 0.5 * period, table};
  double width = 0.15 * period, sigma = 1.0;
  if (f.half > 14.0)
    f.half = 14.0;
  for (int round = 0; round < 3; round++) {
    const size_t m = stack_strokes(&f, reading->strokes, reading->count, x, x + 256);
    const stroke_stack k = {x, x + 256, m, period, normal};
    if (round != 1) /* once to start with, once with the refined places */
      fit_stack(&k, &width, &sigma);
    sp_rule_table_fill(width, sigma, table);
    const double enough = 0.5 * width + 4.0 * sigma + 3.0;
    f.half = fmin(fmin(0.5 * period + 0.5, enough), SP_RULE_TABLE_REACH - 1.0);
    for (int pass = 0; pass < 2; pass++)
      for (size_t k = 0; k < reading->count; k++) {
        sp_stroke *s = &reading->strokes[k];
        if (s->good && fabs(fit_step(&f, reading->strokes, reading->count, k)) > 1e8)
          s->good = false;
      }
  }
  const size_t m = stack_strokes(&f, reading->strokes, reading->count, x, x + 256);
  const stroke_stack k = {x, x + 256, m, period, normal};
  reading->stroke_px = width;
  reading->blur_px = sigma;
  reading->blur_sd_log = doubt_of_blur(&k, width, sigma);
  drop_unlike(reading);
  free(table);
  free(normal);
  free(x);
  return SP_OK;
}
