/* Which stroke is which: the zones across the band where every stroke is present, a tracker that carries the period
 * along one of them, and the runs of strokes between covered or damaged stretches, linked where the count is beyond
 * doubt.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "rule_internal.h"
#include "slotproof/numeric.h"

enum { MOST_ZONES = 4 };

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
    const int32_t shift = (int32_t)lround(-b->slope * (sp_rule_band_centre(b, j) - base));
    const float *x = sp_rule_band(b, j);
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

/* Strokes half as broad as their spacing have no skewness, as broad as a quarter of it 1.2. Blurred, and as a curve of
 * light broadens light ones, strokes come near the former; below this they may be the gaps. */
static const double LEAST_SKEW = 0.5;

/* -1 for strokes darker than the steel, +1 for lighter: strokes are the minority, so they make the tail. `open`: a
 * short one. */
static double stroke_sign(const strengths *s, zone z, const float *profile, bool *open)
{
  double cubes = 0.0, squares = 0.0, weights = 0.0;
  for (int32_t k = 0; k < s->blocks; k++) {
    double weight = 0.0, square = 0.0, cube = 0.0;
    for (int32_t j = z.first; j <= z.last; j++)
      weight += s->value[j * s->blocks + k];
    for (int32_t i = 0; i < s->size; i++) {
      const double x = (double)profile[k * s->size + i];
      square += x * x;
      cube += x * x * x;
    }
    cubes += cube * weight;
    squares += square * weight;
    weights += s->size * weight;
  }
  *open = !(fabs(cubes) * sqrt(weights) > LEAST_SKEW * pow(squares, 1.5));
  return cubes < 0.0 ? -1.0 : 1.0;
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
                               bool opposite, sp_rule_reading *reading, sp_error *err)
{
  const double sign = stroke_sign(s, z, profile, &reading->colour_open);
  tracker t = {profile, b->length, opposite ? -sign : sign, period, 0.0};
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

/* Counts the strokes in the strongest zone. Broad black numerals beside fine faint strokes can be the stronger, but
 * they cannot be counted: where there were few of the strokes that the picture has room for, the next zones are looked
 * at, and one with half as many again is taken. `work` holds two profiles. */
sp_status sp_rule_count_strokes(const bands *b, const strengths *s, const double *profile, double period, float *work,
                                bool opposite, zone *z, sp_rule_reading *reading, sp_error *err)
{
  zone zones[MOST_ZONES] = {{0}};
  const size_t n = find_zones(profile, b->count, zones);
  const double enough = 0.5 * b->length / period;
  *z = zones[0];
  for (size_t i = 0; i < n && (i == 0 || (double)reading->count < enough); i++) {
    sp_rule_reading other = {0};
    zone_profile(b, zones[i], sp_rule_zone_base(b, zones[i]), period, work, work + b->length);
    const sp_status status = count_strokes(b, s, zones[i], work + b->length, period, opposite, &other, err);
    if (status)
      return status;
    const bool better = i == 0 || other.count > reading->count + reading->count / 2;
    free(better ? reading->strokes : other.strokes);
    if (!better)
      continue;
    reading->strokes = other.strokes;
    reading->count = other.count;
    reading->colour_open = other.colour_open;
    *z = zones[i];
  }
  return SP_OK;
}
