/* The band of the rule in sub-bands, and how strong the train of strokes is in each, block by block along it: what
 * tells where the strokes lie across the band and by how much the band leans.
 */
#include <math.h>
#include <stdlib.h>

#include "raster/pages.h"
#include "rule_internal.h"
#include "slotproof/numeric.h"
#include "slotproof/workers.h"
#include "workers/wide.h"

enum { REACH_STRIPS = SP_RULE_REACH_STRIPS, MOST_REACH_PX = SP_RULE_MOST_REACH_PX, STRETCHES = 8 };

/* Less than about a millisecond's work, in pixels that are read and in values that are looked through: another thread
 * would cost more than it takes over. */
static const size_t FEW_PIXELS = 2000000, FEW_VALUES = 500000;

static void run_all(sp_work work, void *context, size_t count, bool few)
{
  for (size_t i = 0; few && i < count; i++)
    work(context, i);
  if (!few)
    sp_workers_run(work, context, count);
}

SP_WIDE static void read_stretch(void *context, size_t index)
{
  const bands *b = context;
  const int32_t u0 = (int32_t)((int64_t)b->length * (int64_t)index / STRETCHES);
  const int32_t u1 = (int32_t)((int64_t)b->length * ((int64_t)index + 1) / STRETCHES);
  sp_view_bands(&b->view, b->v0_px, b->slope, b->height, b->count, u0, u1, b->value);
  for (int32_t j = 0; j < b->count; j++) {
    float *row = b->value + (size_t)j * (size_t)b->length;
    for (int32_t u = u0; u < u1; u++)
      if (isnan(row[u])) /* outside the picture: flat, so that nothing is seen there */
        row[u] = 0.0f;
  }
}

/* How far either side of the band's middle strokes are looked for: the longest (whole inches on a 1/64 in rule, 18
 * periods) must not be cut off, or the graduation cannot be told. */
static int32_t reach_px(int32_t strip_px, double period_px)
{
  const double longest = (period_px < 12.0 ? 24.0 : 14.0) * period_px;
  return (int32_t)fmax(REACH_STRIPS * (double)strip_px, fmin(longest, MOST_REACH_PX));
}

sp_status sp_rule_bands_read(const sp_scene *scene, const sp_comb *comb, bands *b, sp_error *err)
{
  const int32_t strip = (int32_t)scene->strip_px;
  b->view = sp_view_of(scene->raster, comb->along);
  b->slope = comb->slope;
  b->height = strip / 4 > 3 ? strip / 4 : 3;
  b->count = 2 * reach_px(strip, comb->period_px) / b->height;
  b->length = b->view.length_px;
  b->v0_px = floor(comb->v0_px - 0.5 * b->count * b->height);
  if (!b->value)
    b->value = sp_pages_allocate((size_t)b->count * (size_t)b->length * sizeof *b->value);
  if (!b->value)
    return sp_fail_memory(err);
  const size_t values = (size_t)b->count * (size_t)b->length;
  run_all(read_stretch, b, STRETCHES, values * (size_t)b->height < FEW_PIXELS);
  return SP_OK;
}

/* ---- how strong the train of strokes is, per sub-band and block */

typedef struct strength_work {
  const bands *b;
  const strengths *s;
  const float *wave; /* cosine, then sine, both under a Hann window */
} strength_work;

SP_WIDE static void strength_of_band(void *context, size_t j)
{
  const strength_work *w = context;
  const int32_t size = w->s->size;
  const float *cosine = w->wave, *sine = w->wave + size;
  for (int32_t k = 0; k < w->s->blocks; k++) {
    const float *x = sp_rule_band(w->b, (int32_t)j) + k * size;
    float re = 0, im = 0;
    for (int32_t i = 0; i < size; i++) {
      re += x[i] * cosine[i];
      im += x[i] * sine[i];
    }
    w->s->value[j * (size_t)w->s->blocks + (size_t)k] = hypot((double)re, (double)im) / size;
  }
}

