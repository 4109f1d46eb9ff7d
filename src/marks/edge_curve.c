/* Was light blurred, or what was stored of it?
 *
 * A lens blurs light, and camera or scanner store a curve of it. Fitted as stored, the brighter side of such an edge
 * has grown, by up to half a pixel between dark and light. Sharpening and scaling work on stored values, though, and
 * some scanners store light as it is. The edge's own shape tells, more or less: its cross-section is fitted as a
 * blurred step in stored values and in light, by two curves, with the blur free within what the picture's blur is known
 * to; each explanation counts by what it leaves where wood and lid are blurred into each other, taken as a few
 * independent points only, because neither the edge nor its shadow is all that the model says. One curve made all edges
 * of a picture. Places are means over the explanations, and how they differ is in their doubt.
 */
#include <math.h>
#include <stdbool.h>
#include <string.h>

#include "board_internal.h"
#include "slotproof/numeric.h"

enum { TERMS = 5, CURVES = 3, BLURS = 8, PLACES = 31 };

/* Scans are mostly resampled, sharpened and stored by programs that take stored values for light; what a camera's lens
 * and sensor blur is light, and only sharpening comes later (a judgement; it counts where the edge says little). */
static const double PRIOR_SCAN[CURVES] = {0.8, 0.1, 0.1}, PRIOR_CAMERA[CURVES] = {0.2, 0.3, 0.5};
/* Blurs tried, of the picture's; standard deviation of their logarithm: edges are not as sharp as strokes. */
static const double BLUR_RATIO[BLURS] = {0.75, 0.85, 0.95, 1.0, 1.05, 1.15, 1.3, 1.5}, BLUR_SD = 0.12;
static const double PLACE_STEP_PX = 0.08;
/* So many blurs to either side of the edge wood and lid are seen mixed; so many pixels at least are looked at, that
 * there are points enough where the edge runs along the pixels and all have one phase. */
static const double MIXED_BLURS = 2.5, LEAST_REACH_PX = 2.5;
/* Near black, curves differ and noise is cut off: such an edge says less. */
static const double INDEPENDENT = 4.0, INDEPENDENT_IF_BLACK = 1.5, BLACK = 0.2;
/* Nothing is drawn more finely than that, of full scale. */
static const double LEAST_REST = 0.0007;
/* Standard deviation that slopes and curve have beforehand, of full scale over the section. */
static const double SLOPE_SD = 0.3;
/* Curves are not just these (cameras lift contrast, too), and an edge's shape misleads where its blur has wings: so much
 * of what they differ by stays in doubt (k = 1), that the intervals reach nearly to either. */
static const double IN_DOUBT = 0.4;
/* In doubt where an edge cannot be explained by each of them, of the blur: about half of what they differ by elsewhere.
 */
static const double UNTOLD = 0.2;
/* A photographed bench lies deeper than the wood, in a shadow that begins or ends near the edge, blurred with it: so much
 * of the blur is in doubt besides. */
static const double BESIDE_A_SHADOW = 0.15;

/* 0: stored values are light; 1: their power 1.8; 2: IEC 61966-2-1 (sRGB). */
static double light_of(int curve, double stored)
{
  const double s = fmax(stored, 0.0);
  if (curve == 0)
    return stored;
  if (curve == 1)
    return pow(s, 1.8);
  return s <= 0.04045 ? s / 12.92 : pow((s + 0.055) / 1.055, 2.4);
}

static double stored_of(int curve, double light)
{
  const double l = fmax(light, 0.0);
  if (curve == 0)
    return light;
  if (curve == 1)
    return pow(l, 1.0 / 1.8);
  return l <= 0.0031308 ? 12.92 * l : 1.055 * pow(l, 1.0 / 2.4) - 0.055;
}

double sp_edge_grown_px(double dark, double bright, double blur_px)
{
  enum { STEPS = 64 };
  const double reach = 4.0, step = 2.0 * reach / STEPS;
  const double from = light_of(2, dark), to = light_of(2, bright);
  double area = 0.0;
  if (!(bright > dark && dark >= 0.0 && bright <= 1.0))
    return 0.0;
  for (int i = 0; i < STEPS; i++) {
    const double z = -reach + (i + 0.5) * step;
    area += step * (stored_of(2, from + (to - from) * sp_normal_cdf(z)) - (z < 0.0 ? dark : bright));
  }
  return blur_px * area / (bright - dark);
}

