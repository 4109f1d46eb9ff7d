/* The board's outline.
 *
 * Its long sides lie where the lines across it end, or a little beyond: there a straight step in the grey is looked
 * for, along the whole length at once (the gradient across, summed along every line of a small range of places and
 * slopes), so that neither a streak of grain nor a shadow over part of the length decides. The squared ends are steps
 * across the board beyond the outermost lines; unlike a line, an end leaves different levels on its two sides.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "marks_internal.h"
#include "slotproof/numeric.h"

enum { SLOPES = 41, MAX_LINES = 256 };
static const double SIDE_INSIDE_MM = 3.5, SIDE_OUTSIDE_MM = 5.0;
/* A shadow's end or the rule's edge is often the stronger step, but it lies further out than the wood's. */
static const double NEAR_MM = 1.0;
/* Inside are streaks of grain; they are weaker than the edge, but not always. */
static const double INSIDE_MM = 3.0;
/* Slope of a side against the board's middle: 12 mm over 180 mm is 0.033. Both sides taper alike, or one is wrong. */
static const double MOST_TAPER = 0.035, MOST_UNLIKE = 0.012, LIKE_SLOPE = 0.005;

/* ---- sides from the lines' ends -------------------------------------------------------------------------------------
 */

/* Robust straight line v = at + slope u through the ends, weighted; the slope starts from `slope0` and is tied to it
 * where the ends do not say better. */
static void line_through(const double *u, const double *v, size_t n, double slope0, double tie_px, sp_lengthwise *out)
{
  double keep[MAX_LINES], rest[MAX_LINES];
  double at = 0.0, slope = slope0;
  for (size_t i = 0; i < n; i++)
    rest[i] = v[i] - slope0 * u[i];
  at = n ? sp_median(rest, n) : 0.0;
  for (int round = 0; round < 8; round++) {
    for (size_t i = 0; i < n; i++)
      rest[i] = fabs(v[i] - at - slope * u[i]);
    double scale = 1.4826 * sp_median(rest, n) + 2.0;
    double sw = 0, sx = 0, sy = 0, sxx = 0, sxy = 0;
    for (size_t i = 0; i < n; i++) {
      const double r = v[i] - at - slope * u[i];
      keep[i] = 1.0 / (1.0 + r * r / (scale * scale));
      sw += keep[i];
      sx += keep[i] * u[i];
      sy += keep[i] * v[i];
      sxx += keep[i] * u[i] * u[i];
      sxy += keep[i] * u[i] * v[i];
    }
    /* a prior on the slope, worth one end at distance tie_px */
    const double mean = sx / sw, prior = tie_px * tie_px;
    const double a = sxx - sx * mean + prior, b = sxy - sy * mean + prior * slope0;
    slope = b / a;
    at = (sy - slope * sx) / sw;
  }
  /* a board tapers, but not without limit */
  slope = fmin(slope0 + MOST_TAPER, fmax(slope0 - MOST_TAPER, slope));
  for (size_t i = 0; i < n; i++)
    rest[i] = v[i] - slope * u[i];
  out->at_px = n ? sp_median(rest, n) : at;
  out->slope = slope;
}

static void sides_from_lines(const sp_mark *lines, size_t count, double slope0, double tie_px, sp_board *board)
{
  double u[MAX_LINES], v[MAX_LINES];
  const size_t n = count < MAX_LINES ? count : MAX_LINES;
  for (int side = 0; side < 2; side++) {
    for (size_t i = 0; i < n; i++) {
      v[i] = side ? lines[i].v_b_px : lines[i].v_a_px;
      u[i] = lines[i].u_px + lines[i].slope * (v[i] - lines[i].v_px);
    }
    line_through(u, v, n, slope0, tie_px, &board->side[side]);
    /* lines stop short of the edge now and then, none goes beyond: the edge is where the longer ones end */
    for (size_t i = 0; i < n; i++)
      v[i] -= board->side[side].at_px + board->side[side].slope * u[i];
    board->side[side].at_px += sp_quantile(v, n, side ? 0.75 : 0.25);
  }
}

/* ---- sides from the step in the grey --------------------------------------------------------------------------------
 */

typedef struct side_search {
  const sp_strips *across;   /* profiles along v, one per strip of u */
  int32_t strip_px, half_px; /* half of the step filter */
  int32_t first_strip, last_strip;
  float *gradient;       /* (last - first + 1) x reach */
  int32_t reach, offset; /* v of gradient column 0 relative to the nominal side line */
} side_search;

