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
enum { LAG = 3, FEWEST_FRETS = 3 };
/* The wood's two bands, from the fret's place: beyond where any foot or shadow ends. */
static const double INNER_FROM_MM = 2.7, INNER_TO_MM = 3.1, OUTER_TO_MM = 3.6;
/* Bands that are less alike than this are not of one wood: an inlay, the nut, another fret. */
static const double LEAST_ALIKE = 0.12;
/* A difference larger than so many median ones is a string's or a pore's edge. */
static const double CLIP = 4.5;
enum { SKIRT = 4 }; /* and so many differences beside it are blurred by it */
/* A fret counts no more than so many usual ones. */
static const double MOST_STREAKED = 4.0;
/* What shade may leave of the pattern. */
static const double LEAST_SHADE = 0.15, MOST_SHADE = 1.3;
/* Neighbouring places of the section hang together over so much. */
static const double CORRELATED_MM = 0.22;

/* Fit of the step. What one place's gain is known by at best, on metal and, against the gain, on wood; how the share
 * may drift; the least share beside a foot. */
static const double STEP_SD = 0.02, STEP_SHADE_SD = 0.06, STEP_DRIFT_PER_MM = 0.4, LEAST_WOOD = 0.5;
/* Where the foot is looked for, outward of the fret's place, which lies somewhere on the wire; how far in there is
 * surely metal, how far out wood. */
static const double STEP_FROM_MM = 1.75, STEP_TO_MM = 2.45, STEP_INSIDE_MM = 0.9, STEP_OUTSIDE_MM = 2.65;
/* A place farther off than this that is worse by less, in squared standard deviations, leaves the foot open. */
static const double STEP_OTHER_MM = 0.2, STEP_CLEAR = 9.0;

/* Fit of the step from what lies beside it only: how far in and out, mm; where it is looked for; how fast the wood's
 * share may change; what a gain is known by, and against the shade. */
static const double NEAR_INSIDE_MM = 0.7, NEAR_OUTSIDE_MM = 1.1, NEAR_FROM_MM = -0.8, NEAR_TO_MM = 2.2;
static const double NEAR_DRIFT_PER_MM = 0.6, NEAR_SD = 0.02, NEAR_SHADE_SD = 0.04;
/* A step is one where it explains so much that a bend does not, leaves so little a place, and the wood's share is so
 * large, also against what wood and metal have in common. */
static const double NEAR_CLEAR = 8.0, NEAR_REST = 0.4, NEAR_WOOD = 0.12, NEAR_OF_COMMON = 0.6, FAR_OF_COMMON = 0.3;
/* No foot is known better from that. */
static const double NEAR_PX = 1.0;

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

/* Numerators of one fret's gain at every place, and their denominator. */
static double add_fret(const streaks *s, int outward, double *top)
{
  const int32_t n = s->groups - LAG;
  double bottom = 0.0;
  for (int32_t i = 0; i < n; i++)
    bottom += s->outer[i] * s->inner[i];
  for (int32_t x = -s->half; x <= s->half; x++) {
    double *sum = &top[s->half + outward * x];
    *sum = 0.0;
    for (int32_t i = 0; i < n; i++)
      if (s->outer[i] != 0.0)
        *sum += s->outer[i] * difference(s, i, outward, x, x + 1);
  }
  return bottom;
}

/* All frets together. What is streaked far more than usual is an inlay rather than wood: it counts only so much. */
static void conclude(const double *top, const double *bottom, size_t frets, size_t n, float *gain, float *u_gain)
{
  double work[SP_WIRE_MOST], below = 0.0;
  memcpy(work, bottom, frets * sizeof *work);
  const double usual = frets ? sp_median(work, frets) : 0.0;
  for (size_t f = 0; f < frets; f++) {
    work[f] = 1.0 / fmax(bottom[f] / MOST_STREAKED, usual);
    below += work[f] * bottom[f];
  }
  for (size_t i = 0; i < n; i++) {
    double sum = 0.0, rest = 0.0;
    for (size_t f = 0; f < frets; f++)
      sum += work[f] * top[f * n + i];
    const double g = below > 0.0 ? sum / below : 0.0;
    for (size_t f = 0; f < frets; f++)
      rest += pow(work[f] * (top[f * n + i] - g * bottom[f]), 2.0);
    gain[i] = (float)g;
    u_gain[i] = below > 0.0 ? (float)(sqrt(rest) / below) : INFINITY;
  }
}

