/* The face of a dark nut with a rounded rim.
 *
 * A black nut mirrors the lamp in its rim: along it runs a line of light, between the nut's top and the strip of rim
 * beyond, which turns away and is as dark as the top. The line is what shows most, and neither of its edges is the
 * face: that is where the dark strip ends and the wood begins. So the section is described as a whole: top, line, dark
 * strip, wood that a shadow may fade on, all blurred as the picture is; for given places of line and face that is
 * linear, and places are tried one after the other. How far the face may lie elsewhere shows in what these leave.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/numeric.h"
#include "wire.h"

enum { TERMS = 7, MOST_PIECES = 512, MOST_HALF = 200, PLACES = 33, CENTRES = 7, BREADTHS = 5 };
static const double PIECE_MM = 0.34, HALF_MM = 1.0;
/* The line lies so far behind and before the edge that was seen, is no broader, and the strip beyond it neither. */
static const double BEHIND_MM = 0.45, BEFORE_MM = 0.25, LINE_MM = 0.22, STRIP_FROM_MM = 0.03, STRIP_TO_MM = 0.51;
/* Where the greys of top and wood are read, from the line. */
static const double TOP_FROM_MM = 0.4, TOP_TO_MM = 0.8, WOOD_FROM_MM = 0.35, WOOD_TO_MM = 0.6;
/* A nut is dark below this, of full scale; the line stands out by so much; it falls by so much of that beyond, and the
 * wood rises by so much of it again. What is darker than the top by more is in the nut's shadow. */
static const double DARK = 0.4, LEAST_LINE = 0.012, LEAST_FALL = 0.3, LEAST_RISE = 0.15, MOST_DARKER = 0.5;
/* Where the line's middle may lie about its brightest pixel; how much broader than the blur it is. */
static const double CENTRE_MM = 0.05;
static const double BREADTH_MM[BREADTHS] = {0.0, 0.03, 0.06, 0.10, 0.15};
/* Standard deviations of the terms beforehand, against the contrast; what the section cannot follow, and from how far
 * on it need not; places that leave so little more do as well. */
static const double PRIOR_SD[TERMS] = {50.0, 50.0, 50.0, 0.3, 0.3, 50.0, 0.1};
static const double MODEL_SD = 0.01, LOCAL_MM = 0.3, SHADOW_MM = 0.35, AS_WELL = 0.15;
/* A section of which so much is left, against the contrast, is another one. */
static const double MOST_MISFIT = 0.06;
/* So much of the dark strip may be a joint's after all (common practice, no source). */
static const double JOINT_MM = 0.12;

typedef struct rim {
  int32_t half;
  double value[2 * MOST_HALF + 1]; /* over t = -half .. half, toward the frets */
  double ppm, blur, contrast;
} rim;

static double grey_at(const rim *r, int32_t t)
{
  return r->value[(t < -r->half ? -r->half : t > r->half ? r->half : t) + r->half];
}

static double mean_between(const rim *r, double a, double b)
{
  double sum = 0.0;
  int32_t n = 0;
  for (int32_t t = (int32_t)lround(a); t <= (int32_t)lround(b); t++, n++)
    sum += grey_at(r, t);
  return sum / n;
}

