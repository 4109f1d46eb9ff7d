/* Where one face may lie on another: correlation at every shift there is.
 *
 * In cells of a quarter millimetre, less the mean of the wood about each along the board: grain that runs on and on
 * would agree everywhere. A correlation is judged by how it scatters at all other shifts, each scaled by the root of
 * the number of cells in common, so a short overlap has to correlate better than a long one.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "grain_internal.h"
#include "slotproof/numeric.h"
#include "slotproof/workers.h"

enum { CELL_SAMPLES = 5, ASIDE_CELLS = 4 };
static const double SLOW_MM = 1.5, CLIP = 4.0;
/* Two places nearer than this are one. */
static const double APART_MM = 1.0;
/* Cells in common that make a correlation at all. */
static const double LEAST_CELLS = 400.0;

typedef struct search {
  texture first, second; /* the second turned in the second half of the search */
  int32_t from, count;   /* shifts in cells: column i of the second lies on column i + shift of the first */
  int32_t aside0;        /* rows, likewise: the middle of those tried */
  double least_mm;
  double share;   /* of both faces that is texture and no noise */
  float *z;       /* best over the shifts aside */
  float *root;    /* of the number of cells in common, there */
  int32_t *aside; /* and which */
} search;

/* Sums are kept in so many lanes: a compiler may not change the order of a sum of its own accord. */
enum { LANES = 16 };
typedef struct lanes {
  float ab[LANES], aa[LANES], bb[LANES], n[LANES];
} lanes;

static void add_cell(lanes *s, int32_t lane, float va, float wa, float vb, float wb)
{
  s->ab[lane] += va * vb; /* values are 0 where masked */
  s->aa[lane] += wb * (va * va);
  s->bb[lane] += wa * (vb * vb);
  s->n[lane] += wa * wb;
}

static void add_row(const float *restrict va, const float *restrict wa, const float *restrict vb,
                    const float *restrict wb, int32_t count, lanes *restrict sums)
{
  lanes s = {{0.0f}, {0.0f}, {0.0f}, {0.0f}};
  int32_t i = 0;
  for (; i + LANES <= count; i += LANES)
    for (int32_t k = 0; k < LANES; k++)
      add_cell(&s, k, va[i + k], wa[i + k], vb[i + k], wb[i + k]);
  for (; i < count; i++)
    add_cell(&s, i % LANES, va[i], wa[i], vb[i], wb[i]);
  *sums = s;
}

/* Sum of products, of squares, and of cells in common. */
static void correlate(const texture *a, const texture *b, int32_t shift, int32_t aside, double sums[4])
{
  const int32_t i0 = shift > 0 ? 0 : -shift, i1 = a->columns - shift < b->columns ? a->columns - shift : b->columns;
  const int32_t j0 = aside > 0 ? 0 : -aside, j1 = a->rows - aside < b->rows ? a->rows - aside : b->rows;
  memset(sums, 0, 4 * sizeof *sums);
  for (int32_t j = j0; j < j1; j++) {
    const size_t at_a = (size_t)(j + aside) * (size_t)a->columns + (size_t)(i0 + shift),
                 at_b = (size_t)j * (size_t)b->columns + (size_t)i0;
    lanes row;
    add_row(a->value + at_a, a->weight + at_a, b->value + at_b, b->weight + at_b, i1 - i0, &row);
    for (int32_t k = 0; k < LANES; k++) {
      sums[0] += (double)row.ab[k];
      sums[1] += (double)row.aa[k];
      sums[2] += (double)row.bb[k];
      sums[3] += (double)row.n[k];
    }
  }
}

static float z_at(const search *s, int32_t shift, int32_t *aside, float *root)
{
  float best = -INFINITY;
  const int32_t i0 = shift > 0 ? 0 : -shift,
                i1 = s->first.columns - shift < s->second.columns ? s->first.columns - shift : s->second.columns;
  *aside = s->aside0;
  if ((i1 - i0) * s->first.cell_mm < s->least_mm)
    return NAN;
  for (int32_t k = s->aside0 - ASIDE_CELLS; k <= s->aside0 + ASIDE_CELLS; k++) {
    double sums[4];
    correlate(&s->first, &s->second, shift, k, sums);
    if (!(sums[3] >= LEAST_CELLS && sums[1] > 0.0 && sums[2] > 0.0))
      continue;
    const float z = (float)(sums[0] / sqrt(sums[1] * sums[2]) * sqrt(sums[3]));
    if (z > best) {
      best = z;
      *aside = k;
      *root = (float)sqrt(sums[3]);
    }
  }
  return best > -INFINITY ? best : NAN;
}

static void search_one(void *context, size_t index)
{
  search *s = context;
  s->z[index] = z_at(s, s->from + (int32_t)index, &s->aside[index], &s->root[index]);
}

static void search_free(search *s)
{
  texture_free(&s->first);
  texture_free(&s->second);
  free(s->z);
  free(s->root);
  free(s->aside);
}

/* Noise of neighbouring cells is independent, wood is not: their correlation along the board. */
static double texture_share(const texture *t)
{
  double square = 0.0, product = 0.0;
  for (int32_t j = 0; j < t->rows; j++) {
    const float *v = t->value + (size_t)j * (size_t)t->columns, *w = t->weight + (size_t)j * (size_t)t->columns;
    for (int32_t i = 0; i + 1 < t->columns; i++)
      if (w[i] > 0.0f && w[i + 1] > 0.0f) {
        square += 0.5 * ((double)(v[i] * v[i]) + (double)(v[i + 1] * v[i + 1]));
        product += (double)(v[i] * v[i + 1]);
      }
  }
  return square > 0.0 ? fmax(product / square, 0.0) : 0.0;
}

