/* From a photograph to a straightened picture.
 *
 * 1. Turn: the picture is turned so that board and rule lie along its sides, within a few degrees.
 * 2. Follow: the rule is followed along its curve, and the band about it drawn anew with that curve and its uneven
 *    period taken out, so that its graduations can be counted and read as in a scan.
 * 3. Fit: every stroke read is a line of the plane whose X is known but for one origin, and the band's edge a line of
 *    constant Y: the camera is fitted to them. The band is drawn once more with that camera, read and fitted again,
 *    because strokes that lean are read a little worse.
 * 4. Straighten the picture, as much of it as lines run across (the rest is bench).
 * Focal length and principal point hardly matter for what follows (a flat board and a flush rule), but have to be
 * possible ones: phones have 24 to 35 mm in terms of 36 mm film (common practice, no source).
 */
#include "slotproof/photo.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "photo_internal.h"
#include "slotproof/numeric.h"
#include "slotproof/rule.h"

static const double USUAL_FOCAL_35MM = 27.0, U_LOG_FOCAL = 0.25, U_LOG_FOCAL_STATED = 0.05;
/* Principal point off the picture's middle (part of its diagonal), and lens distortion. Standard deviations. */
static const double U_CENTRE = 0.008, U_K1 = 0.08, U_K2 = 0.02;
/* What a calibrated lens still changes by from picture to picture: a phone's lens travels by a hundredth of its focal
 * length from infinity to 0.5 m (thin lens, f about 5 mm), its sensor or lens floats by some pixels (common practice,
 * no source); distortion changes little. Standard deviations; centre as a part of the diagonal. */
static const double REFOCUS_LOG_F = 0.005, REFOCUS_CENTRE = 0.002, REFOCUS_K1 = 0.004, REFOCUS_K2 = 0.008;
/* Half diagonal of 36 x 24 mm. */
static const double FILM_DIAGONAL_MM = 43.266615305567875;
/* The pixels' own doubt about a stroke: what is not noise (px), and of the band's edge. */
static const double STROKE_FLOOR_PX = 0.04, EDGE_SD_PX = 0.8;
/* A fit worse than this is no camera. */
static const double MOST_RMS_PX = 0.35;
/* Larger pictures are searched at half their size only: their strokes are broad enough, and turning them at full size
 * would cost more than the rest of the program. */
static const uint64_t MOST_PIXELS = 60000000;
/* Looking for where the board lies: rows so far apart; room left beside it, at least, and as a part of its breadth. */
static const double COARSE_ROW_PX = 8.0, ROOM_PX = 100.0, ROOM_PART = 0.25;
/* Cosine of the greatest tilt (18 degrees). */
static const double LEAST_COSINE = 0.95;
/* Least period, in pixels, of strokes that are read at half size. */
static const double LEAST_COARSE_PX = 5.0;
/* A fit so good that drawing the band once more would not better it. */
static const double FINE_RMS_PX = 0.1;
enum { LEAST_STROKES = 25, BAND_PERIODS = 16, ENOUGH_PX = 2600 };

typedef struct turn {
  double c, s, x, y, half_width, half_height; /* picture = (x, y) + coarse R (turned - half) */
  double coarse;                              /* picture px a turned px */
} turn;

static sp_point turned_to_picture(const void *context, double x, double y)
{
  const turn *t = context;
  const double dx = t->coarse * (x - t->half_width), dy = t->coarse * (y - t->half_height);
  return (sp_point){t->x + t->c * dx - t->s * dy, t->y + t->s * dx + t->c * dy};
}

static turn turn_by(const sp_raster *picture, double angle, double coarse, uint32_t *width, uint32_t *height)
{
  const double w = picture->width_px, h = picture->height_px;
  turn t = {cos(angle), sin(angle), 0.5 * (w - 1.0), 0.5 * (h - 1.0), 0.0, 0.0, coarse};
  *width = (uint32_t)ceil((w * fabs(t.c) + h * fabs(t.s)) / coarse);
  *height = (uint32_t)ceil((w * fabs(t.s) + h * fabs(t.c)) / coarse);
  t.half_width = 0.5 * (*width - 1.0);
  t.half_height = 0.5 * (*height - 1.0);
  return t;
}

/* A place in the picture of half the size, whose pixel (x, y) covers (2 x .. 2 x + 1, 2 y .. 2 y + 1) of the picture.
 */
static sp_point half_of(sp_point p)
{
  return (sp_point){0.5 * p.x - 0.25, 0.5 * p.y - 0.25};
}