/* The median over pieces along the edge, each shifted so that the edge lies at t = 0. */
static sp_status read_section(const sp_view *view, const sp_wire_line *l, int toward, rim *r, sp_error *err)
{
  const int32_t rows = (int32_t)fmax(2.0, round(PIECE_MM * r->ppm)), n = 2 * r->half + 1;
  const int32_t v0 = (int32_t)fmax(0.0, ceil(l->v_a_px)), v1 = (int32_t)fmin(view->breadth_px, floor(l->v_b_px));
  float *piece = malloc((MOST_PIECES + 1) * ((size_t)n + 2) * sizeof *piece), column[MOST_PIECES];
  size_t count = 0;
  if (!piece)
    return sp_fail_memory(err);
  for (int32_t v = v0; v + rows <= v1 && count < MOST_PIECES; v += rows) {
    const double at = l->u_px + l->slope * (v + 0.5 * (rows - 1) - l->v_px), first = floor(at);
    if (first - r->half < 0.0 || first + r->half + 2.0 > view->length_px)
      continue;
    float *p = piece + count++ * ((size_t)n + 2);
    sp_view_window(view, (int32_t)first - r->half, n + 1, v, rows, p);
    for (int32_t i = 0; i < n; i++)
      p[i] += (float)(at - first) * (p[i + 1] - p[i]);
  }
  for (int32_t t = -r->half; count && t <= r->half; t++) {
    for (size_t k = 0; k < count; k++)
      column[k] = piece[k * ((size_t)n + 2) + (size_t)(toward * t + r->half)];
    r->value[t + r->half] = (double)sp_median_f(column, count);
  }
  free(piece);
  r->contrast = count ? 0.0 : NAN;
  return SP_OK;
}

/* How far a line of light at t stands out on its weaker side, where it lies between a dark top and a dark strip, wood
 * beyond; 0 where it does not. *contrast is of what lies there. */
static double line_at(const rim *r, double full_scale, int32_t t, double *contrast)
{
  const int32_t near = (int32_t)ceil(LINE_MM * r->ppm), strip = (int32_t)lround(WOOD_FROM_MM * r->ppm);
  const double peak = grey_at(r, t), top = mean_between(r, t - TOP_TO_MM * r->ppm, t - TOP_FROM_MM * r->ppm);
  const double wood = mean_between(r, t + WOOD_FROM_MM * r->ppm, t + WOOD_TO_MM * r->ppm), high = peak - top;
  double behind = peak, beyond = peak;
  for (int32_t i = 1; i <= near; i++)
    behind = fmin(behind, grey_at(r, t - i));
  for (int32_t i = 1; i <= strip; i++)
    beyond = fmin(beyond, grey_at(r, t + i));
  *contrast = fmax(peak, wood) - fmin(top, beyond);
  return top < DARK * full_scale && high > LEAST_LINE * full_scale && top - beyond < MOST_DARKER * high &&
                 peak - behind > LEAST_FALL * high && peak - beyond > LEAST_FALL * high &&
                 wood - beyond > LEAST_RISE * high
             ? fmin(peak - behind, peak - beyond)
             : 0.0;
}

/* The brightest pixel of the line that stands out most; false where there is none. */
static bool find_line(rim *r, double full_scale, int32_t *line)
{
  double most = 0.0;
  for (int32_t t = (int32_t)lround(-BEHIND_MM * r->ppm); t <= (int32_t)lround(BEFORE_MM * r->ppm); t++) {
    double contrast;
    const bool top = grey_at(r, t - 1) <= grey_at(r, t) && grey_at(r, t + 1) < grey_at(r, t);
    const double out = top ? line_at(r, full_scale, t, &contrast) : 0.0;
    if (out > most) {
      most = out;
      *line = t;
      r->contrast = contrast;
    }
  }
  return most > 0.0;
}

static void terms_at(const rim *r, double t, double line, double face, double breadth, double *out)
{
  const double b = r->blur, s = hypot(b, breadth), strip = sp_normal_cdf((t - line) / b), d = t - face;
  const double wood = sp_normal_cdf(d / b), bell = exp(-0.5 * d * d / (b * b)) / sqrt(2.0 * SP_PI);
  out[0] = 1.0 - strip;
  out[1] = strip - wood;
  out[2] = wood;
  out[3] = (d * wood + b * bell) / r->half;
  out[4] = sp_blurred_flank(d, SHADOW_MM * r->ppm, b);
  out[5] = exp(-0.5 * (t - line) * (t - line) / (s * s));
  out[6] = fmax(line - t, 0.0) / r->half;
}

