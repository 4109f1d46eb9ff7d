/* What both calibrations need. */
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "calibrate_internal.h"

void sp_calibrate_options_init(sp_calibrate_options *o)
{
  sp_check_options check;
  sp_check_options_init(&check);
  *o = (sp_calibrate_options){.board = {9, 6}, .square_mm = NAN, .reference = check.reference};
}

sp_status calibrate_start(size_t count, sp_profile_kind kind, sp_calibration *c, sp_error *err)
{
  memset(c, 0, sizeof *c);
  sp_profile_init(&c->profile, kind);
  c->rms_k3_px = NAN;
  c->pictures = calloc(count + 1, sizeof *c->pictures);
  c->picture_count = c->pictures ? count : 0;
  for (size_t i = 0; i < c->picture_count; i++)
    c->pictures[i].rms_px = c->pictures[i].distance_mm = c->pictures[i].tilt_deg = c->pictures[i].px_per_mm = NAN;
  return c->pictures ? SP_OK : sp_fail_memory(err);
}

void calibrate_warn(sp_calibration *c, const char *format, ...)
{
  if (c->warning_count == SP_CALIBRATE_WARNINGS)
    return;
  va_list args;
  va_start(args, format);
  if (vsnprintf(c->warnings[c->warning_count], SP_CALIBRATE_WARNING_TEXT, format, args) > 0)
    c->warning_count++;
  va_end(args);
}

static sp_status another(const char *what, sp_error *err)
{
  return sp_fail(err, SP_E_DATA, "its %s is not that of the first picture; give pictures of one device, all alike",
                 what);
}

static double known(double value)
{
  return value > 0.0 ? value : NAN;
}

static bool same(double a, double b)
{
  return isnan(a) ? isnan(b) : fabs(a - b) < 1e-3 * a;
}

sp_status calibrate_same_device(sp_profile *p, size_t index, const sp_picture_info *info, const sp_raster *raster,
                                bool stored, sp_error *err)
{
  const bool turned = stored && info->orientation >= 5;
  const uint32_t width = turned ? raster->height_px : raster->width_px;
  const uint32_t height = turned ? raster->width_px : raster->height_px;
  const double dpi[2] = {known(info->stated_dpi_x), known(info->stated_dpi_y)};
  if (index == 0) {
    memcpy(p->make, info->make, sizeof p->make);
    memcpy(p->model, info->model, sizeof p->model);
    p->focal_35mm = known(info->focal_35mm);
    p->width_px = width;
    p->height_px = height;
    p->stated_dpi[0] = dpi[0];
    p->stated_dpi[1] = dpi[1];
    return SP_OK;
  }
  if (strcmp(p->make, info->make) != 0 || strcmp(p->model, info->model) != 0)
    return another("make or model", err);
  if (!same(p->focal_35mm, known(info->focal_35mm)))
    return another("focal length", err);
  if (p->width_px != width || p->height_px != height)
    return another("size in pixels", err);
  if (p->kind == SP_PROFILE_SCANNER && !(same(p->stated_dpi[0], dpi[0]) && same(p->stated_dpi[1], dpi[1])))
    return another("stated resolution", err);
  return SP_OK;
}

void sp_calibration_free(sp_calibration *c)
{
  free(c->pictures);
  memset(c, 0, sizeof *c);
}