static sp_point turned_to_half(const void *context, double x, double y)
{
  return half_of(turned_to_picture(context, x, y));
}

/* ---- the band about the rule, by its curve --------------------------------------------------------------------------
 */

typedef struct curved_band {
  const turn *turn;
  const photo_curve *curve;
  double period, half_height;
  double *u; /* of every band x, on a grid of GRID px */
  size_t length;
} curved_band;

enum { BAND_GRID = 8 };

static sp_point curved_to_picture(const void *context, double x, double y)
{
  const curved_band *b = context;
  size_t i = (size_t)(x / BAND_GRID);
  i = i + 1 < b->length ? i : b->length - 2;
  const double u = b->u[i] + (x / BAND_GRID - (double)i) * (b->u[i + 1] - b->u[i]);
  const double across = (y - b->half_height) * photo_curve_period(b->curve, u) / b->period;
  if (b->curve->along == SP_ALONG_X)
    return turned_to_picture(b->turn, u, photo_curve_v(b->curve, u) + across);
  /* y grows against the turned x, so that the band is turned, not mirrored */
  return turned_to_picture(b->turn, photo_curve_v(b->curve, u) - across, u);
}

/* u along the band in equal steps of phase: du = period(u) / period dx, by the midpoint rule. */
static sp_status lay_out(curved_band *b, sp_error *err)
{
  const double margin = 0.04 * (b->curve->u_last - b->curve->u_first) + 4.0 * b->period;
  const double end = b->curve->u_last + margin;
  double u = b->curve->u_first - margin;
  const size_t most = (size_t)(3.0 * (end - u) / BAND_GRID) + 4;
  b->u = malloc(most * sizeof *b->u);
  if (!b->u)
    return sp_fail_memory(err);
  b->length = 0;
  while (b->length < most && (u < end || b->length < 2)) {
    b->u[b->length++] = u;
    const double step = BAND_GRID * photo_curve_period(b->curve, u) / b->period;
    u += BAND_GRID * photo_curve_period(b->curve, u + 0.5 * step) / b->period;
  }
  return SP_OK;
}

/* The same in the picture of half the size. */
static sp_point curved_to_half(const void *context, double x, double y)
{
  return half_of(curved_to_picture(context, x, y));
}

static uint32_t band_height(double period)
{
  return (uint32_t)(2.0 * BAND_PERIODS * (period < 12.0 ? 1.6 * period : period));
}

static sp_status read_band(const sp_raster *band, double period, sp_rule_reading *reading, sp_error *err)
{
  sp_scene scene = {0};
  sp_status status = sp_scene_create_along(band, SP_ALONG_X, &scene, err);
  const sp_comb comb = {SP_ALONG_X, period, 0.0, 0.5 * (band->height_px - 1.0), 1.0, false};
  if (!status)
    status = sp_rule_read(&scene, &comb, reading, err);
  sp_scene_free(&scene);
  return status;
}

/* ---- sightings out of a reading ------------------------------------------------------------------------------------
 */

typedef struct sightings {
  sp_camera_sighting *list;
  size_t count, strokes;
} sightings;

static void sight_stroke(const sp_stroke *s, const sp_rule_reading *r, double zero, photo_map map, const void *context,
                         sightings *out)
{
  if (!s->good || !(s->u_own_u_px > 0.0) || !(s->u_lean > 0.0))
    return;
  /* at this distance either side of its middle the two places are known independently of each other */
  const double d = s->u_own_u_px / s->u_lean, lean = s->lean - r->slope;
  for (int side = -1; side <= 1; side += 2)
    out->list[out->count++] =
        (sp_camera_sighting){map(context, s->own_u_px + side * d * lean, s->own_v_px + side * d), false,
                             s->index - zero, hypot(1.41421356 * s->u_own_u_px, STROKE_FLOOR_PX), 0.0, 0};
  out->strokes++;
}

static sp_status take_sightings(const sp_rule_reading *r, double zero, photo_map map, const void *context,
                                sightings *out, sp_error *err)
{
  out->list = calloc(2 * r->count + r->drift_count + 1, sizeof *out->list);
  if (!out->list)
    return sp_fail_memory(err);
  for (size_t k = 0; k < r->count; k++)
    sight_stroke(&r->strokes[k], r, zero, map, context, out);
  const double from = r->strokes[0].u_px, to = r->strokes[r->count - 1].u_px;
  for (size_t k = 0; k < r->drift_count; k++)
    if (r->drift[k].weight > 0.5 && r->drift[k].u_px > from && r->drift[k].u_px < to)
      out->list[out->count++] =
          (sp_camera_sighting){map(context, r->drift[k].u_px, r->drift[k].v_px), true, 0.0, EDGE_SD_PX, 0.0, 0};
  return SP_OK;
}