sp_status sp_rule_strengths(const bands *b, double period, int32_t size, strengths *s, sp_error *err)
{
  s->size = size;
  s->blocks = b->length / size;
  float *wave = malloc((size_t)size * 2 * sizeof *wave);
  if (!s->value)
    s->value = malloc((size_t)b->count * (size_t)(s->blocks + 1) * sizeof *s->value);
  if (!wave || !s->value) {
    free(wave);
    return sp_fail_memory(err);
  }
  for (int32_t i = 0; i < size; i++) {
    const double hann = 0.5 - 0.5 * cos(2.0 * SP_PI * (i + 0.5) / size);
    wave[i] = (float)(hann * cos(2.0 * SP_PI * i / period));
    wave[size + i] = (float)(hann * sin(2.0 * SP_PI * i / period));
  }
  strength_work w = {b, s, wave};
  run_all(strength_of_band, &w, (size_t)b->count, (size_t)b->count * (size_t)b->length < FEW_VALUES);
  free(wave);
  return SP_OK;
}

void sp_rule_mean_profile(const strengths *s, int32_t count, double *profile)
{
  for (int32_t j = 0; j < count; j++) {
    profile[j] = 0.0;
    for (int32_t k = 0; k < s->blocks; k++)
      profile[j] += s->value[j * s->blocks + k] / s->blocks;
  }
}

/* By how many sub-bands block k lies beside the mean profile; how much of the profile is in it as weight. What the
 * block holds elsewhere, a cloth's weave or a mat's grid, does not count. */
static double block_shift(const strengths *s, int32_t count, int32_t k, const double *profile, double *weight)
{
  enum { REACH = 10 };
  double score[2 * REACH + 1], top = 0.0;
  int32_t best = 0;
  *weight = 0.0;
  for (int32_t d = -REACH; d <= REACH; d++) {
    double sum = 0.0;
    for (int32_t j = 0; j < count; j++)
      if (j + d >= 0 && j + d < count)
        sum += profile[j] * s->value[(j + d) * s->blocks + k];
    score[d + REACH] = sum;
    if (sum > top) {
      top = sum;
      best = d;
    }
  }
  double level = 0.0;
  for (int32_t j = 0; j < count; j++)
    level += profile[j] / count;
  for (int32_t j = 0; j < count; j++)
    if (j + best >= 0 && j + best < count)
      *weight += fmax(profile[j] - level, 0.0) * s->value[(j + best) * s->blocks + k];
  if (best == -REACH || best == REACH)
    return (double)best;
  const double a = score[best + REACH - 1], c = score[best + REACH + 1], bend = a - 2.0 * top + c;
  return best + (bend < 0.0 ? 0.5 * (a - c) / bend : 0.0);
}

/* Keeps where each block's band lies, for whoever asks how straight the rule is. */
sp_status sp_rule_keep_drift(const bands *b, const strengths *s, double base, sp_rule_reading *reading, sp_error *err)
{
  const size_t n = s->blocks > 0 ? (size_t)s->blocks : 0;
  double *profile = calloc((size_t)b->count + 1, sizeof *profile);
  reading->drift = calloc(n + 1, sizeof *reading->drift);
  if (!reading->drift || !profile) {
    free(profile);
    return sp_fail_memory(err);
  }
  reading->drift_count = n;
  double top = 0.0;
  sp_rule_mean_profile(s, b->count, profile);
  for (size_t k = 0; k < n; k++) {
    sp_rule_drift *d = &reading->drift[k];
    const double shift = block_shift(s, b->count, (int32_t)k, profile, &d->weight);
    d->u_px = ((double)k + 0.5) * s->size;
    d->v_px = base + b->slope * d->u_px + shift * b->height;
    top = fmax(top, d->weight);
  }
  for (size_t k = 0; k < n && top > 0.0; k++)
    reading->drift[k].weight /= top;
  free(profile);
  return SP_OK;
}