static double strip_u(const side_search *s, int32_t k)
{
  return (k + 0.5) * s->strip_px - 0.5;
}

static bool on_rule(const sp_marks_options *o, double u, double v)
{
  const double slack = 0.1 * o->px_per_mm;
  return o->has_rule && v > o->rule_v0_px + o->rule_slope * u - slack && v < o->rule_v1_px + o->rule_slope * u + slack;
}

/* Gradient |mean of half_px after - mean of half_px before| around the nominal side, strip by strip. */
static void fill_gradient(side_search *s, const sp_lengthwise *nominal, const sp_marks_options *o)
{
  const int32_t length = (int32_t)s->across->length_px;
  for (int32_t k = s->first_strip; k <= s->last_strip; k++) {
    const float *p = s->across->mean + (size_t)k * s->across->length_px;
    float *out = s->gradient + (size_t)(k - s->first_strip) * (size_t)s->reach;
    const int32_t v0 = (int32_t)lround(nominal->at_px + nominal->slope * strip_u(s, k)) + s->offset;
    for (int32_t i = 0; i < s->reach; i++) {
      const int32_t v = v0 + i;
      out[i] = 0.0f;
      if (v - s->half_px < 0 || v + s->half_px >= length || on_rule(o, strip_u(s, k), v))
        continue;
      float a = 0.0f, b = 0.0f;
      for (int32_t d = 1; d <= s->half_px; d++) {
        a += p[v - d];
        b += p[v + d];
      }
      out[i] = fabsf(b - a) / (float)s->half_px;
    }
  }
}

/* Sum along every (place, slope); score[slope * reach + place]. */
static void sum_along(const side_search *s, double slope_reach, float *score)
{
  const double middle = 0.5 * (strip_u(s, s->first_strip) + strip_u(s, s->last_strip));
  for (int32_t q = 0; q < SLOPES; q++) {
    const double slope = slope_reach * (2.0 * q / (SLOPES - 1) - 1.0);
    float *row = score + q * s->reach;
    memset(row, 0, (size_t)s->reach * sizeof *row);
    for (int32_t k = s->first_strip; k <= s->last_strip; k++) {
      const int32_t shift = (int32_t)lround(slope * (strip_u(s, k) - middle));
      const float *g = s->gradient + (size_t)(k - s->first_strip) * (size_t)s->reach;
      for (int32_t i = 0; i < s->reach; i++)
        if (i + shift >= 0 && i + shift < s->reach)
          row[i] += g[i + shift];
    }
  }
}

/* How much a step `away` (mm) outside the lines' ends is worth against one at them. */
static double nearness(double away)
{
  return away <= 0.0 ? exp(away / INSIDE_MM) : exp(-away / NEAR_MM);
}

/* Mean grey between `near_px` and `far_px` inside a side that lies at (place, slope). */
static double level_inside(const side_search *s, const sp_lengthwise *nominal, int outward, double place, double slope,
                           double near_px, double far_px)
{
  const double middle = 0.5 * (strip_u(s, s->first_strip) + strip_u(s, s->last_strip));
  const int32_t length = (int32_t)s->across->length_px;
  double sum = 0.0;
  size_t n = 0;
  for (int32_t k = s->first_strip; k <= s->last_strip; k += 2) {
    const double u = strip_u(s, k);
    const double at = nominal->at_px + nominal->slope * u + s->offset + place + slope * (u - middle);
    const int32_t a = (int32_t)lround(at - outward * near_px), b = (int32_t)lround(at - outward * far_px);
    const float *p = s->across->mean + (size_t)k * s->across->length_px;
    for (int32_t v = a < b ? a : b; v <= (a < b ? b : a); v++)
      if (v >= 0 && v < length) {
        sum += (double)p[v];
        n++;
      }
  }
  return n ? sum / (double)n : NAN;
}

/* 1 where the grey just inside a step is that of the wood further in, less where it is not: then it is the rule's edge
 * or a shadow's, with bare glass before it. */
static double wood_before(const side_search *s, const sp_lengthwise *nominal, int outward, double place, double slope,
                          double wood, double px_per_mm, double full_scale)
{
  const double before = level_inside(s, nominal, outward, place, slope, 0.15 * px_per_mm, 0.5 * px_per_mm);
  const double z = (before - wood) / (0.12 * wood + 0.01 * full_scale);
  return z == z ? exp(-0.5 * z * z) : 0.0;
}

