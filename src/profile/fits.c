/* Whether a profile was made for pictures like this one. */
#include <math.h>
#include <string.h>

#include "slotproof/profile.h"

/* Files round what they state: 236 dots a cm are 599.44 dpi. */
static const double SAME_DPI = 0.003;

void sp_profile_init(sp_profile *p, sp_profile_kind kind)
{
  memset(p, 0, sizeof *p);
  p->kind = kind;
  const sp_lens unknown = {NAN, NAN, NAN, NAN, NAN, NAN, NAN};
  p->camera.lens = p->camera.u = unknown;
  p->camera.rms_px = p->camera.near_mm = p->camera.far_mm = NAN;
  p->focal_35mm = p->stated_dpi[0] = p->stated_dpi[1] = p->mpe_mm = NAN;
  for (int a = 0; a < 2; a++) {
    sp_profile_axis *axis = &p->axis[a];
    axis->px_per_mm = axis->u_relative = axis->uneven_mm = axis->span_mm = axis->repeat_mm = axis->turned_mm = NAN;
  }
}

static sp_status same_size(const sp_profile *p, const sp_picture_info *info, uint32_t width, uint32_t height,
                           sp_error *err)
{
  const bool turned = p->kind == SP_PROFILE_CAMERA && info->orientation >= 5;
  const uint32_t w = turned ? height : width, h = turned ? width : height;
  if (w == p->width_px && h == p->height_px)
    return SP_OK;
  return sp_fail(err, SP_E_DATA,
                 "the profile was made for pictures of %u x %u pixels, this one has %u x %u%s; take it as those were "
                 "taken, or make a profile for such pictures",
                 p->width_px, p->height_px, w, h, turned ? " as stored" : "");
}

static sp_status same_dpi(const sp_profile *p, const sp_picture_info *info, sp_error *err)
{
  const double here[2] = {info->stated_dpi_x, info->stated_dpi_y};
  for (int a = 0; a < 2; a++)
    if (here[a] > 0.0 && p->stated_dpi[a] > 0.0 && !(fabs(here[a] / p->stated_dpi[a] - 1.0) < SAME_DPI))
      return sp_fail(
          err, SP_E_DATA,
          "the profile was made for scans that state %.4g dpi, this one states %.4g; scan as then, or make a "
          "profile for this resolution",
          p->stated_dpi[a], here[a]);
  return SP_OK;
}

static sp_status same_name(const char *what, const char *profile, const char *here, sp_error *err)
{
  if (!*profile || !*here || strcmp(profile, here) == 0)
    return SP_OK;
  return sp_fail(err, SP_E_DATA, "the profile is of another device: its %s is '%s', this picture's '%s'; give its own",
                 what, profile, here);
}

sp_status sp_profile_fits(const sp_profile *p, const sp_picture_info *info, uint32_t width_px, uint32_t height_px,
                          sp_error *err)
{
  sp_status status = same_name("make", p->make, info->make, err);
  if (!status)
    status = same_name("model", p->model, info->model, err);
  if (!status && info->focal_35mm > 0.0 && p->focal_35mm > 0.0 && !(fabs(info->focal_35mm - p->focal_35mm) < 0.5))
    status = sp_fail(err, SP_E_DATA,
                     "the profile was made at a focal length of %.0f mm (of 35 mm film), this picture states %.0f mm; "
                     "use the same lens and no zoom",
                     p->focal_35mm, info->focal_35mm);
  if (!status)
    status = same_size(p, info, width_px, height_px, err);
  if (!status && p->kind == SP_PROFILE_SCANNER)
    status = same_dpi(p, info, err);
  return status;
}
