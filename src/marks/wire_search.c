/* Frets on a board, found without knowing what they look like.
 *
 * A fret is 1.5 to 3 mm broad and has no grey of its own: metal mirrors the lamp, one flank is bright and the other
 * dark, and on the whole it may be as light as the wood. What holds is that everything in it runs straight across the
 * board, that the wood between does not, and that all frets of a board are one wire under one lamp. So the profile
 * along the board is taken as the median over the board's breadth (strings, inlays, dirt and dents are in the minority
 * at every place), for every slope a fret may have; where it changes much there is something across the board; and what
 * most of these places look like, each moved until it fits the others, is the section of a fret. Places that are like
 * it are frets. An inlay's edge, the nut, an empty slot are not.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "board_internal.h"
#include "slotproof/numeric.h"
#include "wire.h"

enum { SLOPES = 13, MOST_STRIPS = 700, MOST_PEAKS = 60, FEWEST_ALIKE = 3, MOST_MOVES = 3 };
/* Slope of a fret against the square direction: 0.5 degree; one that is measured may be a little more. */
static const double SLOPE_REACH = 0.009, MOST_LEAN = 0.010;
/* Part of the breadth left out at both sides: binding, filed ends. */
#define INSET 0.12
/* Half of the stretch that is compared; nearer together frets are not. */
static const double HALF_MM = 1.9, APART_MM = 2.6;
/* The grey's change is taken over so much. */
static const double STEP_MM = 0.12;
/* Two places of one section: correlation at the best shift. A whole board's section averages the accidents out. */
static const double LIKE_ANOTHER = 0.60, LIKE_SECTION = 0.55;
/* Of one that shows over a part of the breadth only: less is averaged, and inlays are as broad. */
static const double LIKE_PART = 0.70, EDGE_INSET = 0.05;
/* A place that changes less than this against the more lively ones is wood. */
static const double LEAST_ENERGY = 0.015;
/* A single strip has dirt, a string, an inlay in it. */
static const double LIKE_STRIP = 0.45, BRIDGE_MM = 4.5;
/* A break against the largest of a section; one that leaves less than it explains may be smaller. */
static const double LEAST_BREAK = 0.15, CLEAR_BREAK = 0.08, PLAIN_BREAK = 0.04;
/* A plain one that may be a foot all the same: beside a highlight the end of a dark flank hardly counts. */
static const double FAINT_BREAK = 0.012;
/* What changes less than this against the most is no part of a fret; farther off than this its middle is not: changes
 * are summed over 1.2 mm to both sides, and half of the wire. */
static const float QUIET = 0.05f;
static const double MOST_OFF_MM = 2.6;
/* A change in the grey that may be an edge, of full scale. */
static const double LEAST_EDGE = 0.015;
static const double LEAST_HEIGHT = 0.25, MOST_HEIGHT = 3.5;

typedef struct profiles {
  int32_t length, step_px, half_px;
  double slope[SLOPES];
  float *grey[SLOPES]; /* length each: the median over the breadth along that slope */
  float *edge[SLOPES]; /* its change over step_px */
} profiles;

/* ---- the board ------------------------------------------------------------------------------------------------------
 */

static double reach_of(const sp_candidate *c)
{
  return fabs(c->height) * (c->v1_px - c->v0_px);
}

static sp_mark as_mark(const sp_candidate *c)
{
  return (sp_mark){.u_px = c->u_px,
                   .v_px = c->v_px,
                   .slope = c->slope,
                   .u_u_px = 1.0,
                   .u_slope = 1e-3,
                   .v_a_px = c->v0_px,
                   .v_b_px = c->v1_px};
}

/* Lines that could share one board: visible, of a length, over each other, and parallel. They come most visible first.
 */
static size_t keep_company(const sp_candidate *c, size_t n, double least_px, sp_mark *lines)
{
  double work[SP_BOARD_MAX_LINES], slope, length, centre;
  size_t count = 0, kept = 0;
  const double strong = n ? reach_of(&c[n < 12 ? n / 2 : 8]) : 0.0;
  for (size_t i = 0; i < n && count < SP_BOARD_MAX_LINES; i++)
    if (reach_of(&c[i]) > 0.25 * strong && c[i].v1_px - c[i].v0_px > least_px)
      lines[count++] = as_mark(&c[i]);
  if (count < 3)
    return 0;
  for (size_t i = 0; i < count; i++)
    work[i] = lines[i].slope;
  slope = sp_median(work, count);
  for (size_t i = 0; i < count; i++)
    work[i] = lines[i].v_b_px - lines[i].v_a_px;
  length = sp_quantile(work, count, 0.65);
  for (size_t i = 0; i < count; i++)
    work[i] = lines[i].v_px + slope * lines[i].u_px;
  centre = sp_median(work, count);
  for (size_t i = 0; i < count; i++) {
    const sp_mark *m = &lines[i];
    if (m->v_b_px - m->v_a_px > 0.6 * length && fabs(m->v_px + slope * m->u_px - centre) < 0.35 * length &&
        fabs(m->slope - slope) < 0.012)
      lines[kept++] = *m;
  }
  return kept;
}

sp_status sp_wire_board(const sp_scene *scene, sp_along along, const sp_marks_options *o, sp_board *board,
                        size_t *count, sp_error *err)
{
  enum { MOST = 400 };
  sp_candidate candidates[MOST];
  sp_mark lines[SP_BOARD_MAX_LINES];
  sp_marks_options as_slots = *o;
  size_t n = 0;
  as_slots.kind = SP_MARK_SLOT; /* the filter that answers to half a millimetre */
  sp_status status = sp_marks_search(scene, along, &as_slots, NULL, MOST, candidates, &n, err);
  if (status)
    return status;
  *count = keep_company(candidates, n, 15.0 * o->px_per_mm, lines);
  return sp_board_find(scene, along, o, lines, *count, board, err);
}

/* ---- profiles along the board ---------------------------------------------------------------------------------------
 */

/* A part of the board's breadth, shares of it from the side at smaller v. */
typedef struct band {
  double from, to;
} band;

static const band WHOLE = {INSET, 1.0 - INSET};

/* The strips that lie in a band of the board at u, their values taken along a slope. */
static size_t gather(const sp_strips *strips, const sp_board *b, band part, double slope, int32_t u, float *out)
{
  const double lo = sp_lengthwise_at(&b->side[0], u), hi = sp_lengthwise_at(&b->side[1], u);
  const double centre = sp_lengthwise_at(&b->centre, u), w = strips->width_px;
  const double first = lo + part.from * (hi - lo), last = lo + part.to * (hi - lo);
  size_t n = 0;
  for (int32_t k = (int32_t)fmax(ceil(first / w), 0.0); k < (int32_t)(last / w) && n < MOST_STRIPS; k++) {
    const double at = u + slope * ((k + 0.5) * w - 0.5 - centre);
    const int32_t i = (int32_t)floor(at);
    if ((uint32_t)k >= strips->count || i < 0 || i + 1 >= (int32_t)strips->length_px)
      continue;
    const float *p = strips->mean + (size_t)k * strips->length_px + i, rest = (float)(at - i);
    out[n++] = p[0] + rest * (p[1] - p[0]);
  }
  return n;
}