/* ---- the camera ----------------------------------------------------------------------------------------------------
 */

static sp_photo_lens usual_lens(const sp_raster *picture, double focal_35mm)
{
  const double w = picture->width_px, h = picture->height_px;
  const bool stated = focal_35mm > 0.0;
  const double focal = stated ? focal_35mm : USUAL_FOCAL_35MM;
  return (sp_photo_lens){
      .camera = {.f_px = focal / FILM_DIAGONAL_MM * hypot(w, h), .cx_px = 0.5 * (w - 1.0), .cy_px = 0.5 * (h - 1.0)},
      .prior = {stated ? U_LOG_FOCAL_STATED : U_LOG_FOCAL, U_CENTRE * hypot(w, h), U_K1, U_K2, 0.0, NULL}};
}

sp_photo_lens sp_photo_lens_calibrated(const sp_lens *l, const sp_lens *u, const sp_raster *picture)
{
  const double diagonal = hypot(picture->width_px, picture->height_px);
  return (sp_photo_lens){.camera = {l->f_px, l->cx_px, l->cy_px, l->k1, l->k2, l->p1, l->p2, {0}, {0}},
                         .prior = {hypot(u->f_px / l->f_px, REFOCUS_LOG_F),
                                   hypot(fmax(u->cx_px, u->cy_px), REFOCUS_CENTRE * diagonal), hypot(u->k1, REFOCUS_K1),
                                   hypot(u->k2, REFOCUS_K2), 0.0, NULL}};
}

static sp_camera first_camera(const sp_photo_lens *lens, sp_point at, sp_point ahead)
{
  sp_camera c = lens->camera;
  const double px = hypot(ahead.x - at.x, ahead.y - at.y); /* a graduation */
  c.rotation_rad[2] = atan2(ahead.y - at.y, ahead.x - at.x);
  c.translation[2] = c.f_px / px;
  c.translation[0] = (at.x - c.cx_px) / px;
  c.translation[1] = (at.y - c.cy_px) / px;
  return c;
}

static sp_status fit_camera(const sp_photo_lens *lens, const sightings *s, sp_camera *camera,
                            sp_camera_fit_result *result, sp_error *err)
{
  sp_camera_prior prior = lens->prior;
  prior.mean = &lens->camera;
  return sp_camera_fit(s->list, s->count, &prior, camera, NULL, result, err);
}

/* The band, and later the whole, as the camera sees it: board place -> picture. */
typedef struct camera_band {
  sp_camera_view view;
  double left, top, pitch;
} camera_band;

static sp_point board_to_picture(const void *context, double x, double y)
{
  const camera_band *b = context;
  return sp_camera_project(&b->view, b->left + x * b->pitch, b->top + y * b->pitch, 0.0);
}

typedef struct attempt {
  bool good;
  sp_camera camera;
  sp_camera_fit_result fit;
  double first, last, period; /* span of the strokes in graduations; px a graduation where they are drawn largest */
  size_t strokes;
  bool clear; /* which of its trains of strokes says most */
} attempt;

static double stroke_in_the_middle(const sp_rule_reading *r)
{
  return r->strokes[r->count / 2].index;
}

/* Reads the rule in the band drawn by its curve, and fits a first camera. A first camera may come from the picture of
 * half the size (NULL: there is none) where its strokes are not too fine. */
