/* Reading the rule's strokes at full resolution.
 *
 * The slanted band that the finder gave is cut into narrow sub-bands. Where the train of strokes is strongest across,
 * every stroke is present (the long ones and the short ones): that zone is read. Its strokes are counted by a tracker
 * that carries the period along, so that a covered or damaged stretch costs strokes but never the count. Then each
 * stroke's middle is estimated by least squares against the common stroke profile (a box blurred by a Gaussian), all
 * sub-bands of the zone together, neighbours taken off first, with its own height, background and background slope:
 * near the bound sigma_n / A sqrt(2 sigma / sqrt(pi)) / sqrt(N) for a Gaussian ridge in white noise.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "raster/pages.h"
#include "slotproof/rule.h"
#include "slotproof/numeric.h"
#include "slotproof/workers.h"
#include "workers/wide.h"

enum {
  BLOCK_STRIPS = 12,
  BLOCK_PERIODS = 8,
  REACH_STRIPS = 15,
  MOST_REACH_PX = 800,
  TABLE_STEPS = 32,
  TABLE_REACH = 40,
  STACK_STEPS = 4,
  STACK_BINS = 2 * 14 * STACK_STEPS + 1,
  STRETCHES = 8,
  MOST_ZONES = 4
};

typedef struct bands {
  sp_view view;
  double slope, v0_px; /* nominal v of band 0's first pixel at u = 0 */
  int32_t height, count, length;
  float *value; /* count x length */
} bands;

static double band_centre(const bands *b, int32_t j)
{
  return b->v0_px + j * (double)b->height + 0.5 * (b->height - 1);
}

static const float *band(const bands *b, int32_t j)
{
  return b->value + (size_t)j * (size_t)b->length;
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

static sp_status bands_read(const sp_scene *scene, const sp_comb *comb, bands *b, sp_error *err)
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
  sp_workers_run(read_stretch, b, STRETCHES);
  return SP_OK;
}

/* ---- how strong the train of strokes is, per sub-band and block ---------------------------------------------------
 */

typedef struct strengths {
  int32_t blocks, size;
  double *value; /* bands x blocks */
} strengths;

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
    const float *x = band(w->b, (int32_t)j) + k * size;
    float re = 0, im = 0;
    for (int32_t i = 0; i < size; i++) {
      re += x[i] * cosine[i];
      im += x[i] * sine[i];
    }
    w->s->value[j * (size_t)w->s->blocks + (size_t)k] = hypot((double)re, (double)im) / size;
  }
}

static sp_status measure_strengths(const bands *b, double period, int32_t size, strengths *s, sp_error *err)
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
  sp_workers_run(strength_of_band, &w, (size_t)b->count);
  free(wave);
  return SP_OK;
}

static void mean_profile(const strengths *s, int32_t count, double *profile)
{
  for (int32_t j = 0; j < count; j++) {
    profile[j] = 0.0;
    for (int32_t k = 0; k < s->blocks; k++)
      profile[j] += s->value[j * s->blocks + k] / s->blocks;
  }
}