static void fill_edges(profiles *p, int s)
{
  const int32_t k = p->step_px;
  memset(p->edge[s], 0, (size_t)p->length * sizeof *p->edge[s]);
  for (int32_t u = k; u + k < p->length; u++) {
    float sum = 0.0f;
    for (int32_t i = 1; i <= k; i++)
      sum += p->grey[s][u + i] - p->grey[s][u - i];
    p->edge[s][u] = sum / (float)k;
  }
}

static void profiles_free(profiles *p)
{
  for (int s = 0; s < SLOPES; s++) {
    free(p->grey[s]);
    free(p->edge[s]);
  }
}

static sp_status make_profiles(const sp_scene *scene, sp_along along, const sp_marks_options *o, const sp_board *board,
                               band part, profiles *p, sp_error *err)
{
  const sp_strips *strips = &scene->strips[along];
  float work[MOST_STRIPS];
  memset(p, 0, sizeof *p);
  p->length = (int32_t)strips->length_px;
  p->step_px = (int32_t)fmax(1.0, round(STEP_MM * o->px_per_mm));
  p->half_px = (int32_t)lround(HALF_MM * o->px_per_mm);
  for (int s = 0; s < SLOPES; s++) {
    p->slope[s] = -board->centre.slope + SLOPE_REACH * (2.0 * s / (SLOPES - 1) - 1.0);
    p->grey[s] = calloc((size_t)p->length, sizeof(float));
    p->edge[s] = calloc((size_t)p->length, sizeof(float));
    if (!p->grey[s] || !p->edge[s]) {
      profiles_free(p);
      return sp_fail_memory(err);
    }
    for (int32_t u = 0; u < p->length; u++) {
      const size_t n = gather(strips, board, part, p->slope[s], u, work);
      p->grey[s][u] = n ? sp_median_f(work, n) : 0.0f;
    }
    fill_edges(p, s);
  }
  return SP_OK;
}

/* ---- lively places --------------------------------------------------------------------------------------------------
 */

typedef struct peak {
  int32_t u;
  int s;
  double energy;
} peak;

static int by_energy(const void *a, const void *b)
{
  const double x = ((const peak *)a)->energy, y = ((const peak *)b)->energy;
  return (x < y) - (x > y);
}

/* Changes squared and summed over a fret's breadth, at the slope where that is most. */
static sp_status find_peaks(const profiles *p, double px_per_mm, peak *peaks, size_t *count, sp_error *err)
{
  const int32_t breadth = (int32_t)lround(1.2 * px_per_mm), apart = (int32_t)lround(0.7 * APART_MM * px_per_mm);
  double *energy = calloc(2 * (size_t)p->length + 1, sizeof *energy), *sum = energy ? energy + p->length : NULL;
  int *best = calloc((size_t)p->length, sizeof *best);
  if (!energy || !best) {
    free(energy);
    free(best);
    return sp_fail_memory(err);
  }
  for (int s = 0; s < SLOPES; s++) {
    sum[0] = 0.0;
    for (int32_t u = 0; u < p->length; u++)
      sum[u + 1] = sum[u] + (double)(p->edge[s][u] * p->edge[s][u]);
    for (int32_t u = breadth; u + breadth < p->length; u++) {
      const double e = sum[u + breadth] - sum[u - breadth];
      if (e > energy[u]) {
        energy[u] = e;
        best[u] = s;
      }
    }
  }
  *count = 0;
  for (int32_t u = p->half_px; u + p->half_px < p->length && *count < MOST_PEAKS; u++) {
    bool top = energy[u] > 0.0;
    for (int32_t d = 1; d <= apart && top; d++)
      top = (u < d || energy[u - d] < energy[u]) && (u + d >= p->length || energy[u + d] <= energy[u]);
    if (top)
      peaks[(*count)++] = (peak){u, best[u], energy[u]};
  }
  free(energy);
  free(best);
  qsort(peaks, *count, sizeof *peaks, by_energy);
  const double least = *count ? LEAST_ENERGY * peaks[*count > 5 ? 5 : 0].energy : 0.0;
  while (*count && peaks[*count - 1].energy < least)
    (*count)--;
  return SP_OK;
}

static void changes(const float *grey, int32_t n, int32_t step, float *out)
{
  for (int32_t i = 0; i < n; i++) {
    float sum = 0.0f;
    for (int32_t d = 1; d <= step; d++)
      sum += grey[i + step + d] - grey[i + step - d];
    out[i] = sum / (float)step;
  }
}

/* Correlation of n values with the same number of another's, means not taken off: changes have none. */
static double correlation(const float *a, const float *b, int32_t n, double *factor)
{
  double ab = 0.0, aa = 0.0, bb = 0.0;
  for (int32_t i = 0; i < n; i++) {
    ab += (double)(a[i] * b[i]);
    aa += (double)(a[i] * a[i]);
    bb += (double)(b[i] * b[i]);
  }
  *factor = aa > 0.0 ? ab / aa : 0.0;
  return aa > 0.0 && bb > 0.0 ? ab / sqrt(aa * bb) : 0.0;
}

static double vertex(double a, double b, double c)
{
  const double bend = a - 2.0 * b + c;
  return bend < 0.0 ? fmin(fmax(0.5 * (a - c) / bend, -0.5), 0.5) : 0.0;
}

/* ---- how they lean --------------------------------------------------------------------------------------------------
 * The slope at which the median over the breadth is liveliest is none to rely on: strings and dirt lie across, and one
 * foot brought to the other's place may count for more than both at their own. So the breadth is parted, and where the
 * parts show the place tells its slope: a section taken along a wrong one is smeared over a tenth of a millimetre.
 */

enum { PARTS = 12, LEAN_ROUNDS = 3, FEWEST_PARTS = 6 };
/* How far a part is looked for about the place; how like the whole it must be; of the breadth, parts farther from each
 * other tell the slope. */
static const double LEAN_REACH_MM = 0.30, LIKE_WHOLE = 0.5, LEAN_BASE = 0.25;

typedef struct lean_job {
  const sp_strips *strips;
  const sp_board *board;
  const profiles *p;
  band part;
  int32_t reach_px;
} lean_job;

