/* What the wood's own lines say of where it ends at a fret.
 *
 * Grain runs along the board. So what is streaked across the picture of a fret as the wood beside it is streaked is
 * wood, however dark a shadow makes it: shade scales the pattern as it scales the grey. Metal has nothing of it. The
 * share of the wood's pattern that is left at each place of the section, the gain, is a regression of that place's
 * greys along the fret on those of the wood farther out, both as differences over half a millimetre. Two bands of the
 * wood are read, the outer as instrument for the inner, so that the pixels' noise does not make the wood's own gain
 * less than one. All frets together: each has other wood beside it, and the same section.
 *
 * It settles which break in the grey is the foot and which the end of a shadow. A plain board without grain says
 * nothing here, and then u_gain is large.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/numeric.h"
#include "wire.h"

enum { MOST_GROUPS = 1024, FEWEST_GROUPS = 40 };
/* Rows are taken together over so much; differences are over so many of these groups. */
static const double GROUP_MM = 0.17;
enum { LAG = 3 };
/* The wood's two bands, from the fret's place: beyond where any foot or shadow ends. */
static const double INNER_FROM_MM = 2.7, INNER_TO_MM = 3.1, OUTER_TO_MM = 3.6;
/* Bands that are less alike than this are not of one wood: an inlay, the nut, another fret. */
static const double LEAST_ALIKE = 0.12;
/* A difference larger than so many median ones is a string's or a pore's edge. */
static const double CLIP = 4.5;
enum { SKIRT = 4 }; /* and so many differences beside it are blurred by it */
/* What shade leaves of the pattern is known no better. */
static const double GAIN_SD = 0.15, LEAST_SHADE = 0.15, MOST_SHADE = 1.3;
/* Places of the section that count; neighbouring ones hang together over so much. */
static const double REACH_MM = 2.4, CORRELATED_MM = 0.22;

/* Fit of the step. What one place's gain is known by at best, on metal and, against the gain, on wood; how the share may
 * drift; the least share beside a foot. */
static const double STEP_SD = 0.02, STEP_SHADE_SD = 0.06, STEP_DRIFT_PER_MM = 0.4, LEAST_WOOD = 0.2;
/* Where the foot is looked for, outward of the fret's place, which lies somewhere on the wire; how far in there is surely
 * metal, how far out wood. */
static const double STEP_FROM_MM = 1.75, STEP_TO_MM = 2.45, STEP_INSIDE_MM = 0.9, STEP_OUTSIDE_MM = 2.65;
/* A place farther off than this that is worse by less, in squared standard deviations, leaves the foot open. */
static const double STEP_OTHER_MM = 0.2, STEP_CLEAR = 9.0;

typedef struct streaks {
  const sp_view *view;
  const sp_wire_line *line;
  double px_per_mm;
  int32_t half, window, groups, rows; /* window: pixels of a group, half to both sides of the fret's place */
  float *value;                       /* groups x window */
  double outer[MOST_GROUPS], inner[MOST_GROUPS];
} streaks;

static bool read_streaks(streaks *s)
{
  const sp_wire_line *l = s->line;
  const int32_t v0 = (int32_t)fmax(0.0, ceil(l->v_a_px)), v1 = (int32_t)fmin(s->view->breadth_px, floor(l->v_b_px));
  s->groups = 0;
  for (int32_t v = v0; v + s->rows <= v1 && s->groups < MOST_GROUPS; v += s->rows) {
    const double middle = v + 0.5 * (s->rows - 1);
    const int32_t first = (int32_t)lround(l->u_px + l->slope * (middle - l->v_px)) - s->half;
    if (first < 0 || first + s->window > s->view->length_px)
      continue;
    sp_view_window(s->view, first, s->window, v, s->rows, s->value + (size_t)s->groups * (size_t)s->window);
    s->groups++;
  }
  return s->groups >= FEWEST_GROUPS;
}

/* Difference over LAG groups of the mean grey from `from` to `to`, px outward of the fret's place. */
static double difference(const streaks *s, int32_t group, int outward, int32_t from, int32_t to)
{
  const float *a = s->value + (size_t)group * (size_t)s->window, *b = a + (size_t)LAG * (size_t)s->window;
  double sum = 0.0;
  for (int32_t x = from; x < to; x++)
    sum += (double)(b[s->half + outward * x] - a[s->half + outward * x]);
  return sum / (to - from);
}

