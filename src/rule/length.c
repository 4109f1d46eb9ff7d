/* How long each stroke is, and where the strokes end across the rule. */
#include <math.h>

#include "rule_internal.h"

/* Contrast of the place where stroke k should be in sub-band j: middle against both sides, in the sign of the stroke.
 */
static double contrast_in_band(const bands *b, int32_t j, double base, double period, const sp_stroke *s)
{
  const double middle = s->u_px - b->slope * (sp_rule_band_centre(b, j) - base);
  const int32_t i = (int32_t)lround(middle), side = (int32_t)lround(0.5 * period);
  const int32_t core = period > 12.0 ? 1 : 0;
  if (i - side - core < 0 || i + side + core >= b->length)
    return 0.0;
  const float *x = sp_rule_band(b, j);
  double in = 0.0, out = 0.0;
  for (int32_t d = -core; d <= core; d++) {
    in += (double)x[i + d] / (2 * core + 1);
    out += (double)(x[i - side + d] + x[i + side + d]) / (2.0 * (2 * core + 1));
  }
  return s->amplitude < 0.0 ? out - in : in - out;
}

/* False if the stroke runs on beyond what was read; `own` receives the sub-bands it covers. */
bool sp_rule_measure_length(const bands *b, zone z, double base, double period, sp_stroke *s, zone *extent)
{
  double own = 0.0;
  for (int32_t j = z.first; j <= z.last; j++)
    own += contrast_in_band(b, j, base, period, s) / (z.last - z.first + 1);
  int32_t lo = z.first, hi = z.last;
  /* one weak sub-band (a numeral, a stain) does not end a stroke */
  while (lo > 1 && (contrast_in_band(b, lo - 1, base, period, s) > 0.5 * own ||
                    contrast_in_band(b, lo - 2, base, period, s) > 0.5 * own))
    lo--;
  while (hi + 2 < b->count && (contrast_in_band(b, hi + 1, base, period, s) > 0.5 * own ||
                               contrast_in_band(b, hi + 2, base, period, s) > 0.5 * own))
    hi++;
  s->length_px = (double)((hi - lo + 1) * b->height);
  *extent = (zone){lo, hi};
  return lo > 1 && hi + 2 < b->count;
}

/* Where strokes are fine and faint, streaks of a board beside the rule are as strong as a tenth of them: the band ends
 * with the strokes, all but the few that a numeral or a stain lengthens. */
void sp_rule_keep_to_strokes(const zone *extents, size_t count, int32_t *lo, int32_t *hi)
{
  enum { BESIDE = 3 };
  const size_t odd = count / 40;
  int32_t first = *lo, last = *hi;
  size_t before = 0, after = 0;
  if (count < 8)
    return;
  for (; first < *hi && before <= odd; first += before <= odd) {
    before = 0;
    for (size_t k = 0; k < count; k++)
      before += extents[k].first <= first;
  }
  for (; last > *lo && after <= odd; last -= after <= odd) {
    after = 0;
    for (size_t k = 0; k < count; k++)
      after += extents[k].last >= last;
  }
  *lo = first - BESIDE > *lo ? first - BESIDE : *lo;
  *hi = last + BESIDE < *hi ? last + BESIDE : *hi;
}
