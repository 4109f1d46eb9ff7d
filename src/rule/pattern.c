/* Which graduation is it? Told from the strokes' lengths.
 *
 * A rule marks its hierarchy by longer strokes: millimetres by fives and tens, half millimetres by twos (whole ones),
 * tens and twenties, inch fractions by halving: 2, 4, 8, 16 (, 32 (, 64)), fiftieths by tenths, halves and wholes.
 * Tenths and hundredths of an inch go by fives and tens as millimetres do, twentieths by twos, tens and twenties as
 * half ones: the pattern cannot tell those. For every kind and every phase the strokes are sorted into the levels that
 * kind would have; lengths are compared with their level's median. Evidence is the log-likelihood over a rule without
 * levels, Laplace-distributed lengths (numerals and stains make far outliers), less half a logarithm of the number of
 * strokes for every level used (Schwarz 1978).
 */
#include <math.h>
#include <stdlib.h>

#include "slotproof/rule.h"
#include "slotproof/numeric.h"

const double SP_GRADUATION_MM_OF[SP_GRADUATION_KINDS] = {
    1.0, 0.5, 25.4 / 16.0, 25.4 / 32.0, 25.4 / 64.0, 25.4 / 50.0, 25.4 / 10.0, 25.4 / 100.0, 25.4 / 20.0};

const char *const SP_GRADUATION_NAME[SP_GRADUATION_KINDS] = {"1 mm",    "0.5 mm",  "1/16 in",  "1/32 in", "1/64 in",
                                                             "1/50 in", "1/10 in", "1/100 in", "1/20 in"};

int sp_graduation_of_mm(double graduation_mm)
{
  for (int k = 0; k < SP_GRADUATION_KINDS; k++)
    if (fabs(SP_GRADUATION_MM_OF[k] - graduation_mm) < 1e-6)
      return k;
  return -1;
}

enum { MAX_LEVELS = 7 };
static const int32_t LEVELS[SP_GRADUATION_KINDS][MAX_LEVELS] = {
    {5, 10, 0},     {2, 10, 20, 0}, {2, 4, 8, 16, 0}, {2, 4, 8, 16, 32, 0}, {2, 4, 8, 16, 32, 64, 0},
    {5, 25, 50, 0}, {5, 10, 0},     {5, 10, 0},       {2, 10, 20, 0}};

static int32_t level_count(int kind)
{
  int32_t n = 0;
  while (LEVELS[kind][n])
    n++;
  return n;
}

static int32_t level_of(int kind, int32_t index, int32_t phase)
{
  int32_t level = 0;
  for (int32_t i = 0; LEVELS[kind][i]; i++)
    if ((index - phase) % LEVELS[kind][i] == 0)
      level = i + 1;
  return level;
}

/* Room for what is known of each stroke. */
typedef struct desk {
  double *length;
  uint8_t *level;
} desk;

static bool take_desk(size_t strokes, desk *d)
{
  *d = (desk){malloc((strokes + 1) * sizeof *d->length), malloc((strokes + 1) * sizeof *d->level)};
  return d->length && d->level;
}

static void leave_desk(desk *d)
{
  free(d->length);
  free(d->level);
}

/* Summed distance of the lengths from their level's median; INFINITY if longer strokes would have to be shorter.
 * `longer`, unless NULL: the greatest level's median over that of the shortest strokes. */
static double misfit(const sp_rule_reading *r, int kind, int32_t phase, double tick, desk *d, double *longer)
{
  double sum = 0.0, before = 0.0, shortest = NAN, *const work = d->length;
  const int32_t levels = level_count(kind);
  for (size_t k = 0; k < r->count; k++) /* divisions are slow: once a stroke */
    d->level[k] = (uint8_t)level_of(kind, r->strokes[k].index, phase);
  for (int32_t level = 0; level <= levels; level++) {
    size_t n = 0;
    for (size_t k = 0; k < r->count; k++)
      if (d->level[k] == level)
        work[n++] = r->strokes[k].length_px;
    if (n == 0)
      continue;
    const double middle = sp_median(work, n);
    if (middle < before - 0.5 * tick)
      return INFINITY;
    before = fmax(before, middle);
    if (level == 0)
      shortest = middle;
    for (size_t i = 0; i < n; i++)
      sum += fmin(fabs(work[i] - middle), 12.0 * tick);
  }
  if (longer)
    *longer = before / shortest;
  return sum;
}

/* By how much whole inches must be longer than half ones (common practice is a fifth and more; no source). */
static const double TOP_LONGER = 1.10;

/* The top level is borne out where more than this part of its strokes are longer than their neighbours, and refuted
 * where no more than half of many are, or not one of some, and at most half are so by however little. Numerals lengthen
 * a stroke here and there, so a few longer ones mean nothing by themselves; but where a level is, nearly all of it is
 * longer. */