/* The grey's change about u along a slope in each of the parts, 2 half + 1 of them, and the median of these. */
static void read_parts(const lean_job *l, double slope, int32_t u, int32_t half, float *edges, float *whole)
{
  const int32_t k = l->p->step_px, n = 2 * half + 1, all = n + 2 * k;
  float work[MOST_STRIPS], *grey = edges + (size_t)PARTS * (size_t)n;
  for (int b = 0; b < PARTS; b++) {
    const double breadth = (l->part.to - l->part.from) / PARTS, from = l->part.from + b * breadth;
    for (int32_t i = 0; i < all; i++) {
      const size_t count = gather(l->strips, l->board, (band){from, from + breadth}, slope, u - half - k + i, work);
      grey[i] = count ? sp_median_f(work, count) : 0.0f;
    }
    changes(grey, n, k, edges + (size_t)b * (size_t)n);
  }
  for (int32_t i = 0; i < n; i++) {
    for (int b = 0; b < PARTS; b++)
      work[b] = edges[(size_t)b * (size_t)n + (size_t)i];
    whole[i] = sp_median_f(work, PARTS);
  }
}

/* By how much a part lies beside the whole; NAN where it shows something else. */
static double part_shift(const float *part, const float *whole, int32_t n, int32_t reach)
{
  enum { MOST = 64 };
  double c[2 * MOST + 1], factor;
  const int32_t most = reach < MOST ? reach : MOST;
  int32_t best = 0;
  for (int32_t d = -most; d <= most; d++) {
    c[d + most] = correlation(whole + most, part + most + d, n - 2 * most, &factor);
    if (c[d + most] > c[best])
      best = d + most;
  }
  if (!(c[best] > LIKE_WHOLE) || best == 0 || best == 2 * most)
    return NAN;
  return best - most + vertex(c[best - 1], c[best], c[best + 1]);
}

/* Median of the slopes between parts that lie far from each other (Theil 1950, Sen 1968). */
static bool slope_of_shifts(const double *v, const double *shift, double base_px, double *slope)
{
  double work[PARTS * PARTS / 2];
  size_t n = 0, used = 0;
  for (int a = 0; a < PARTS; a++) {
    used += isfinite(shift[a]) ? 1 : 0;
    for (int b = a + 1; b < PARTS; b++)
      if (isfinite(shift[a]) && isfinite(shift[b]) && v[b] - v[a] > base_px)
        work[n++] = (shift[b] - shift[a]) / (v[b] - v[a]);
  }
  if (used < FEWEST_PARTS || !n)
    return false;
  *slope = sp_median(work, n);
  return true;
}

/* The slope of what lies at u, from a first one; that one where the parts do not tell. `edges`: room for PARTS + 2
 * windows. */
static double lean_at(const lean_job *l, int32_t u, double slope, float *room)
{
  const int32_t half = l->p->half_px, n = 2 * half + 1;
  const double lo = sp_lengthwise_at(&l->board->side[0], u), hi = sp_lengthwise_at(&l->board->side[1], u);
  float *whole = room, *edges = room + n;
  double v[PARTS], shift[PARTS], first = slope;
  for (int b = 0; b < PARTS; b++)
    v[b] = lo + (hi - lo) * (l->part.from + (b + 0.5) * (l->part.to - l->part.from) / PARTS);
  for (int round = 0; round < LEAN_ROUNDS; round++) {
    double more;
    read_parts(l, slope, u, half, edges, whole);
    for (int b = 0; b < PARTS; b++)
      shift[b] = part_shift(edges + (size_t)b * (size_t)n, whole, n, l->reach_px);
    if (!slope_of_shifts(v, shift, LEAN_BASE * (v[PARTS - 1] - v[0]), &more))
      return first;
    slope += more;
  }
  return fabs(slope + l->board->centre.slope) < MOST_LEAN ? slope : first;
}

static int nearest_slope(const profiles *p, double slope)
{
  int best = 0;
  for (int s = 1; s < SLOPES; s++)
    if (fabs(p->slope[s] - slope) < fabs(p->slope[best] - slope))
      best = s;
  return best;
}

static float *lean_room(const profiles *p)
{
  return malloc(((size_t)(PARTS + 2) * (2 * (size_t)p->half_px + 1) + 2 * (size_t)p->step_px) * sizeof(float));
}

static sp_status set_leans(const lean_job *l, peak *peaks, size_t n, sp_error *err)
{
  float *room = lean_room(l->p);
  if (!room)
    return sp_fail_memory(err);
  for (size_t i = 0; i < n; i++)
    peaks[i].s = nearest_slope(l->p, lean_at(l, peaks[i].u, l->p->slope[peaks[i].s], room));
  free(room);
  return SP_OK;
}

/* ---- what they have in common ---------------------------------------------------------------------------------------
 */

/* The best correlation of a window with profile s near u, moved by up to `reach`. */
static double best_shift(const profiles *p, const float *window, int s, int32_t u, int32_t reach, int32_t *at)
{
  double best = -1.0, factor;
  *at = u;
  for (int32_t d = -reach; d <= reach; d++) {
    const int32_t first = u + d - p->half_px;
    if (first < 0 || first + 2 * p->half_px >= p->length)
      continue;
    const double c = correlation(window, p->edge[s] + first, 2 * p->half_px + 1, &factor);
    if (c > best && factor > LEAST_HEIGHT && factor < MOST_HEIGHT) {
      best = c;
      *at = u + d;
    }
  }
  return best;
}

/* The place that most others are like; the others moved to fit it. Returns how many there are, itself included. Faint
 * places count less than lively ones: the windings of strings over bare wood are like each other, and more than frets.
 */
static size_t find_company(const profiles *p, const peak *peaks, size_t n, int32_t reach, peak *company)
{
  size_t most = 0;
  double top = 0.0;
  const double lively = n ? peaks[n > 5 ? 5 : 0].energy : 0.0; /* the liveliest come first */
  for (size_t i = 0; i < n; i++) {
    peak like[MOST_PEAKS];
    size_t count = 0;
    double sum = 0.0;
    const float *window = p->edge[peaks[i].s] + peaks[i].u - p->half_px;
    for (size_t j = 0; j < n; j++) {
      int32_t at;
      const double c = best_shift(p, window, peaks[j].s, peaks[j].u, reach, &at);
      if (c > LIKE_ANOTHER) {
        like[count++] = (peak){at, peaks[j].s, peaks[j].energy};
        sum += c * sqrt(fmin(peaks[j].energy / lively, 1.0));
      }
    }
    if (sum > top) {
      top = sum;
      most = count;
      memcpy(company, like, count * sizeof *like);
    }
  }
  return most;
}

/* Median over the company of the profile's window of this half-length, greys or changes. */
static void common_window(const profiles *p, bool edges, const peak *company, size_t n, int32_t half, float *out)
{
  for (int32_t i = -half; i <= half; i++) {
    float work[MOST_PEAKS];
    size_t count = 0;
    for (size_t k = 0; k < n; k++) {
      const int32_t u = company[k].u + i;
      if (u >= 0 && u < p->length)
        work[count++] = edges ? p->edge[company[k].s][u] : p->grey[company[k].s][u];
    }
    out[i + half] = count ? sp_median_f(work, count) : 0.0f;
  }
}