/* The strongest step, those further out counting less. `outward` +1: larger v is outside. */
static bool pick_side(const side_search *s, const sp_lengthwise *nominal, const float *score, int outward,
                      double px_per_mm, double full_scale, double slope_reach, double expected, double *v_middle,
                      double *slope, double *strength)
{
  const double wood = level_inside(s, nominal, outward, -(double)s->offset, 0.0, 2.0 * px_per_mm, 4.0 * px_per_mm);
  double top = 0.0;
  float *best = calloc((size_t)s->reach, sizeof *best);
  int32_t *which = calloc((size_t)s->reach, sizeof *which);
  bool found = false;
  if (best && which) {
    for (int32_t q = 0; q < SLOPES; q++)
      for (int32_t i = 0; i < s->reach; i++)
        if (score[q * s->reach + i] > best[i]) {
          best[i] = score[q * s->reach + i];
          which[i] = q;
        }
    for (int32_t i = 0; i < s->reach; i++) {
      const double away = (outward > 0 ? i + s->offset : -(i + s->offset)) / px_per_mm;
      const double tilt = slope_reach * (2.0 * which[i] / (SLOPES - 1) - 1.0);
      double worth = (double)best[i] * nearness(away);
      if (!isnan(expected)) /* both sides taper alike */
        worth *= exp(-0.5 * pow((nominal->slope + tilt - expected) / LIKE_SLOPE, 2));
      if (worth > top)
        worth *= wood_before(s, nominal, outward, i, tilt, wood, px_per_mm, full_scale);
      if (worth > top) {
        top = worth;
        *v_middle = i;
        *slope = tilt;
        *strength = (double)best[i] / (s->last_strip - s->first_strip + 1);
        found = true;
      }
    }
  }
  free(best);
  free(which);
  return found;
}

/* Sharpens the found side: per strip the strongest gradient within a filter's width of it, robust line. */
static void sharpen_side(const side_search *s, const sp_lengthwise *nominal, double place, double slope,
                         sp_lengthwise *side)
{
  const double middle = 0.5 * (strip_u(s, s->first_strip) + strip_u(s, s->last_strip));
  double at = 0.0, tilt = 0.0;
  for (int round = 0; round < 4; round++) {
    double sw = 0, sx = 0, sy = 0, sxx = 0, sxy = 0, rr = 0;
    const double reach = (round == 0 ? 2.0 : 1.0) * (s->half_px + 2);
    for (int32_t k = s->first_strip; k <= s->last_strip; k++) {
      const float *g = s->gradient + (size_t)(k - s->first_strip) * (size_t)s->reach;
      const double x = strip_u(s, k) - middle, due = place + slope * x + at + tilt * x;
      double w = 0.0, m = 0.0;
      for (int32_t i = (int32_t)ceil(due - reach); i <= due + reach; i++)
        if (i >= 0 && i < s->reach) {
          const double h = (double)g[i] * (double)g[i];
          w += h;
          m += h * (i - due);
        }
      if (w <= 0.0)
        continue;
      const double r = m / w, weight = sqrt(w) / (1.0 + r * r / 4.0);
      sw += weight;
      sx += weight * x;
      sy += weight * r;
      sxx += weight * x * x;
      sxy += weight * x * r;
      rr += weight * r * r;
    }
    const double det = sw * sxx - sx * sx;
    if (det <= 0.0)
      break;
    const double dt = (sw * sxy - sx * sy) / det, da = (sy - dt * sx) / sw;
    at += da;
    tilt += dt;
    side->u_at_px = fmax(0.3, sqrt(rr / sw) / 3.0);
    side->u_slope = side->u_at_px / sqrt(sxx / sw);
  }
  /* column i of strip k stands at nominal(k) + offset + i, rounded: rounding averages out over the strips */
  side->slope = nominal->slope + slope + tilt;
  side->at_px = nominal->at_px + s->offset + place + at - (slope + tilt) * middle;
}

