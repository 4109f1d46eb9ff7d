/* The nut's face: where the nut ends and the board begins, seen from above.
 *
 * No one feature of the section is the face. A nut may have a sharp edge, a chamfer or a rounded rim that darkens,
 * lightens or mirrors the lamp; between it and the board there may be a joint; the wood may lie in the nut's shadow,
 * which begins at the face and ends anywhere. Which of these it is cannot be known beforehand, and where several
 * explain the section they put the face at different places. So all are tried: for every breadth of rim and joint, with
 * or without a line of light in the rim, for every blur and for light stored as it is or as about its root, the section
 * is linear in what is left, which is known beforehand to something (levels to nothing, a shadow darkens, a rim is not
 * lighter than a few times the nut). Each explanation counts by its marginal likelihood (Jeffreys; Kass & Raftery
 * 1995), which weighs what it leaves against how much it could have explained; the noise is one of several levels, for
 * a section never follows a model beyond a hundredth of its contrast. The face is the mean over all of them, its doubt
 * their scatter: where two readings stay, both are within it.
 *
 * The grain says which part is wood, as at a fret's foot (wire_grain.c): what is streaked along the edge as the wood
 * farther out is wood, in proportion to its grey; nut and rim have nothing of it. A joint may be a gap, which has
 * none, or dirt and shadow on wood, which has. So each explanation is also held against the gain, the share of the
 * wood's pattern that is left at each place.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/numeric.h"
#include "wire.h"

enum { STEPS_PER_MM = 200, REACH_STEPS = 320, TABLE = 2 * REACH_STEPS + 1 }; /* tables reach 1.6 mm to both sides */
enum { RIMS = 6, JOINTS = 5, LIGHTS = 2, BUMPS = 5, BLURS = 3, TONES = 2, NOISES = 5, PLACES = 49 };
enum { MOST_PIECES = 512, MOST_BINS = 320, FEWEST_PIECES = 24, MOST_TERMS = 18, WOOD_TERMS = 6, GAIN_TERMS = 3 };
enum { NUT, WOOD, NUT_SLOPE, WOOD_SLOPE, NEAR_SHADE, FAR_SHADE, NEAR_LIGHT, FAR_LIGHT, JOINT_OR_RIM, RIM_TERMS = 4 };

static const double RIM_MM[RIMS] = {0.0, 0.07, 0.14, 0.22, 0.32, 0.45};
static const double JOINT_MM[JOINTS] = {0.0, 0.03, 0.06, 0.10, 0.15};
/* Where in the rim the lamp may be mirrored, 0 = at the nut's top, 1 = at its face; breadth of that. Neighbours
 * together make a line anywhere. */
static const double LIGHT_AT[BUMPS] = {0.1, 0.27, 0.44, 0.61, 0.78}, LIGHT_WIDE = 0.10;
/* A rim narrower than this does not show a line of light by itself. */
static const double LIT_RIM_MM = 0.1;
/* The neck lies off the glass: so much more blur than the rule's. */
static const double BLUR[BLURS] = {1.0, 1.25, 1.6};
static const double TONE[TONES] = {1.0, 2.2};
/* How likely these are beforehand, nats (common practice, no source). */
static const double RIM_LOG[RIMS] = {-0.9, -2.2, -2.2, -2.2, -2.2, -2.6},
                    JOINT_LOG[JOINTS] = {-0.6, -2.0, -2.0, -2.5, -3.4}, LIGHT_LOG[LIGHTS] = {-0.4, -1.2},
                    BLUR_LOG[BLURS] = {-0.5, -1.2, -2.0};
/* Lengths of shadows that fall off; where others may end, and how gently; the window; where its middle half ends;
 * weights fall off over LOCAL_MM. */
static const double SHADE_MM[2] = {0.13, 0.40}, LIT_MM[2] = {0.35, 0.60}, LIT_WIDE_MM = 0.12, WINDOW_MM = 0.85,
                    LEVEL_FROM_MM = 0.51, LOCAL_MM = 0.5;
