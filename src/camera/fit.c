/* The camera from sightings of the plane.
 *
 * A sighting tells one coordinate of a place on the plane, so the residual is taken there: the place in the picture is
 * carried back to the plane and compared, then scaled by the local pixels per unit so that it counts in pixels. A rule
 * gives hundreds of X (graduations) at two heights and some Y (its straightness). Those fix scale, tilt along the rule
 * and distortion well; focal length and principal point hardly, so priors hold them. Damaged sightings lose their
 * weight (Huber, then Tukey) in a few rounds.
 */
#include "slotproof/camera.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "camera/slopes.h"
#include "slotproof/numeric.h"

enum { STRETCH = CAMERA_SLOPES, BODIES, PER_BODY = 3, PRIORS = CAMERA_TURNS + 1 };
enum { MOST_PARAMETERS = BODIES + PER_BODY * SP_CAMERA_BODIES };
static_assert((int)MOST_PARAMETERS <= (int)SP_LM_MAX_PARAMETERS, "more than the fitter takes");

typedef struct fit {
  const sp_camera_sighting *sightings;
  size_t count;
  sp_camera start;
  double prior_sd[PRIORS], off_prior[PRIORS]; /* log f, cx, cy, k1, k2, stretch; the start less the prior's mean */
  double scale[MOST_PARAMETERS]; /* parameter = scale * beta, so that all are about 1 */
  const sp_camera_body *body;    /* where they lay at the start */
  size_t body_count, parameters;
  double px_per_unit;
  double *weight, *spare;
} fit;

/* The parameters are those of camera_place_and_slopes, then the stretch, then three a body. */
static sp_camera camera_of(const fit *f, const double *beta)
{
  sp_camera c = f->start;
  c.f_px *= exp(f->scale[0] * beta[0]);
  c.cx_px += f->scale[1] * beta[1];
  c.cy_px += f->scale[2] * beta[2];
  c.k1 += f->scale[3] * beta[3];
  c.k2 += f->scale[4] * beta[4];
  for (int i = 0; i < 3; i++) {
    c.rotation_rad[i] += f->scale[CAMERA_TURNS + i] * beta[CAMERA_TURNS + i];
    c.translation[i] += f->scale[CAMERA_SHIFTS + i] * beta[CAMERA_SHIFTS + i];
  }
  /* a longer lens further off draws the same: f and distance go together, so that their steps do not fight */
  c.translation[2] *= exp(f->scale[0] * beta[0]);
  return c;
}

static double stretch_of(const fit *f, const double *beta)
{
  return f->scale[STRETCH] * beta[STRETCH];
}

/* A body where beta has it, and its axis. */
typedef struct placed {
  double x, y, c, s;
} placed;

static void place_bodies(const fit *f, const double *beta, placed at[SP_CAMERA_BODIES + 1])
{
  at[0] = (placed){0.0, 0.0, 1.0, 0.0};
  for (size_t i = 0; i < f->body_count; i++) {
    const double *b = beta + BODIES + PER_BODY * i, *scale = f->scale + BODIES + PER_BODY * i;
    const double turn = f->body[i].turn_rad + scale[2] * b[2];
    at[i + 1] = (placed){f->body[i].x + scale[0] * b[0], f->body[i].y + scale[1] * b[1], cos(turn), sin(turn)};
  }
}

/* The place in the body's own frame. */
static sp_point seen_from(const placed *b, sp_point at)
{
  const double x = at.x - b->x, y = at.y - b->y;
  return (sp_point){b->c * x + b->s * y, -b->s * x + b->c * y};
}

/* Rows past the sightings: what was known beforehand. */
static void hold_to_priors(const fit *f, const double *beta, double *residual, double *jacobian)
{
  for (size_t k = 0; k < PRIORS; k++) {
    const size_t row = f->count + k, parameter = k < CAMERA_TURNS ? k : STRETCH;
    residual[row] = (f->off_prior[k] + f->scale[parameter] * beta[parameter]) / f->prior_sd[k];
    if (!jacobian)
      continue;
    memset(jacobian + row * f->parameters, 0, f->parameters * sizeof *jacobian);
    jacobian[row * f->parameters + parameter] = f->scale[parameter] / f->prior_sd[k];
  }
}

/* One sighting's derivatives, in pixels over the deviation: the lens is `longer` than at the start, and the distance
 * with it; `along` is the direction on the plane that it is seen in, `own` its place in the body's frame. */
