/* A camera from photographs of a chessboard.
 *
 * Corners are found and the lens is fitted behind the bridge; here is decided which pictures take part and whether the
 * result is worth keeping. Corners count in the picture as stored, because the lens sits on the sensor however the
 * camera was held. A picture that fits far worse than the others (moved, a bent sheet, a reflection) would pull the
 * lens to itself: it is left out, and said.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "calibrate_internal.h"
#include "slotproof/numeric.h"

enum { LEAST_PICTURES = 5, ROUNDS = 3 };
/* A picture's rms beyond which it does not belong to the others: so many medians, and px. */
static const double APART = 2.5, APART_PX = 0.15;
/* The focal length must be known to this part: more says that the pictures are too much alike. */
static const double MOST_U_FOCAL = 0.01;
/* The corners should reach over this part of the picture either way: beyond them the distortion is a guess. */
static const double LEAST_REACH = 0.7;
/* What a further term may improve (part of the rms) before it is worth a word. */
static const double WORTH_K3 = 0.05;
static const double DEG = 57.29577951308232;

typedef struct corners {
  sp_chessboard board;
  size_t each;
  sp_point *all; /* of every picture; those without are not used */
} corners;

static sp_status read_one(const char *path, size_t index, const sp_calibrate_options *o, const corners *c,
                          sp_calibration *out, sp_error *err)
{
  sp_raster raster = {0};
  sp_picture_info info;
  sp_profile *p = &out->profile;
  sp_status status = sp_read_picture(path, &o->read, &raster, &info, err);
  if (!status)
    status = calibrate_same_device(p, index, &info, &raster, true, err);
  sp_point *mine = c->all + index * c->each;
  if (!status)
    status = sp_chessboard_find(&raster, o->board, mine, &out->pictures[index].seen, err);
  for (size_t i = 0; !status && out->pictures[index].seen && i < c->each; i++)
    mine[i] = sp_stored_px(mine[i], info.orientation, p->width_px, p->height_px);
  out->pictures[index].used = !status && out->pictures[index].seen;
  sp_raster_free(&raster);
  return status;
}

static size_t count_used(const sp_calibration *out)
{
  size_t n = 0;
  for (size_t i = 0; i < out->picture_count; i++)
    n += out->pictures[i].used;
  return n;
}

/* The lens by the pictures in use; notes how each of them fits. */
static sp_status fit_used(const corners *c, bool with_k3, double square_mm, sp_calibration *out, sp_lens_fit *fit,
                          sp_error *err)
{
  const size_t n = count_used(out);
  double *work = malloc((3 * n + 1) * sizeof *work);
  sp_point *packed = malloc((n * c->each + 1) * sizeof *packed);
  size_t k = 0;
  for (size_t i = 0; work && packed && i < out->picture_count; i++)
    if (out->pictures[i].used)
      memcpy(packed + c->each * k++, c->all + c->each * i, c->each * sizeof *packed);
  sp_status status = work && packed ? SP_OK : sp_fail_memory(err);
  if (!status)
    status = sp_lens_calibrate(packed, n, c->board, out->profile.width_px, out->profile.height_px, with_k3, fit, work,
                               work + n, work + 2 * n, err);
  k = 0;
  for (size_t i = 0; !status && !with_k3 && i < out->picture_count; i++)
    if (out->pictures[i].used) {
      out->pictures[i].rms_px = work[k];
      out->pictures[i].distance_mm = work[n + k] * square_mm;
      out->pictures[i].tilt_deg = work[2 * n + k++] * DEG;
    }
  free(packed);
  free(work);
  return status;
}

/* Leaves out the pictures that do not belong; true if there were any. */
static bool leave_out(sp_calibration *out, double *spare)
{
  size_t n = 0;
  bool any = false;
  for (size_t i = 0; i < out->picture_count; i++)
    if (out->pictures[i].used)
      spare[n++] = out->pictures[i].rms_px;
  const double most = fmax(APART * sp_median(spare, n), APART_PX);
  for (size_t i = 0; i < out->picture_count; i++)
    if (out->pictures[i].used && !(out->pictures[i].rms_px <= most)) {
      out->pictures[i].used = false;
      any = true;
    }
  return any;
}

static sp_status too_few(const sp_calibration *out, sp_chessboard board, sp_error *err)
{
  size_t seen = 0;
  for (size_t i = 0; i < out->picture_count; i++)
    seen += out->pictures[i].seen;
  return sp_fail(err, SP_E_DATA,
                 "%zu of %zu pictures show a whole chessboard of %u x %u inner corners and agree; at least %d are "
                 "needed; count the corners where four squares meet and say --corners",
                 seen < count_used(out) ? seen : count_used(out), out->picture_count, board.columns, board.rows,
                 LEAST_PICTURES);
}