/* Where the face is looked for about the start; farther off than NEAR_MM it is looked for once more from there. */
static const double SEARCH_MM = 0.36, NEAR_MM = 0.15;
/* What a section cannot follow, against the contrast, and squares of what that may be multiplied by; independent
 * values a millimetre, of greys and of gains. */
static const double MODEL_SD = 0.008, NOISE[NOISES] = {1.0, 2.5, 6.0, 20.0, 80.0}, VALUES_PER_MM = 12.0,
                    GAINS_PER_MM = 8.0;
/* Explanations that the greys make less likely by so much are not held against the gain, nats. */
static const double HOPELESS = 40.0;
/* Not every nut is among the explanations: so much more doubt than these leave (sized on drawn nuts). */
static const double INCOMPLETE = 1.2;
/* Pieces: rows taken together. Parts of them left out at both ends when they are averaged. */
static const double PIECE_MM = 0.17, TRIM = 0.15;
/* Bands of wood whose streaks are compared; of the nut, where strings show; differences over LAG pieces; a difference
 * larger than so many usual ones is a string's, and so many beside it are. */
static const double INNER_FROM_MM = 0.45, INNER_TO_MM = 0.8, OUTER_TO_MM = 1.3, NUT_FROM_MM = 1.0, CLIP = 4.5,
                    LEAST_ALIKE = 0.12, GAIN_MM = 1.0;
enum { LAG = 3, SKIRT = 4, FEWEST_STREAKS = 40 };
/* What the gain is known by at best, and against itself; priors of its scale, drift a millimetre and level. */
static const double GAIN_SD = 0.03, GAIN_SHADE_SD = 0.08, GAIN_PRIOR[GAIN_TERMS] = {0.2, 0.35, 0.04};

/* The terms of one blur, over the distance from the face. */
struct sp_wire_face_tables {
  double step[TABLE], ramp[TABLE], fall[2][TABLE], lit[2][TABLE];
  double rim[RIMS][RIM_TERMS + BUMPS][TABLE];
};

typedef struct sp_wire_face_tables tables;

typedef struct section {
  double px_per_mm, full_scale, contrast, nut, wood;
  size_t count, pieces;
  double t_mm[MOST_BINS], grey[MOST_BINS], u_grey[MOST_BINS]; /* t toward the frets, from the start */
  bool grained;
  size_t gains;
  double gain_t_mm[MOST_BINS], gain[MOST_BINS], u_gain[MOST_BINS];
} section;

/* One explanation but for the face's place. */
typedef struct variant {
  int rim, joint, light, terms;
  double joint_mm;
} variant;

/* Likelihoods of the places, summed over explanations: total[k] exp(most[k]). */
typedef struct posterior {
  double most[PLACES], total[PLACES], best;
} posterior;

/* ---- the picture ----------------------------------------------------------------------------------------------------
 */

/* Pieces along the edge, shifted so that it lies in the middle of the window; returns how many. */
static size_t read_pieces(const sp_view *view, const sp_wire_line *l, int toward, double px_per_mm, int32_t half,
                          float *piece)
{
  const int32_t rows = (int32_t)fmax(1.0, round(PIECE_MM * px_per_mm)), n = 2 * half + 1;
  const int32_t v0 = (int32_t)fmax(0.0, ceil(l->v_a_px)), v1 = (int32_t)fmin(view->breadth_px, floor(l->v_b_px));
  float row[2 * MOST_BINS + 2];
  size_t count = 0;
  for (int32_t v = v0; v + rows <= v1 && count < MOST_PIECES; v += rows) {
    const double at = l->u_px + l->slope * (v + 0.5 * (rows - 1) - l->v_px), first = floor(at);
    if (first - half < 0.0 || first + half + 2.0 > view->length_px)
      continue;
    sp_view_window(view, (int32_t)first - half, n + 1, v, rows, row);
    float *p = piece + count++ * (size_t)n;
    for (int32_t t = -half; t <= half; t++) {
      const int32_t i = half + toward * t;
      p[t + half] = row[i] + (float)(at - first) * (row[i + 1] - row[i]);
    }
  }
  return count;
}