/* The median of the slopes from block to block (Theil; Sen, J. Am. Stat. Assoc. 63, 1968): up to a quarter of the
 * blocks may be none of the rule's, and lie at its ends. `work` has n (n - 1) / 2 + n places. */
static void median_line(const double *shift, const double *keep, size_t n, double *work, double *slope, double *level)
{
  size_t m = 0;
  *slope = *level = 0.0;
  for (size_t k = 0; k < n; k++)
    for (size_t i = 0; i < k; i++)
      if (keep[k] > 0.0 && keep[i] > 0.0)
        work[m++] = (shift[k] - shift[i]) / (double)(k - i);
  if (!m)
    return;
  *slope = sp_median(work, m);
  m = 0;
  for (size_t k = 0; k < n; k++)
    if (keep[k] > 0.0)
      work[m++] = shift[k] - *slope * (double)k;
  *level = sp_median(work, m);
}

/* Blocks that lie near the line; `from` and `slope` in sub-bands, and sub-bands a block. */
static void keep_near(const double *shift, const double *weight, size_t n, double least, double from, double slope,
                      double limit, double *keep)
{
  for (size_t k = 0; k < n; k++)
    keep[k] = weight[k] > least && fabs(shift[k] - from - slope * (double)k) < limit;
}

/* A straight line through the blocks kept; the root mean square of what it leaves. */
static double fit_line(const double *shift, const double *keep, size_t n, double *from, double *slope)
{
  double sw = 0, sx = 0, sy = 0, sxx = 0, sxy = 0, rr = 0;
  for (size_t k = 0; k < n; k++) {
    const double x = (double)k, w = keep[k];
    sw += w;
    sx += w * x;
    sy += w * shift[k];
    sxx += w * x * x;
    sxy += w * x * shift[k];
  }
  const double det = sw * sxx - sx * sx;
  if (sw < 2.5 || det <= 0.0)
    return 0.0;
  *slope = (sw * sxy - sx * sy) / det;
  *from = (sy - *slope * sx) / sw;
  for (size_t k = 0; k < n; k++)
    rr += keep[k] * pow(shift[k] - *from - *slope * (double)k, 2);
  return sqrt(rr / sw);
}

/* The slope by which the blocks drift off the nominal band, in px/px, by a weighted straight line with outliers cut. */
sp_status sp_rule_drift_of(const bands *b, const strengths *s, double *slope, double *offset_px, sp_error *err)
{
  static const double NEAR_SUB_BANDS = 2.0;
  const size_t n = (size_t)s->blocks;
  double *work = malloc((3 * n + n * n + 1 + (size_t)b->count) * sizeof *work);
  if (!work)
    return sp_fail_memory(err);
  double *shift = work, *weight = work + n, *keep = work + 2 * n, *profile = work + 3 * n, *spare = profile + b->count;
  sp_rule_mean_profile(s, b->count, profile);
  for (size_t k = 0; k < n; k++) {
    shift[k] = block_shift(s, b->count, (int32_t)k, profile, &weight[k]);
    spare[k] = weight[k];
  }
  /* a short rule fills few of the blocks: those set the measure, not the empty ones */
  const double least = n ? 0.5 * sp_quantile(spare, n, 0.95) : 0.0;
  double from = 0.0, by = 0.0;
  keep_near(shift, weight, n, least, 0.0, 0.0, INFINITY, keep);
  median_line(shift, keep, n, spare, &by, &from);
  keep_near(shift, weight, n, least, from, by, NEAR_SUB_BANDS, keep);
  for (int round = 0; round < 3; round++) {
    const double rest = fit_line(shift, keep, n, &from, &by);
    keep_near(shift, weight, n, least, from, by, 2.0 * rest + 0.05, keep);
  }
  *slope = by / s->size * b->height;
  *offset_px = (from - 0.5 * by) * b->height;
  free(work);
  return SP_OK;
}