static void slopes_of(const fit *f, const sp_camera_sighting *s, double unit, double longer, sp_point along,
                      sp_point own, const double x_slope[CAMERA_SLOPES], const double y_slope[CAMERA_SLOPES],
                      double *row)
{
  memset(row, 0, f->parameters * sizeof *row);
  for (size_t j = 0; j < CAMERA_SLOPES; j++)
    row[j] = (along.x * x_slope[j] + along.y * y_slope[j]) * f->scale[j] * unit;
  row[CAMERA_SHIFTS + 2] *= longer;
  row[STRETCH] = -s->per_stretch * f->scale[STRETCH] * unit;
  if (!s->body)
    return;
  const size_t first = BODIES + PER_BODY * ((size_t)s->body - 1);
  row[first] = -along.x * f->scale[first] * unit;
  row[first + 1] = -along.y * f->scale[first + 1] * unit;
  row[first + 2] = (s->is_y ? -own.x : own.y) * f->scale[first + 2] * unit;
}

static bool residuals_and_slopes(const double *beta, double *residual, double *jacobian, void *context)
{
  const fit *f = context;
  const sp_camera camera = camera_of(f, beta);
  const sp_camera_view view = sp_camera_view_of(&camera);
  const camera_turns turns = camera_turns_of(&camera);
  const double stretch = stretch_of(f, beta), longer = exp(f->scale[0] * beta[0]);
  placed bodies[SP_CAMERA_BODIES + 1];
  place_bodies(f, beta, bodies);
  for (size_t i = 0; i < f->count; i++) {
    const sp_camera_sighting *s = &f->sightings[i];
    const placed *body = &bodies[s->body];
    double x_slope[CAMERA_SLOPES], y_slope[CAMERA_SLOPES];
    sp_point at;
    if (!camera_place_and_slopes(&view, &turns, s->at_px, &at, x_slope, y_slope))
      return false;
    const sp_point own = seen_from(body, at);
    const double unit = f->px_per_unit / s->sd_px * sqrt(f->weight[i]);
    residual[i] = ((s->is_y ? own.y : own.x) - s->value - stretch * s->per_stretch) * unit;
    if (!isfinite(residual[i]))
      return false;
    if (jacobian)
      slopes_of(f, s, unit, longer, s->is_y ? (sp_point){-body->s, body->c} : (sp_point){body->c, body->s}, own, x_slope,
                y_slope, jacobian + i * f->parameters);
  }
  hold_to_priors(f, beta, residual, jacobian);
  return true;
}

/* Pixels per unit of length at the sightings, on the mean: the spread in the picture over that on the plane. */
static double mean_scale(const sp_camera *camera, const sp_camera_sighting *s, size_t count)
{
  const sp_camera_view view = sp_camera_view_of(camera);
  const sp_point a = sp_camera_unproject(&view, s[0].at_px, 0.0),
                 b = sp_camera_unproject(&view, s[count - 1].at_px, 0.0);
  return hypot(s[count - 1].at_px.x - s[0].at_px.x, s[count - 1].at_px.y - s[0].at_px.y) / hypot(b.x - a.x, b.y - a.y);
}

static void set_scales(fit *f, const sp_camera_prior *prior)
{
  const double sd[PRIORS] = {prior->u_log_f, prior->u_centre_px, prior->u_centre_px,
                             prior->u_k1,    prior->u_k2,        prior->u_stretch};
  for (int i = 0; i < PRIORS; i++) {
    f->prior_sd[i] = sd[i] > 0.0 ? sd[i] : 1e-12; /* next to nothing: held fixed */
    f->scale[i < CAMERA_TURNS ? i : STRETCH] = f->prior_sd[i];
  }
  const sp_camera *m = prior->mean ? prior->mean : &f->start, *s = &f->start;
  const double off[PRIORS] = {log(s->f_px / m->f_px), s->cx_px - m->cx_px, s->cy_px - m->cy_px, s->k1 - m->k1,
                              s->k2 - m->k2,          0.0};
  for (int i = 0; i < PRIORS; i++)
    f->off_prior[i] = sd[i] > 0.0 ? off[i] : 0.0;
  for (int i = 0; i < 3; i++) {
    f->scale[CAMERA_TURNS + i] = 0.05;
    f->scale[CAMERA_SHIFTS + i] = 0.05 * fabs(f->start.translation[2]);
  }
  for (size_t i = 0; i < f->body_count; i++) {
    double *scale = f->scale + BODIES + PER_BODY * i;
    scale[0] = scale[1] = f->scale[CAMERA_SHIFTS];
    scale[2] = 0.05;
  }
}

/* Huber's weights (linear beyond) are right about the bulk even where the damage lies all at one end; Tukey's then leave
 * it out altogether. */
typedef enum manner { HUBER, TUKEY } manner;
static const double HUBER_AT = 1.5, TUKEY_AT = 6.0;

static double weight_of(manner by, double off)
{
  return by == TUKEY ? sp_tukey_weight(off, TUKEY_AT) : sp_huber_weight(off, HUBER_AT);
}