static int by_grey(const void *a, const void *b)
{
  const float x = *(const float *)a, y = *(const float *)b;
  return (x > y) - (x < y);
}

/* Trimmed mean of a column of pieces, and its standard uncertainty. */
static double column_mean(const float *piece, size_t count, size_t n, size_t at, double *u)
{
  float value[MOST_PIECES];
  double sum = 0.0, square = 0.0;
  for (size_t k = 0; k < count; k++)
    value[k] = piece[k * n + at];
  qsort(value, count, sizeof *value, by_grey);
  const size_t cut = (size_t)(TRIM * (double)count), used = count - 2 * cut;
  for (size_t k = cut; k < count - cut; k++)
    sum += (double)value[k];
  for (size_t k = cut; k < count - cut; k++)
    square += pow((double)value[k] - sum / (double)used, 2.0);
  *u = sqrt(2.0 * square / (double)used / (double)used);
  return sum / (double)used;
}

static double level_of(const section *s, int toward)
{
  double work[MOST_BINS];
  size_t n = 0;
  for (size_t i = 0; i < s->count; i++)
    if (toward * s->t_mm[i] > LEVEL_FROM_MM)
      work[n++] = s->grey[i];
  return n ? sp_median(work, n) : NAN;
}

static void average_pieces(const float *piece, int32_t half, section *s)
{
  const int32_t reach = (int32_t)fmin(floor(WINDOW_MM * s->px_per_mm), MOST_BINS / 2 - 1);
  double least = INFINITY, most = -INFINITY;
  s->count = 0;
  for (int32_t t = -reach; t <= reach; t++) {
    const size_t i = s->count++;
    s->t_mm[i] = t / s->px_per_mm;
    s->grey[i] = column_mean(piece, s->pieces, 2 * (size_t)half + 1, (size_t)(t + half), &s->u_grey[i]);
    least = fmin(least, s->grey[i]);
    most = fmax(most, s->grey[i]);
  }
  s->contrast = fmax(most - least, 1e-3 * s->full_scale);
}

/* ---- the grain ------------------------------------------------------------------------------------------------------
 */

typedef struct streaks {
  const float *piece;
  int32_t half;
  size_t count; /* of differences */
  double inner[MOST_PIECES], outer[MOST_PIECES], nut[MOST_PIECES];
} streaks;

static double difference(const streaks *g, size_t i, int32_t from, int32_t to)
{
  const size_t n = 2 * (size_t)g->half + 1;
  const float *a = g->piece + i * n + g->half, *b = a + LAG * n;
  double sum = 0.0;
  for (int32_t t = from; t <= to; t++)
    sum += (double)(b[t] - a[t]);
  return sum / (to - from + 1);
}

static void mark_odd(const double *value, size_t n, bool *odd)
{
  double work[MOST_PIECES];
  for (size_t i = 0; i < n; i++)
    work[i] = fabs(value[i]);
  const double most = CLIP * sp_median(work, n);
  for (size_t i = 0; i < n; i++)
    for (size_t k = i > SKIRT ? i - SKIRT : 0; fabs(value[i]) > most && k <= i + SKIRT && k < n; k++)
      odd[k] = true;
}

/* Pieces in which a string lies have no part in it: outer is 0 there. */
static bool read_streaks(streaks *g, double ppm)
{
  bool odd[MOST_PIECES] = {false};
  double ab = 0.0, aa = 0.0, bb = 0.0;
  size_t used = 0;
  for (size_t i = 0; i < g->count; i++) {
    g->inner[i] = difference(g, i, (int32_t)ceil(INNER_FROM_MM * ppm), (int32_t)floor(INNER_TO_MM * ppm));
    g->outer[i] = difference(g, i, (int32_t)floor(INNER_TO_MM * ppm) + 1, (int32_t)floor(OUTER_TO_MM * ppm));
    g->nut[i] = difference(g, i, -(int32_t)floor(NUT_FROM_MM * ppm), -(int32_t)ceil(INNER_FROM_MM * ppm));
  }
  mark_odd(g->inner, g->count, odd);
  mark_odd(g->outer, g->count, odd);
  mark_odd(g->nut, g->count, odd);
  for (size_t i = 0; i < g->count; i++) {
    if (odd[i])
      g->outer[i] = 0.0;
    else
      used++;
    ab += g->outer[i] * g->inner[i];
    aa += g->outer[i] * g->outer[i];
    bb += odd[i] ? 0.0 : g->inner[i] * g->inner[i];
  }
  return used >= FEWEST_STREAKS && ab > 0.0 && ab > LEAST_ALIKE * sqrt(aa * bb);
}