sp_status sp_wire_grain_read(const sp_view *view, const sp_wire_line *lines, size_t count, double px_per_mm,
                             sp_wire_grain *grain, sp_error *err)
{
  streaks s = {.view = view, .px_per_mm = px_per_mm, .half = (int32_t)lround(OUTER_TO_MM * px_per_mm)};
  s.window = 2 * s.half + 1;
  s.rows = (int32_t)fmax(1.0, round(GROUP_MM * px_per_mm));
  const size_t n = (size_t)s.window;
  double work[2 * MOST_GROUPS], bottom[SP_WIRE_MOST], *top = malloc(SP_WIRE_MOST * n * sizeof *top);
  memset(grain, 0, sizeof *grain);
  grain->half_px = s.half;
  grain->value = malloc(4 * n * sizeof *grain->value);
  s.value = malloc(MOST_GROUPS * n * sizeof *s.value);
  const bool fine = top && grain->value && s.value;
  for (int side = 0; side < 2 && fine; side++) {
    size_t frets = 0;
    for (size_t i = 0; i < count && frets < SP_WIRE_MOST; i++) {
      s.line = &lines[i];
      if (read_streaks(&s) && read_wood(&s, side ? 1 : -1, work)) {
        bottom[frets] = add_fret(&s, side ? 1 : -1, top + frets * n);
        frets++;
      }
    }
    grain->frets[side] = frets;
    grain->gain[side] = grain->value + 2 * (size_t)side * n;
    grain->u_gain[side] = grain->gain[side] + n;
    conclude(top, bottom, frets, n, grain->gain[side], grain->u_gain[side]);
  }
  free(top);
  free(s.value);
  return fine ? SP_OK : sp_fail_memory(err);
}

static double grey_at(const sp_wire_section *s, int32_t x)
{
  return (double)s->value[x + s->half_px];
}

static double wood_grey(const sp_wire_section *s, int outward)
{
  const int32_t off = (int32_t)fmax(2.0, 0.25 * s->px_per_mm);
  double wood = 0.0;
  for (int32_t i = 0; i < off; i++)
    wood += grey_at(s, outward * (s->half_px - i)) / off;
  return fmax(wood, 1e-9);
}

/* What shade leaves of the pattern at x: the section's grey against the wood's. Nearer the foot than `from` the blur
 * has mixed metal in, so there it is taken as at `from`. */
static double shade_at(const sp_wire_section *s, int outward, double x, double from, double wood)
{
  const int32_t at = (int32_t)fmin(ceil(fmax(x, from)), s->half_px);
  return fmin(fmax(grey_at(s, outward * at) / wood, LEAST_SHADE), MOST_SHADE);
}

typedef struct grain_step {
  double misfit, share; /* squared standard deviations; part of the wood's pattern that is left beside the step */
} grain_step;

/* What a step of the gain at `at`, px outward of the fret's place, leaves: nothing over a narrow fret's breadth,
 * outward of it the wood's share times the shade, changing slowly. Farther in the wood of the other side shows: nothing
 * is asked there, and what is expected of a right explanation counted. */
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