/* A section in light, and how much a change of light is worth in what is stored. */
typedef struct section {
  const sp_edge_profile *p;
  int curve;
  double light[SP_EDGE_POINTS], weight[SP_EDGE_POINTS], half_px, independent;
} section;

static void take_section(const sp_edge_profile *p, int curve, section *s)
{
  const double h = 0.004;
  double darkest = 1.0;
  *s = (section){.p = p, .curve = curve, .half_px = fmax(fabs(p->x_px[0]), fabs(p->x_px[p->n - 1]))};
  for (size_t i = 0; i < p->n; i++) {
    const double rate = (light_of(curve, p->value[i] + h) - light_of(curve, p->value[i] - h)) / (2.0 * h);
    s->light[i] = light_of(curve, p->value[i]);
    s->weight[i] = 1.0 / fmax(rate * rate, 1e-4);
    darkest = fmin(darkest, p->value[i]);
  }
  s->independent = darkest < BLACK ? INDEPENDENT_IF_BLACK : INDEPENDENT;
}

/* Wood level and slope, lid level, slope and curve, blurred. */
static void terms_at(const section *s, double x_px, double edge_px, double blur_px, double term[TERMS])
{
  const double z = (x_px - edge_px) / blur_px, t = (x_px - edge_px) / s->half_px, b = blur_px / s->half_px;
  const double lid = sp_normal_cdf(z), bell = b * exp(-0.5 * z * z) / sqrt(2.0 * SP_PI);
  term[0] = 1.0 - lid;
  term[1] = t * (1.0 - lid) - bell;
  term[2] = lid;
  term[3] = t * lid + bell;
  term[4] = (t * t + b * b) * lid + t * bell;
}

/* Mean square left around the edge, stored; NAN if there is too little to fit. */
static double rest_at(const section *s, double edge_px, double blur_px)
{
  const double reach_px = fmax(MIXED_BLURS * blur_px, LEAST_REACH_PX);
  double a[TERMS * TERMS] = {0.0}, right[TERMS] = {0.0}, all[SP_EDGE_POINTS][TERMS], sum = 0.0, n = 0.0;
  for (int r = 0; r < TERMS; r++)
    a[r * TERMS + r] = r == 0 || r == 2 ? 1e-9 : LEAST_REST * LEAST_REST / (SLOPE_SD * SLOPE_SD);
  for (size_t i = 0; i < s->p->n; i++) {
    double *term = all[i];
    terms_at(s, s->p->x_px[i], edge_px, blur_px, term);
    for (int r = 0; r < TERMS; r++) {
      right[r] += s->weight[i] * term[r] * s->light[i];
      for (int c = 0; c <= r; c++)
        a[r * TERMS + c] += s->weight[i] * term[r] * term[c];
    }
  }
  if (!sp_cholesky(TERMS, a))
    return NAN;
  sp_cholesky_solve(TERMS, a, right);
  for (size_t i = 0; i < s->p->n; i++) {
    double model = 0.0;
    if (fabs(s->p->x_px[i] - edge_px) > reach_px)
      continue;
    for (int t = 0; t < TERMS; t++)
      model += right[t] * all[i][t];
    const double off = s->p->value[i] - stored_of(s->curve, model);
    sum += off * off;
    n += 1.0;
  }
  return n >= TERMS ? sum / n + LEAST_REST * LEAST_REST : NAN;
}

/* Where the edge leaves least, and minus the log-likelihood there; false if nowhere. */
static bool best_place(const section *s, double blur_px, double *place_px, double *cost)
{
  double rest[PLACES];
  int best = -1;
  for (int j = 0; j < PLACES; j++) {
    rest[j] = rest_at(s, PLACE_STEP_PX * (j - PLACES / 2), blur_px);
    if (isfinite(rest[j]) && (best < 0 || rest[j] < rest[best]))
      best = j;
  }
  if (best < 1 || best > PLACES - 2 || !isfinite(rest[best - 1]) || !isfinite(rest[best + 1]))
    return false;
  const double l = rest[best - 1], m = rest[best], r = rest[best + 1], curve = l + r - 2.0 * m;
  *place_px = PLACE_STEP_PX * (best - PLACES / 2 + (curve > 0.0 ? 0.5 * (l - r) / curve : 0.0));
  *cost = 0.5 * s->independent * log(m);
  return true;
}