/* The share of the wood's pattern at each place: the outer band is the instrument for the inner one. */
static void read_gain(const float *piece, int32_t half, section *s)
{
  streaks g = {.piece = piece, .half = half, .count = s->pieces - LAG};
  const int32_t reach = (int32_t)fmin(floor(GAIN_MM * s->px_per_mm), MOST_BINS / 2 - 1);
  double bottom = 0.0;
  s->gains = 0;
  s->grained = read_streaks(&g, s->px_per_mm);
  for (size_t i = 0; i < g.count; i++)
    bottom += g.outer[i] * g.inner[i];
  for (int32_t t = -reach; s->grained && t <= reach; t++) {
    double top = 0.0, rest = 0.0;
    for (size_t i = 0; i < g.count; i++)
      top += g.outer[i] * difference(&g, i, t, t);
    const double gain = top / bottom;
    for (size_t i = 0; i < g.count; i++)
      rest += pow(g.outer[i] * (difference(&g, i, t, t) - gain * g.inner[i]), 2.0);
    s->gain_t_mm[s->gains] = t / s->px_per_mm;
    s->gain[s->gains] = gain;
    s->u_gain[s->gains++] = sqrt(LAG * rest) / bottom;
  }
}

static sp_status read_section(const sp_view *view, const sp_wire_line *edge, int toward, section *s, sp_error *err)
{
  const int32_t half = (int32_t)fmin(ceil(OUTER_TO_MM * s->px_per_mm), MOST_BINS - 1);
  float *piece = malloc(MOST_PIECES * (2 * (size_t)half + 1) * sizeof *piece);
  if (!piece)
    return sp_fail_memory(err);
  s->pieces = read_pieces(view, edge, toward, s->px_per_mm, half, piece);
  if (s->pieces >= FEWEST_PIECES) {
    average_pieces(piece, half, s);
    read_gain(piece, half, s);
  }
  free(piece);
  return SP_OK;
}

/* The same in light, where greys are its root. */
static void undo_tone(section *s, double tone)
{
  double least = INFINITY, most = -INFINITY;
  for (size_t i = 0; i < s->count; i++) {
    const double part = fmax(s->grey[i] / s->full_scale, 1.0 / 255.0);
    if (tone != 1.0) {
      s->u_grey[i] *= tone * pow(part, tone - 1.0);
      s->grey[i] = s->full_scale * pow(part, tone);
    }
    least = fmin(least, s->grey[i]);
    most = fmax(most, s->grey[i]);
  }
  s->contrast = fmax(most - least, 1e-3 * s->full_scale);
  s->nut = level_of(s, -1);
  s->wood = level_of(s, 1);
}

/* ---- what a section is made of --------------------------------------------------------------------------------------
 */

/* What the rim adds, x from 0 at the nut's top to 1 at its face: a surface that turns away evenly, a rounded one. */
static double rim_value(int term, double x)
{
  switch (term) {
  case 0:
    return x;
  case 1:
    return x * x;
  case 2:
    return 1.0 - sqrt(fmax(0.0, 1.0 - x * x));
  case 3:
    return 1.0;
  default: {
    const double off = (x - LIGHT_AT[term - RIM_TERMS]) / LIGHT_WIDE;
    return exp(-0.5 * off * off);
  }
  }
}