/* The middle between the outermost of n changes that are no smaller than QUIET of the largest. How large they are
 * beyond that is no matter: a highlight is the largest, and lies elsewhere on another crown. */
static double live_middle(const float *edges, int32_t n)
{
  float highest = 0.0f;
  int32_t first = 0, last = n - 1;
  for (int32_t i = 0; i < n; i++)
    highest = fmaxf(highest, fabsf(edges[i]));
  while (first < last && fabsf(edges[first]) < QUIET * highest)
    first++;
  while (last > first && fabsf(edges[last]) < QUIET * highest)
    last--;
  return 0.5 * (first + last);
}

/* Moves the company to the middle of what it has in common. A fret that has nothing but its two feet is as lively at
 * either of them as in the middle, and from a foot on the other one is out of reach; so once more from there, where
 * that comes in sight. */
static sp_status centre_company(const profiles *p, double px_per_mm, peak *company, size_t n, sp_error *err)
{
  const int32_t half = (int32_t)lround((HALF_MM + 1.0) * px_per_mm), most = (int32_t)lround(MOST_OFF_MM * px_per_mm);
  float *edges = malloc((2 * (size_t)half + 1) * sizeof *edges);
  int32_t total = 0, off = half;
  if (!edges)
    return sp_fail_memory(err);
  for (int tries = 0; tries < MOST_MOVES && off != 0; tries++) {
    common_window(p, true, company, n, half, edges);
    off = (int32_t)lround(live_middle(edges, 2 * half + 1)) - half;
    if (abs(total + off) > most)
      break;
    total += off;
    for (size_t i = 0; i < n; i++)
      company[i].u += off;
  }
  free(edges);
  return SP_OK;
}

/* ---- frets ----------------------------------------------------------------------------------------------------------
 */

/* Correlation with the section at every place, at the slope where it is most. */
typedef struct scores {
  float *score, *factor;
  int *slope;
} scores;

static void score_places(const profiles *p, const float *section, scores *out)
{
  for (int s = 0; s < SLOPES; s++)
    for (int32_t u = p->half_px; u + p->half_px < p->length; u++) {
      double factor;
      const double c = correlation(section, p->edge[s] + u - p->half_px, 2 * p->half_px + 1, &factor);
      if (factor > LEAST_HEIGHT && factor < MOST_HEIGHT && c > (double)out->score[u]) {
        out->score[u] = (float)c;
        out->factor[u] = (float)factor;
        out->slope[u] = s;
      }
    }
}

static size_t pick_frets(const profiles *p, const scores *of, double px_per_mm, sp_wire_seen *seen)
{
  const int32_t apart = (int32_t)lround(APART_MM * px_per_mm);
  size_t n = 0;
  for (int32_t u = p->half_px + 1; u + p->half_px + 1 < p->length && n < SP_WIRE_MOST; u++) {
    bool top = (double)of->score[u] > LIKE_SECTION;
    for (int32_t d = 1; d <= apart && top; d++)
      top = (u < d || of->score[u - d] < of->score[u]) && (u + d >= p->length || of->score[u + d] <= of->score[u]);
    if (!top)
      continue;
    const double shift = vertex((double)of->score[u - 1], (double)of->score[u], (double)of->score[u + 1]);
    seen[n++] =
        (sp_wire_seen){u + shift, p->slope[of->slope[u]], (double)of->score[u], fabs((double)of->factor[u]), false};
  }
  return n;
}

/* Places that are like the section, whose changes are `edges`. */
static sp_status pick_alike(const profiles *p, const float *edges, double px_per_mm, sp_wire_seen *seen, size_t *count,
                            sp_error *err)
{
  const size_t length = (size_t)p->length;
  scores of = {calloc(length, sizeof(float)), calloc(length, sizeof(float)), calloc(length, sizeof(int))};
  const bool fine = of.score && of.factor && of.slope;
  if (fine) {
    score_places(p, edges, &of);
    *count = pick_frets(p, &of, px_per_mm, seen);
  }
  free(of.score);
  free(of.factor);
  free(of.slope);
  return fine ? SP_OK : sp_fail_memory(err);
}

/* Of what a band shows, what is no fret yet. */
static size_t add_parts(const sp_wire_seen *found, size_t n, double apart_px, sp_wire_seen *seen, size_t count)
{
  for (size_t i = 0; i < n && count < SP_WIRE_MOST; i++) {
    bool is_new = found[i].alike > LIKE_PART;
    for (size_t k = 0; k < count && is_new; k++)
      is_new = fabs(seen[k].u_px - found[i].u_px) > apart_px;
    if (!is_new)
      continue;
    seen[count] = found[i];
    seen[count++].part = true;
  }
  return count;
}

/* Partial frets: in bands as broad as the narrowest of them, each by half of that beside the last. A fret that spans
 * the whole breadth has been found before. */
static sp_status find_parts(const sp_scene *scene, sp_along along, const sp_marks_options *o, const sp_board *board,
                            const float *edges, sp_wire_seen *seen, size_t *count, sp_error *err)
{
  const double breadth = 0.85 * o->least_part; /* its ends are filed, and not quite where they should be */
  sp_status status = SP_OK;
  for (double from = EDGE_INSET; !status && from + breadth < 1.0 - 0.5 * EDGE_INSET; from += 0.5 * breadth) {
    profiles p;
    sp_wire_seen found[SP_WIRE_MOST];
    size_t n = 0;
    status = make_profiles(scene, along, o, board, (band){from, from + breadth}, &p, err);
    if (status)
      break;
    status = pick_alike(&p, edges, o->px_per_mm, found, &n, err);
    *count = add_parts(found, n, APART_MM * o->px_per_mm, seen, *count);
    profiles_free(&p);
  }
  return status;
}

/* Each fret's slope by the parts of the breadth, and its place along that. */
static sp_status settle_leans(const lean_job *l, const float *edges, sp_wire_seen *seen, size_t count, sp_error *err)
{
  const profiles *p = l->p;
  float *room = lean_room(p);
  if (!room)
    return sp_fail_memory(err);
  for (size_t i = 0; i < count; i++) {
    const int32_t u = (int32_t)lround(seen[i].u_px), n = 2 * p->half_px + 1;
    int32_t at;
    double factor, c[3];
    seen[i].slope = lean_at(l, u, seen[i].slope, room);
    const int s = nearest_slope(p, seen[i].slope);
    best_shift(p, edges, s, u, l->reach_px, &at);
    const int32_t first = at - p->half_px;
    if (first < 1 || first + n >= p->length)
      continue;
    for (int k = 0; k < 3; k++)
      c[k] = correlation(edges, p->edge[s] + first + k - 1, n, &factor);
    seen[i].u_px = at + vertex(c[0], c[1], c[2]);
  }
  free(room);
  return SP_OK;
}