static sp_status by_curve(const sp_raster *picture, const sp_raster *half, const turn *t, const photo_curve *curve,
                          const sp_photo_lens *lens, attempt *a, sp_error *err)
{
  curved_band b = {.turn = t, .curve = curve};
  for (int i = 0; i <= 8; i++)
    b.period = fmax(b.period, photo_curve_period(curve, curve->u_first + i / 8.0 * (curve->u_last - curve->u_first)));
  const bool coarse = half && b.period >= LEAST_COARSE_PX;
  if (!coarse)
    b.period *= t->coarse;
  const uint32_t height = band_height(b.period);
  b.half_height = 0.5 * (height - 1.0);
  sp_raster band = {0};
  sp_rule_reading reading = {0};
  sightings s = {0};
  sp_status status = lay_out(&b, err);
  if (!status)
    status = photo_resample(coarse ? half : picture, coarse ? curved_to_half : curved_to_picture, &b,
                            (uint32_t)(b.length - 1) * BAND_GRID, height, &band, err);
  if (!status)
    status = read_band(&band, b.period, &reading, err);
  if (!status && reading.count >= LEAST_STROKES) {
    const double zero = stroke_in_the_middle(&reading);
    status = take_sightings(&reading, zero, curved_to_picture, &b, &s, err);
    const double u = reading.strokes[reading.count / 2].u_px, v = reading.base_v0_px + reading.slope * u;
    a->camera = first_camera(lens, curved_to_picture(&b, u, v), curved_to_picture(&b, u + b.period, v));
    if (!status)
      status = fit_camera(lens, &s, &a->camera, &a->fit, err);
    a->strokes = s.strokes;
    a->first = reading.strokes[0].index - zero;
    a->last = reading.strokes[reading.count - 1].index - zero;
    a->period = coarse ? t->coarse * b.period : b.period;
    a->good = !status && s.strokes >= LEAST_STROKES && a->fit.used > s.count / 2;
  }
  sp_rule_reading_free(&reading);
  sp_raster_free(&band);
  free(s.list);
  free(b.u);
  return status;
}

/* What a reading says of the strokes' directions: the sum of the inverse variances. Long strokes say most, many say
 * more. */
static double direction_information(const sp_rule_reading *r)
{
  double sum = 0.0;
  for (size_t k = 0; k < r->count; k++)
    if (r->strokes[k].good && r->strokes[k].u_lean > 0.0)
      sum += 1.0 / (r->strokes[k].u_lean * r->strokes[k].u_lean);
  return sum;
}

static bool is_among(const sp_comb *combs, size_t count, double period)
{
  for (size_t i = 0; i < count; i++)
    if (combs[i].along == SP_ALONG_X && fabs(combs[i].period_px / period - 1.0) < 0.02)
      return true;
  return false;
}

/* May the comb be of the rule in the middle of the band, which has strokes about a period apart? */
static bool lies_in_band(const sp_raster *band, double period, const sp_comb *comb)
{
  const double half = 0.5 * band->height_px, ratio = comb->period_px / period;
  return ratio <= 2.2 && ratio >= 0.18 &&
         fabs(comb->v0_px + comb->slope * 0.5 * band->width_px - half) <= 0.5 * half;
}

/* A train that says so many times as much as any other is the one to read when the band is drawn anew. */
static const double CLEARLY_MORE = 1.5;

/* Of the trains of strokes in the band (the finest, those of every second or fifth stroke) reads the one that says
 * most. `alone`: only those a period apart, if there are any; told for the next time. */
static sp_status read_best(const sp_raster *band, double period, bool *alone, sp_rule_reading *best, sp_error *err)
{
  sp_scene scene = {0};
  sp_comb combs[SP_MAX_COMBS + 1];
  size_t count = 0;
  double most = 0.0, next = 0.0;
  sp_status status = sp_scene_create_along(band, SP_ALONG_X, &scene, err);
  if (!status)
    status = sp_rule_find_along(&scene, SP_ALONG_X, combs, &count, err);
  const bool known = is_among(combs, count, period), only = *alone && known;
  if (!known)
    combs[count++] = (sp_comb){SP_ALONG_X, period, 0.0, 0.5 * (band->height_px - 1.0), 1.0, false};
  for (size_t i = 0; !status && i < count; i++) {
    if (!lies_in_band(band, period, &combs[i]) || (only && !is_among(&combs[i], 1, period)))
      continue;
    sp_rule_reading r = {0};
    status = sp_rule_read(&scene, &combs[i], &r, err);
    const double said = status ? 0.0 : direction_information(&r);
    next = fmax(next, fmin(said, most));
    if (said > most) {
      sp_rule_reading_free(best);
      *best = r;
      most = said;
    } else {
      sp_rule_reading_free(&r);
    }
  }
  *alone = most > CLEARLY_MORE * next;
  sp_scene_free(&scene);
  return status;
}

/* The stretch of the rule's line that the picture shows, as far as a quarter of its known length beyond either end. */
static void widen(const sp_raster *picture, const attempt *a, double *left, double *right)
{
  enum { STEPS = 40 };
  const sp_camera_view view = sp_camera_view_of(&a->camera);
  const double span = a->last - a->first;
  for (int end = 0; end < 2; end++) {
    const double from = end ? a->last : a->first, step = (end ? 0.25 : -0.25) * span / STEPS;
    double reached = from + 0.04 * (end ? span : -span);
    for (int k = 1; k <= STEPS; k++) {
      const sp_point p = sp_camera_project(&view, from + k * step, 0.0, 0.0);
      if (!(p.x > 0.0 && p.y > 0.0 && p.x < picture->width_px && p.y < picture->height_px))
        break;
      reached = k * fabs(step) > 0.04 * span ? from + k * step : reached;
    }
    *(end ? right : left) = reached + (end ? 4.0 : -4.0);
  }
}