/* Blurred by sums over the middles of small steps, which is exact to second order. */
static double blurred_rim(int term, double rim_mm, double t_mm, double blur_mm)
{
  const double from = fmax(-rim_mm, t_mm - 4.5 * blur_mm), to = fmin(0.0, t_mm + 4.5 * blur_mm);
  enum { PARTS = 32 };
  const double part = (to - from) / PARTS;
  double sum = 0.0;
  for (int i = 0; i < PARTS && part > 0.0; i++) {
    const double at = from + (i + 0.5) * part, off = (t_mm - at) / blur_mm;
    sum += rim_value(term, at / rim_mm + 1.0) * exp(-0.5 * off * off) * part;
  }
  return sum / (blur_mm * sqrt(2.0 * SP_PI));
}

static void fill_tables(tables *f, double blur_mm)
{
  for (int i = 0; i < TABLE; i++) {
    const double t = (i - REACH_STEPS) / (double)STEPS_PER_MM, z = t / blur_mm;
    f->step[i] = sp_normal_cdf(z);
    f->ramp[i] = t * f->step[i] + blur_mm * exp(-0.5 * z * z) / sqrt(2.0 * SP_PI);
    for (int k = 0; k < 2; k++) {

      f->fall[k][i] = sp_blurred_flank(t, SHADE_MM[k], blur_mm);
      f->lit[k][i] = sp_normal_cdf((t - LIT_MM[k]) / hypot(blur_mm, LIT_WIDE_MM));
    }
    for (int r = 1; r < RIMS; r++)
      for (int k = 0; k < RIM_TERMS + BUMPS; k++)
        f->rim[r][k][i] =
            t < 5.0 * blur_mm && t > -RIM_MM[r] - 5.0 * blur_mm ? blurred_rim(k, RIM_MM[r], t, blur_mm) : 0.0;
  }
}

typedef struct spot {
  int at;
  double part;
} spot;

static spot spot_of(double t_mm)
{
  const double place = fmin(fmax(t_mm * STEPS_PER_MM + REACH_STEPS, 0.0), TABLE - 1.001);
  const int at = (int)place;
  return (spot){at, place - at};
}

static double look_up(const double *table, spot p)
{
  return table[p.at] + p.part * (table[p.at + 1] - table[p.at]);
}

/* What wood adds at t from the face, and what the joint does. */
static double wood_terms(const tables *f, const variant *v, double t_mm, double wood[WOOD_TERMS])
{
  const spot p = spot_of(t_mm - v->joint_mm);
  wood[0] = look_up(f->step, p);
  wood[1] = look_up(f->ramp, p);
  wood[2] = look_up(f->fall[0], p);
  wood[3] = look_up(f->fall[1], p);
  wood[4] = look_up(f->lit[0], p);
  wood[5] = look_up(f->lit[1], p);
  return v->joint_mm > 0.0 ? look_up(f->step, spot_of(t_mm)) - wood[0] : 0.0;
}

static void terms_at(const tables *f, const variant *v, double t_mm, double *out)
{
  double wood[WOOD_TERMS];
  const double joint = wood_terms(f, v, t_mm, wood);
  const spot p = spot_of(t_mm), mirror = spot_of(-t_mm);
  int n = JOINT_OR_RIM;
  out[NUT] = 1.0 - look_up(f->step, p);
  out[WOOD] = wood[0];
  out[NUT_SLOPE] = -look_up(f->ramp, mirror);
  out[WOOD_SLOPE] = wood[1];
  out[NEAR_SHADE] = wood[2];
  out[FAR_SHADE] = wood[3];
  out[NEAR_LIGHT] = wood[4];
  out[FAR_LIGHT] = wood[5];
  if (v->joint)
    out[n++] = joint;
  for (int k = 0; v->rim && k < RIM_TERMS; k++)
    out[n++] = look_up(f->rim[v->rim][k], p);
  for (int k = 0; v->light && k < BUMPS; k++)
    out[n++] = look_up(f->rim[v->rim][RIM_TERMS + k], p);
}