/* The wood's streaks beside the fret, strings' edges left out; false where it is not all one wood. */
static bool read_wood(streaks *s, int outward, double *work)
{
  const int32_t from = (int32_t)lround(INNER_FROM_MM * s->px_per_mm), to = (int32_t)lround(INNER_TO_MM * s->px_per_mm);
  const int32_t n = s->groups - LAG;
  double ab = 0.0, aa = 0.0, bb = 0.0;
  for (int32_t i = 0; i < n; i++) {
    s->inner[i] = difference(s, i, outward, from, to);
    s->outer[i] = difference(s, i, outward, to, s->half + 1);
    work[i] = fabs(s->outer[i]);
    work[n + i] = fabs(s->inner[i]);
  }
  const double most = CLIP * sp_median(work, (size_t)n), most_inner = CLIP * sp_median(work + n, (size_t)n);
  for (int32_t i = 0; i < n; i++)
    work[i] = fabs(s->outer[i]) > most || fabs(s->inner[i]) > most_inner;
  for (int32_t i = 0; i < n; i++) {
    for (int32_t k = -SKIRT; k <= SKIRT; k++)
      if (i + k >= 0 && i + k < n && work[i + k] > 0.0)
        s->outer[i] = s->inner[i] = 0.0;
    ab += s->outer[i] * s->inner[i];
    aa += s->outer[i] * s->outer[i];
    bb += s->inner[i] * s->inner[i];
  }
  return ab > LEAST_ALIKE * sqrt(aa * bb) && ab > 0.0;
}

typedef struct gain_sums {
  double top, square, cross; /* over the frets: numerators, their squares, with the denominators */
} gain_sums;

static void add_fret(const streaks *s, int outward, gain_sums *sums, double *below, double *below2)
{
  const int32_t n = s->groups - LAG;
  double bottom = 0.0;
  for (int32_t i = 0; i < n; i++)
    bottom += s->outer[i] * s->inner[i];
  for (int32_t x = -s->half; x <= s->half; x++) {
    double top = 0.0;
    for (int32_t i = 0; i < n; i++)
      if (s->outer[i] != 0.0)
        top += s->outer[i] * difference(s, i, outward, x, x + 1);
    gain_sums *g = &sums[s->half + outward * x];
    g->top += top;
    g->square += top * top;
    g->cross += top * bottom;
  }
  *below += bottom;
  *below2 += bottom * bottom;
}

static void conclude(const gain_sums *sums, int32_t n, double below, double below2, float *gain, float *u_gain)
{
  for (int32_t i = 0; i < n; i++) {
    const double g = below > 0.0 ? sums[i].top / below : 0.0;
    const double rest = sums[i].square - 2.0 * g * sums[i].cross + g * g * below2;
    gain[i] = (float)g;
    u_gain[i] = below > 0.0 ? (float)(sqrt(fmax(rest, 0.0)) / below) : INFINITY;
  }
}

sp_status sp_wire_grain_read(const sp_view *view, const sp_wire_line *lines, size_t count, double px_per_mm,
                             sp_wire_grain *grain, sp_error *err)
{
  streaks s = {.view = view, .px_per_mm = px_per_mm, .half = (int32_t)lround(OUTER_TO_MM * px_per_mm)};
  s.window = 2 * s.half + 1;
  s.rows = (int32_t)fmax(1.0, round(GROUP_MM * px_per_mm));
  const size_t n = (size_t)s.window;
  gain_sums *sums = calloc(n, sizeof *sums);
  double work[2 * MOST_GROUPS];
  memset(grain, 0, sizeof *grain);
  grain->half_px = s.half;
  grain->value = malloc(4 * n * sizeof *grain->value);
  s.value = malloc(MOST_GROUPS * n * sizeof *s.value);
  const bool fine = sums && grain->value && s.value;
  for (int side = 0; side < 2 && fine; side++) {
    double below = 0.0, below2 = 0.0;
    memset(sums, 0, n * sizeof *sums);
    for (size_t i = 0; i < count; i++) {
      s.line = &lines[i];
      if (read_streaks(&s) && read_wood(&s, side ? 1 : -1, work)) {
        add_fret(&s, side ? 1 : -1, sums, &below, &below2);
        grain->frets[side]++;
      }
    }
    grain->gain[side] = grain->value + 2 * (size_t)side * n;
    grain->u_gain[side] = grain->gain[side] + n;
    conclude(sums, s.window, below, below2, grain->gain[side], grain->u_gain[side]);
  }
  free(sums);
  free(s.value);
  return fine ? SP_OK : sp_fail_memory(err);
}

static double grey_at(const sp_wire_section *s, int32_t x)
{
  return (double)s->value[x + s->half_px];
}

double sp_wire_grain_cost(const sp_wire_grain *g, const sp_wire_section *s, int side, double foot_px)
{
  enum { FEWEST_FRETS = 3 };
  const int outward = side ? 1 : -1;
  const int32_t reach = (int32_t)fmin(REACH_MM * s->px_per_mm, s->half_px - 2);
  double cost = 0.0, wood = 0.0;
  if (g->frets[side] < FEWEST_FRETS)
    return 0.0;
  const int32_t off = (int32_t)fmax(2.0, 0.25 * s->px_per_mm);
  for (int32_t i = 0; i < off; i++)
    wood += grey_at(s, outward * (s->half_px - i)) / off;
  for (int32_t x = -reach / 2; x <= reach; x++) {
    const size_t i = (size_t)(g->half_px + outward * x);
    const double shade = fmin(fmax(grey_at(s, outward * x) / fmax(wood, 1e-9), LEAST_SHADE), MOST_SHADE);
    const double expected = x > outward * foot_px ? shade : 0.0;
    cost += pow((double)g->gain[side][i] - expected, 2.0) / (pow((double)g->u_gain[side][i], 2.0) + GAIN_SD * GAIN_SD);
  }
  return cost / fmax(1.0, CORRELATED_MM * s->px_per_mm);
}