static sp_status find_side(const sp_scene *scene, sp_along along, const sp_marks_options *o, double u0, double u1,
                           int which, double expected, sp_board *board, bool *found, sp_error *err)
{
  const int outward = which ? 1 : -1;
  side_search s = {.across = &scene->strips[along == SP_ALONG_X ? SP_ALONG_Y : SP_ALONG_X]};
  const int32_t strips = (int32_t)s.across->count;
  s.strip_px = (int32_t)s.across->width_px;
  s.half_px = (int32_t)fmax(2.0, round(0.3 * o->px_per_mm));
  s.first_strip = (int32_t)fmax(0.0, floor(u0 / s.strip_px));
  s.last_strip = (int32_t)fmin(strips - 1, floor(u1 / s.strip_px));
  s.reach = (int32_t)((SIDE_INSIDE_MM + SIDE_OUTSIDE_MM) * o->px_per_mm);
  s.offset = -(int32_t)((outward > 0 ? SIDE_INSIDE_MM : SIDE_OUTSIDE_MM) * o->px_per_mm);
  *found = false;
  if (s.last_strip - s.first_strip < 8)
    return SP_OK;
  const size_t rows = (size_t)(s.last_strip - s.first_strip + 1);
  s.gradient = malloc(rows * (size_t)s.reach * sizeof *s.gradient);
  float *score = malloc((size_t)SLOPES * (size_t)s.reach * sizeof *score);
  if (!s.gradient || !score) {
    free(s.gradient);
    free(score);
    return sp_fail_memory(err);
  }
  const sp_lengthwise nominal = board->side[which];
  fill_gradient(&s, &nominal, o);
  /* the ends of the lines give the slope within a few millimetres over the length */
  const double slope_reach = 3.0 * o->px_per_mm / (u1 - u0);
  sum_along(&s, slope_reach, score);
  double place, slope, strength;
  if (pick_side(&s, &nominal, score, outward, o->px_per_mm, sp_raster_full_scale(scene->raster), slope_reach, expected,
                &place, &slope, &strength) &&
      strength > 0.015 * sp_raster_full_scale(scene->raster)) {
    sharpen_side(&s, &nominal, place, slope, &board->side[which]);
    /* once more with a filter that sees the step itself and not the shadow beside it */
    const sp_lengthwise rough = board->side[which];
    s.half_px = (int32_t)fmax(2.0, round(0.08 * o->px_per_mm));
    s.offset = -(s.reach / 2);
    fill_gradient(&s, &rough, o);
    sharpen_side(&s, &rough, -(double)s.offset, 0.0, &board->side[which]);
    *found = true;
  }
  free(s.gradient);
  free(score);
  return SP_OK;
}

/* ---- the squared ends -----------------------------------------------------------------------------------------------
 */

/* Mean profile along u of the board's inner width, sheared so that a square end stays sharp. */
static sp_status inner_profile(const sp_scene *scene, sp_along along, const sp_board *board, double shear, float *out,
                               int32_t length, sp_error *err)
{
  const sp_strips *strips = &scene->strips[along];
  float *weight = calloc((size_t)length, sizeof *weight);
  if (!weight)
    return sp_fail_memory(err);
  memset(out, 0, (size_t)length * sizeof *out);
  for (uint32_t k = 0; k < strips->count; k++) {
    const double v = (k + 0.5) * strips->width_px - 0.5;
    const float *p = strips->mean + (size_t)k * strips->length_px;
    for (int32_t u = 0; u < length; u++) {
      const double a = board->side[0].at_px + board->side[0].slope * u,
                   b = board->side[1].at_px + board->side[1].slope * u;
      const double centre = board->centre.at_px + board->centre.slope * u, inset = 0.12 * (b - a);
      if (v < a + inset || v > b - inset)
        continue;
      const int32_t from = u + (int32_t)lround(shear * (v - centre));
      if (from < 0 || from >= length)
        continue;
      out[u] += p[from];
      weight[u] += 1.0f;
    }
  }
  for (int32_t u = 0; u < length; u++)
    out[u] = weight[u] > 0.0f ? out[u] / weight[u] : 0.0f;
  free(weight);
  return SP_OK;
}

/* The strongest lasting step of the profile in [from, to); its size in grey. */
static double strongest_step(const float *p, int32_t length, int32_t from, int32_t to, int32_t near_px, int32_t far_px,
                             int32_t *at)
{
  double top = 0.0;
  from = from < far_px + 1 ? far_px + 1 : from;
  to = to > length - far_px - 1 ? length - far_px - 1 : to;
  for (int32_t u = from; u < to; u++) {
    double a = 0.0, b = 0.0, sharp_a = 0.0, sharp_b = 0.0;
    for (int32_t d = near_px; d < far_px; d++) {
      a += (double)p[u - d] / (far_px - near_px);
      b += (double)p[u + d] / (far_px - near_px);
    }
    for (int32_t d = 1; d <= near_px; d++) {
      sharp_a += (double)p[u - d] / near_px;
      sharp_b += (double)p[u + d] / near_px;
    }
    /* lasting and sharp: the lesser of the two */
    const double step = (b - a) * (sharp_b - sharp_a) > 0.0 ? fmin(fabs(b - a), 1.6 * fabs(sharp_b - sharp_a)) : 0.0;
    if (step > top) {
      top = step;
      *at = u;
    }
  }
  return top;
}