/* What the terms are known by beforehand. */
static void prior_of(const section *s, const variant *v, double *mean, double *sd)
{
  const double c = s->contrast, nut = fmax(s->nut, 0.0), wood = fmax(s->wood, 0.0);
  int n = JOINT_OR_RIM;
  mean[NUT] = s->nut;
  mean[WOOD] = s->wood;
  sd[NUT] = sd[WOOD] = 50.0 * c;
  mean[NUT_SLOPE] = mean[WOOD_SLOPE] = 0.0;
  sd[NUT_SLOPE] = 0.15 * fmax(nut, 0.1 * c);
  sd[WOOD_SLOPE] = 0.35 * fmax(wood, 0.1 * c);
  mean[NEAR_SHADE] = -0.05 * wood;
  sd[NEAR_SHADE] = 0.15 * wood + 0.02 * c;
  mean[FAR_SHADE] = -0.08 * wood;
  sd[FAR_SHADE] = 0.25 * wood + 0.02 * c;
  for (int k = 0; k < 2; k++) {
    mean[NEAR_LIGHT + k] = 0.0;
    sd[NEAR_LIGHT + k] = 0.2 * wood;
  }
  if (v->joint) {
    mean[n] = 0.35 * fmin(nut, wood);
    sd[n++] = 0.3 * fmin(nut, wood) + 0.02 * c;
  }
  for (int k = 0; v->rim && k < RIM_TERMS; k++) {
    static const double MEAN[RIM_TERMS] = {0.0, -0.05, -0.15, 0.0}, OF_NUT[RIM_TERMS] = {0.3, 0.3, 0.3, 0.1},
                        OF_ALL[RIM_TERMS] = {0.05, 0.05, 0.05, 0.03};
    mean[n] = MEAN[k] * nut;
    sd[n++] = OF_NUT[k] * nut + OF_ALL[k] * c;
  }
  for (int k = 0; v->light && k < BUMPS; k++) {
    mean[n] = 0.1 * c;
    sd[n++] = 0.4 * c;
  }
}

/* ---- how likely -----------------------------------------------------------------------------------------------------
 */

typedef struct equations {
  size_t terms;
  double gram[MOST_TERMS * MOST_TERMS], right[MOST_TERMS], yy;
  double mean[MOST_TERMS], sd[MOST_TERMS];
} equations;

/* In units of the prior, so that it is the unit matrix. */
static void set_up(const section *s, const tables *f, const variant *v, double face_mm, equations *e)
{
  double term[MOST_TERMS];
  const size_t n = e->terms = (size_t)v->terms;
  const double dense = VALUES_PER_MM / s->px_per_mm, model = MODEL_SD * s->contrast;
  memset(e->gram, 0, sizeof e->gram);
  memset(e->right, 0, sizeof e->right);
  e->yy = 0.0;
  for (size_t i = 0; i < s->count; i++) {
    const double t = s->t_mm[i] - face_mm, far = s->t_mm[i] / LOCAL_MM;
    const double w = dense / ((model * model + s->u_grey[i] * s->u_grey[i]) * (1.0 + far * far));
    double y = s->grey[i];
    terms_at(f, v, t, term);
    for (size_t a = 0; a < n; a++) {
      y -= e->mean[a] * term[a];
      term[a] *= e->sd[a];
    }
    for (size_t a = 0; a < n; a++) {
      const double wt = w * term[a];
      e->right[a] += wt * y;
      for (size_t b = 0; b <= a; b++)
        e->gram[a * n + b] += wt * term[b];
    }
    e->yy += w * y * y;
  }
}

/* Log of the marginal likelihood with this much noise, but for what all have in common; the terms. */
static double grey_likelihood(const section *s, const equations *e, double noise, double *term)
{
  double l[MOST_TERMS * MOST_TERMS], beta[MOST_TERMS], rest = e->yy / noise;
  const size_t n = e->terms;
  for (size_t a = 0; a < n; a++) {
    for (size_t b = 0; b <= a; b++)
      l[a * n + b] = e->gram[a * n + b] / noise + (a == b ? 1.0 : 0.0);
    beta[a] = e->right[a] / noise;
  }
  if (!sp_cholesky(n, l))
    return -INFINITY;
  sp_cholesky_solve(n, l, beta);
  for (size_t a = 0; a < n; a++) {
    rest -= beta[a] * e->right[a] / noise;
    term[a] = e->mean[a] + e->sd[a] * beta[a];
  }
  const double values = VALUES_PER_MM * (double)s->count / s->px_per_mm;
  return -0.5 * (rest + sp_cholesky_log_det(n, l) + values * log(noise));
}