static sp_status match_section(const lean_job *l, const peak *company, size_t n, const sp_scene *scene, sp_along along,
                               const sp_marks_options *o, const sp_board *board, sp_wire_seen *seen, size_t *count,
                               sp_wire_section *section, sp_error *err)
{
  const profiles *p = l->p;
  const size_t window = 2 * (size_t)p->half_px + 1;
  const double px_per_mm = o->px_per_mm;
  float *edges = malloc(window * sizeof *edges);
  section->half_px = (int32_t)lround((HALF_MM + 1.0) * px_per_mm);
  section->value = malloc((2 * (size_t)section->half_px + 1) * sizeof *section->value);
  sp_status status = edges && section->value ? SP_OK : sp_fail_memory(err);
  if (!status) {
    common_window(p, true, company, n, p->half_px, edges);
    common_window(p, false, company, n, section->half_px, section->value);
    section->count = n;
    section->px_per_mm = px_per_mm;
    status = pick_alike(p, edges, px_per_mm, seen, count, err);
    if (!status)
      status = settle_leans(l, edges, seen, *count, err);
  }
  if (!status && o->least_part > 0.0 && o->least_part < 1.0)
    status = find_parts(scene, along, o, board, edges, seen, count, err);
  free(edges);
  return status;
}

sp_status sp_wire_search(const sp_scene *scene, sp_along along, const sp_marks_options *o, const sp_board *board,
                         sp_wire_seen *seen, size_t *count, sp_wire_section *section, sp_wire_seen *lively,
                         size_t *lively_count, sp_error *err)
{
  profiles p;
  peak peaks[MOST_PEAKS], company[MOST_PEAKS];
  size_t n = 0, all = 0;
  *count = *lively_count = 0;
  *section = (sp_wire_section){0};
  sp_status status = make_profiles(scene, along, o, board, WHOLE, &p, err);
  if (status)
    return status;
  const lean_job l = {&scene->strips[along], board, &p, WHOLE, (int32_t)ceil(LEAN_REACH_MM * o->px_per_mm)};
  status = find_peaks(&p, o->px_per_mm, peaks, &all, err);
  if (!status)
    status = set_leans(&l, peaks, all, err);
  if (!status) {
    n = find_company(&p, peaks, all, (int32_t)lround(1.6 * o->px_per_mm), company);
    if (n >= FEWEST_ALIKE)
      status = centre_company(&p, o->px_per_mm, company, n, err);
    if (!status && n >= FEWEST_ALIKE)
      status = match_section(&l, company, n, scene, along, o, board, seen, count, section, err);
  }
  for (; !status && *lively_count < all; ++*lively_count)
    lively[*lively_count] = (sp_wire_seen){.u_px = peaks[*lively_count].u, .slope = p.slope[peaks[*lively_count].s]};
  profiles_free(&p);
  return status;
}

/* ---- how far a fret reaches
 * ------------------------------------------------------------------------------------------
 */

/* Does the strip look like the section where the fret crosses it? `section` holds n changes. */
static bool strip_shows(const sp_strips *strips, uint32_t k, double u, const float *section, int32_t n, int32_t step,
                        float *work)
{
  const double first = u - 0.5 * (n - 1) - step;
  const int32_t from = (int32_t)floor(first);
  const float rest = (float)(first - from), *p = strips->mean + (size_t)k * strips->length_px;
  double factor;
  if (from < 0 || from + n + 2 * step + 1 >= (int32_t)strips->length_px)
    return false;
  for (int32_t i = 0; i < n + 2 * step; i++)
    work[i] = p[from + i] + rest * (p[from + i + 1] - p[from + i]);
  changes(work, n, step, work + n + 2 * step);
  const double c = correlation(section, work + n + 2 * step, n, &factor);
  return c > LIKE_STRIP && factor > LEAST_HEIGHT;
}

/* The longest run of strips that show it, gaps as broad as a string's shadow bridged. */
static void longest_run(const bool *shows, int32_t n, int32_t bridge, int32_t *first, int32_t *last)
{
  int32_t start = -1, seen = -1;
  *first = 0;
  *last = -1;
  for (int32_t k = 0; k < n; k++) {
    if (!shows[k])
      continue;
    if (start < 0 || k - seen > bridge)
      start = k;
    seen = k;
    if (seen - start > *last - *first) {
      *first = start;
      *last = seen;
    }
  }
}

void sp_wire_extent(const sp_scene *scene, sp_along along, const sp_marks_options *o, const sp_board *board,
                    const sp_wire_seen *seen, const sp_wire_section *section, double *v_a_px, double *v_b_px,
                    double *coverage)
{
  enum { MOST = 1024 };
  const sp_strips *strips = &scene->strips[along];
  const int32_t step = (int32_t)fmax(1.0, round(STEP_MM * o->px_per_mm)), half = section->half_px - step;
  const int32_t n = 2 * half + 1, count = (int32_t)(strips->count < MOST ? strips->count : MOST);
  bool shows[MOST] = {false};
  float *work = malloc((size_t)(4 * section->half_px + 8 + n) * sizeof *work), *common = work;
  *v_a_px = *v_b_px = *coverage = NAN;
  if (!work)
    return;
  changes(section->value, n, step, common);
  for (int32_t k = 0; k < count; k++) {
    const double v = (k + 0.5) * strips->width_px - 0.5;
    const double u = seen->u_px + seen->slope * (v - sp_lengthwise_at(&board->centre, seen->u_px));
    shows[k] = strip_shows(strips, (uint32_t)k, u, common, n, step, work + n);
  }
  int32_t first, last, present = 0;
  longest_run(shows, count, (int32_t)ceil(BRIDGE_MM * o->px_per_mm / strips->width_px), &first, &last);
  for (int32_t k = first; k <= last; k++)
    present += shows[k];
  if (last > first) {
    *v_a_px = first * (double)strips->width_px - 0.5;
    *v_b_px = (last + 1) * (double)strips->width_px - 0.5;
    *coverage = (double)present / (last - first + 1);
  }
  free(work);
}

/* ---- sharp changes in the section
 * ------------------------------------------------------------------------------------
 */

enum { COLUMNS = 6, MOST_BREAKS = 40 };
static const double BREAK_WINDOW_MM = 0.32, JOINT_STEP_MM = 0.04;
/* From this blur on the end of a shadow may look as sharp as a foot; shadows are no longer than this. */
static const double COARSE_MM = 0.085, SHADOW_MOST_MM = 1.3, SHARPER = 0.8;
/* A place so much sharper than the outer one is the foot if the grey between them becomes the wood's: read so far off
 * each, the last step against the first. */
static const double DWARFS = 3.0, MERGE_MM[2] = {0.06, 0.14}, MERGED = 0.15;
/* A joint is no broader; so far out a flank may end beyond its highlight; nearer than this it is the same place. */
static const double JOINT_MOST_MM = 0.16, FLANK_MOST_MM = 0.7, BESIDE_MM = 0.1;
/* What is softer than this, against the picture's blur, is no foot. */
static const double SOFT = 3.0;