/* The unit of length changes: what was a unit is now `ratio` of them. */
static void change_unit(attempt *a, double ratio)
{
  for (int i = 0; i < 3; i++)
    a->camera.translation[i] *= ratio;
  a->first *= ratio;
  a->last *= ratio;
  a->period /= ratio;
}

/* Picture px a unit where the rule is drawn largest: finer than that the picture holds nothing. */
static double largest_scale(const attempt *a)
{
  enum { PLACES = 12 };
  const sp_camera_view view = sp_camera_view_of(&a->camera);
  double most = 0.0;
  for (int i = 0; i <= PLACES; i++) {
    const double x = a->first + (a->last - a->first) * i / PLACES;
    const sp_point p = sp_camera_project(&view, x - 0.5, 0.0, 0.0), q = sp_camera_project(&view, x + 0.5, 0.0, 0.0);
    most = fmax(most, hypot(q.x - p.x, q.y - p.y));
  }
  return most;
}

/* A camera that stands over the board and agrees with most of what was sighted. */
static bool is_possible(const attempt *a, size_t sighted)
{
  const sp_camera_view view = sp_camera_view_of(&a->camera);
  return a->strokes >= LEAST_STROKES && a->fit.used > sighted * 6 / 10 && a->fit.rms_px < MOST_RMS_PX &&
         view.r[8] > LEAST_COSINE;
}

/* The same in the band drawn by the camera. */
static sp_status by_camera(const sp_raster *picture, const sp_photo_lens *lens, attempt *a, sp_error *err)
{
  double left = a->first, right = a->last;
  widen(picture, a, &left, &right);
  const uint32_t height = band_height(a->period);
  const camera_band b = {sp_camera_view_of(&a->camera), left, -0.5 * (height - 1.0) / a->period, 1.0 / a->period};
  sp_raster band = {0};
  sp_rule_reading reading = {0};
  sightings s = {0};
  a->good = false;
  sp_status status =
      photo_resample(picture, board_to_picture, &b, (uint32_t)((right - left) * a->period), height, &band, err);
  if (!status)
    status = read_best(&band, a->period, &a->clear, &reading, err);
  if (!status && reading.count >= LEAST_STROKES) {
    const double ratio = a->period / reading.period_px;
    const double at = (b.left + reading.strokes[0].u_px * b.pitch) * ratio;
    const double zero = reading.strokes[0].index - round(at);
    change_unit(a, ratio);
    status = take_sightings(&reading, zero, board_to_picture, &b, &s, err);
    if (!status)
      status = fit_camera(lens, &s, &a->camera, &a->fit, err);
    a->strokes = s.strokes;
    a->first = reading.strokes[0].index - zero;
    a->last = reading.strokes[reading.count - 1].index - zero;
    a->good = !status && is_possible(a, s.count);
    if (a->good)
      a->period = largest_scale(a);
  }
  sp_rule_reading_free(&reading);
  sp_raster_free(&band);
  free(s.list);
  return status;
}

/* Until no more of the rule comes into sight. */
static sp_status refine(const sp_raster *picture, const sp_photo_lens *lens, attempt *a, sp_error *err)
{
  enum { MOST_ROUNDS = 4 };
  for (int round = 0; round < MOST_ROUNDS; round++) {
    attempt next = *a;
    const sp_status status = by_camera(picture, lens, &next, err);
    if (status)
      return status;
    if (!next.good) {
      a->good = round > 0 && a->good;
      return SP_OK;
    }
    const double span = next.last - next.first, before = (a->last - a->first) * a->period / next.period;
    const bool grown = span > 1.03 * before;
    *a = next;
    if (!grown && (round > 0 || next.fit.rms_px < FINE_RMS_PX))
      break;
  }
  return SP_OK;
}

/* ---- all of it ------------------------------------------------------------------------------------------------------
 */

