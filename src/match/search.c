/* Hypotheses worth refining.
 *
 * With the scale known one line and one fret fix everything but the direction; with it unknown two lines and two
 * frets do. All pairs of the former are tried. Of the latter only those with a long lever: one of the first few
 * strong lines with one of the last few, and frets as far apart as the number of lines between makes likely; a short
 * lever would throw its error, enlarged, to the far end. Weak lines propose nothing, they only count in the score.
 */
#include <math.h>
#include <stdlib.h>

#include "match_internal.h"

/* Relative to the reference strength: below, a line proposes nothing unless there are few lines altogether. */
static const double PROPOSE_STRENGTH = 0.35;
enum { LEVER_LINES = 5, LEVER_LINES_LONG = 2, LONG_LAYOUT = 60, PROPOSE_ALWAYS = 8 };
/* Hypotheses whose layouts agree so well everywhere are one, mm. */
static const double SAME_MM = 1.0;

static double place_of(const sp_model *m, const sp_hypothesis *h, size_t k)
{
  return h->origin + h->stretch * m->layout->position_mm[k];
}

static bool same(const sp_model *m, const sp_hypothesis *a, const sp_hypothesis *b)
{
  const double limit = SAME_MM / sp_model_unit(m, a);
  return a->mirrored == b->mirrored && fabs(a->origin - b->origin) < limit &&
         fabs(place_of(m, a, m->frets) - place_of(m, b, m->frets)) < limit;
}

static void keep(const sp_model *m, sp_shortlist *list, const sp_hypothesis *h)
{
  size_t at = list->count;
  if (at == SP_MATCH_KEEP && !(h->score > list->h[at - 1].score))
    return;
  for (size_t i = 0; i < list->count; i++)
    if (same(m, &list->h[i], h)) {
      if (!(h->score > list->h[i].score))
        return;
      at = i;
      break;
    }
  if (at == list->count && list->count < SP_MATCH_KEEP)
    list->count++;
  else if (at == SP_MATCH_KEEP)
    at--;
  for (; at > 0 && list->h[at - 1].score < h->score; at--)
    list->h[at] = list->h[at - 1];
  list->h[at] = *h;
}

/* Indices of the lines that propose, in the order of line[mirrored]. Owned by the caller; NULL for lack of memory. */
static size_t *proposers(const sp_model *m, bool mirrored, size_t *count)
{
  size_t *index = malloc((m->count + 1) * sizeof *index);
  const double limit = PROPOSE_STRENGTH * sp_model_strong(m, 4);
  *count = 0;
  for (size_t i = 0; index && i < m->count; i++)
    if (m->count <= PROPOSE_ALWAYS || m->line[mirrored][i].strength >= limit)
      index[(*count)++] = i;
  return index;
}

static void try_one(const sp_model *m, sp_hypothesis *h, sp_shortlist *list)
{
  double floor = list->count ? list->h[0].score - SP_MATCH_DEPTH : -INFINITY;
  if (list->count == SP_MATCH_KEEP)
    floor = fmax(floor, list->h[SP_MATCH_KEEP - 1].score);
  h->score = sp_model_score(m, h, floor, NULL);
  if (h->score > -INFINITY)
    keep(m, list, h);
}

sp_status sp_search_fixed(const sp_model *m, sp_shortlist *list, sp_error *err)
{
  list->count = 0;
  for (int side = 0; side < 2; side++) {
    size_t count;
    size_t *index = proposers(m, side == 1, &count);
    if (!index)
      return sp_fail_memory(err);
    for (size_t i = 0; i < count; i++)
      for (size_t k = 0; k <= m->frets; k++) {
        sp_hypothesis h = {side == 1, false, m->line[side][index[i]].x - m->layout->position_mm[k], 1.0, 0.0};
        try_one(m, &h, list);
      }
    free(index);
  }
  return SP_OK;
}

typedef struct stretch_range {
  double least, most;
} stretch_range;

/* All frets (k, l) that lines a and b, with `between` proposers between them, may be. */
static void try_lever(const sp_model *m, bool mirrored, size_t a, size_t b, size_t between, stretch_range range,
                      sp_shortlist *list)
{
  const double *p = m->layout->position_mm;
  const double xa = m->line[mirrored][a].x, xb = m->line[mirrored][b].x;
  const size_t least = between > 4 ? (size_t)(0.6 * (double)between) - 1 : 1, most = 2 * between + 4;
  for (size_t k = 0; k < m->frets; k++)
    for (size_t l = k + least; l <= m->frets && l <= k + most; l++) {
      const double stretch = (xb - xa) / (p[l] - p[k]);
      if (!(stretch >= range.least && stretch <= range.most))
        continue;
      sp_hypothesis h = {mirrored, true, xa - stretch * p[k], stretch, 0.0};
      try_one(m, &h, list);
    }
}

sp_status sp_search_free(const sp_model *m, double least_stretch, double most_stretch, sp_shortlist *list,
                         sp_error *err)
{
  const size_t lever = m->frets > LONG_LAYOUT ? LEVER_LINES_LONG : LEVER_LINES;
  const stretch_range range = {least_stretch, most_stretch};
  list->count = 0;
  for (int side = 0; side < 2; side++) {
    size_t count;
    size_t *index = proposers(m, side == 1, &count);
    if (!index)
      return sp_fail_memory(err);
    for (size_t i = 0; i < count && i < lever; i++)
      for (size_t j = count > lever && count - lever > i ? count - lever : i + 1; j < count; j++)
        if (m->line[side][index[j]].x > m->line[side][index[i]].x)
          try_lever(m, side == 1, index[i], index[j], j - i - 1, range, list);
    free(index);
  }
  return SP_OK;
}