/* Half-height crossing of the step in one profile near `due`; false if there is no clear step. */
static bool step_place(const float *p, int32_t count, int32_t due, int32_t near_px, double *at)
{
  double a = 0.0, b = 0.0;
  int32_t n = 0;
  for (int32_t d = near_px; d < 3 * near_px; d++) {
    if (due - d < 0 || due + d >= count)
      return false;
    a += (double)p[due - d];
    b += (double)p[due + d];
    n++;
  }
  a /= n;
  b /= n;
  const double half = 0.5 * (a + b);
  double best = 1e9;
  for (int32_t i = due - near_px; i < due + near_px; i++) {
    const double x = (double)p[i] - half, y = (double)p[i + 1] - half;
    if (x * y > 0.0 || (b > a) != (y > x) || x == y)
      continue;
    const double cross = i + x / (x - y);
    if (fabs(cross - due) < fabs(best - due))
      best = cross;
  }
  *at = best;
  return best < 1e8;
}

/* Robust line through the step's place in pieces of a few rows. */
static sp_status fit_end(const sp_view *view, const sp_board *board, int32_t u0, double shear, double px_per_mm,
                         sp_board_end *end, sp_error *err)
{
  enum { MOST = 512 };
  const int32_t rows = (int32_t)fmax(3.0, round(0.34 * px_per_mm)),
                near_px = (int32_t)fmax(4.0, round(0.4 * px_per_mm));
  const int32_t half = 4 * near_px + (int32_t)lround(1.0 * px_per_mm);
  const double a = board->side[0].at_px + board->side[0].slope * u0,
               b = board->side[1].at_px + board->side[1].slope * u0;
  const double inset = 0.06 * (b - a);
  float *p = malloc((size_t)(2 * half + 1) * sizeof *p);
  double v[MOST], u[MOST], rest[MOST];
  size_t n = 0;
  if (!p)
    return sp_fail_memory(err);
  const double v_c = board->centre.at_px + board->centre.slope * u0;
  for (int32_t row = (int32_t)ceil(a + inset); row + rows < b - inset && n < MOST; row += rows) {
    const double middle = row + 0.5 * (rows - 1);
    const int32_t due = (int32_t)lround(u0 + shear * (middle - v_c)), first = due - half;
    double at;
    sp_view_window(view, first, 2 * half + 1, row, rows, p);
    if (isnan(p[0]) || isnan(p[2 * half]))
      continue;
    if (step_place(p, 2 * half + 1, half, near_px, &at)) {
      v[n] = middle - v_c;
      u[n++] = first + at;
    }
  }
  free(p);
  end->found = false;
  if (n < 12)
    return SP_OK;
  double at = sp_median(memcpy(rest, u, n * sizeof *u), n), slope = shear, sw = 0, sxx = 0, rr = 0;
  for (int round = 0; round < 10; round++) {
    double sx = 0, sy = 0, sxy = 0;
    for (size_t i = 0; i < n; i++)
      rest[i] = fabs(u[i] - at - slope * v[i]);
    const double scale = 4.685 * (1.4826 * sp_median(rest, n) + 0.02);
    sw = sxx = rr = 0.0;
    for (size_t i = 0; i < n; i++) {
      const double r = u[i] - at - slope * v[i], z = r / scale;
      const double w = fabs(z) < 1.0 ? (1.0 - z * z) * (1.0 - z * z) : 0.0;
      sw += w;
      sx += w * v[i];
      sy += w * u[i];
      sxx += w * v[i] * v[i];
      sxy += w * v[i] * u[i];
      rr += w * r * r;
    }
    const double det = sw * sxx - sx * sx;
    if (sw < 8.0 || det <= 0.0)
      return SP_OK;
    slope = (sw * sxy - sx * sy) / det;
    at = (sy - slope * sx) / sw;
  }
  end->found = sw > 0.4 * (double)n && sqrt(rr / sw) < 0.15 * px_per_mm;
  end->u_px = at;
  end->v_px = v_c;
  end->slope = slope;
  /* neighbouring pieces of an edge hang together: count every fourth; a chamfer or shadow shifts all by some
   * micrometres */
  end->u_u_px = hypot(2.0 * sqrt(rr / sw / sw), 0.006 * px_per_mm);
  end->u_slope = 2.0 * sqrt(rr / sw / sxx);
  return SP_OK;
}