/* A camera out of one curve. What makes no camera is no rule, and no failure. */
static sp_status follow(const sp_raster *picture, const sp_raster *half, const turn *t, const photo_curve *curve,
                        const sp_photo_lens *lens, attempt *a, sp_error *err)
{
  sp_error why = {0};
  sp_status status = by_curve(picture, half, t, curve, lens, a, &why);
  if (!status && a->good)
    status = refine(picture, lens, a, &why);
  if (!status)
    return SP_OK;
  a->good = false;
  if (status == SP_E_DATA)
    return SP_OK;
  *err = why;
  return status;
}

/* `source` is the picture itself, or (half) that of half its size. */
static sp_status try_direction(const sp_raster *picture, const sp_raster *source, bool half, double angle,
                               const sp_photo_lens *lens, attempt *best, sp_error *err)
{
  const double coarse = half ? 2.0 : 1.0;
  uint32_t width, height;
  const turn t = turn_by(picture, angle, coarse, &width, &height);
  sp_raster turned = {0};
  sp_scene scene = {0};
  photo_curve curves[PHOTO_CURVES];
  size_t count = 0;
  sp_status status = half ? photo_resample_roughly(source, turned_to_half, &t, width, height, &turned, err)
                          : photo_resample(source, turned_to_picture, &t, width, height, &turned, err);
  if (!status)
    status = sp_scene_create(&turned, &scene, err);
  if (!status)
    status = photo_curves(&scene, curves, &count, err);
  sp_scene_free(&scene);
  sp_raster_free(&turned);
  for (size_t i = 0; !status && i < count; i++) {
    attempt a = {0};
    if (curves[i].strength < 0.2 * curves[0].strength)
      break;
    status = follow(picture, half ? source : NULL, &t, &curves[i], lens, &a, err);
    if (status || !a.good)
      continue;
    if (!best->good || a.strokes > best->strokes)
      *best = a;
    if (best->good && (best->last - best->first) * best->period > 0.5 * coarse * (width > height ? width : height))
      break;
  }
  return status;
}

static sp_status try_all(const sp_raster *picture, const sp_raster *source, bool half, const sp_photo_lens *lens,
                         attempt *best, sp_error *err)
{
  double directions[PHOTO_DIRECTIONS];
  const size_t found = photo_directions(source, directions), count = half || found < 3 ? found : 3;
  sp_status status = SP_OK;
  for (size_t i = 0; !status && i < count && !best->good; i++)
    status = try_direction(picture, source, half, directions[i], lens, best, err);
  return status;
}

/* The part of the plane that the picture shows, cut to what can belong to a board beside this rule. */
static void footprint(const sp_raster *picture, const attempt *a, double box[4])
{
  enum { POINTS = 32 };
  const sp_camera_view view = sp_camera_view_of(&a->camera);
  const double w = picture->width_px - 1.0, h = picture->height_px - 1.0, span = a->last - a->first;
  box[0] = box[2] = INFINITY;
  box[1] = box[3] = -INFINITY;
  for (int i = 0; i < 4 * POINTS; i++) {
    const double q = (double)(i % POINTS) / POINTS;
    const int side = i / POINTS;
    const sp_point p = side == 0   ? (sp_point){q * w, 0}
                       : side == 1 ? (sp_point){w, q * h}
                       : side == 2 ? (sp_point){w - q * w, h}
                                   : (sp_point){0, h - q * h};
    const sp_point at = sp_camera_unproject(&view, p, 0.0);
    if (!isfinite(at.x) || !isfinite(at.y))
      continue;
    box[0] = fmin(box[0], at.x);
    box[1] = fmax(box[1], at.x);
    box[2] = fmin(box[2], at.y);
    box[3] = fmax(box[3], at.y);
  }
  box[0] = fmax(box[0], a->first - span);
  box[1] = fmin(box[1], a->last + span);
  box[2] = fmax(box[2], -0.5 * span);
  box[3] = fmin(box[3], 0.5 * span);
}

static sp_status draw(const sp_raster *picture, const double box[4], sp_photo *photo, sp_error *err)
{
  const double width = (box[1] - box[0]) / photo->pitch, height = (box[3] - box[2]) / photo->pitch;
  photo->left = box[0];
  photo->top = box[2];
  const camera_band b = {sp_camera_view_of(&photo->camera), photo->left, photo->top, photo->pitch};
  return photo_resample(picture, board_to_picture, &b, (uint32_t)width, (uint32_t)height, &photo->straight, err);
}

/* Rows farther apart than columns. */
typedef struct coarse_rows {
  camera_band band;
  double step;
} coarse_rows;

static sp_point coarse_to_half(const void *context, double x, double y)
{
  const coarse_rows *c = context;
  return half_of(board_to_picture(&c->band, x, y * c->step / c->band.pitch));
}