/* The same of the gain, which is to be what the wood's terms say: `joint_streaked` where the joint is dark wood. */
static double gain_likelihood(const section *s, const tables *f, const variant *v, double face_mm, const double *term,
                              bool joint_streaked)
{
  static const size_t n = GAIN_TERMS;
  double gram[GAIN_TERMS * GAIN_TERMS] = {0}, right[GAIN_TERMS] = {0}, beta[GAIN_TERMS], rest = 0.0, scale = 0.0;
  const double level = term[WOOD], dense = fmin(1.0, GAINS_PER_MM / s->px_per_mm);
  for (size_t i = 0; i < s->gains; i++) {
    double wood[WOOD_TERMS];
    const double t = s->gain_t_mm[i] - face_mm, joint = wood_terms(f, v, t, wood);
    double share = wood[0] * level + wood[1] * term[WOOD_SLOPE] + wood[2] * term[NEAR_SHADE] +
                   wood[3] * term[FAR_SHADE] + wood[4] * term[NEAR_LIGHT] + wood[5] * term[FAR_LIGHT];
    if (joint_streaked)
      share += joint * term[JOINT_OR_RIM];
    share = fmin(fmax(share / level, -0.2), 2.0);
    const double var = s->u_gain[i] * s->u_gain[i] + pow(GAIN_SD + GAIN_SHADE_SD * fabs(share), 2.0);
    const double w = dense / (var * (1.0 + 4.0 * t * t)), y = s->gain[i] - share;
    const double x[GAIN_TERMS] = {GAIN_PRIOR[0] * share, GAIN_PRIOR[1] * share * t, GAIN_PRIOR[2]};
    for (size_t a = 0; a < n; a++) {
      right[a] += w * x[a] * y;
      for (size_t b = 0; b <= a; b++)
        gram[a * n + b] += w * x[a] * x[b];
    }
    rest += w * y * y;
    scale += dense * log(var);
  }
  for (size_t a = 0; a < n; a++) {
    gram[a * n + a] += 1.0;
    beta[a] = right[a];
  }
  if (!sp_cholesky(n, gram))
    return -INFINITY;
  sp_cholesky_solve(n, gram, beta);
  for (size_t a = 0; a < n; a++)
    rest -= beta[a] * right[a];
  return -0.5 * (rest + scale + sp_cholesky_log_det(n, gram));
}

static double log_of_sum(double a, double b)
{
  const double most = fmax(a, b);
  return isfinite(most) ? most + log(exp(a - most) + exp(b - most)) : most;
}

static double with_gain(const section *s, const tables *f, const variant *v, double face_mm, const double *term)
{
  if (!s->grained || !(term[WOOD] > 1e-3 * s->full_scale))
    return s->grained ? -INFINITY : 0.0;
  const double gap = gain_likelihood(s, f, v, face_mm, term, false);
  return v->joint ? log_of_sum(gap, gain_likelihood(s, f, v, face_mm, term, true)) - log(2.0) : gap;
}

static void add_place(posterior *p, int place, double likelihood)
{
  if (!isfinite(likelihood))
    return;
  if (likelihood > p->most[place]) {
    p->total[place] = p->total[place] * exp(p->most[place] - likelihood) + 1.0;
    p->most[place] = likelihood;
  } else {
    p->total[place] += exp(likelihood - p->most[place]);
  }
}

static double place_mm(int place)
{
  return SEARCH_MM * (2.0 * place / (PLACES - 1) - 1.0);
}

static void try_variant(const section *s, const tables *f, const variant *v, double before, double *best_grey,
                        posterior *p)
{
  equations e;
  double term[MOST_TERMS];
  prior_of(s, v, e.mean, e.sd);
  for (int k = 0; k < PLACES; k++) {
    set_up(s, f, v, place_mm(k), &e);
    for (int i = 0; i < NOISES; i++) {
      const double grey = before + grey_likelihood(s, &e, NOISE[i], term);
      *best_grey = fmax(*best_grey, grey);
      if (grey > *best_grey - HOPELESS)
        add_place(p, k, grey + with_gain(s, f, v, place_mm(k), term));
    }
  }
}