static sp_status fit_robustly(const corners *c, double square_mm, sp_calibration *out, sp_lens_fit *fit, sp_error *err)
{
  double *spare = malloc((out->picture_count + 1) * sizeof *spare);
  sp_status status = spare ? SP_OK : sp_fail_memory(err);
  for (int round = 0; !status && round < ROUNDS; round++) {
    if (count_used(out) < LEAST_PICTURES)
      status = too_few(out, c->board, err);
    else
      status = fit_used(c, false, square_mm, out, fit, err);
    if (!status && (round + 1 == ROUNDS || !leave_out(out, spare)))
      break;
  }
  free(spare);
  return status;
}

/* Part of the picture's width and height that the corners in use reach over; the lesser. */
static double reach(const corners *c, const sp_calibration *out)
{
  double low[2] = {INFINITY, INFINITY}, high[2] = {-INFINITY, -INFINITY};
  for (size_t i = 0; i < out->picture_count * c->each; i++)
    if (out->pictures[i / c->each].used) {
      low[0] = fmin(low[0], c->all[i].x);
      high[0] = fmax(high[0], c->all[i].x);
      low[1] = fmin(low[1], c->all[i].y);
      high[1] = fmax(high[1], c->all[i].y);
    }
  return fmin((high[0] - low[0]) / out->profile.width_px, (high[1] - low[1]) / out->profile.height_px);
}

static void fill_profile(const corners *c, const sp_lens_fit *f, sp_calibration *out)
{
  sp_profile_camera *p = &out->profile.camera;
  p->lens = (sp_lens){f->f_px, f->cx_px, f->cy_px, f->k1, f->k2, f->p1, f->p2};
  p->u = (sp_lens){f->u_f_px, f->u_cx_px, f->u_cy_px, f->u_k1, f->u_k2, f->u_p1, f->u_p2};
  p->rms_px = f->rms_px;
  out->used = count_used(out);
  p->pictures = (uint32_t)out->used;
  p->corners = (uint32_t)(out->used * c->each);
  for (size_t i = 0; i < out->picture_count; i++)
    if (out->pictures[i].used) {
      p->near_mm = fmin(p->near_mm, out->pictures[i].distance_mm); /* fmin passes NAN over */
      p->far_mm = fmax(p->far_mm, out->pictures[i].distance_mm);
    }
}

static sp_status judge(const corners *c, const sp_lens_fit *fit, const sp_lens_fit *k3, sp_calibration *out,
                       sp_error *err)
{
  if (!(fit->u_f_px < MOST_U_FOCAL * fit->f_px))
    return sp_fail(err, SP_E_DATA,
                   "the pictures are too much alike: they tell the focal length to %.1f %% only; take some with the "
                   "chessboard tilted by 20 to 40 degrees, to all four sides",
                   100.0 * fit->u_f_px / fit->f_px);
  const double reached = reach(c, out);
  if (!(reached >= LEAST_REACH))
    calibrate_warn(
        out,
        "the corners reach over %.0f %% of the picture only, so what the lens does at its margin is a guess; "
        "take pictures with the chessboard in the picture's corners too",
        100.0 * reached);
  out->rms_k3_px = k3->rms_px;
  if (k3->rms_px < (1.0 - WORTH_K3) * fit->rms_px)
    calibrate_warn(
        out,
        "a lens with one more term (k3) would fit better, to %.3f px instead of %.3f; two terms are kept, so "
        "places near the picture's margin are less sure",
        k3->rms_px, fit->rms_px);
  return SP_OK;
}

sp_status sp_calibrate_camera(const char *const *paths, size_t count, const sp_calibrate_options *o,
                              sp_calibration *out, size_t *at, sp_error *err)
{
  corners c = {.board = o->board, .each = (size_t)o->board.columns * o->board.rows};
  sp_lens_fit fit, k3;
  *at = SP_CALIBRATE_ALL;
  sp_status status = calibrate_start(count, SP_PROFILE_CAMERA, out, err);
  c.all = status ? NULL : calloc(count * c.each + 1, sizeof *c.all);
  if (!status && !c.all)
    status = sp_fail_memory(err);
  for (size_t i = 0; !status && i < count; i++)
    if ((status = read_one(paths[i], i, o, &c, out, err)) != SP_OK)
      *at = i;
  if (!status)
    status = fit_robustly(&c, o->square_mm, out, &fit, err);
  if (!status)
    status = fit_used(&c, true, o->square_mm, out, &k3, err);
  if (!status)
    status = judge(&c, &fit, &k3, out, err);
  if (!status)
    fill_profile(&c, &fit, out);
  free(c.all);
  return status;
}