static bool far_foot(const sp_wire_grain *g, const sp_wire_section *s, int side, double blur_px, double *foot_px,
                     double *u_px)
{
  enum { PLACES = 201 };
  const double ppm = s->px_per_mm, step = (STEP_FROM_MM + STEP_TO_MM) * ppm / (PLACES - 1), first = -STEP_FROM_MM * ppm;
  const double points = (STEP_FROM_MM + STEP_INSIDE_MM + STEP_OUTSIDE_MM) * ppm;
  grain_step here[PLACES];
  int best = 0;
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

/* ---- the step by its neighbourhood ----------------------------------------------------------------------------------
 * Streaks run out within millimetres, and strings throw their shadow on metal and wood alike: then the gain does not
 * fall from one to nothing, but it still falls at once where the wood ends. */

enum { NEAR_TERMS = 3 };

typedef struct near_fit {
  double gram[NEAR_TERMS * NEAR_TERMS], right[NEAR_TERMS], yy;
} near_fit;

static void near_add(near_fit *f, const double term[NEAR_TERMS], double y, double w)
{
  for (int a = 0; a < NEAR_TERMS; a++) {
    f->right[a] += w * term[a] * y;
    for (int b = 0; b <= a; b++)
      f->gram[a * NEAR_TERMS + b] += w * term[a] * term[b];
  }
  f->yy += w * y * y;
}

/* What is left, in squared standard deviations; INFINITY where it cannot be solved. */
static double near_solve(near_fit *f, double beta[NEAR_TERMS])
{
  double rest = f->yy;
  memcpy(beta, f->right, sizeof f->right);
  if (!sp_cholesky(NEAR_TERMS, f->gram))
    return INFINITY;
  sp_cholesky_solve(NEAR_TERMS, f->gram, beta);
  for (int a = 0; a < NEAR_TERMS; a++)
    rest -= beta[a] * f->right[a];
  return rest;
}

typedef struct near_step {
  double misfit, gain; /* with a step at the place; by how much a bend there leaves more */
  bool more, clear;    /* the wood adds to what it has in common with metal; and it is a step beyond doubt */
} near_step;

static near_step near_at(const sp_wire_grain *g, const sp_wire_section *s, int side, double at, double blur)
{
  const int outward = side ? 1 : -1;
  const double ppm = s->px_per_mm, wood = wood_grey(s, outward), edge = fmin(s->half_px, g->half_px) - 1.0;
  const int32_t first = (int32_t)fmax(ceil(at - NEAR_INSIDE_MM * ppm), -edge);
  const int32_t to = (int32_t)fmin(fmin(at + NEAR_OUTSIDE_MM * ppm, STEP_OUTSIDE_MM * ppm), edge);
  near_fit step = {{1e-9}, {0.0}, 0.0}, bend = {{1e-9}, {0.0}, 0.0};
  double beta[NEAR_TERMS], other[NEAR_TERMS];
  int n = 0;
  step.gram[4] = bend.gram[4] = bend.gram[8] = 1e-9;
  step.gram[8] = 1.0 / (NEAR_DRIFT_PER_MM * NEAR_DRIFT_PER_MM);
  for (int32_t x = first; x <= to; x++) {
    const double is_wood = sp_normal_cdf((x - at) / blur), t = (x - at) / ppm, grey = grey_at(s, outward * x) / wood;
    if (x < at && grey > MOST_SHADE) /* a highlight says nothing */
      continue;
    const double shade = is_wood > 0.02 ? shade_at(s, outward, x, at + 1.2 * blur, wood) : grey;
    const double y = (double)g->gain[side][g->half_px + outward * x], sd = NEAR_SD + NEAR_SHADE_SD * shade;
    near_add(&step, (double[NEAR_TERMS]){shade, is_wood * shade, is_wood * shade * t}, y, 1.0 / (sd * sd));
    near_add(&bend, (double[NEAR_TERMS]){shade, shade * t, shade * fmax(t, 0.0)}, y, 1.0 / (sd * sd));
    n++;
  }
  near_step r = {near_solve(&step, beta), 0.0, false, false};
  r.gain = near_solve(&bend, other) - r.misfit;
  r.more = isfinite(r.misfit) && beta[1] > FAR_OF_COMMON * beta[0];
  r.clear = r.more && r.gain > NEAR_CLEAR && r.misfit < NEAR_REST * n && beta[1] > NEAR_WOOD &&
            beta[1] > NEAR_OF_COMMON * beta[0];
  return r;
}

static bool near_foot(const sp_wire_grain *g, const sp_wire_section *s, int side, double blur_px, double *foot_px,
                      double *u_px, double *misfit)
{
  enum { PLACES = 151 };
  const double ppm = s->px_per_mm, step = (NEAR_TO_MM - NEAR_FROM_MM) * ppm / (PLACES - 1), first = NEAR_FROM_MM * ppm;
  near_step here[PLACES];
  int best = -1;
  for (int i = 0; i < PLACES; i++) {
    here[i] = near_at(g, s, side, first + i * step, blur_px);
    if (here[i].clear && (best < 0 || here[i].misfit < here[best].misfit))
      best = i;
  }
  if (best <= 0 || best == PLACES - 1)
    return false;
  int low = best, high = best;
  for (int i = 0; i < PLACES; i++) {
    if (here[i].clear && fabs((i - best) * step) > STEP_OTHER_MM * ppm)
      return false;
    low = here[i].clear && i < low ? i : low;
    high = here[i].clear && i > high ? i : high;
  }
  const double bend = here[best - 1].misfit - 2.0 * here[best].misfit + here[best + 1].misfit;
  const double shift = bend > 0.0 ? 0.5 * (here[best - 1].misfit - here[best + 1].misfit) / bend : 0.0;
  *foot_px = (side ? 1.0 : -1.0) * (first + (best + fmin(fmax(shift, -0.5), 0.5)) * step);
  /* any of the places that would do, for what the gain does beside the foot is no straight line */
  *u_px =
      hypot(step * sqrt(2.0 * fmax(1.0, CORRELATED_MM * ppm) / bend), sp_gum_rectangular(0.5 * step * (high - low)));
  *misfit = here[best].misfit;
  return isfinite(*u_px);
}

/* Both readings by their uncertainties, widened where they disagree. */
static void put_together(const double at[2], const double u[2], double *foot_px, double *u_px)
{
  const double w[2] = {1.0 / (u[0] * u[0]), 1.0 / (u[1] * u[1])};
  const double apart = fabs(at[0] - at[1]) / hypot(u[0], u[1]);
  *foot_px = (w[0] * at[0] + w[1] * at[1]) / (w[0] + w[1]);
  *u_px = fmax(1.0, apart) / sqrt(w[0] + w[1]);
}

/* The neck lies off the glass, so its blur may be more than the rule's: of several the one that tells most counts. */
bool sp_wire_grain_foot(const sp_wire_grain *g, const sp_wire_section *s, int side, const double *blur_px, size_t blurs,
                        double *foot_px, double *u_px)
{
  double at[2] = {0.0, 0.0}, u[2] = {INFINITY, INFINITY}, least = INFINITY;
  if (g->frets[side] < FEWEST_FRETS)
    return false;
  for (size_t k = 0; k < blurs; k++) {
    double here, u_here, misfit;
    if (far_foot(g, s, side, blur_px[k], &here, &u_here) && u_here < u[0] &&
        near_at(g, s, side, side ? here : -here, blur_px[k]).more) {
      at[0] = here;
      u[0] = u_here;
    }
    if (near_foot(g, s, side, blur_px[k], &here, &u_here, &misfit) && misfit < least) {
      least = misfit;
      at[1] = here;
      u[1] = hypot(u_here, NEAR_PX);
    }
  }
  if (isfinite(u[0]) && isfinite(u[1])) {
    put_together(at, u, foot_px, u_px);
  } else {
    *foot_px = isfinite(u[0]) ? at[0] : at[1];
    *u_px = fmin(u[0], u[1]);
  }
  return isfinite(*u_px);
}
