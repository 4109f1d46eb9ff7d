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
#include "slotproof/bridge.h"
#include "slotproof/numeric.h"

enum { CELL_SAMPLES = 5, ASIDE_CELLS = 4 };
static const double SLOW_MM = 1.5, CLIP = 4.0;
/* Two places nearer than this are one. */
static const double APART_MM = 1.0;
/* Cells in common that make a correlation at all. */
static const double LEAST_CELLS = 400.0;

typedef struct search {
  texture first, second; /* the second turned in the second half of the search */
  int32_t from, count;   /* shifts in cells: column i of the second lies on column i + shift of the first */
  int32_t aside0;        /* the first of the rows that are tried, likewise, and how many: fewer where faces end */
  int32_t asides;
  double least_mm;
  double share;   /* of both faces that is texture and no noise */
  float *z;       /* best over the shifts aside */
  float *root;    /* of the number of cells in common, there */
  int32_t *aside; /* and which */
} search;

/* Of one shift and aside: sums over the cells in common. */
enum { PRODUCTS, SQUARES_FIRST, SQUARES_SECOND, CELLS, SUMS };

static float *squares_of(const texture *t)
{
  const size_t n = (size_t)t->columns * (size_t)t->rows;
  float *square = malloc((n + 1) * sizeof *square);
  for (size_t i = 0; square && i < n; i++)
    square[i] = t->value[i] * t->value[i]; /* 0 where masked, as the values are */
  return square;
}

static sp_grid grid_of(const texture *t, const float *value)
{
  return (sp_grid){t->columns, t->rows, value};
}

/* All sums at all shifts, SUMS planes of asides x count values. */
static sp_status correlate(const search *s, double *sums, sp_error *err)
{
  const texture *a = &s->first, *b = &s->second;
  float *square_a = squares_of(a), *square_b = squares_of(b);
  const size_t plane = (size_t)s->asides * (size_t)s->count;
  const struct {
    const float *first, *second;
  } pair[SUMS] = {{a->value, b->value}, {square_a, b->weight}, {a->weight, square_b}, {a->weight, b->weight}};
  sp_status status = square_a && square_b ? SP_OK : sp_fail_memory(err);
  for (size_t k = 0; !status && k < SUMS; k++)
    status = sp_correlate(grid_of(a, pair[k].first), grid_of(b, pair[k].second), s->aside0, s->asides, sums + k * plane,
                          err);
  free(square_a);
  free(square_b);
  return status;
}

/* The best of the asides at one shift. */
static void rate_shift(search *s, const double *sums, int32_t index)
{
  const int32_t shift = s->from + index;
  const int32_t i0 = shift > 0 ? 0 : -shift,
                i1 = s->first.columns - shift < s->second.columns ? s->first.columns - shift : s->second.columns;
  const size_t plane = (size_t)s->asides * (size_t)s->count;
  s->z[index] = NAN;
  s->aside[index] = s->aside0;
  if ((i1 - i0) * s->first.cell_mm < s->least_mm)
    return;
  for (int32_t k = 0; k < s->asides; k++) {
    const double *at = sums + (size_t)k * (size_t)s->count + (size_t)index;
    const double cells = round(at[CELLS * plane]), aa = at[SQUARES_FIRST * plane], bb = at[SQUARES_SECOND * plane];
    if (!(cells >= LEAST_CELLS && aa > 0.0 && bb > 0.0))
      continue;
    const float z = (float)(at[PRODUCTS * plane] / sqrt(aa * bb) * sqrt(cells));
    if (!(z <= s->z[index])) {
      s->z[index] = z;
      s->aside[index] = s->aside0 + k;
      s->root[index] = (float)sqrt(cells);
    }
  }
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

/* Shifts aside about the one that brings equal y together, as far as there are rows in common. */
static void choose_asides(search *s)
{
  const int32_t middle = (int32_t)lround((s->second.y0_mm - s->first.y0_mm) / s->first.cell_mm);
  const int32_t lowest = 1 - s->second.rows, highest = s->first.rows - 1;
  const int32_t low = middle - ASIDE_CELLS > lowest ? middle - ASIDE_CELLS : lowest,
                high = middle + ASIDE_CELLS < highest ? middle + ASIDE_CELLS : highest;
  s->aside0 = low;
  s->asides = high - low + 1;
}

static sp_status run_search(search *s, sp_error *err)
{
  choose_asides(s);
  const bool comparable = s->asides > 0 && s->first.columns <= SP_GRID_MOST && s->second.columns <= SP_GRID_MOST &&
                          s->first.rows <= SP_GRID_MOST && s->second.rows <= SP_GRID_MOST;
  double *sums = comparable ? calloc((size_t)s->asides * (size_t)s->count, SUMS * sizeof *sums) : NULL;
  sp_status status = sums || !comparable ? SP_OK : sp_fail_memory(err);
  if (!status && sums)
    status = correlate(s, sums, err);
  for (int32_t i = 0; !status && i < s->count; i++) {
    s->z[i] = NAN;
    if (sums)
      rate_shift(s, sums, i);
  }
  free(sums);
  return status;
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
  sp_status status = search_open(first, second, least_overlap_mm, &s, err);
  if (status)
    return status;
  for (int turn = 0; turn < 2; turn++) {
    if (turn)
      texture_turn(&s.second);
    status = run_search(&s, err);
    if (status)
      break;
    keep_peaks(&s, turn == 1, place, count);
    rate_places(&s, turn == 1, asked, asked_count);
  }
  search_free(&s);
  return status;
}
