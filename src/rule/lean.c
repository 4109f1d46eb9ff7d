/* The direction of each stroke, from its place in every sub-band. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "rule_internal.h"
#include "slotproof/numeric.h"

typedef struct lean_work {
  const bands *b;
  zone common; /* where all strokes are present */
  const zone *extents;
  const profile_table *table;
  double base, half, period;
  sp_stroke *strokes;
  size_t count;
} lean_work;

/* What the neighbours add at u in sub-band j, where they reach so far. */
static double neighbours_here(const lean_work *w, size_t k, int32_t j, double u, double lean)
{
  double sum = 0.0;
  for (size_t m = k > 0 ? k - 1 : 0; m <= k + 1 && m < w->count; m++)
    if (m != k && j >= w->extents[m].first && j <= w->extents[m].last)
      sum += w->strokes[m].amplitude * sp_rule_table_at(w->table->t, u - w->strokes[m].u_px - lean);
  return sum;
}

typedef struct lean_sums {
  double gram[25], rhs[5], square;
  size_t values;
} lean_sums;

/* `start`: where the stroke was seen to lie so far beyond its place and direction as known (px, px a px). */
static void add_band(const lean_work *w, size_t k, int32_t j, double v_own, const double start[2], lean_sums *sums)
{
  const sp_stroke *s = &w->strokes[k];
  const double v = sp_rule_band_centre(w->b, j) - w->base, lean = -w->b->slope * v;
  const double middle = s->u_px + lean + start[0] + start[1] * (v - v_own);
  const float *x = sp_rule_band(w->b, j);
  const int32_t lo = (int32_t)ceil(middle - w->half), hi = (int32_t)floor(middle + w->half);
  double level = 0.0;
  if (lo < 0 || hi >= w->b->length)
    return;
  for (int32_t i = lo; i <= hi; i++)
    level += (double)x[i] / (hi - lo + 1);
  for (int32_t i = lo; i <= hi; i++, sums->values++) {
    const double d = i - middle, steep = -s->amplitude * sp_rule_table_at(w->table->slope, d);
    const double row[5] = {1.0, w->half >= 5.0 ? d : 0.0, sp_rule_table_at(w->table->t, d), steep, steep * (v - v_own)};
    const double y = (double)x[i] - level - neighbours_here(w, k, j, i, lean) - s->amplitude * row[2];
    sums->square += y * y;
    for (int32_t a = 0; a < 5; a++) { /* the lower triangle is all that is asked for */
      for (int32_t c = 0; c <= a; c++)
        sums->gram[5 * a + c] += row[a] * row[c];
      sums->rhs[a] += row[a] * y;
    }
  }
}

/* Solves for level, slope of the steel, height, place and lean. */
static bool solve_lean(const lean_work *w, lean_sums *sums, double beta[5], double *variance)
{
  const size_t unknown = 5;
  if (w->half < 5.0)
    sums->gram[6] = 1.0;
  memcpy(beta, sums->rhs, sizeof sums->rhs);
  if (sums->values < 2 * unknown || !sp_cholesky(5, sums->gram))
    return false;
  sp_cholesky_solve(5, sums->gram, beta);
  double rest = sums->square;
  for (int32_t a = 0; a < 5; a++)
    rest -= beta[a] * sums->rhs[a];
  *variance = fmax(rest, 0.0) / (double)(sums->values - unknown);
  return true;
}

/* Only over the sub-bands in which all strokes are present, where these are enough: read over all of their length, long
 * strokes would say more of their direction, but beyond the others' ends something turns all of them by some tenths of
 * a milliradian (seen on drawn photographs of two renderers), and a board's far side is ten times as far off. */
static zone own_zone(const lean_work *w, size_t k)
{
  enum { ENOUGH_BANDS = 4 };
  zone own = w->common;
  if (own.last - own.first + 1 >= ENOUGH_BANDS)
    return own;
  own = w->extents[k];
  if (own.last - own.first >= ENOUGH_BANDS && own.first != w->common.first) { /* its ends are not square */
    own.first++;
    own.last--;
  }
  return own;
}

/* Least squares from the place already found; a second step where the first went far. */
static void fit_lean(const lean_work *w, size_t k)
{
  enum { LEAST_BANDS = 3, MOST_STEPS = 3 };
  static const double FAR_PX = 0.1;
  sp_stroke *s = &w->strokes[k];
  if (!s->good)
    return;
  const zone own = own_zone(w, k);
  if (own.last - own.first + 1 < LEAST_BANDS)
    return;
  const double v_first = sp_rule_band_centre(w->b, own.first) - w->base,
               v_last = sp_rule_band_centre(w->b, own.last) - w->base;
  const double v_own = 0.5 * (v_first + v_last);
  double inverse[25], start[2] = {0.0, 0.0}, variance, gone = INFINITY;
  for (int step = 0; step < MOST_STEPS && gone > FAR_PX; step++) {
    lean_sums sums = {0};
    double beta[5];
    for (int32_t j = own.first; j <= own.last; j++)
      add_band(w, k, j, v_own, start, &sums);
    if (!solve_lean(w, &sums, beta, &variance))
      return;
    sp_cholesky_inverse(5, sums.gram, inverse);
    start[0] += beta[3];
    start[1] += beta[4];
    gone = fabs(beta[3]) + 0.5 * fabs(beta[4] * (v_last - v_first));
    if (fabs(start[0]) > 0.1 * w->period || fabs(start[1]) > 0.2) /* something else lies there */
      return;
  }
  s->own_u_px = s->u_px - w->b->slope * v_own + start[0];
  s->own_v_px = w->base + w->b->slope * s->u_px + v_own;
  s->lean = start[1];
  s->own_length_px = (own.last - own.first + 1) * (double)w->b->height;
  s->u_own_u_px = sqrt(variance * inverse[18]);
  s->u_lean = sqrt(variance * inverse[24]);
}

sp_status sp_rule_fit_leans(const bands *b, zone common, const zone *extents, double base, sp_rule_reading *r,
                            sp_error *err)
{
  profile_table *table = malloc(sizeof *table);
  if (!table)
    return sp_fail_memory(err);
  sp_rule_table_fill(r->stroke_px, r->blur_px, table);
  const double enough = 0.5 * r->stroke_px + 4.0 * r->blur_px + 3.0;
  const lean_work w = {.b = b,
                       .common = common,
                       .extents = extents,
                       .table = table,
                       .base = base,
                       .half = fmin(fmin(0.5 * r->period_px + 0.5, enough), SP_RULE_TABLE_REACH - 1.0),
                       .period = r->period_px,
                       .strokes = r->strokes,
                       .count = r->count};
  for (size_t k = 0; k < r->count; k++) {
    sp_stroke *s = &r->strokes[k];
    s->own_u_px = s->own_v_px = s->lean = s->u_own_u_px = s->u_lean = NAN;
    s->own_length_px = 0.0;
    fit_lean(&w, k);
  }
  free(table);
  return SP_OK;
}