/* What lies across the plane from what was sighted first to what was last, in graduations; `apart`: there is room for a
 * board between. */
typedef struct sighted_part {
  double least, most;
  bool apart;
} sighted_part;

/* Board and rule fill a part of a photograph only. Cuts the box down to where lines run across the rule, with room
 * beside; `half` is the picture of half its size. */
static sp_status cut_down(const sp_raster *half, const attempt *a, const sighted_part *rule, double box[4], bool cut[2],
                          sp_error *err)
{
  const double pitch = 1.0 / a->period, step = COARSE_ROW_PX * pitch, room = ROOM_PX * pitch;
  const camera_band b = {sp_camera_view_of(&a->camera), box[0], box[2], 2.0 * pitch};
  const coarse_rows c = {b, step};
  double rows[2];
  const sp_status status = photo_crosslines(half, coarse_to_half, &c, (size_t)((box[1] - box[0]) / (2.0 * pitch)),
                                            (size_t)((box[3] - box[2]) / step), rows, err);
  if (status || !(rows[1] > rows[0]))
    return status;
  const double first = fmin(box[2] + rows[0] * step, rule->least), last = fmax(box[2] + rows[1] * step, rule->most);
  const double spare = fmax(room, ROOM_PART * (rows[1] - rows[0]) * step);
  if (!rule->apart && first > rule->least - room && last < rule->most + room)
    return SP_OK; /* the rule alone was seen */
  const double least = first - spare, most = last + spare;
  cut[0] = least > box[2];
  cut[1] = most < box[3];
  box[2] = fmax(box[2], least);
  box[3] = fmin(box[3], most);
  return SP_OK;
}

/* `half` NULL: nothing is cut away. */
static sp_status straighten(const sp_raster *picture, const sp_raster *half, const attempt *a, const sighted_part *rule,
                            sp_photo *photo, sp_error *err)
{
  double box[4];
  footprint(picture, a, box);
  const double width = (box[1] - box[0]) * a->period, height = (box[3] - box[2]) * a->period;
  if (!(width > 60.0 && height > 60.0 && width * height < 4.0 * picture->width_px * picture->height_px)) {
    snprintf(photo->reason, sizeof photo->reason, "the camera stood too slantwise; hold it square above the board");
    return SP_OK;
  }
  photo->camera = a->camera;
  photo->pitch = 1.0 / a->period;
  photo->fit_rms_px = a->fit.rms_px;
  photo->strokes_used = a->strokes;
  memcpy(photo->whole, box, sizeof box);
  sp_status status = half ? cut_down(half, a, rule, box, photo->cut, err) : SP_OK;
  if (!status)
    status = draw(picture, box, photo, err);
  photo->found = status == SP_OK;
  return status;
}

sp_status sp_photo_draw_whole(const sp_raster *picture, sp_photo *photo, sp_error *err)
{
  sp_raster_free(&photo->straight);
  photo->cut[0] = photo->cut[1] = false;
  return draw(picture, photo->whole, photo, err);
}

static bool is_large(const sp_raster *picture)
{
  return picture->width_px > ENOUGH_PX || picture->height_px > ENOUGH_PX;
}

/* As far from the rule's edge as its strokes are looked for. */
static sighted_part part_of_rule(const attempt *a)
{
  const double half = 0.5 * band_height(a->period) / a->period;
  return (sighted_part){-half, half, false};
}

sp_status sp_photo_straighten(const sp_raster *picture, double focal_35mm, const sp_photo_lens *known, sp_photo *photo,
                              sp_error *err)
{
  const sp_photo_lens usual = usual_lens(picture, focal_35mm), *lens = known ? known : &usual;
  memset(photo, 0, sizeof *photo);
  attempt best = {0};
  sp_status status = SP_OK;
  sp_raster half = {0};
  const bool halved = is_large(picture);
  /* a smaller picture shows where the rule lies as well, if its strokes are not too fine for it */
  if (halved) {
    status = photo_halve(picture, &half, err);
    if (!status)
      status = try_all(picture, &half, true, lens, &best, err);
  }
  if (!status && !best.good && (uint64_t)picture->width_px * picture->height_px <= MOST_PIXELS)
    status = try_all(picture, picture, false, lens, &best, err);
  const sighted_part rule = best.good ? part_of_rule(&best) : (sighted_part){0};
  if (!status && best.good)
    status = straighten(picture, halved ? &half : NULL, &best, &rule, photo, err);
  sp_raster_free(&half);
  if (!status && !best.good)
    snprintf(photo->reason, sizeof photo->reason,
             "no rule with readable graduations was found, straight or drawn by a lens; lay a steel rule flush beside "
             "the board, graduations up, and fill the picture with the two");
  return status;
}

