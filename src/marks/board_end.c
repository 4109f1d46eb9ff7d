/* The board's squared ends.
 *
 * They are steps across the board beyond the outermost lines; unlike a line, an end leaves different levels on its two
 * sides. Where the profile's half-height crossings make out an end it is measured as the sides are (board_edge.c).
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "board_internal.h"
#include "slotproof/numeric.h"

/* Part of the width left out at both corners. */
static const double END_INSET = 0.06;
/* Half-height crossings err by this where wood and lid are much alike: measured on rendered boards. */
static const double UNREFINED_U_PX = 0.3;
/* Half-height crossings and model do not differ by more if both see the same edge; of a larger difference so much is in
 * doubt, so that either may be right. */
static const double MOST_REFINED_MM = 0.2, DISAGREED = 0.5;
/* Within so many blurs an edge has changed from wood to lid; what goes on to change by that much more over twice the
 * reach is a shadow running out. */
static const double SHARP_BLURS = 3.0, GOES_ON = 1.4;
/* Such a shadow falls off otherwise than the model's parabola: edges beside one were 0.1 to 0.2 px off on drawn boards.
 */
static const double DEEP_SHADOW_U_PX = 0.15;

/* Mean profile along u of the board's inner width, sheared so that a square end stays sharp; from `lo` to `hi` alone,
 * the second left out. */