/* By how many sub-bands block k lies beside the mean profile; how much of the profile is in it as weight. What the block
 * holds elsewhere, a cloth's weave or a mat's grid, does not count. */
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
static sp_status keep_drift(const bands *b, const strengths *s, double base, sp_rule_reading *reading, sp_error *err)
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
  mean_profile(s, b->count, profile);
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
static sp_status drift(const bands *b, const strengths *s, double *slope, double *offset_px, sp_error *err)
{
  static const double NEAR_SUB_BANDS = 2.0;
  const size_t n = (size_t)s->blocks;
  double *work = malloc((3 * n + n * n + 1 + (size_t)b->count) * sizeof *work);
  if (!work)
    return sp_fail_memory(err);
  double *shift = work, *weight = work + n, *keep = work + 2 * n, *profile = work + 3 * n, *spare = profile + b->count;
  mean_profile(s, b->count, profile);
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

/* ---- counting the strokes ------------------------------------------------------------------------------------------
 */

typedef struct zone {
  int32_t first, last; /* sub-bands, inclusive */
} zone;

static bool in_zones(const zone *zones, size_t n, int32_t j)
{
  for (size_t i = 0; i < n; i++)
    if (j >= zones[i].first - 1 && j <= zones[i].last + 1)
      return true;
  return false;
}

/* The sub-bands about a peak of the profile that are nearly as strong, and in none of the n stronger zones. */
static zone zone_about(const double *profile, int32_t count, int32_t top, const zone *stronger, size_t n)
{
  const double least = 0.75 * profile[top], most = profile[top];
  zone z = {top, top};
  while (z.first > 0 && profile[z.first - 1] > least && profile[z.first - 1] <= most &&
         !in_zones(stronger, n, z.first - 1))
    z.first--;
  while (z.last + 1 < count && profile[z.last + 1] > least && profile[z.last + 1] <= most &&
         !in_zones(stronger, n, z.last + 1))
    z.last++;
  if (z.last - z.first >= 4) { /* the outermost are cut by the rule's edge or by the shortest strokes' ends */
    z.first++;
    z.last--;
  }
  return z;
}

/* Sub-bands less strong than this part of the strongest are no zone of their own. */
static const double LEAST_OF_STRONGEST = 0.1;

/* The strongest sub-bands, strongest first: peaks of the profile that no stronger zone holds. */
static size_t find_zones(const double *profile, int32_t count, zone zones[MOST_ZONES])
{
  double strongest = 0.0;
  for (int32_t j = 0; j < count; j++)
    strongest = fmax(strongest, profile[j]);
  for (size_t n = 0; n < MOST_ZONES; n++) {
    int32_t top = -1;
    for (int32_t j = 0; j < count; j++) {
      const bool peak = (j == 0 || profile[j] >= profile[j - 1]) && (j + 1 == count || profile[j] >= profile[j + 1]);
      if (peak && !in_zones(zones, n, j) && profile[j] >= LEAST_OF_STRONGEST * strongest &&
          (top < 0 || profile[j] > profile[top]))
        top = j;
    }
    if (top < 0)
      return n;
    zones[n] = zone_about(profile, count, top, zones, n);
  }
  return MOST_ZONES;
}

/* Mean over the zone, each sub-band shifted so that the strokes (square to the rule) fall on each other; less its mean
 * over two periods, so that strokes of either colour stand off zero. */
static void zone_profile(const bands *b, zone z, double base, double period, float *sum, float *out)
{
  memset(sum, 0, (size_t)b->length * sizeof *sum);
  for (int32_t j = z.first; j <= z.last; j++) {
    const int32_t shift = (int32_t)lround(-b->slope * (band_centre(b, j) - base));
    const float *x = band(b, j);
    for (int32_t u = 0; u < b->length; u++) {
      int32_t from = u + shift;
      from = from < 0 ? 0 : from >= b->length ? b->length - 1 : from;
      sum[u] += x[from];
    }
  }
  const int32_t half = (int32_t)lround(period);
  double run = 0.0;
  int32_t lo = 0, hi = 0;
  for (int32_t u = 0; u < b->length; u++) {
    while (hi < b->length && hi <= u + half)
      run += (double)sum[hi++];
    while (lo < u - half)
      run -= (double)sum[lo++];
    out[u] = (float)((double)sum[u] - run / (hi - lo)) / (float)(z.last - z.first + 1);
  }
}

/* -1 for strokes darker than the steel, +1 for lighter: strokes are the minority, so they make the tail. */
static double stroke_sign(const bands *b, const strengths *s, zone z, const float *profile)
{
  double sum = 0.0;
  for (int32_t k = 0; k < s->blocks; k++) {
    double weight = 0.0, cube = 0.0;
    for (int32_t j = z.first; j <= z.last; j++)
      weight += s->value[j * s->blocks + k];
    for (int32_t i = 0; i < s->size; i++)
      cube += pow((double)profile[k * s->size + i], 3);
    sum += cube * weight;
  }
  (void)b;
  return sum < 0.0 ? -1.0 : 1.0;
}

typedef struct tracker {
  const float *profile;
  int32_t length;
  double sign, period, contrast;
} tracker;

/* The local extreme nearest to where a stroke is due; false if there is none that looks like one. */
static bool stroke_near(const tracker *t, double due, double *at, double *height)
{
  const int32_t reach = (int32_t)ceil(0.34 * t->period);
  const int32_t middle = (int32_t)lround(due);
  int32_t best = -1;
  double top = -1e30;
  for (int32_t i = middle - reach; i <= middle + reach; i++) {
    if (i < 1 || i + 1 >= t->length)
      continue;
    const double x = t->sign * (double)t->profile[i];
    if (x > top) {
      top = x;
      best = i;
    }
  }
  if (best < 0)
    return false;
  const double a = t->sign * (double)t->profile[best - 1], c = t->sign * (double)t->profile[best + 1];
  const double bend = a - 2.0 * top + c;
  if (bend >= 0.0) /* on a slope: no extreme of its own */
    return false;
  *at = best + 0.5 * (a - c) / bend;
  *height = top;
  return fabs(*at - due) < 0.30 * t->period && top > 0.4 * t->contrast && top < 3.0 * t->contrast;
}

/* Where in block k the strokes lie: phase of the train at the period. */
static double block_phase(const tracker *t, int32_t start, int32_t size)
{
  double best = 0.0, top = -1e30;
  const int32_t steps = (int32_t)ceil(2.0 * t->period);
  for (int32_t q = 0; q < steps; q++) {
    const double first = q * t->period / steps;
    double sum = 0.0;
    for (double u = first; u < size; u += t->period)
      sum += t->sign * (double)t->profile[start + (int32_t)u];
    if (sum > top) {
      top = sum;
      best = first;
    }
  }
  return start + best;
}

static double typical_height(const tracker *t, int32_t start, int32_t size, double first)
{
  enum { MOST = 256 };
  double height[MOST];
  size_t n = 0;
  for (double u = first; u < start + size && n < MOST; u += t->period) {
    double at, h;
    if (stroke_near(t, u, &at, &h))
      height[n++] = h;
  }
  return n ? sp_median(height, n) : 0.0;
}

/* Strokes are not looked for within this of the picture's rim. */
static const double RIM_PX = 1.0;

/* Follows the train one way from `from`; writes strokes with indices step, 2 step ... */
static size_t track(const tracker *start, double from, int32_t index, int32_t step, size_t room, sp_stroke *out)
{
  tracker t = *start;
  double due = from + step * t.period, period = t.period;
  size_t n = 0;
  index += step;
  while (due > RIM_PX && due < t.length - 1.0 - RIM_PX && n < room && period > 3.0) {
    double at, height;
    t.period = period;
    if (stroke_near(&t, due, &at, &height)) {
      const double off = at - due;
      out[n++] = (sp_stroke){.index = index, .u_px = at, .amplitude = height, .good = true};
      period += step * 0.02 * off;
      due = due + 0.4 * off + step * period;
      t.contrast += 0.05 * (height - t.contrast);
    } else {
      due += step * period;
    }
    index += step;
  }
  return n;
}

/* A stroke stands in company: of the ten places around it most hold one. Others are numerals, dirt, the board. */
static size_t drop_lonely(sp_stroke *s, size_t n)
{
  size_t kept = 0;
  for (size_t i = 0; i < n; i++) {
    int32_t company = 0;
    for (size_t j = i > 8 ? i - 8 : 0; j < n && j <= i + 8; j++)
      company += j != i && abs(s[j].index - s[i].index) <= 6;
    s[i].good = company >= 6;
  }
  for (size_t i = 0; i < n; i++)
    if (s[i].good)
      s[kept++] = s[i];
  return kept;
}

/* ---- runs of strokes with gaps between
 * ------------------------------------------------------------------------------- */

/* Within a run the count is certain. Across a covered or damaged stretch the tracker went on by its local period, which
 * the carriage's waves make wrong by up to half a percent: so the count is taken anew from the mean period of both
 * sides. */
enum { GAP_STROKES = 6, MOST_RUNS = 64 };
/* The waves' amplitude in graduations (at worst 30 um on 1/64 in), and how near to a whole number a link must come. */
static const double WAVE_GRADUATIONS = 0.07, MAX_FRACTION = 0.30;

typedef struct run {
  size_t first, count;
  double mean_u, mean_index, period; /* of the strokes in the run */
} run;

static run describe_run(const sp_stroke *s, size_t first, size_t end)
{
  run r = {first, end - first, 0.0, 0.0, 0.0};
  double xx = 0.0, xy = 0.0;
  for (size_t i = first; i < end; i++) {
    r.mean_u += s[i].u_px / (double)r.count;
    r.mean_index += s[i].index / (double)r.count;
  }
  for (size_t i = first; i < end; i++) {
    const double x = s[i].index - r.mean_index;
    xx += x * x;
    xy += x * (s[i].u_px - r.mean_u);
  }
  r.period = xx > 0.0 ? xy / xx : 0.0;
  return r;
}

static size_t split_runs(const sp_stroke *s, size_t n, run *runs)
{
  size_t count = 0, first = 0;
  for (size_t i = 1; i <= n && count < MOST_RUNS; i++)
    if (i == n || s[i].index - s[i - 1].index > GAP_STROKES) {
      runs[count++] = describe_run(s, first, i);
      first = i;
    }
  return count;
}

/* How far the indices of run b are off what run a and the mean period say; false if that cannot be told. */
static bool link(const run *a, const run *b, int32_t *off)
{
  const double weight = (double)(a->count + b->count);
  const double period = ((double)a->count * a->period + (double)b->count * b->period) / weight;
  const double due = (b->mean_u - a->mean_u) / period, have = b->mean_index - a->mean_index;
  *off = (int32_t)lround(due - have);
  const double fraction = fabs(due - have - *off);
  const double doubt = WAVE_GRADUATIONS * (1.0 + 1.5 * fabs(due) / weight);
  return fraction + doubt < 0.5 && fraction < MAX_FRACTION && a->period > 0.0 && b->period > 0.0;
}

/* Starts from the longest run and goes outward; a run that cannot be linked without doubt is left out. */
static void link_runs(sp_stroke *s, size_t n)
{
  run runs[MOST_RUNS] = {{0}};
  const size_t count = split_runs(s, n, runs);
  size_t longest = 0;
  for (size_t i = 1; i < count; i++)
    if (runs[i].count > runs[longest].count)
      longest = i;
  for (int way = -1; way <= 1; way += 2) {
    run last = runs[longest];
    for (size_t k = longest + (size_t)(ptrdiff_t)way; k < count; k += (size_t)(ptrdiff_t)way) {
      int32_t off = 0;
      const bool linked = link(&last, &runs[k], &off);
      for (size_t i = runs[k].first; i < runs[k].first + runs[k].count; i++) {
        s[i].index += off;
        s[i].good = linked;
      }
      if (!linked)
        continue;
      runs[k].mean_index += off;
      last = runs[k];
    }
  }
}

static size_t keep_good(sp_stroke *s, size_t n)
{
  size_t kept = 0;
  for (size_t i = 0; i < n; i++)
    if (s[i].good)
      s[kept++] = s[i];
  return kept;
}

static int by_index(const void *a, const void *b)
{
  const int32_t x = ((const sp_stroke *)a)->index, y = ((const sp_stroke *)b)->index;
  return (x > y) - (x < y);
}

/* In a coarse picture the finest strokes may be a mere ripple, strong enough to give the period but not to be read:
 * then every second number has no stroke, and the strokes that there are lie two periods apart. Counted by ones their
 * lengths would mean another graduation. */
static size_t count_what_is_there(sp_stroke *s, size_t n)
{
  const double most_odd = 0.02;
  size_t odd = 0, kept = 0;
  for (size_t i = 0; i < n; i++)
    odd += (s[i].index & 1) != 0;
  const bool to_odd = 2 * odd > n;
  if ((double)(to_odd ? n - odd : odd) > most_odd * (double)n)
    return n;
  for (size_t i = 0; i < n; i++) {
    if (((s[i].index & 1) != 0) != to_odd)
      continue;
    s[kept] = s[i];
    s[kept++].index = (s[i].index - (to_odd ? 1 : 0)) / 2;
  }
  return kept;
}

static int32_t strongest_block(const strengths *s, zone z)
{
  int32_t best = 0;
  double top = -1.0;
  for (int32_t k = 0; k < s->blocks; k++) {
    double sum = 0.0;
    for (int32_t j = z.first; j <= z.last; j++)
      sum += s->value[j * s->blocks + k];
    if (sum > top) {
      top = sum;
      best = k;
    }
  }
  return best;
}

static sp_status count_strokes(const bands *b, const strengths *s, zone z, const float *profile, double period,
                               sp_rule_reading *reading, sp_error *err)
{
  tracker t = {profile, b->length, stroke_sign(b, s, z, profile), period, 0.0};
  const int32_t start = strongest_block(s, z) * s->size;
  const size_t room = (size_t)(b->length / (0.8 * period)) + 8;
  double first = block_phase(&t, start, s->size);
  if (first <= RIM_PX) /* the tracker would leave off before it has begun */
    first += period;
  reading->strokes = calloc(room * 2, sizeof *reading->strokes);
  if (!reading->strokes)
    return sp_fail_memory(err);
  t.contrast = 0.0;
  tracker open = t;
  open.contrast = 1e-6;
  /* any height will do for the first look: the limit of three times the contrast must not bite */
  double peak[64];
  size_t peaks = 0;
  for (double u = first; u < start + s->size && peaks < 64; u += period) {
    const int32_t i = (int32_t)lround(u);
    if (i >= 0 && i < b->length)
      peak[peaks++] = t.sign * (double)profile[i];
  }
  open.contrast = peaks ? sp_median(peak, peaks) : 0.0;
  t.contrast = typical_height(&open, start, s->size, first);
  if (t.contrast <= 0.0)
    return SP_OK;
  size_t n = track(&t, first - period, -1, 1, room, reading->strokes);
  n += track(&t, first, 0, -1, room, reading->strokes + n);
  qsort(reading->strokes, n, sizeof *reading->strokes, by_index);
  for (size_t i = 0; i < n; i++)
    reading->strokes[i].amplitude *= t.sign;
  reading->count = drop_lonely(reading->strokes, n);
  link_runs(reading->strokes, reading->count);
  reading->count = keep_good(reading->strokes, reading->count);
  reading->count = count_what_is_there(reading->strokes, reading->count);
  return SP_OK;
}

static double zone_base(const bands *b, zone z)
{
  return 0.5 * (band_centre(b, z.first) + band_centre(b, z.last));
}

/* Counts the strokes in the strongest zone. Broad black numerals beside fine faint strokes can be the stronger, but
 * they cannot be counted: where there were few of the strokes that the picture has room for, the next zones are looked
 * at, and one with half as many again is taken. `work` holds two profiles. */
static sp_status count_in_zones(const bands *b, const strengths *s, const double *profile, double period, float *work,
                                zone *z, sp_rule_reading *reading, sp_error *err)
{
  zone zones[MOST_ZONES] = {{0}};
  const size_t n = find_zones(profile, b->count, zones);
  const double enough = 0.5 * b->length / period;
  *z = zones[0];
  for (size_t i = 0; i < n && (i == 0 || (double)reading->count < enough); i++) {
    sp_rule_reading other = {0};
    zone_profile(b, zones[i], zone_base(b, zones[i]), period, work, work + b->length);
    const sp_status status = count_strokes(b, s, zones[i], work + b->length, period, &other, err);
    if (status)
      return status;
    const bool better = i == 0 || other.count > reading->count + reading->count / 2;
    free(better ? reading->strokes : other.strokes);
    if (!better)
      continue;
    reading->strokes = other.strokes;
    reading->count = other.count;
    *z = zones[i];
  }
  return SP_OK;
}

/* ---- the fine estimate ---------------------------------------------------------------------------------------------
 */

/* The blurred box T and its slope on a table: T(x) = [Phi((x + w/2)/s) - Phi((x - w/2)/s)], peak scaled to 1. */
typedef struct profile_table {
  float t[2 * TABLE_REACH * TABLE_STEPS + 2], slope[2 * TABLE_REACH * TABLE_STEPS + 2];
} profile_table;

/* How far from its middle a blurred box reaches: beyond, it is less than 1e-11 of its height. */
static double reach_of_stroke(double width, double sigma)
{
  return 0.5 * width + 7.0 * sigma + 1.0;
}

/* T is even, its slope odd: both sides at once. */
static void table_fill(double width, double sigma, profile_table *table)
{
  const double peak = sp_blurred_box(0.0, width, sigma), h = 1e-3;
  const int32_t middle = TABLE_REACH * TABLE_STEPS;
  const int32_t reach = (int32_t)fmin(middle, ceil(reach_of_stroke(width, sigma) * TABLE_STEPS));
  memset(table, 0, sizeof *table);
  for (int32_t i = 0; i <= reach; i++) {
    const double x = (double)i / TABLE_STEPS;
    table->t[middle + i] = table->t[middle - i] = (float)(sp_blurred_box(x, width, sigma) / peak);
    table->slope[middle + i] =
        (float)((sp_blurred_box(x + h, width, sigma) - sp_blurred_box(x - h, width, sigma)) / (2.0 * h * peak));
    table->slope[middle - i] = -table->slope[middle + i];
  }
}

static double table_at(const float *table, double x)
{
  const double p = (x + TABLE_REACH) * TABLE_STEPS;
  if (p <= 0.0 || p >= 2.0 * TABLE_REACH * TABLE_STEPS)
    return 0.0;
  const int32_t i = (int32_t)p;
  return (double)table[i] + (p - i) * (double)(table[i + 1] - table[i]);
}

typedef struct fit_setting {
  const bands *b;
  zone z;
  double base, period, half; /* window half-width in px */
  const profile_table *table;
} fit_setting;

/* Sum of the neighbours' profiles at u, so that close strokes do not pull each other. */
static double neighbours(const fit_setting *f, const sp_stroke *s, size_t n, size_t k, double u, double lean)
{
  double sum = 0.0;
  for (size_t m = k > 0 ? k - 1 : 0; m <= k + 1 && m < n; m++)
    if (m != k)
      sum += s[m].amplitude * table_at(f->table->t, u - s[m].u_px - lean);
  return sum;
}

/* One Gauss-Newton step for stroke k: level, slope of the background, height, place. Returns the step in px. */
static double fit_step(const fit_setting *f, sp_stroke *s, size_t n, size_t k)
{
  double gram[16] = {0}, rhs[4] = {0};
  const bool sloped = f->half >= 5.0;
  for (int32_t j = f->z.first; j <= f->z.last; j++) {
    const double lean = -f->b->slope * (band_centre(f->b, j) - f->base);
    const double middle = s[k].u_px + lean;
    const float *x = band(f->b, j);
    const int32_t lo = (int32_t)ceil(middle - f->half), hi = (int32_t)floor(middle + f->half);
    if (lo < 0 || hi >= f->b->length)
      continue;
    double level = 0.0;
    for (int32_t i = lo; i <= hi; i++)
      level += (double)x[i];
    level /= hi - lo + 1;
    for (int32_t i = lo; i <= hi; i++) {
      const double d = i - middle;
      const double row[4] = {1.0, sloped ? d : 0.0, table_at(f->table->t, d),
                             -s[k].amplitude * table_at(f->table->slope, d)};
      const double y = (double)x[i] - level - neighbours(f, s, n, k, i, lean) - s[k].amplitude * row[2];
      for (int32_t a = 0; a < 4; a++) {
        for (int32_t c = 0; c <= a; c++)
          gram[4 * a + c] += row[a] * row[c];
        rhs[a] += row[a] * y;
      }
    }
  }
  if (!sloped)
    gram[5] = 1.0;
  for (int32_t a = 0; a < 4; a++)
    for (int32_t c = a + 1; c < 4; c++)
      gram[4 * a + c] = gram[4 * c + a];
  if (!sp_cholesky(4, gram))
    return 1e9;
  sp_cholesky_solve(4, gram, rhs);
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
      const double middle = s[k].u_px - f->b->slope * (band_centre(f->b, j) - f->base);
      const int32_t lo = (int32_t)ceil(middle - f->half), hi = (int32_t)floor(middle + f->half);
      const float *x = band(f->b, j);
      if (lo < 0 || hi >= f->b->length)
        continue;
      double level = 0.0;
      for (int32_t i = lo; i <= hi; i++)
        level += (double)x[i] / (hi - lo + 1);
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

/* A stroke and its neighbours at x, as far as they reach. */
static double stroke_among_others(double x, double period, double width, double sigma)
{
  const double reach = reach_of_stroke(width, sigma);
  double sum = 0.0;
  for (int k = -1; k <= 1; k++)
    if (fabs(x + k * period) < reach)
      sum += sp_blurred_box(x + k * period, width, sigma);
  return sum;
}

/* What is left of the stack after the best height and level for this width and blur. */
static double stack_rest(const double *x, const double *y, size_t n, double period, double width, double sigma)
{
  double st = 0, sy = 0, stt = 0, sty = 0, syy = 0, shape[STACK_BINS / 2 + 1];
  size_t filled = 0; /* the shape is even: once for both sides */
  for (size_t i = 0; i < n; i++) {
    const size_t bin = (size_t)(fabs(x[i]) * STACK_STEPS + 0.5);
    for (; filled <= bin; filled++)
      shape[filled] = stroke_among_others((double)filled / STACK_STEPS, period, width, sigma);
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

typedef struct stroke_stack {
  const double *x, *y;
  size_t count;
  double period;
} stroke_stack;

/* Best width for a given blur, by golden section: the rest has one minimum in the width. */
static double best_width(const stroke_stack *k, double sigma, double *width)
{
  const double golden = 0.6180339887498949;
  double lo = 0.3, hi = fmin(0.75 * k->period, 14.0);
  double a = hi - golden * (hi - lo), b = lo + golden * (hi - lo);
  double fa = stack_rest(k->x, k->y, k->count, k->period, a, sigma);
  double fb = stack_rest(k->x, k->y, k->count, k->period, b, sigma);
  while (hi - lo > 0.02) {
    if (fa < fb) {
      hi = b;
      b = a;
      fb = fa;
      a = hi - golden * (hi - lo);
      fa = stack_rest(k->x, k->y, k->count, k->period, a, sigma);
    } else {
      lo = a;
      a = b;
      fa = fb;
      b = lo + golden * (hi - lo);
      fb = stack_rest(k->x, k->y, k->count, k->period, b, sigma);
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
  const double rest = stack_rest(k->x, k->y, k->count, k->period, width, sigma);
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

static sp_status refine_strokes(const bands *b, zone z, double base, double period, sp_rule_reading *reading,
                                sp_error *err)
{
  profile_table *table = malloc(sizeof *table);
  double *x = malloc(512 * sizeof *x);
  if (!table || !x) {
    free(table);
    free(x);
    return sp_fail_memory(err);
  }
  fit_setting f = {b, z, base, period, 0.5 * period, table};
  double width = 0.15 * period, sigma = 1.0;
  if (f.half > 14.0)
    f.half = 14.0;
  for (int round = 0; round < 3; round++) {
    const size_t m = stack_strokes(&f, reading->strokes, reading->count, x, x + 256);
    const stroke_stack k = {x, x + 256, m, period};
    if (round != 1) /* once to start with, once with the refined places */
      fit_stack(&k, &width, &sigma);
    table_fill(width, sigma, table);
    const double enough = 0.5 * width + 4.0 * sigma + 3.0;
    f.half = fmin(fmin(0.5 * period + 0.5, enough), TABLE_REACH - 1.0);
    for (int pass = 0; pass < 2; pass++)
      for (size_t k = 0; k < reading->count; k++) {
        sp_stroke *s = &reading->strokes[k];
        if (s->good && fabs(fit_step(&f, reading->strokes, reading->count, k)) > 1e8)
          s->good = false;
      }
  }
  const size_t m = stack_strokes(&f, reading->strokes, reading->count, x, x + 256);
  const stroke_stack k = {x, x + 256, m, period};
  reading->stroke_px = width;
  reading->blur_px = sigma;
  reading->blur_sd_log = doubt_of_blur(&k, width, sigma);
  drop_unlike(reading);
  free(table);
  free(x);
  return SP_OK;
}

/* ---- how long each stroke is ---------------------------------------------------------------------------------------
 */

/* Contrast of the place where stroke k should be in sub-band j: middle against both sides, in the sign of the stroke.
 */
static double contrast_in_band(const bands *b, int32_t j, double base, double period, const sp_stroke *s)
{
  const double middle = s->u_px - b->slope * (band_centre(b, j) - base);
  const int32_t i = (int32_t)lround(middle), side = (int32_t)lround(0.5 * period);
  const int32_t core = period > 12.0 ? 1 : 0;
  if (i - side - core < 0 || i + side + core >= b->length)
    return 0.0;
  const float *x = band(b, j);
  double in = 0.0, out = 0.0;
  for (int32_t d = -core; d <= core; d++) {
    in += (double)x[i + d] / (2 * core + 1);
    out += (double)(x[i - side + d] + x[i + side + d]) / (2.0 * (2 * core + 1));
  }
  return s->amplitude < 0.0 ? out - in : in - out;
}

/* False if the stroke runs on beyond what was read; `own` receives the sub-bands it covers. */
static bool measure_length(const bands *b, zone z, double base, double period, sp_stroke *s, zone *extent)
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

static double mean_period(const sp_rule_reading *r, double fallback)
{
  if (r->count < 2 || r->strokes[r->count - 1].index == r->strokes[0].index)
    return fallback;
  return (r->strokes[r->count - 1].u_px - r->strokes[0].u_px) /
         (double)(r->strokes[r->count - 1].index - r->strokes[0].index);
}

/* ---- the direction of each stroke ----------------------------------------------------------------------------------
 */

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
      sum += w->strokes[m].amplitude * table_at(w->table->t, u - w->strokes[m].u_px - lean);
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
  const double v = band_centre(w->b, j) - w->base, lean = -w->b->slope * v;
  const double middle = s->u_px + lean + start[0] + start[1] * (v - v_own);
  const float *x = band(w->b, j);
  const int32_t lo = (int32_t)ceil(middle - w->half), hi = (int32_t)floor(middle + w->half);
  double level = 0.0;
  if (lo < 0 || hi >= w->b->length)
    return;
  for (int32_t i = lo; i <= hi; i++)
    level += (double)x[i] / (hi - lo + 1);
  for (int32_t i = lo; i <= hi; i++, sums->values++) {
    const double d = i - middle, steep = -s->amplitude * table_at(w->table->slope, d);
    const double row[5] = {1.0, w->half >= 5.0 ? d : 0.0, table_at(w->table->t, d), steep, steep * (v - v_own)};
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
 * strokes would say more of their direction, but beyond the others' ends something turns all of them by some tenths of a
 * milliradian (seen on drawn photographs of two renderers), and a board's far side is ten times as far off. */
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
  const double v_first = band_centre(w->b, own.first) - w->base, v_last = band_centre(w->b, own.last) - w->base;
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

static sp_status fit_leans(const bands *b, zone common, const zone *extents, double base, sp_rule_reading *r,
                           sp_error *err)
{
  profile_table *table = malloc(sizeof *table);
  if (!table)
    return sp_fail_memory(err);
  table_fill(r->stroke_px, r->blur_px, table);
  const double enough = 0.5 * r->stroke_px + 4.0 * r->blur_px + 3.0;
  const lean_work w = {.b = b,
                       .common = common,
                       .extents = extents,
                       .table = table,
                       .base = base,
                       .half = fmin(fmin(0.5 * r->period_px + 0.5, enough), TABLE_REACH - 1.0),
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

/* Where strokes are fine and faint, streaks of a board beside the rule are as strong as a tenth of them: the band ends
 * with the strokes, all but the few that a numeral or a stain lengthens. */
static void keep_to_strokes(const zone *extents, size_t count, int32_t *lo, int32_t *hi)
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
    cut += !measure_length(b, z, base, r->period_px, &r->strokes[k], &extents[k]);
  r->lengths_cut = cut > 2;
  if (cut <= 2)
    keep_to_strokes(extents, r->count, &lo, &hi);
  r->band_v0_px = band_centre(b, lo);
  r->band_v1_px = band_centre(b, hi);
  const sp_status status = r->blur_px > 0.0 ? fit_leans(b, z, extents, base, r, err) : SP_OK;
  free(extents);
  return status;
}

static sp_status read_aligned(const sp_scene *scene, sp_comb comb, bands *b, strengths *s, double *profile,
                              sp_error *err)
{
  const int32_t size = (int32_t)fmax(BLOCK_STRIPS * (double)scene->strip_px, ceil(BLOCK_PERIODS * comb.period_px));
  for (int round = 0; round < 3; round++) {
    double slope = 0.0, offset = 0.0;
    sp_status status = bands_read(scene, &comb, b, err);
    if (!status)
      status = measure_strengths(b, comb.period_px, size, s, err);
    if (!status && round < 2)
      status = drift(b, s, &slope, &offset, err);
    if (status)
      return status;
    if (round < 2 && fabs(slope) * b->length < 0.3)
      break;
    comb.slope += slope;
    comb.v0_px += offset;
  }
  mean_profile(s, b->count, profile);
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
    status = count_in_zones(&b, &s, profile, comb->period_px, work, &z, reading, err);
    const double base = zone_base(&b, z);
    if (!status && reading->count >= 8)
      status = refine_strokes(&b, z, base, mean_period(reading, comb->period_px), reading, err);
    if (!status)
      status = keep_drift(&b, &s, base, reading, err);
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