/* The camera by known places; `fit` tells how well. */
static sp_status camera_by(const sp_raster *picture, double focal_35mm, const sp_photo_lens *lens,
                           const sp_photo_known *known, attempt *a, sp_error *err)
{
  *a = (attempt){.first = known->first, .last = known->last, .strokes = known->count};
  /* X is 0 at the place given; the frame is shifted to it for the start alone */
  const double middle = 0.5 * (known->first + known->last);
  const sp_photo_lens usual = usual_lens(picture, focal_35mm);
  a->camera = first_camera(lens ? lens : &usual, known->at_px, known->ahead_px);
  const double turn_rad = a->camera.rotation_rad[2];
  a->camera.translation[0] -= middle * cos(turn_rad);
  a->camera.translation[1] -= middle * sin(turn_rad);
  sp_camera_prior prior = lens ? lens->prior : usual.prior;
  prior.u_stretch = known->u_stretch;
  sp_camera_body body[SP_CAMERA_BODIES];
  for (size_t i = 0; i < known->body_count; i++)
    body[i] = known->body[i];
  return sp_camera_fit_bodies(known->sightings, known->count, &prior, &a->camera, body, known->body_count, NULL,
                              &a->fit, err);
}

sp_status sp_photo_camera_by(const sp_raster *picture, double focal_35mm, const sp_photo_lens *lens,
                             const sp_photo_known *known, sp_camera *camera, double *stretch, sp_error *err)
{
  attempt a;
  const sp_status status = camera_by(picture, focal_35mm, lens, known, &a, err);
  *camera = a.camera;
  *stretch = a.fit.stretch;
  return status;
}

/* Strips are a twelfth as broad as long: what reaches so far across against that lies on both sides of a board. */
static const double APART_PART = 0.2;

static sighted_part part_sighted(const sp_photo_known *known, const sp_camera *camera)
{
  const sp_camera_view view = sp_camera_view_of(camera);
  sighted_part part = {INFINITY, -INFINITY, false};
  for (size_t i = 0; i < known->count; i++) {
    const sp_point at = sp_camera_unproject(&view, known->sightings[i].at_px, 0.0);
    part.least = fmin(part.least, at.y);
    part.most = fmax(part.most, at.y);
  }
  part.apart = part.most - part.least > APART_PART * (known->last - known->first);
  return part;
}

sp_status sp_photo_straighten_by(const sp_raster *picture, double focal_35mm, const sp_photo_lens *lens,
                                 const sp_photo_known *known, sp_photo *photo, sp_error *err)
{
  attempt a;
  memset(photo, 0, sizeof *photo);
  const sp_status status = camera_by(picture, focal_35mm, lens, known, &a, err);
  if (status)
    return status;
  if (!is_possible(&a, known->count)) {
    snprintf(
        photo->reason, sizeof photo->reason,
        "the strip does not lie flat, or the camera stood too slantwise: its lines fit a flat strip to %.1f px only",
        a.fit.rms_px);
    return SP_OK;
  }
  a.period = largest_scale(&a);
  const sighted_part strips = part_sighted(known, &a.camera);
  sp_raster half = {0};
  sp_status drawn = is_large(picture) ? photo_halve(picture, &half, err) : SP_OK;
  if (!drawn)
    drawn = straighten(picture, is_large(picture) ? &half : NULL, &a, &strips, photo, err);
  sp_raster_free(&half);
  return drawn;
}

sp_point sp_photo_picture_px(const sp_photo *photo, sp_point at)
{
  const sp_camera_view view = sp_camera_view_of(&photo->camera);
  return sp_camera_project(&view, photo->left + at.x * photo->pitch, photo->top + at.y * photo->pitch, 0.0);
}

sp_point sp_photo_straight_px(const sp_photo *photo, sp_point picture_px)
{
  const sp_camera_view view = sp_camera_view_of(&photo->camera);
  const sp_point at = sp_camera_unproject(&view, picture_px, 0.0);
  return (sp_point){(at.x - photo->left) / photo->pitch, (at.y - photo->top) / photo->pitch};
}

void sp_photo_free(sp_photo *photo)
{
  sp_raster_free(&photo->straight);
  memset(photo, 0, sizeof *photo);
}