/* What a cubic, a step and a line at x, these blurred by `blur`, leave of the window about x. */
static double left_over(const sp_wire_section *s, double x, int32_t half, double blur, double apart)
{
  double gram[COLUMNS * COLUMNS] = {0}, right[COLUMNS] = {0}, beta[COLUMNS], rest = 0.0;
  const int32_t middle = (int32_t)lround(x);
  for (int32_t i = middle - half; i <= middle + half; i++) {
    const double t = i - x, q = t / half;
    const double row[COLUMNS] = {
        1.0, q, q * q, q * q * q, sp_normal_cdf((t + 0.5 * apart) / blur), sp_normal_cdf((t - 0.5 * apart) / blur)};
    const double y = (double)s->value[i + s->half_px];
    for (int a = 0; a < COLUMNS; a++) {
      right[a] += row[a] * y;
      for (int b = 0; b <= a; b++)
        gram[a * COLUMNS + b] += row[a] * row[b];
    }
    rest += y * y;
  }
  for (int a = 0; a < COLUMNS; a++) {
    gram[a * COLUMNS + a] *= 1.0 + 1e-9;
    beta[a] = right[a];
  }
  if (!sp_cholesky(COLUMNS, gram))
    return INFINITY;
  sp_cholesky_solve(COLUMNS, gram, beta);
  for (int a = 0; a < COLUMNS; a++)
    rest -= beta[a] * right[a];
  return fmax(rest, 0.0);
}

/* How much better a sharp break at x explains the section than a soft one, in grey; a joint may part it in two. *rest
 * is what it leaves. */
static double sharpness(const sp_wire_section *s, double x, int32_t half, double blur, double *rest)
{
  double most = 0.0, least = INFINITY;
  for (int k = 1; k <= 3; k++) {
    const double apart = JOINT_STEP_MM * k * s->px_per_mm;
    const double sharp = left_over(s, x, half, blur, apart), gain = left_over(s, x, half, SOFT * blur, apart) - sharp;
    most = fmax(most, gain);
    least = fmin(least, sharp);
  }
  *rest = sqrt(least / (2.0 * half + 1.0));
  return sqrt(most / (2.0 * half + 1.0));
}

typedef struct sharp_places {
  size_t count;
  double at_px[MOST_BREAKS], size[MOST_BREAKS];
} sharp_places;

/* Places sharper than those beside them, and than what the wood far off the fret does by itself. */
static void find_sharp(const sp_wire_section *s, double blur, double ease, bool faint, sharp_places *out)
{
  enum { MOST = 1600 };
  double size[MOST], rest[MOST], work[MOST], most = 0.0;
  const double step = 0.5, wood = 1.95 * s->px_per_mm;
  const bool coarse = blur > COARSE_MM * s->px_per_mm; /* shadows may end as sharply: only what is large counts */
  const int32_t half = (int32_t)fmax(faint ? 6.0 : 4.0, round(BREAK_WINDOW_MM * s->px_per_mm));
  const int32_t n = (int32_t)fmin(MOST, 2.0 * (s->half_px - half - 1) / step);
  const int32_t apart = (int32_t)ceil(0.26 * s->px_per_mm / step);
  size_t quiet = 0;
  for (int32_t i = 0; i < n; i++) {
    const double x = step * (i - 0.5 * n);
    size[i] = sharpness(s, x, half, blur, &rest[i]);
    most = fmax(most, size[i]);
    if (fabs(x) > wood)
      work[quiet++] = size[i];
  }
  const double noise = quiet ? 3.0 * sp_median(work, quiet) : 0.0;
  out->count = 0;
  for (int32_t i = 1; i + 1 < n && out->count < MOST_BREAKS; i++) {
    const bool clear = (faint || !coarse) && size[i] > rest[i], plain = clear && size[i] > 1.5 * rest[i];
    const double part = faint && plain ? FAINT_BREAK : plain ? PLAIN_BREAK : clear ? CLEAR_BREAK : LEAST_BREAK;
    const double least = fmax(ease * part * most, noise);
    bool top = size[i] > least && size[i - 1] < size[i] && size[i + 1] <= size[i];
    for (int32_t d = 2; d <= apart && top; d++)
      top = (i < d || size[i - d] < 1.4 * size[i]) && (i + d >= n || size[i + d] < 1.4 * size[i]);
    if (top) {
      out->at_px[out->count] = step * (i - 0.5 * n);
      out->size[out->count++] = size[i];
    }
  }
}

static int by_width(const void *a, const void *b)
{
  const sp_wire_pair *p = a, *q = b;
  const double x = p->foot_px[1] - p->foot_px[0], y = q->foot_px[1] - q->foot_px[0];
  return (x < y) - (x > y);
}

static double mean_grey(const sp_wire_section *s, double from_px, double to_px)
{
  double sum = 0.0;
  int n = 0;
  for (int32_t x = (int32_t)ceil(fmin(from_px, to_px)); x <= (int32_t)floor(fmax(from_px, to_px)); x++)
    if (abs(x) <= s->half_px) {
      sum += (double)s->value[x + s->half_px];
      n++;
    }
  return n ? sum / n : NAN;
}

/* From the break at inner_px on the grey has all but become the wood's when it comes to the one at outer_px: so does a
 * shadow that ends in a bend, and seldom a flank. */
static bool merges_into_wood(const sp_wire_section *s, double inner_px, double outer_px, int side)
{
  const double out = (side ? 1.0 : -1.0) * s->px_per_mm;
  const double rise = mean_grey(s, inner_px + MERGE_MM[0] * out, inner_px + MERGE_MM[1] * out) -
                      mean_grey(s, inner_px - MERGE_MM[0] * out, inner_px - MERGE_MM[1] * out);
  const double step = mean_grey(s, outer_px + MERGE_MM[0] * out, outer_px + MERGE_MM[1] * out) -
                      mean_grey(s, outer_px - MERGE_MM[0] * out, outer_px - MERGE_MM[1] * out);
  return rise > 0.0 && fabs(step) < MERGED * rise;
}

/* A pair's foot may be the end of a shadow if the picture is too coarse to tell the two, or the shadow ends in a bend,
 * and a much sharper place lies a shadow's length within; or the outer side of a joint, in any picture. */
static double doubt_within(const sp_wire_section *s, const sharp_places *b, size_t i, size_t j, double blur_px,
                           int side)
{
  const bool fine = blur_px < COARSE_MM * s->px_per_mm;
  const double reach = (fine ? JOINT_MOST_MM : SHADOW_MOST_MM) * s->px_per_mm;
  const size_t at = side ? j : i;
  double most = 0.0;
  for (size_t k = i + 1; k < j; k++) {
    const double off = fabs(b->at_px[k] - b->at_px[at]), left = b->at_px[j] - b->at_px[i] - off;
    const bool sharper = b->size[k] > SHARPER * b->size[at] && off < reach;
    const bool ends = fine && b->size[k] > DWARFS * b->size[at] && off < SHADOW_MOST_MM * s->px_per_mm &&
                      merges_into_wood(s, b->at_px[k], b->at_px[at], side);
    if ((sharper || ends) && left > SP_WIRE_LEAST_MM * s->px_per_mm)
      most = fmax(most, off);
  }
  return sp_gum_rectangular(0.5 * most);
}