static void reweigh(fit *f, manner by, const double *beta, double *residual, sp_camera_fit_result *result)
{
  double *size = f->spare, sum = 0.0, weights = 0.0;
  for (size_t i = 0; i < f->count; i++)
    f->weight[i] = 1.0;
  if (!residuals_and_slopes(beta, residual, NULL, f))
    return;
  for (size_t i = 0; i < f->count; i++)
    size[i] = fabs(residual[i]);
  const double typical = fmax(1.0, SP_MAD_TO_SD * sp_median(size, f->count));
  result->used = 0;
  double square = 0.0;
  for (size_t i = 0; i < f->count; i++) {
    f->weight[i] = weight_of(by, residual[i] / typical);
    sum += f->weight[i] * residual[i] * residual[i];
    square += f->weight[i] * pow(residual[i] * f->sightings[i].sd_px, 2);
    weights += f->weight[i];
    result->used += f->weight[i] > 0.5;
  }
  result->sigma0 = sqrt(sum / weights);
  result->rms_px = sqrt(square / weights);
}

/* First all alike. Where that leaves much behind, some rounds by Huber, then two by Tukey; else one by Tukey. */
static sp_status run(fit *f, double *beta, sp_camera_fit_result *result, sp_error *err)
{
  enum { HUBER_ROUNDS = 5 };
  const size_t n = f->count + PRIORS;
  double *residual = malloc(n * sizeof *residual);
  if (!residual)
    return sp_fail_memory(err);
  sp_lm_options options;
  sp_lm_options_init(&options);
  options.max_iterations = 40;
  /* Focal length and distance trade along a valley ten thousand times flatter than the rest is steep: damped more, a
   * search creeps along it, and stops before its floor. */
  options.damping = 1e-9;
  options.cost_tolerance = 1e-9;
  options.step_tolerance = 1e-9;
  options.scale_by_residuals = false;
  sp_status status = SP_OK;
  for (int round = 0, last = 1; !status && round <= last; round++) {
    sp_lm_result lm;
    status = sp_lm(n, f->parameters, residuals_and_slopes, f, beta, &options, &lm, err);
    result->converged = lm.converged;
    if (status)
      break;
    reweigh(f, TUKEY, beta, residual, result);
    if (round == 0 && result->used + f->count / 100 < f->count)
      last = HUBER_ROUNDS + 2;
    if (last > 1 && round < HUBER_ROUNDS)
      reweigh(f, HUBER, beta, residual, result);
  }
  free(residual);
  return status;
}

static void keep_bodies(const fit *f, const double *beta, sp_camera_body *body)
{
  for (size_t i = 0; i < f->body_count; i++) {
    const double *b = beta + BODIES + PER_BODY * i, *scale = f->scale + BODIES + PER_BODY * i;
    body[i].x += scale[0] * b[0];
    body[i].y += scale[1] * b[1];
    body[i].turn_rad += scale[2] * b[2];
  }
}

sp_status sp_camera_fit_bodies(const sp_camera_sighting *sightings, size_t count, const sp_camera_prior *prior,
                               sp_camera *camera, sp_camera_body *body, size_t body_count, double *weight,
                               sp_camera_fit_result *result, sp_error *err)
{
  memset(result, 0, sizeof *result);
  if (count < 12)
    return sp_fail(err, SP_E_DATA, "too little of the rule is seen to work out how the picture was taken");
  fit f = {.sightings = sightings, .count = count, .start = *camera, .body = body, .body_count = body_count};
  f.parameters = BODIES + PER_BODY * body_count;
  f.px_per_unit = mean_scale(camera, sightings, count);
  if (!isfinite(f.px_per_unit))
    return sp_fail(err, SP_E_DATA, "the camera's place cannot be worked out from this picture");
  f.weight = malloc(count * sizeof *f.weight);
  f.spare = malloc((count + PRIORS) * sizeof *f.spare);
  sp_status status = f.weight && f.spare ? SP_OK : sp_fail_memory(err);
  if (!status) {
    double beta[MOST_PARAMETERS] = {0};
    for (size_t i = 0; i < count; i++)
      f.weight[i] = 1.0;
    set_scales(&f, prior);
    status = run(&f, beta, result, err);
    result->stretch = stretch_of(&f, beta);
    if (!status) {
      *camera = camera_of(&f, beta);
      keep_bodies(&f, beta, body);
    }
    if (!status && weight)
      memcpy(weight, f.weight, count * sizeof *weight);
  }
  free(f.weight);
  free(f.spare);
  return status;
}

sp_status sp_camera_fit(const sp_camera_sighting *sightings, size_t count, const sp_camera_prior *prior,
                        sp_camera *camera, double *weight, sp_camera_fit_result *result, sp_error *err)
{
  return sp_camera_fit_bodies(sightings, count, prior, camera, NULL, 0, weight, result, err);
}