static sp_status find_ends(const sp_scene *scene, sp_along along, double px_per_mm, const sp_mark *lines, size_t count,
                           sp_board *board, sp_error *err)
{
  const sp_view view = sp_view_of(scene->raster, along);
  const int32_t length = view.length_px;
  const int32_t near_px = (int32_t)fmax(3.0, round(0.3 * px_per_mm)), far_px = (int32_t)lround(2.5 * px_per_mm);
  float *profile = malloc((size_t)length * sizeof *profile);
  if (!profile)
    return sp_fail_memory(err);
  double first = INFINITY, last = -INFINITY;
  for (size_t i = 0; i < count; i++) {
    first = fmin(first, lines[i].u_px);
    last = fmax(last, lines[i].u_px);
  }
  const double shear = -board->centre.slope;
  sp_status status = inner_profile(scene, along, board, shear, profile, length, err);
  for (int which = 0; !status && which < 2; which++) {
    int32_t at = 0;
    const int32_t clear = (int32_t)lround(1.0 * px_per_mm);
    const int32_t from = which ? (int32_t)last + clear : 0, to = which ? length : (int32_t)first - clear;
    const double step = strongest_step(profile, length, from, to, near_px, far_px, &at);
    if (step > 0.04 * view.full_scale)
      status = fit_end(&view, board, at, shear, px_per_mm, &board->end[which], err);
  }
  free(profile);
  return status;
}

/* ---- together -------------------------------------------------------------------------------------------------------
 */

static void set_centre(sp_board *b)
{
  b->centre.at_px = 0.5 * (b->side[0].at_px + b->side[1].at_px);
  b->centre.slope = 0.5 * (b->side[0].slope + b->side[1].slope);
  b->centre.u_at_px = 0.5 * hypot(b->side[0].u_at_px, b->side[1].u_at_px);
  b->centre.u_slope = 0.5 * hypot(b->side[0].u_slope, b->side[1].u_slope);
}

sp_status sp_board_find(const sp_scene *scene, sp_along along, const sp_marks_options *o, const sp_mark *lines,
                        size_t count, sp_board *board, sp_error *err)
{
  memset(board, 0, sizeof *board);
  if (count < 2)
    return SP_OK;
  double slope[MAX_LINES], first = INFINITY, last = -INFINITY;
  const size_t n = count < MAX_LINES ? count : MAX_LINES;
  for (size_t i = 0; i < n; i++) {
    slope[i] = lines[i].slope;
    first = fmin(first, lines[i].u_px);
    last = fmax(last, lines[i].u_px);
  }
  const double square = -sp_median(slope, n); /* the lines are square to the board on the whole */
  sides_from_lines(lines, n, square, 60.0 * o->px_per_mm, board);
  bool found[2] = {false, false};
  /* the side away from the rule first: nothing else lies beside it, and it tells what the other's slope should be */
  const double rule_v = o->rule_v0_px + o->rule_slope * 0.5 * (first + last);
  const int away = o->has_rule && rule_v > board->side[0].at_px + board->side[0].slope * 0.5 * (first + last) ? 0 : 1;
  for (int k = 0; k < 2; k++) {
    const int side = k == 0 ? away : !away;
    const double expected = k == 1 && found[away] && o->has_rule ? 2.0 * square - board->side[away].slope : NAN;
    board->side[side].u_at_px = 1.0 * o->px_per_mm;
    board->side[side].u_slope = 1.0 * o->px_per_mm / fmax(last - first, 1.0);
    const sp_status status = find_side(scene, along, o, first, last, side, expected, board, &found[side], err);
    if (status)
      return status;
  }
  board->edges_found = found[0] && found[1];
  set_centre(board);
  /* the lines are square on the whole: a centre line that denies it by more than a hand does is not to be relied on */
  const double unlike = fabs(board->centre.slope - square);
  if (unlike > MOST_UNLIKE) {
    board->edges_found = false;
    board->centre.u_slope = fmax(board->centre.u_slope, unlike);
    board->centre.u_at_px = fmax(board->centre.u_at_px, 0.5 * unlike * (last - first));
  }
  return find_ends(scene, along, o->px_per_mm, lines, n, board, err);
}