static sp_status search_open(const sp_face *first, const sp_face *second, double least_mm, search *s, sp_error *err)
{
  memset(s, 0, sizeof *s);
  s->least_mm = least_mm;
  bool fine = texture_of(first, CELL_SAMPLES, SLOW_MM, CLIP, &s->first) &&
              texture_of(second, CELL_SAMPLES, SLOW_MM, CLIP, &s->second);
  if (fine) {
    s->from = 1 - s->second.columns;
    s->count = s->first.columns + s->second.columns - 1;
    s->z = malloc((size_t)(s->count + 1) * sizeof *s->z);
    s->root = calloc((size_t)s->count + 1, sizeof *s->root);
    s->aside = malloc((size_t)(s->count + 1) * sizeof *s->aside);
    s->share = sqrt(texture_share(&s->first) * texture_share(&s->second));
    fine = s->count > 0 && s->z && s->root && s->aside;
  }
  if (!fine) {
    search_free(s);
    return sp_fail_memory(err);
  }
  return SP_OK;
}

/* Shift aside that brings equal y together. */
static void run_search(search *s)
{
  s->aside0 = (int32_t)lround((s->second.y0_mm - s->first.y0_mm) / s->first.cell_mm);
  sp_workers_run(search_one, s, (size_t)s->count);
}

/* What z scatters by where nothing fits: 1 if cells were independent of each other. */
static double scatter_of(const search *s, double *middle)
{
  double *work = malloc((size_t)(s->count + 1) * sizeof *work);
  size_t n = 0;
  *middle = 0.0;
  if (!work)
    return NAN;
  for (int32_t i = 0; i < s->count; i++)
    if (isfinite(s->z[i]))
      work[n++] = (double)s->z[i];
  *middle = n ? sp_median(work, n) : 0.0;
  const double scatter = n >= 50 ? sp_mad(work, n) : NAN;
  free(work);
  return scatter;
}

static sp_grain_place place_of(const search *s, int32_t index, bool turned, double middle, double scatter)
{
  const texture *a = &s->first, *b = &s->second;
  return (sp_grain_place){.turned = turned,
                          .shift_mm = a->x0_mm - b->x0_mm + (s->from + index) * a->cell_mm,
                          .aside_mm = a->y0_mm - b->y0_mm + s->aside[index] * a->cell_mm,
                          .z = ((double)s->z[index] - middle) / scatter,
                          .expected = s->share * (double)s->root[index] / scatter};
}

static void keep_place(sp_grain_place place[SP_GRAIN_PLACES], size_t *count, const sp_grain_place *p)
{
  size_t at = *count;
  while (at > 0 && place[at - 1].z < p->z)
    at--;
  if (at >= SP_GRAIN_PLACES)
    return;
  if (*count < SP_GRAIN_PLACES)
    (*count)++;
  for (size_t i = *count - 1; i > at; i--)
    place[i] = place[i - 1];
  place[at] = *p;
}

/* Places that are the best within APART_MM. */
static void keep_peaks(const search *s, bool turned, sp_grain_place place[SP_GRAIN_PLACES], size_t *count)
{
  double middle;
  const double scatter = scatter_of(s, &middle);
  const int32_t reach = (int32_t)(APART_MM / s->first.cell_mm);
  if (!(scatter > 0.0))
    return;
  for (int32_t i = 0; i < s->count; i++) {
    bool best = isfinite(s->z[i]);
    for (int32_t k = i - reach; best && k <= i + reach; k++)
      best = k < 0 || k >= s->count || k == i || !(s->z[k] > s->z[i] || (s->z[k] == s->z[i] && k < i));
    if (!best)
      continue;
    const sp_grain_place p = place_of(s, i, turned, middle, scatter);
    keep_place(place, count, &p);
  }
}

static void rate_places(const search *s, bool turned, sp_grain_place *place, size_t count)
{
  double middle;
  const double scatter = scatter_of(s, &middle);
  for (size_t k = 0; k < count; k++) {
    if (place[k].turned != turned)
      continue;
    const double cells = (place[k].shift_mm - s->first.x0_mm + s->second.x0_mm) / s->first.cell_mm;
    sp_grain_place best = {.z = NAN, .expected = NAN};
    for (int32_t i = (int32_t)floor(cells) - s->from - 1; i <= (int32_t)ceil(cells) - s->from + 1; i++) {
      if (i < 0 || i >= s->count || !isfinite(s->z[i]))
        continue;
      const sp_grain_place p = place_of(s, i, turned, middle, scatter);
      if (!(best.z >= p.z))
        best = p;
    }
    place[k].z = best.z;
    place[k].aside_mm = best.aside_mm;
    place[k].expected = best.expected;
  }
}

sp_status sp_grain_search(const sp_face *first, const sp_face *second, double least_overlap_mm, sp_grain_place *asked,
                          size_t asked_count, sp_grain_place place[SP_GRAIN_PLACES], size_t *count, sp_error *err)
{
  search s;
  *count = 0;
  const sp_status status = search_open(first, second, least_overlap_mm, &s, err);
  if (status)
    return status;
  for (int turn = 0; turn < 2; turn++) {
    if (turn)
      texture_turn(&s.second);
    run_search(&s);
    keep_peaks(&s, turn == 1, place, count);
    rate_places(&s, turn == 1, asked, asked_count);
  }
  search_free(&s);
  return SP_OK;
}