/* Or it is a highlight's end, and the foot of a flank as dark as the wood shows faintly farther out. */
static double doubt_beyond(const sp_wire_section *s, const sharp_places *faint, double foot_px, int side)
{
  double most = 0.0;
  for (size_t k = 0; k < faint->count; k++) {
    const double off = (side ? 1.0 : -1.0) * (faint->at_px[k] - foot_px);
    if (off > BESIDE_MM * s->px_per_mm && off < FLANK_MOST_MM * s->px_per_mm)
      most = fmax(most, off);
  }
  return sp_gum_rectangular(0.5 * most);
}

static size_t pair_up(const sp_wire_section *s, double blur_px, double ease, sp_wire_pair *pairs)
{
  sharp_places b, faint;
  size_t n = 0;
  find_sharp(s, blur_px, ease, false, &b);
  find_sharp(s, blur_px, ease, true, &faint);
  for (size_t i = 0; i < b.count; i++)
    for (size_t j = i + 1; j < b.count; j++) {
      const double width_mm = (b.at_px[j] - b.at_px[i]) / s->px_per_mm;
      if (width_mm > SP_WIRE_LEAST_MM && width_mm < SP_WIRE_MOST_MM)
        pairs[n++] =
            (sp_wire_pair){{b.at_px[i], b.at_px[j]},
                           {hypot(doubt_within(s, &b, i, j, blur_px, 0), doubt_beyond(s, &faint, b.at_px[i], 0)),
                            hypot(doubt_within(s, &b, i, j, blur_px, 1), doubt_beyond(s, &faint, b.at_px[j], 1))}};
    }
  return n;
}

size_t sp_wire_feet(const sp_wire_section *s, double blur_px, sp_wire_pair out[SP_WIRE_PAIRS])
{
  static const double EASE[] = {1.0, 0.5, 0.25}; /* a dark flank on dark wood hardly shows where it ends */
  sp_wire_pair pairs[MOST_BREAKS * MOST_BREAKS / 2];
  size_t n = 0;
  for (size_t k = 0; k < sizeof EASE / sizeof *EASE && n == 0; k++)
    n = pair_up(s, blur_px, EASE[k], pairs);
  qsort(pairs, n, sizeof *pairs, by_width);
  n = n < SP_WIRE_PAIRS ? n : SP_WIRE_PAIRS;
  memcpy(out, pairs, n * sizeof *pairs);
  return n;
}

/* ---- edges beyond the frets
 * ------------------------------------------------------------------------------------------
 */

/* About an edge, so far to both sides, sharp places are looked for, in these steps; one so near is at it. */
static const double ZONE_MM = 0.75, SHARP_STEP_PX = 0.25, AT_EDGE_MM = 0.12;
/* The nut's own grey is read behind its rim, the wood's before the joint. */
static const double NUT_FROM_MM = 0.45, NUT_TO_MM = 0.8, WOOD_FROM_MM = 0.15, WOOD_TO_MM = 0.35;
/* A light nut, of full scale; its shadow is darker than this part of it, and its end a smaller change. */
static const double LIGHT_NUT = 0.55, SHADED = 0.6;
/* A shadow before a nut is no longer. */
static const double SHADOW_OF_MM = 3.0;
/* A place is as sharp as it must be against the sharpest, against what it leaves unexplained, and of full scale. */
static const double SHARP_PART = 0.5, SHARP_REST = 1.2, LEAST_SHARP = 0.0015;

static int by_size(const void *a, const void *b)
{
  const double x = ((const sp_wire_edge *)a)->size, y = ((const sp_wire_edge *)b)->size;
  return (x < y) - (x > y);
}

/* Changes that stand out from those about them, the largest first. */
static void pick_edges(const float *size, int32_t length, int32_t apart, double least, double first_px, double last_px,
                       sp_wire_edge *edges, size_t *count)
{
  for (int32_t u = apart; u + apart < length; u++) {
    bool top = (u < first_px || u > last_px) && (double)fabsf(size[u]) > least;
    for (int32_t d = 1; d <= apart && top; d++)
      top = fabsf(size[u - d]) < fabsf(size[u]) && fabsf(size[u + d]) <= fabsf(size[u]);
    if (!top)
      continue;
    if (*count == SP_WIRE_EDGES) {
      qsort(edges, *count, sizeof *edges, by_size);
      if ((double)fabsf(size[u]) <= edges[*count - 1].size)
        continue;
      --*count;
    }
    edges[(*count)++] = (sp_wire_edge){.u_px = u,
                                       .size = (double)fabsf(size[u]),
                                       .rises = size[u] > 0.0f,
                                       .outer_px = u,
                                       .sharp = true,
                                       .nut = NAN,
                                       .between = NAN,
                                       .wood = NAN};
  }
  qsort(edges, *count, sizeof *edges, by_size);
}

/* The window of a median profile about u as a section; false beyond the profile's ends. */
static bool section_about(const float *grey, int32_t length, int32_t u, double px_per_mm, sp_wire_section *s)
{
  s->half_px = (int32_t)ceil((ZONE_MM + BREAK_WINDOW_MM) * px_per_mm) + 6;
  s->px_per_mm = px_per_mm;
  s->count = 1;
  if (u < s->half_px || u + s->half_px >= length)
    return false;
  memcpy(s->value, grey + u - s->half_px, (2 * (size_t)s->half_px + 1) * sizeof *s->value);
  return true;
}

/* Sharp places about an edge: what is as sharp as the picture can be, and nearly as sharp as the sharpest of them. A
 * shadow's end is none, however large; a place that leaves more than it explains is a neighbour's. */
static void sharp_about(const sp_wire_section *s, double blur, double noise, sharp_places *out)
{
  enum { MOST = 1200 };
  double size[MOST], rest[MOST], most = 0.0;
  const int32_t half = (int32_t)fmax(4.0, round(BREAK_WINDOW_MM * s->px_per_mm));
  const int32_t n = (int32_t)fmin(MOST, 2.0 * floor(ZONE_MM * s->px_per_mm / SHARP_STEP_PX) + 1.0);
  for (int32_t i = 0; i < n; i++) {
    size[i] = sharpness(s, SHARP_STEP_PX * (i - 0.5 * (n - 1)), half, blur, &rest[i]);
    most = size[i] > rest[i] ? fmax(most, size[i]) : most;
  }
  out->count = 0;
  for (int32_t i = 1; i + 1 < n && out->count < MOST_BREAKS; i++)
    if (size[i] > SHARP_REST * rest[i] && size[i] > fmax(SHARP_PART * most, noise) && size[i - 1] < size[i] &&
        size[i + 1] <= size[i]) {
      out->at_px[out->count] = SHARP_STEP_PX * (i - 0.5 * (n - 1));
      out->size[out->count++] = size[i];
    }
}

