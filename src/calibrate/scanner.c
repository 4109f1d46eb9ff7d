/* A scanner from pairs of scans of a rule.
 *
 * Each scan is read as `reference` reads any: the rule's graduations give a map from pixels to millimetres. axis.c
 * finds what the maps along one axis have in common.
 */
#include <math.h>
#include <stdlib.h>

#include "calibrate_internal.h"
#include "slotproof/scene.h"

/* Departures from scan to scan beyond this say that something lay otherwise. */
static const double MUCH_MM = 0.03;

static sp_status read_one(const char *path, size_t index, const sp_calibrate_options *o, sp_calibration *out,
                          sp_reference *reference, sp_error *err)
{
  sp_raster raster = {0};
  sp_picture_info info;
  sp_scene scene = {0};
  sp_reference_options rule = o->reference;
  rule.kind = SP_REFERENCE_RULE;
  sp_status status = sp_read_picture(path, &o->read, &raster, &info, err);
  if (!status && info.is_photograph)
    status = sp_fail(err, SP_E_DATA, "this is a camera's picture; give scans, or calibrate the camera");
  if (!status)
    status = calibrate_same_device(&out->profile, index, &info, &raster, false, err);
  if (!status)
    status = sp_scene_create(&raster, &scene, err);
  if (!status)
    status = sp_reference_read(&scene, info.stated_dpi_x, info.stated_dpi_y, &rule, reference, err);
  if (!status && !reference->map.known)
    status = sp_fail(err, SP_E_DATA, "%s", reference->reason);
  if (!status) {
    sp_calibrated_picture *p = &out->pictures[index];
    p->seen = p->used = true;
    p->along = reference->map.along;
    p->px_per_mm = reference->record.px_per_mm;
  }
  sp_scene_free(&scene);
  sp_raster_free(&raster);
  return status;
}

static sp_status fit_axis(const sp_reference *read, sp_along along, sp_calibration *out, sp_error *err)
{
  const size_t n = out->picture_count;
  sp_axis_scan *scans = calloc(n + 1, sizeof *scans);
  size_t count = 0;
  for (size_t i = 0; scans && i < n; i++)
    if (out->pictures[i].along == along)
      scans[count++] = (sp_axis_scan){&read[i].map, i % 2 == 1};
  sp_profile_axis *axis = &out->profile.axis[along == SP_ALONG_X ? 0 : 1];
  const sp_status status = !scans ? sp_fail_memory(err) : count ? sp_calibrate_axis(scans, count, axis, err) : SP_OK;
  free(scans);
  if (!status && count && (axis->turned_mm > MUCH_MM || axis->repeat_mm > MUCH_MM))
    calibrate_warn(out,
                   "along %s the scans differ by %.3f mm (rms): let the scanner warm up, lay the rule flat and in the "
                   "same place each time, and scan again",
                   along == SP_ALONG_X ? "x" : "y",
                   fmax(axis->turned_mm, isnan(axis->repeat_mm) ? 0 : axis->repeat_mm));
  return status;
}

/* What the rule may be wrong by over the longer of the spans. */
static void fill_mpe(const sp_reference *read, const sp_calibrate_options *o, sp_calibration *out)
{
  sp_profile *p = &out->profile;
  p->mpe_mm = o->reference.mpe_mm;
  if (isnan(p->mpe_mm)) {
    p->mpe_mm = 0.0;
    for (size_t i = 0; i < out->picture_count; i++)
      p->mpe_mm = fmax(p->mpe_mm, read[i].record.mpe_mm);
  }
}

static sp_status check_pairs(const sp_calibration *out, size_t *at, sp_error *err)
{
  for (size_t i = 1; i < out->picture_count; i += 2)
    if (out->pictures[i].along != out->pictures[i - 1].along) {
      *at = i;
      return sp_fail(err, SP_E_DATA,
                     "the rule lies along the other side than in the scan before; give pairs: as laid, then turned by "
                     "half a turn in the same place");
    }
  return SP_OK;
}

sp_status sp_calibrate_scanner(const char *const *paths, size_t count, const sp_calibrate_options *o,
                               sp_calibration *out, size_t *at, sp_error *err)
{
  *at = SP_CALIBRATE_ALL;
  sp_status status = calibrate_start(count, SP_PROFILE_SCANNER, out, err);
  if (!status && (count < 2 || count % 2))
    return sp_fail(err, SP_E_USAGE,
                   "scans come in pairs: the rule as laid, then turned by half a turn in the same place; give two, "
                   "four, ...");
  sp_reference *read = status ? NULL : calloc(count, sizeof *read);
  if (!status && !read)
    status = sp_fail_memory(err);
  for (size_t i = 0; !status && i < count; i++)
    if ((status = read_one(paths[i], i, o, out, &read[i], err)) != SP_OK)
      *at = i;
  if (!status)
    status = check_pairs(out, at, err);
  for (int a = 0; !status && a < 2; a++)
    status = fit_axis(read, a ? SP_ALONG_Y : SP_ALONG_X, out, err);
  if (!status) {
    fill_mpe(read, o, out);
    out->used = count;
  }
  for (size_t i = 0; read && i < count; i++)
    sp_reference_free(&read[i]);
  free(read);
  return status;
}