static void try_all(const section *s, const tables *f, double before, double *best_grey, posterior *p)
{
  for (int r = 0; r < RIMS; r++)
    for (int j = 0; j < JOINTS; j++)
      for (int l = 0; l < (RIM_MM[r] > LIT_RIM_MM ? LIGHTS : 1); l++) {
        const variant v = {r, j, l, JOINT_OR_RIM + (j > 0) + (r > 0 ? RIM_TERMS : 0) + (l > 0 ? BUMPS : 0),
                           JOINT_MM[j]};
        try_variant(s, f, &v, before + RIM_LOG[r] + JOINT_LOG[j] + LIGHT_LOG[l], best_grey, p);
      }
}

/* Mean and standard deviation of the places. */
static bool sum_up(const posterior *p, double *face_mm, double *u_mm)
{
  double most = -INFINITY, sum = 0.0, mean = 0.0, square = 0.0;
  for (int k = 0; k < PLACES; k++)
    most = fmax(most, p->most[k]);
  if (!isfinite(most))
    return false;
  for (int pass = 0; pass < 2; pass++)
    for (int k = 0; k < PLACES; k++) {
      const double share = p->total[k] * exp(p->most[k] - most);
      sum += pass ? 0.0 : share;
      mean += pass ? 0.0 : share * place_mm(k);
      square += pass ? share * pow(place_mm(k) - mean / sum, 2.0) : 0.0;
    }
  *face_mm = mean / sum;
  *u_mm = hypot(sqrt(square / sum), sp_gum_rectangular(SEARCH_MM / (PLACES - 1)));
  return true;
}

static sp_status look_from(const sp_view *view, const sp_wire_line *edge, int toward, double px_per_mm, const tables *f,
                           double *face_mm, double *u_mm, bool *found, sp_error *err)
{
  section plain = {.px_per_mm = px_per_mm, .full_scale = view->full_scale};
  posterior p;
  double best_grey = -INFINITY;
  const sp_status status = read_section(view, edge, toward, &plain, err);
  *found = false;
  if (status || plain.pieces < FEWEST_PIECES)
    return status;
  for (int k = 0; k < PLACES; k++) {
    p.most[k] = -INFINITY;
    p.total[k] = 0.0;
  }
  for (int t = 0; t < TONES; t++) {
    section s = plain;
    undo_tone(&s, TONE[t]);
    for (int b = 0; b < BLURS; b++)
      try_all(&s, &f[b], BLUR_LOG[b], &best_grey, &p);
  }
  *found = sum_up(&p, face_mm, u_mm);
  return SP_OK;
}

sp_wire_face_tables *sp_wire_face_prepare(double px_per_mm, double optics_px)
{
  tables *f = malloc(BLURS * sizeof *f);
  for (int b = 0; f && b < BLURS; b++) /* pixel and interpolation blur too */
    fill_tables(&f[b], sqrt(pow(BLUR[b] * optics_px, 2.0) + 1.0 / 12.0 + 1.0 / 6.0) / px_per_mm);
  return f;
}

sp_status sp_wire_face_find(const sp_view *view, const sp_wire_line *edge, int toward, double px_per_mm,
                            const sp_wire_face_tables *prepared, double *face_px, double *u_px, bool *found,
                            sp_error *err)
{
  sp_wire_line at = *edge;
  double face_mm = 0.0, u_mm = 0.0;
  sp_status status = SP_OK;
  for (int round = 0; !status && round < 2; round++) {
    status = look_from(view, &at, toward, px_per_mm, prepared, &face_mm, &u_mm, found, err);
    if (status || !*found)
      break;
    *face_px = at.u_px + toward * face_mm * px_per_mm;
    *u_px = INCOMPLETE * u_mm * px_per_mm;
    if (fabs(face_mm) < NEAR_MM)
      break;
    at.u_px = *face_px;
  }
  return status;
}