static sp_status inner_profile(const sp_scene *scene, sp_along along, const sp_board *board, double shear, int32_t lo,
                               int32_t hi, float *out, sp_error *err)
{
  const sp_strips *strips = &scene->strips[along];
  const int32_t length = (int32_t)strips->length_px;
  float *weight = calloc((size_t)length, sizeof *weight);
  if (!weight)
    return sp_fail_memory(err);
  lo = lo < 0 ? 0 : lo;
  hi = hi < length ? hi : length;
  for (int32_t u = lo; u < hi; u++)
    out[u] = 0.0f;
  for (uint32_t k = 0; k < strips->count; k++) {
    const double v = (k + 0.5) * strips->width_px - 0.5;
    const float *p = strips->mean + (size_t)k * strips->length_px;
    for (int32_t u = lo; u < hi; u++) {
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
  for (int32_t u = lo; u < hi; u++)
    out[u] = weight[u] > 0.0f ? out[u] / weight[u] : 0.0f;
  free(weight);
  return SP_OK;
}

/* Level of the profile from p[first] on, towards `way` (1 or -1). The median: a line in sight, which may be far darker
 * than the step, has no say. */
static double level_beside(const float *p, int32_t first, int32_t way, int32_t count, double *work)
{
  for (int32_t i = 0; i < count; i++)
    work[i] = (double)p[first + way * i];
  return sp_median(work, (size_t)count);
}

/* The strongest lasting step of the profile in [from, to); its size in grey. `work` has far_px places. */
static double strongest_step(const float *p, int32_t length, int32_t from, int32_t to, int32_t near_px, int32_t far_px,
                             double *work, int32_t *at)
{
  double top = 0.0;
  from = from < far_px + 1 ? far_px + 1 : from;
  to = to > length - far_px - 1 ? length - far_px - 1 : to;
  for (int32_t u = from; u < to; u++) {
    double sharp_a = 0.0, sharp_b = 0.0;
    for (int32_t d = 1; d <= near_px; d++) {
      sharp_a += (double)p[u - d] / near_px;
      sharp_b += (double)p[u + d] / near_px;
    }
    const double a = level_beside(p, u - near_px, -1, far_px - near_px, work);
    const double b = level_beside(p, u + near_px, 1, far_px - near_px, work);
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
  const double inset = END_INSET * (b - a);
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
  /* neighbouring pieces of an edge hang together: count every fourth */
  end->u_u_px = 2.0 * sqrt(rr / sw / sw);
  end->u_slope = 2.0 * sqrt(rr / sw / sxx);
  return SP_OK;
}

/* By how much the mean profile changes at once at u_px. */
static double sharp_step(const float *p, double u_px, int32_t reach_px)
{
  const int32_t u = (int32_t)lround(u_px), beside = (reach_px + 1) / 2;
  double before = 0.0, after = 0.0;
  for (int32_t d = beside; d <= reach_px; d++) {
    before += (double)p[u - d];
    after += (double)p[u + d];
  }
  return fabs(after - before) / (reach_px - beside + 1);
}

/* Does the picture change at once where the edge was measured, and gradually where the half-height crossings put it?
 * Then those have seen how far the shadow of the board reaches, as they do where wood and lid are much alike. */
static sp_status is_shadow_running_out(const sp_board_search *s, const sp_board *board, const sp_board_end *edge,
                                       double crossing_px, bool *soft, sp_error *err)
{
  const int32_t length = (int32_t)s->scene->strips[s->along].length_px;
  const double blur_px = s->o->blur_px > 0.0 ? s->o->blur_px : fmax(0.9, 0.03 * s->o->px_per_mm);
  const int32_t reach_px = (int32_t)fmax(2.0, ceil(SHARP_BLURS * blur_px));
  const int32_t lo = (int32_t)lround(fmin(edge->u_px, crossing_px)) - 2 * reach_px,
                hi = (int32_t)lround(fmax(edge->u_px, crossing_px)) + 2 * reach_px + 1;
  *soft = false;
  if (lo < 0 || hi > length)
    return SP_OK;
  float *profile = calloc((size_t)length, sizeof *profile);
  if (!profile)
    return sp_fail_memory(err);
  const sp_status status = inner_profile(s->scene, s->along, board, edge->slope, lo, hi, profile, err);
  if (!status) {
    const double crossing = sharp_step(profile, crossing_px, reach_px);
    *soft = crossing < sharp_step(profile, edge->u_px, reach_px) &&
            sharp_step(profile, crossing_px, 2 * reach_px) > GOES_ON * crossing;
  }
  free(profile);
  return status;
}

/* Mean of the section from so many blurs outward to so many; NAN if there is nothing. */
static double mean_of_section(const sp_edge_profile *p, double from_blurs, double to_blurs)
{
  double sum = 0.0, n = 0.0;
  for (size_t i = 0; i < p->n; i++)
    if (p->x_px[i] >= from_blurs * p->blur_px && p->x_px[i] <= to_blurs * p->blur_px) {
      sum += p->value[i];
      n += 1.0;
    }
  return n > 0.0 ? sum / n : NAN;
}

/* A shadow that changes steeply begins at the edge, and whether its beginning is blurred with it (as optics do) or is
 * as sharp as it fell moves the edge: by this part of the change within a blur over the step, in blurs. So much of it
 * is in doubt. */
static const double BLURRED_SHADOW = 0.75, BEGINS_UNSURELY = 0.8, MOST_BY_SHADOW = 0.4;

static double u_of_shadow_px(const sp_edge_profile *p)
{
  const double wood = mean_of_section(p, -6.0, -3.0), near = mean_of_section(p, 3.0, 6.0),
               far = mean_of_section(p, 6.0, 9.0);
  const double by_blur = (far - near) / 3.0, step = near - 4.5 * by_blur - wood;
  const double moved = BLURRED_SHADOW * fabs(by_blur) / fabs(step);
  if (!isfinite(far) || !isfinite(near) || !isfinite(wood))
    return 0.0;
  return BEGINS_UNSURELY * p->blur_px * (moved < MOST_BY_SHADOW ? moved : MOST_BY_SHADOW);
}

/* Measures an end that was found. Where it does not show well enough for that, the half-height crossings stand, with
 * what a streak of grain along the edge may do to them. */
static sp_status refine_end(const sp_board_search *s, const sp_board *board, int which, sp_board_end *end,
                            sp_edge_profile *profile, sp_error *err)
{
  const double a = sp_lengthwise_at(&board->side[0], end->u_px), b = sp_lengthwise_at(&board->side[1], end->u_px);
  const double inset = END_INSET * (b - a), middle = 0.5 * (a + b);
  const sp_edge_search search = {
      &s->scene->strips[s->along], a + inset, b - inset, sp_raster_full_scale(s->scene->raster), s->o, false};
  const sp_lengthwise rough = {end->u_px - end->slope * end->v_px, end->slope, 0.0, 0.0};
  sp_lengthwise edge;
  bool seen;
  const sp_status status = sp_board_edge_measure(&search, which ? 1 : -1, &rough, &edge, &seen, profile, err);
  end->u_u_px = hypot(end->u_u_px, UNREFINED_U_PX);
  if (status || !seen)
    return status;
  const double u_px = sp_lengthwise_at(&edge, end->v_px);
  const double crossing_px = end->u_px, apart = fabs(u_px - crossing_px);
  end->u_px = u_px;
  end->slope = edge.slope;
  end->u_u_px = hypot(edge.u_at_px, edge.u_slope * (end->v_px - middle));
  end->u_slope = edge.u_slope;
  if (!s->o->by_camera)
    end->u_u_px = hypot(end->u_u_px, u_of_shadow_px(profile));
  if (!(apart > MOST_REFINED_MM * s->o->px_per_mm))
    return SP_OK;
  bool soft;
  const sp_status looked = is_shadow_running_out(s, board, end, crossing_px, &soft, err);
  if (!looked)
    end->u_u_px = hypot(end->u_u_px, soft ? DEEP_SHADOW_U_PX : DISAGREED * apart);
  return looked;
}

/* What the picture's curve of light does to both ends; the same curve made both. */
static void allow_for_curve(sp_board *board, const sp_edge_profile profile[2], bool by_camera)
{
  double shift_px[2], u_px[2];
  sp_edge_curve_shifts(profile, by_camera, shift_px, u_px);
  for (int which = 0; which < 2; which++)
    if (profile[which].n) {
      board->end[which].u_px += which ? shift_px[which] : -shift_px[which];
      board->end[which].u_u_px = hypot(board->end[which].u_u_px, u_px[which]);
    }
}

sp_status sp_board_ends(const sp_board_search *s, sp_board *board, sp_error *err)
{
  const double px_per_mm = s->o->px_per_mm;
  const sp_view view = sp_view_of(s->scene->raster, s->along);
  const int32_t length = view.length_px;
  const int32_t near_px = (int32_t)fmax(3.0, round(0.3 * px_per_mm)), far_px = (int32_t)lround(2.5 * px_per_mm);
  float *profile = calloc((size_t)length, sizeof *profile);
  double *work = calloc((size_t)far_px + 1, sizeof *work);
  const double shear = -board->centre.slope;
  sp_edge_profile section[2] = {{.n = 0}, {.n = 0}};
  sp_status status = profile && work ? SP_OK : sp_fail_memory(err);
  for (int which = 0; !status && which < 2; which++) {
    int32_t at = 0;
    const int32_t clear = (int32_t)lround(1.0 * px_per_mm);
    const int32_t from = which ? (int32_t)s->last_px + clear : 0, to = which ? length : (int32_t)s->first_px - clear;
    status = inner_profile(s->scene, s->along, board, shear, from - far_px, to + far_px, profile, err);
    if (status)
      break;
    const double step = strongest_step(profile, length, from, to, near_px, far_px, work, &at);
    if (step > 0.04 * view.full_scale)
      status = fit_end(&view, board, at, shear, px_per_mm, &board->end[which], err);
    if (!status && board->end[which].found)
      status = refine_end(s, board, which, &board->end[which], &section[which], err);
  }
  if (!status)
    allow_for_curve(board, section, s->o->by_camera);
  free(profile);
  free(work);
  return status;
}