/* What line and face at these places leave of the section, weighted mean square, against MODEL_SD of the contrast. */
static double misfit_of(const rim *r, double line, double face, double breadth)
{
  double gram[TERMS * TERMS] = {0}, right[TERMS] = {0}, beta[TERMS], term[TERMS], rest = 0.0, sum = 0.0;
  const double middle = grey_at(r, (int32_t)lround(line)), unit = MODEL_SD * r->contrast;
  for (int32_t t = -r->half; t <= r->half; t++) {
    const double off = fmax(fmax(line - t, t - face), 0.0) / (LOCAL_MM * r->ppm);
    const double w = 1.0 / ((1.0 + off * off) * unit * unit), y = grey_at(r, t) - middle;
    terms_at(r, t, line, face, breadth, term);
    for (int a = 0; a < TERMS; a++) {
      right[a] += w * term[a] * y;
      for (int b = 0; b <= a; b++)
        gram[a * TERMS + b] += w * term[a] * term[b];
    }
    rest += w * y * y;
    sum += w * unit * unit;
  }
  for (int a = 0; a < TERMS; a++) {
    gram[a * TERMS + a] += pow(PRIOR_SD[a] * r->contrast, -2.0);
    beta[a] = right[a];
  }
  if (!sp_cholesky(TERMS, gram))
    return INFINITY;
  sp_cholesky_solve(TERMS, gram, beta);
  for (int a = 0; a < TERMS; a++)
    rest -= beta[a] * right[a];
  return fmax(rest, 0.0) / sum;
}

/* The least misfit of a face `strip_px` beyond the line, over the line's places and breadths. */
static double best_of_strip(const rim *r, int32_t line, double strip_px, double *face)
{
  double least = INFINITY;
  for (int c = 0; c < CENTRES; c++)
    for (int k = 0; k < BREADTHS; k++) {
      const double at = line + CENTRE_MM * r->ppm * (2.0 * c / (CENTRES - 1) - 1.0);
      const double misfit = misfit_of(r, at, at + strip_px, BREADTH_MM[k] * r->ppm);
      if (misfit < least) {
        least = misfit;
        *face = at + strip_px;
      }
    }
  return least;
}

sp_status sp_wire_rim_face(const sp_view *view, const sp_wire_line *edge, int toward, double px_per_mm, double blur_px,
                           double *face_px, double *u_px, bool *found, sp_error *err)
{
  rim r = {.ppm = px_per_mm, .blur = blur_px};
  double misfit[PLACES], face[PLACES];
  const double step = (STRIP_TO_MM - STRIP_FROM_MM) * px_per_mm / (PLACES - 1);
  int32_t line = 0;
  int best = 0;
  *found = false;
  r.half = (int32_t)fmin(ceil(HALF_MM * px_per_mm), MOST_HALF);
  const sp_status status = read_section(view, edge, toward, &r, err);
  if (status || isnan(r.contrast) || !find_line(&r, view->full_scale, &line))
    return status;
  for (int i = 0; i < PLACES; i++) {
    misfit[i] = best_of_strip(&r, line, STRIP_FROM_MM * px_per_mm + i * step, &face[i]);
    best = misfit[i] < misfit[best] ? i : best;
  }
  if (!(sqrt(misfit[best]) * MODEL_SD < MOST_MISFIT))
    return SP_OK;
  int first = best, last = best;
  while (first > 0 && misfit[first - 1] < (1.0 + AS_WELL) * misfit[best])
    first--;
  while (last < PLACES - 1 && misfit[last + 1] < (1.0 + AS_WELL) * misfit[best])
    last++;
  *face_px = edge->u_px + toward * 0.5 * (face[first] + face[last]);
  *u_px = hypot(sp_gum_rectangular(0.5 * (fabs(face[last] - face[first]) + step)),
                sp_gum_rectangular(0.5 * fmin(JOINT_MM * px_per_mm, face[best] - line)));
  *found = true;
  return SP_OK;
}