static const double MOST_PAIRS = 0.7, FEW_PAIRS = 0.5;
enum { LEAST_PAIRS = 4, SOME_PAIRS = 5, MANY_PAIRS = 8 };

/* NULL if that stroke was not read. Strokes are in order of their index. */
static const sp_stroke *stroke_of_index(const sp_rule_reading *r, int32_t index)
{
  size_t low = 0, high = r->count;
  while (low < high) {
    const size_t middle = low + (high - low) / 2;
    if (r->strokes[middle].index < index)
      low = middle + 1;
    else
      high = middle;
  }
  return low < r->count && r->strokes[low].index == index ? &r->strokes[low] : NULL;
}

/* `longer` of the pairs by enough, `above` by anything. */
static sp_rule_top judge_pairs(size_t pairs, size_t longer, size_t above)
{
  if (pairs >= LEAST_PAIRS && (double)longer > MOST_PAIRS * (double)pairs)
    return SP_RULE_TOP_STANDS_OUT;
  if (pairs < SOME_PAIRS || (double)above > FEW_PAIRS * (double)pairs)
    return SP_RULE_TOP_UNSEEN;
  return longer == 0 ? SP_RULE_TOP_ABSENT : pairs >= MANY_PAIRS ? SP_RULE_TOP_UNLIKELY : SP_RULE_TOP_UNSEEN;
}

sp_status sp_rule_top_level(const sp_rule_reading *r, sp_graduation_kind kind, sp_rule_top *top, sp_error *err)
{
  double best = INFINITY;
  const double tick = 1.0;
  desk d;
  *top = SP_RULE_TOP_UNSEEN;
  if (!take_desk(r->count, &d)) {
    leave_desk(&d);
    return sp_fail_memory(err);
  }
  const int32_t levels = level_count((int)kind), cycle = LEVELS[kind][levels - 1];
  int32_t best_phase = 0;
  for (int32_t phase = 0; phase < cycle; phase++) {
    const double off = misfit(r, (int)kind, phase, tick, &d, NULL);
    if (off < best) {
      best = off;
      best_phase = phase;
    }
  }
  leave_desk(&d);
  if (isinf(best)) /* it does not go with the lengths at all, so there is no top to look at */
    return SP_OK;
  /* each against its own neighbours, because lengths read drift along a picture */
  size_t pairs = 0, longer = 0, above = 0;
  for (size_t k = 0; k < r->count; k++)
    for (int side = -1; level_of((int)kind, r->strokes[k].index, best_phase) == levels && side <= 1; side += 2) {
      const sp_stroke *next = stroke_of_index(r, r->strokes[k].index + side * cycle / 2);
      pairs += next != NULL;
      longer += next && r->strokes[k].length_px > TOP_LONGER * next->length_px;
      above += next && r->strokes[k].length_px > next->length_px;
    }
  *top = judge_pairs(pairs, longer, above);
  return SP_OK;
}

/* Longer strokes must be that much longer than the shortest: strokes all of one length, read with a period that beats
 * with the pixels, come out longer and shorter by a pixel in a pattern as regular as a rule's. Rules have them longer
 * by a third and more (common practice, no source). */
static const double LEAST_LONGER = 1.10;

sp_status sp_rule_pattern(const sp_rule_reading *r, double evidence[SP_GRADUATION_KINDS], sp_error *err)
{
  double tick = INFINITY;
  desk d;
  if (!take_desk(r->count, &d)) {
    leave_desk(&d);
    return sp_fail_memory(err);
  }
  for (size_t k = 0; k < r->count; k++) {
    d.length[k] = r->strokes[k].length_px;
    tick = fmin(tick, d.length[k] > 0.0 ? d.length[k] : tick);
  }
  /* lengths come in whole sub-bands; a sixth of the shortest stroke is about one */
  tick = fmax(1.0, tick / 6.0);
  const double n = (double)r->count, middle = r->count ? sp_median(d.length, r->count) : 0.0;
  double plain = 0.1 * tick * n;
  for (size_t k = 0; k < r->count; k++)
    plain += fmin(fabs(r->strokes[k].length_px - middle), 12.0 * tick);
  for (int kind = 0; kind < SP_GRADUATION_KINDS; kind++) {
    const int32_t levels = level_count(kind), cycle = LEVELS[kind][levels - 1];
    double best = INFINITY, best_longer = NAN;
    for (int32_t phase = 0; phase < cycle; phase++) {
      double longer = NAN;
      const double off = misfit(r, kind, phase, tick, &d, &longer);
      if (off < best) {
        best = off;
        best_longer = longer;
      }
    }
    /* the phase is a free parameter as well: log of the number of phases tried */
    evidence[kind] =
        isinf(best) ? -INFINITY : n * log(plain / (best + 0.1 * tick * n)) - 0.5 * levels * log(n) - log((double)cycle);
    if (!(best_longer >= LEAST_LONGER))
      evidence[kind] = fmin(evidence[kind], 0.0);
  }
  leave_desk(&d);
  return SP_OK;
}