/* What one curve makes of an edge: where it lies, minus the log-likelihood. */
typedef struct explanation {
  bool fits;
  double place_px, cost;
} explanation;

/* Over all blurs. */
static explanation explain(const sp_edge_profile *p, int curve)
{
  explanation best = {false, 0.0, 0.0};
  section s;
  if (p->n <= TERMS)
    return best;
  take_section(p, curve, &s);
  for (int k = 0; k < BLURS; k++) {
    const double unusual = log(BLUR_RATIO[k]) / BLUR_SD;
    double place, cost;
    if (!best_place(&s, BLUR_RATIO[k] * p->blur_px, &place, &cost))
      continue;
    cost += 0.5 * unusual * unusual;
    if (!best.fits || cost < best.cost)
      best = (explanation){true, place, cost};
  }
  return best;
}

/* Light puts an edge towards its bright side, and by less than so many blurs; a step between, hardly to be told from
 * chance, may go the other way. What is found elsewhere is no edge, but a few points beside it that a smooth curve
 * explains. */
static const double MOST_BY_LIGHT = 1.0, MOST_AGAINST_LIGHT = 0.2;

static bool is_likely(const sp_edge_profile *p, double apart_px)
{
  const double to_bright = p->value[p->n - 1] > p->value[0] ? apart_px : -apart_px;
  return to_bright <= MOST_BY_LIGHT * p->blur_px && to_bright >= -MOST_AGAINST_LIGHT * p->blur_px;
}

/* What each curve is worth, from all edges together; adds up to 1. */
static void weigh(const explanation of[][CURVES], size_t count, const double prior[CURVES], double weight[CURVES])
{
  double total[CURVES] = {0.0}, least = INFINITY, sum = 0.0;
  for (int c = 0; c < CURVES; c++) {
    for (size_t e = 0; e < count; e++)
      total[c] += of[e][c].fits ? of[e][c].cost : 0.0;
    least = fmin(least, total[c]);
  }
  for (int c = 0; c < CURVES; c++)
    sum += weight[c] = prior[c] * exp(least - total[c]);
  for (int c = 0; c < CURVES; c++)
    weight[c] /= sum;
}

void sp_edge_curve_shifts(const sp_edge_profile profile[2], bool by_camera, double shift_px[2], double u_px[2])
{
  explanation of[2][CURVES];
  double weight[CURVES];
  for (size_t e = 0; e < 2; e++) {
    bool all = true;
    for (int c = 0; c < CURVES; c++) {
      of[e][c] = explain(&profile[e], c);
      all = all && of[e][c].fits && is_likely(&profile[e], of[e][c].place_px - of[e][0].place_px);
    }
    for (int c = 0; c < CURVES; c++)
      of[e][c].fits = all;
  }
  weigh((const explanation(*)[CURVES])of, 2, by_camera ? PRIOR_CAMERA : PRIOR_SCAN, weight);
  for (size_t e = 0; e < 2; e++) {
    double mean = 0.0, square = 0.0, range = 0.0;
    for (int c = 1; c < CURVES && of[e][c].fits; c++) {
      const double apart = of[e][c].place_px - of[e][0].place_px;
      mean += weight[c] * apart;
      square += weight[c] * apart * apart;
      range = fmax(range, fabs(apart));
    }
    shift_px[e] = mean;
    u_px[e] = of[e][0].fits ? hypot(sqrt(fmax(square - mean * mean, 0.0)), IN_DOUBT * range)
                            : UNTOLD * profile[e].blur_px;
    if (by_camera)
      u_px[e] = hypot(u_px[e], BESIDE_A_SHADOW * profile[e].blur_px);
  }
}