/* Mean grey between two places, mm from the section's middle. */
static double mean_from(const sp_wire_section *s, double a_mm, double b_mm)
{
  const int32_t a = (int32_t)lround(fmin(a_mm, b_mm) * s->px_per_mm),
                b = (int32_t)lround(fmax(a_mm, b_mm) * s->px_per_mm);
  double sum = 0.0;
  int32_t n = 0;
  for (int32_t i = (int32_t)fmax(a, -s->half_px); i <= b && i <= s->half_px; i++, n++)
    sum += (double)s->value[i + s->half_px];
  return n ? sum / n : NAN;
}

/* Beyond a light nut's edge the grey falls into its shadow; where that ends it rises again, which is no edge. */
static bool ends_shadow(const sp_wire_edge *nut, const sp_wire_edge *end, int toward, double px_per_mm)
{
  const double off = toward * (end->u_px - nut->u_px);
  return nut->casts && off > 0.0 && off < SHADOW_MOST_MM * px_per_mm && end->size < SHADED * nut->size;
}

static void drop_shadow_ends(sp_wire_edge *edges, size_t *count, double first_px, double px_per_mm)
{
  size_t kept = 0;
  for (size_t i = 0; i < *count; i++) { /* the largest come first */
    bool end = false;
    for (size_t k = 0; k < kept && !end; k++)
      end = ends_shadow(&edges[k], &edges[i], edges[k].u_px < first_px ? 1 : -1, px_per_mm);
    if (!end)
      edges[kept++] = edges[i];
  }
  *count = kept;
}

/* The grey falls from a light nut and rises again before the frets: there its shadow ends, softly or not. Behind a line
 * of light in a dark nut's rim it is as dark as before it: what rises after that may be the face. */
static bool rises_after(const sp_wire_edge *fall, const sp_wire_edge *rise, int toward, double px_per_mm)
{
  const double off = toward * (rise->u_px - fall->u_px);
  return fall->rises == (toward < 0) && rise->rises == (toward > 0) && off > 0.0 && off < SHADOW_OF_MM * px_per_mm &&
         rise->size < SHADED * fall->size && fall->drop > 0.5 * fall->size;
}

/* What is soft near a larger edge that is not is that one's shadow. */
static void drop_shadows(sp_wire_edge *edges, size_t *count, double first_px, double px_per_mm)
{
  size_t kept = 0;
  for (size_t i = 0; i < *count; i++) { /* the largest come first */
    const int toward = edges[i].u_px < first_px ? 1 : -1;
    bool shadow = false;
    for (size_t k = 0; k < kept && !shadow; k++)
      shadow = (edges[i].soft && !edges[k].soft && fabs(edges[k].u_px - edges[i].u_px) < SHADOW_OF_MM * px_per_mm) ||
               rises_after(&edges[k], &edges[i], toward, px_per_mm);
    if (!shadow)
      edges[kept++] = edges[i];
  }
  *count = kept;
}

/* The sharp place nearest to the frets, and whether anything is sharp at the edge itself. */
static void look_closely(const float *grey, int32_t length, int toward, double blur_px, double full_scale,
                         double px_per_mm, sp_wire_section *s, sp_wire_edge *e)
{
  const double noise = LEAST_SHARP * full_scale;
  sharp_places places;
  e->outer_px = e->u_px;
  e->sharp = true;
  if (!section_about(grey, length, (int32_t)lround(e->u_px), px_per_mm, s))
    return;
  sharp_about(s, blur_px, noise, &places);
  e->nut = mean_from(s, -toward * NUT_FROM_MM, -toward * NUT_TO_MM);
  e->drop = e->nut - mean_from(s, toward * WOOD_FROM_MM, toward * WOOD_TO_MM);
  e->sharp = false;
  e->soft = !places.count;
  if (e->soft)
    return;
  e->outer_px = e->u_px + places.at_px[toward > 0 ? places.count - 1 : 0];
  for (size_t i = 0; i < places.count; i++)
    e->sharp = e->sharp || fabs(places.at_px[i]) < AT_EDGE_MM * px_per_mm;
  e->between = mean_from(s, 0.4 * (e->outer_px - e->u_px) / px_per_mm, 0.8 * (e->outer_px - e->u_px) / px_per_mm);
  e->wood = mean_from(s, (e->outer_px - e->u_px) / px_per_mm + toward * WOOD_FROM_MM,
                      (e->outer_px - e->u_px) / px_per_mm + toward * WOOD_TO_MM);
  e->casts = e->nut > LIGHT_NUT * full_scale && e->between < SHADED * e->nut && e->wood > e->between;
}

sp_status sp_wire_edges(const sp_scene *scene, sp_along along, const sp_marks_options *o, const sp_board *board,
                        double first_px, double last_px, double blur_px, sp_wire_edge edges[SP_WIRE_EDGES],
                        size_t *count, sp_error *err)
{
  const sp_strips *strips = &scene->strips[along];
  const int32_t length = (int32_t)strips->length_px, step = (int32_t)fmax(1.0, round(STEP_MM * o->px_per_mm));
  float work[MOST_STRIPS], *grey = calloc(2 * (size_t)length + 1, sizeof *grey), *change = grey ? grey + length : NULL;
  const double full_scale = sp_raster_full_scale(scene->raster);
  sp_wire_section s = {0};
  *count = 0;
  if (!grey)
    return sp_fail_memory(err);
  for (int32_t u = 0; u < length; u++) {
    const size_t n = gather(strips, board, WHOLE, -board->centre.slope, u, work);
    grey[u] = n ? sp_median_f(work, n) : 0.0f;
  }
  for (int32_t u = step; u + step < length; u++)
    for (int32_t i = 1; i <= step; i++)
      change[u] += (grey[u + i] - grey[u - i]) / (float)step;
  pick_edges(change, length, (int32_t)ceil(0.3 * o->px_per_mm), LEAST_EDGE * full_scale, first_px, last_px, edges,
             count);
  s.value = malloc((size_t)(3.0 * (ZONE_MM + BREAK_WINDOW_MM) * o->px_per_mm + 64.0) * sizeof *s.value);
  for (size_t i = 0; s.value && i < *count; i++)
    look_closely(grey, length, edges[i].u_px < first_px ? 1 : -1, blur_px, full_scale, o->px_per_mm, &s, &edges[i]);
  drop_shadow_ends(edges, count, first_px, o->px_per_mm);
  drop_shadows(edges, count, first_px, o->px_per_mm);
  free(grey);
  const sp_status status = s.value ? SP_OK : sp_fail_memory(err);
  free(s.value);
  return status;
}
