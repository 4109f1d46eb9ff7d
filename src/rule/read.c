/* Reading the rule's strokes at full resolution.
 *
 * The slanted band that the finder gave is cut into narrow sub-bands (bands.c). Where the train of strokes is strongest
 * across, every stroke is present (the long ones and the short ones): that zone is read. Its strokes are counted by a
 * tracker that carries the period along, so that a covered or damaged stretch costs strokes but never the count
 * (count.c). Then each stroke's middle is estimated by least squares against the common stroke profile (a box blurred
 * by a Gaussian), all sub-bands of the zone together, neighbours taken off first, with its own height, background and
 * background slope (refine.c): near the bound sigma_n / A sqrt(2 sigma / sqrt(pi)) / sqrt(N) for a Gaussian ridge in
 * white noise. Last its length (length.c) and its direction (lean.c).
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "rule_internal.h"

enum {
  BLOCK_STRIPS = 12,
  BLOCK_PERIODS = 8,
  REACH_STRIPS = SP_RULE_REACH_STRIPS,
  MOST_REACH_PX = SP_RULE_MOST_REACH_PX
};

static double mean_period(const sp_rule_reading *r, double fallback)
{
  if (r->count < 2 || r->strokes[r->count - 1].index == r->strokes[0].index)
    return fallback;
  return (r->strokes[r->count - 1].u_px - r->strokes[0].u_px) /
         (double)(r->strokes[r->count - 1].index - r->strokes[0].index);
}

static sp_status finish(const bands *b, const double *profile, zone z, double base, double period, sp_rule_reading *r,
                        sp_error *err)
{
  int32_t lo = z.first, hi = z.last;
  while (lo > 0 && profile[lo - 1] > 0.1 * profile[z.first])
    lo--;
  while (hi + 1 < b->count && profile[hi + 1] > 0.1 * profile[z.last])
    hi++;
  r->slope = b->slope;
  r->base_v0_px = base;
  r->period_px = mean_period(r, period);
  size_t cut = 0;
  zone *extents = calloc(r->count + 1, sizeof *extents);
  if (!extents)
    return sp_fail_memory(err);
  for (size_t k = 0; k < r->count; k++)
    cut += !sp_rule_measure_length(b, z, base, r->period_px, &r->strokes[k], &extents[k]);
  r->lengths_cut = cut > 2;
  if (cut <= 2)
    sp_rule_keep_to_strokes(extents, r->count, &lo, &hi);
  r->band_v0_px = sp_rule_band_centre(b, lo);
  r->band_v1_px = sp_rule_band_centre(b, hi);
  const sp_status status = r->blur_px > 0.0 ? sp_rule_fit_leans(b, z, extents, base, r, err) : SP_OK;
  free(extents);
  return status;
}

static sp_status read_aligned(const sp_scene *scene, sp_comb comb, bands *b, strengths *s, double *profile,
                              sp_error *err)
{
  const int32_t size = (int32_t)fmax(BLOCK_STRIPS * (double)scene->strip_px, ceil(BLOCK_PERIODS * comb.period_px));
  for (int round = 0; round < 3; round++) {
    double slope = 0.0, offset = 0.0;
    sp_status status = sp_rule_bands_read(scene, &comb, b, err);
    if (!status)
      status = sp_rule_strengths(b, comb.period_px, size, s, err);
    if (!status && round < 2)
      status = sp_rule_drift_of(b, s, &slope, &offset, err);
    if (status)
      return status;
    if (round < 2 && fabs(slope) * b->length < 0.3)
      break;
    comb.slope += slope;
    comb.v0_px += offset;
  }
  sp_rule_mean_profile(s, b->count, profile);
  return SP_OK;
}

sp_status sp_rule_read(const sp_scene *scene, const sp_comb *comb, sp_rule_reading *reading, sp_error *err)
{
  bands b = {0};
  strengths s = {0};
  memset(reading, 0, sizeof *reading);
  reading->along = comb->along;
  const int32_t most_bands = 2 * (MOST_REACH_PX + REACH_STRIPS * 32) / 3;
  double *profile = calloc((size_t)most_bands, sizeof *profile);
  sp_status status = profile ? read_aligned(scene, *comb, &b, &s, profile, err) : sp_fail_memory(err);
  float *work = status ? NULL : malloc((size_t)b.length * 2 * sizeof *work);
  if (!status && !work)
    status = sp_fail_memory(err);
  if (!status && s.blocks > 0) {
    zone z;
    status = sp_rule_count_strokes(&b, &s, profile, comb->period_px, work, comb->opposite, &z, reading, err);
    const double base = sp_rule_zone_base(&b, z);
    if (!status && reading->count >= 8)
      status = sp_rule_refine(&b, z, base, mean_period(reading, comb->period_px), reading, err);
    if (!status)
      status = sp_rule_keep_drift(&b, &s, base, reading, err);
    if (!status)
      status = finish(&b, profile, z, base, comb->period_px, reading, err);
  }
  free(work);
  free(profile);
  free(s.value);
  free(b.value);
  if (status)
    sp_rule_reading_free(reading);
  return status;
}

void sp_rule_reading_free(sp_rule_reading *reading)
{
  free(reading->strokes);
  free(reading->drift);
  memset(reading, 0, sizeof *reading);
}