static double wood_grey(const sp_wire_section *s, int outward)
{
  const int32_t off = (int32_t)fmax(2.0, 0.25 * s->px_per_mm);
  double wood = 0.0;
  for (int32_t i = 0; i < off; i++)
    wood += grey_at(s, outward * (s->half_px - i)) / off;
  return fmax(wood, 1e-9);
}

/* What shade leaves of the pattern at x: the section's grey against the wood's. Nearer the foot than `from` the blur has
 * mixed metal in, so there it is taken as at `from`. */
static double shade_at(const sp_wire_section *s, int outward, double x, double from, double wood)
{
  const int32_t at = (int32_t)fmin(ceil(fmax(x, from)), s->half_px);
  return fmin(fmax(grey_at(s, outward * at) / wood, LEAST_SHADE), MOST_SHADE);
}

typedef struct grain_step {
  double misfit, share; /* squared standard deviations; part of the wood's pattern that is left beside the step */
} grain_step;

/* What a step of the gain at `at`, px outward of the fret's place, leaves: nothing over a narrow fret's breadth, outward
 * of it the wood's share times the shade, changing slowly. Farther in the wood of the other side shows: nothing is
 * asked there, and what is expected of a right explanation counted. */
static grain_step step_at(const sp_wire_grain *g, const sp_wire_section *s, int side, double at, double blur)
{
  const int outward = side ? 1 : -1;
  const double ppm = s->px_per_mm, wood = wood_grey(s, outward);
  const int32_t first = (int32_t)fmax(-(STEP_FROM_MM + STEP_INSIDE_MM) * ppm, 1.0 - g->half_px);
  const int32_t to = (int32_t)fmin(STEP_OUTSIDE_MM * ppm, s->half_px - 1.0);
  double s11 = 1e-9, s12 = 0.0, s22 = 0.0, y1 = 0.0, y2 = 0.0, yy = 0.0;
  for (int32_t x = first; x <= to; x++) {
    const size_t i = (size_t)(g->half_px + outward * x);
    const double y = (double)g->gain[side][i], metal = sp_normal_cdf((x - at) / blur);
    const double a = metal * shade_at(s, outward, x, at + 1.2 * blur, wood), b = a * (x - at) / ppm;
    if (x < at - STEP_INSIDE_MM * ppm) {
      yy += 1.0;
      continue;
    }
    const double w = 1.0 / (pow((double)g->u_gain[side][i], 2.0) + pow(STEP_SD + STEP_SHADE_SD * a, 2.0));
    s11 += w * a * a;
    s12 += w * a * b;
    s22 += w * b * b;
    y1 += w * a * y;
    y2 += w * b * y;
    yy += w * y * y;
  }
  s22 += s11 / (STEP_DRIFT_PER_MM * STEP_DRIFT_PER_MM); /* the drift is slow */
  const double det = s11 * s22 - s12 * s12, share = (s22 * y1 - s12 * y2) / det;
  return (grain_step){yy - share * y1 - (s11 * y2 - s12 * y1) / det * y2, share};
}

bool sp_wire_grain_foot(const sp_wire_grain *g, const sp_wire_section *s, int side, double blur_px, double *foot_px,
                        double *u_px)
{
  enum { PLACES = 201, FEWEST_FRETS = 3 };
  const double ppm = s->px_per_mm, step = (STEP_FROM_MM + STEP_TO_MM) * ppm / (PLACES - 1), first = -STEP_FROM_MM * ppm;
  const double points = (STEP_FROM_MM + STEP_INSIDE_MM + STEP_OUTSIDE_MM) * ppm;
  grain_step here[PLACES];
  int best = 0;
  if (g->frets[side] < FEWEST_FRETS)
    return false;
  for (int i = 0; i < PLACES; i++) {
    here[i] = step_at(g, s, side, first + i * step, blur_px);
    best = here[i].misfit < here[best].misfit ? i : best;
  }
  if (best == 0 || best == PLACES - 1 || !(here[best].share > LEAST_WOOD))
    return false;
  const double scale = fmax(1.0, here[best].misfit / points) * fmax(1.0, CORRELATED_MM * ppm);
  for (int i = 0; i < PLACES; i++)
    if (fabs((i - best) * step) > STEP_OTHER_MM * ppm && here[i].misfit < here[best].misfit + STEP_CLEAR * scale)
      return false; /* another place does about as well */
  const double bend = here[best - 1].misfit - 2.0 * here[best].misfit + here[best + 1].misfit;
  const double shift = 0.5 * (here[best - 1].misfit - here[best + 1].misfit) / bend;
  *foot_px = (side ? 1.0 : -1.0) * (first + (best + shift) * step);
  *u_px = step * sqrt(2.0 * scale / bend);
  return isfinite(*u_px);
}
