/* The camera from sightings of the plane.
 *
 * A sighting tells one coordinate of a place on the plane, so the residual is taken there: the place in the picture is
 * carried back to the plane and compared, then scaled by the local pixels per unit so that it counts in pixels. A rule
 * gives hundreds of X (graduations) at two heights and some Y (its straightness). Those fix scale, tilt along the rule
 * and distortion well; focal length and principal point hardly, so priors hold them. Damaged sightings lose their
 * weight (Huber) in a few rounds.
 */
#include "slotproof/camera.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/numeric.h"

enum { PARAMETERS = 11, PRIORS = 5, ROUNDS = 4 };

typedef struct fit {
  const sp_camera_sighting *sightings;
  size_t count;
  sp_camera start;
  double prior_sd[PRIORS];  /* log f, cx, cy, k1, k2 */
  double scale[PARAMETERS]; /* parameter = scale * beta, so that all are about 1 */
  double px_per_unit;
  double *weight, *spare;
} fit;

static sp_camera camera_of(const fit *f, const double *beta)
{
  sp_camera c = f->start;
  c.f_px *= exp(f->scale[0] * beta[0]);
  c.cx_px += f->scale[1] * beta[1];
  c.cy_px += f->scale[2] * beta[2];
  c.k1 += f->scale[3] * beta[3];
  c.k2 += f->scale[4] * beta[4];
  for (int i = 0; i < 3; i++) {
    c.rotation_rad[i] += f->scale[5 + i] * beta[5 + i];
    c.translation[i] += f->scale[8 + i] * beta[8 + i];
  }
  /* a longer lens further off draws the same: f and distance go together, so that their steps do not fight */
  c.translation[2] *= exp(f->scale[0] * beta[0]);
  return c;
}

static bool residuals_at(const fit *f, const double *beta, double *residual)
{
  const sp_camera camera = camera_of(f, beta);
  const sp_camera_view view = sp_camera_view_of(&camera);
  for (size_t i = 0; i < f->count; i++) {
    const sp_camera_sighting *s = &f->sightings[i];
    const sp_point at = sp_camera_unproject(&view, s->at_px, 0.0);
    const double off = (s->is_y ? at.y : at.x) - s->value;
    residual[i] = off * f->px_per_unit / s->sd_px * sqrt(f->weight[i]);
    if (!isfinite(residual[i]))
      return false;
  }
  for (size_t i = 0; i < PRIORS; i++)
    residual[f->count + i] = f->scale[i] * beta[i] / f->prior_sd[i];
  return true;
}

static bool residuals_and_slopes(const double *beta, double *residual, double *jacobian, void *context)
{
  fit *f = context;
  if (!residuals_at(f, beta, residual))
    return false;
  const size_t n = f->count + PRIORS;
  for (size_t j = 0; jacobian && j < PARAMETERS; j++) {
    double moved[PARAMETERS];
    const double h = 1e-5;
    memcpy(moved, beta, sizeof moved);
    moved[j] += h;
    if (!residuals_at(f, moved, f->spare))
      return false;
    for (size_t i = 0; i < n; i++)
      jacobian[i * PARAMETERS + j] = (f->spare[i] - residual[i]) / h;
  }
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
  const double sd[PRIORS] = {prior->u_log_f, prior->u_centre_px, prior->u_centre_px, prior->u_k1, prior->u_k2};
  for (int i = 0; i < PRIORS; i++) {
    f->scale[i] = sd[i] > 0.0 ? sd[i] : 1e-12; /* next to nothing: held fixed */
    f->prior_sd[i] = f->scale[i];
  }
  for (int i = 0; i < 3; i++) {
    f->scale[5 + i] = 0.05;
    f->scale[8 + i] = 0.05 * fabs(f->start.translation[2]);
  }
}

static void reweigh(fit *f, const double *beta, double *residual, sp_camera_fit_result *result)
{
  double *size = f->spare, sum = 0.0, weights = 0.0;
  for (size_t i = 0; i < f->count; i++)
    f->weight[i] = 1.0;
  if (!residuals_at(f, beta, residual))
    return;
  for (size_t i = 0; i < f->count; i++)
    size[i] = fabs(residual[i]);
  const double typical = fmax(1.0, SP_MAD_TO_SD * sp_median(size, f->count));
  result->used = 0;
  double square = 0.0;
  for (size_t i = 0; i < f->count; i++) {
    f->weight[i] = sp_tukey_weight(residual[i] / typical, 6.0);
    sum += f->weight[i] * residual[i] * residual[i];
    square += f->weight[i] * pow(residual[i] * f->sightings[i].sd_px, 2);
    weights += f->weight[i];
    result->used += f->weight[i] > 0.5;
  }
  result->sigma0 = sqrt(sum / weights);
  result->rms_px = sqrt(square / weights);
}

static sp_status run(fit *f, double *beta, sp_camera_fit_result *result, sp_error *err)
{
  const size_t n = f->count + PRIORS;
  double *residual = malloc(n * sizeof *residual);
  if (!residual)
    return sp_fail_memory(err);
  sp_lm_options options;
  sp_lm_options_init(&options);
  options.max_iterations = 40;
  options.cost_tolerance = 1e-9;
  options.step_tolerance = 1e-9;
  options.scale_by_residuals = false;
  sp_status status = SP_OK;
  for (int round = 0; !status && round < ROUNDS; round++) {
    sp_lm_result lm;
    status = sp_lm(n, PARAMETERS, residuals_and_slopes, f, beta, &options, &lm, err);
    result->converged = lm.converged;
    if (!status)
      reweigh(f, beta, residual, result);
  }
  free(residual);
  return status;
}

sp_status sp_camera_fit(const sp_camera_sighting *sightings, size_t count, const sp_camera_prior *prior,
                        sp_camera *camera, double *weight, sp_camera_fit_result *result, sp_error *err)
{
  memset(result, 0, sizeof *result);
  if (count < 12)
    return sp_fail(err, SP_E_DATA, "too little of the rule is seen to work out how the picture was taken");
  fit f = {.sightings = sightings, .count = count, .start = *camera};
  f.px_per_unit = mean_scale(camera, sightings, count);
  if (!isfinite(f.px_per_unit))
    return sp_fail(err, SP_E_DATA, "the camera's place cannot be worked out from this picture");
  f.weight = malloc(count * sizeof *f.weight);
  f.spare = malloc((count + PRIORS) * sizeof *f.spare);
  sp_status status = f.weight && f.spare ? SP_OK : sp_fail_memory(err);
  if (!status) {
    double beta[PARAMETERS] = {0};
    for (size_t i = 0; i < count; i++)
      f.weight[i] = 1.0;
    set_scales(&f, prior);
    status = run(&f, beta, result, err);
    if (!status)
      *camera = camera_of(&f, beta);
    if (!status && weight)
      memcpy(weight, f.weight, count * sizeof *weight);
  }
  free(f.weight);
  free(f.spare);
  return status;
}
