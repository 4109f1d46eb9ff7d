/* A profile read back. The file may come from anywhere, so every value is held against what a device can have: what is
 * let through here scales a board. */
#include <cjson/cJSON.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/profile.h"
#include "slotproof/textfile.h"

/* A profile has some ten thousand bytes. */
enum { MOST_MB = 1, MOST_BYTES = MOST_MB << 20 };
static const double MOST_PX = 1e6, MOST_PX_PER_MM = 1000.0;
static const double FREE = 1e9;

/* The first value that will not do; the rest is read no further. */
typedef struct reading {
  const char *wrong;
} reading;

static bool in_range(double x, double least, double most)
{
  return x >= least && x <= most; /* false for NAN */
}

static double number(reading *r, const cJSON *o, const char *name, double least, double most)
{
  const cJSON *item = cJSON_GetObjectItemCaseSensitive(o, name);
  if (cJSON_IsNumber(item) && in_range(item->valuedouble, least, most))
    return item->valuedouble;
  if (!r->wrong)
    r->wrong = name;
  return NAN;
}

/* A number, or null for what is not known. */
static double maybe(reading *r, const cJSON *o, const char *name, double least, double most)
{
  return cJSON_IsNull(cJSON_GetObjectItemCaseSensitive(o, name)) ? NAN : number(r, o, name, least, most);
}

static uint32_t count(reading *r, const cJSON *o, const char *name, double least, double most)
{
  const double x = number(r, o, name, least, most);
  if (isnan(x))
    return 0;
  if (x != floor(x) && !r->wrong)
    r->wrong = name;
  return (uint32_t)x;
}

static void text(reading *r, const cJSON *o, const char *name, char out[SP_DEVICE_TEXT])
{
  const cJSON *item = cJSON_GetObjectItemCaseSensitive(o, name);
  const char *value = cJSON_IsString(item) ? item->valuestring : "";
  const size_t length = strlen(value);
  bool fine = length < SP_DEVICE_TEXT && (cJSON_IsString(item) || cJSON_IsNull(item));
  for (size_t i = 0; fine && i < length; i++)
    fine = value[i] >= 0x20 && value[i] < 0x7f;
  if (fine)
    memcpy(out, value, length + 1);
  else if (!r->wrong)
    r->wrong = name;
}

static void lens(reading *r, const cJSON *root, const char *name, double least_f, double least, double most,
                 sp_lens *out)
{
  const cJSON *o = cJSON_GetObjectItemCaseSensitive(root, name);
  out->f_px = number(r, o, "f_px", least_f, MOST_PX);
  out->cx_px = number(r, o, "cx_px", least == 0.0 ? 0.0 : -MOST_PX, MOST_PX);
  out->cy_px = number(r, o, "cy_px", least == 0.0 ? 0.0 : -MOST_PX, MOST_PX);
  out->k1 = number(r, o, "k1", least, most);
  out->k2 = number(r, o, "k2", least, most);
  out->p1 = number(r, o, "p1", least, most);
  out->p2 = number(r, o, "p2", least, most);
}

static void camera(reading *r, const cJSON *root, sp_profile *p)
{
  sp_profile_camera *c = &p->camera;
  lens(r, root, "camera", 10.0, -100.0, 100.0, &c->lens);
  lens(r, root, "u", 0.0, 0.0, 100.0, &c->u);
  if (!r->wrong && !(in_range(c->lens.cx_px, 0.0, p->width_px) && in_range(c->lens.cy_px, 0.0, p->height_px)))
    r->wrong = "cx_px, cy_px";
  c->rms_px = number(r, root, "rms_px", 0.0, 1000.0);
  c->pictures = count(r, root, "pictures", 1.0, 1e6);
  c->corners = count(r, root, "corners", 4.0, 1e9);
  c->near_mm = maybe(r, root, "near_mm", 0.0, FREE);
  c->far_mm = maybe(r, root, "far_mm", 0.0, FREE);
}

static size_t list(reading *r, const cJSON *o, const char *name, double least, double most,
                   double out[SP_PROFILE_KNOTS])
{
  const cJSON *items = cJSON_GetObjectItemCaseSensitive(o, name), *item;
  size_t n = 0;
  bool fine = cJSON_IsArray(items);
  cJSON_ArrayForEach(item, items)
  {
    fine = fine && n < SP_PROFILE_KNOTS && cJSON_IsNumber(item) && in_range(item->valuedouble, least, most);
    if (!fine)
      break;
    out[n++] = item->valuedouble;
  }
  if (!(fine && n >= SP_PROFILE_LEAST_KNOTS) && !r->wrong)
    r->wrong = name;
  return n;
}

/* Places must rise, and so must what lies at them: a scanner does not go backwards. */
static void check_order(reading *r, const sp_profile_axis *a)
{
  for (size_t i = 1; !r->wrong && i < a->count; i++)
    if (!(a->u_px[i] > a->u_px[i - 1]))
      r->wrong = "u_px";
    else if (!(a->departure_mm[i] - a->departure_mm[i - 1] > -0.5 * (a->u_px[i] - a->u_px[i - 1]) / a->px_per_mm))
      r->wrong = "departure_mm";
}

static void axis(reading *r, const cJSON *axes, const char *name, double length_px, sp_profile_axis *a)
{
  const cJSON *o = cJSON_GetObjectItemCaseSensitive(axes, name);
  if (cJSON_IsNull(o))
    return;
  a->known = true;
  a->px_per_mm = number(r, o, "px_per_mm", 1.0, MOST_PX_PER_MM);
  a->u_relative = number(r, o, "u_relative", 0.0, 0.1);
  a->uneven_mm = number(r, o, "uneven_mm", 0.0, 10.0);
  a->scans = count(r, o, "scans", 1.0, 1e6);
  a->span_mm = number(r, o, "span_mm", 1.0, FREE);
  a->repeat_mm = maybe(r, o, "repeat_mm", 0.0, 10.0);
  a->turned_mm = maybe(r, o, "turned_mm", 0.0, 10.0);
  a->count = list(r, o, "u_px", 0.0, length_px, a->u_px);
  const size_t departures = list(r, o, "departure_mm", -10.0, 10.0, a->departure_mm);
  if (departures != a->count && !r->wrong)
    r->wrong = "departure_mm";
  check_order(r, a);
}

static void scanner(reading *r, const cJSON *root, sp_profile *p)
{
  const cJSON *dpi = cJSON_GetObjectItemCaseSensitive(root, "stated_dpi");
  if (!cJSON_IsArray(dpi) || cJSON_GetArraySize(dpi) != 2)
    r->wrong = r->wrong ? r->wrong : "stated_dpi";
  for (int i = 0; !r->wrong && i < 2; i++) {
    const cJSON *item = cJSON_GetArrayItem(dpi, i);
    if (cJSON_IsNumber(item) && in_range(item->valuedouble, 1.0, 1e5))
      p->stated_dpi[i] = item->valuedouble;
    else if (!cJSON_IsNull(item))
      r->wrong = "stated_dpi";
  }
  p->mpe_mm = number(r, root, "mpe_mm", 0.0, 100.0);
  const cJSON *axes = cJSON_GetObjectItemCaseSensitive(root, "axes");
  axis(r, axes, "x", p->width_px, &p->axis[0]);
  axis(r, axes, "y", p->height_px, &p->axis[1]);
  if (!r->wrong && !p->axis[0].known && !p->axis[1].known)
    r->wrong = "axes";
}

static sp_status not_a_profile(sp_error *err)
{
  return sp_fail(err, SP_E_DATA, "not a profile; name the file that 'slotproof calibrate' wrote");
}

static sp_status take(const cJSON *root, sp_profile *p, sp_error *err)
{
  const cJSON *schema = cJSON_GetObjectItemCaseSensitive(root, "schema");
  const cJSON *kind = cJSON_GetObjectItemCaseSensitive(root, "kind");
  if (!cJSON_IsString(schema) || strcmp(schema->valuestring, "slotproof/profile/1") != 0 || !cJSON_IsString(kind))
    return not_a_profile(err);
  const bool is_camera = strcmp(kind->valuestring, "camera") == 0;
  if (!is_camera && strcmp(kind->valuestring, "scanner") != 0)
    return not_a_profile(err);
  sp_profile_init(p, is_camera ? SP_PROFILE_CAMERA : SP_PROFILE_SCANNER);
  reading r = {NULL};
  const cJSON *device = cJSON_GetObjectItemCaseSensitive(root, "device");
  text(&r, device, "make", p->make);
  text(&r, device, "model", p->model);
  p->focal_35mm = maybe(&r, device, "focal_35mm", 1.0, 10000.0);
  p->width_px = count(&r, root, "width_px", 1.0, MOST_PX);
  p->height_px = count(&r, root, "height_px", 1.0, MOST_PX);
  if (is_camera)
    camera(&r, root, p);
  else
    scanner(&r, root, p);
  if (!r.wrong)
    return SP_OK;
  return sp_fail(err, SP_E_DATA, "the profile is damaged: '%s' is missing or no possible value; calibrate anew",
                 r.wrong);
}

sp_status sp_profile_parse(const char *text_, size_t length, sp_profile *profile, sp_error *err)
{
  sp_profile_init(profile, SP_PROFILE_CAMERA);
  cJSON *root = length <= MOST_BYTES ? cJSON_ParseWithLength(text_, length) : NULL;
  const sp_status status = root ? take(root, profile, err) : not_a_profile(err);
  cJSON_Delete(root);
  if (status)
    sp_profile_init(profile, SP_PROFILE_CAMERA);
  return status;
}

sp_status sp_profile_read(const char *path, sp_profile *profile, sp_error *err)
{
  char *bytes = NULL;
  size_t length = 0;
  sp_status status = sp_textfile_read(path, MOST_MB, "profile that 'slotproof calibrate' wrote", &bytes, &length, err);
  if (!status)
    status = sp_profile_parse(bytes, length, profile, err);
  const char *slash = strrchr(path, '/');
  if (!status)
    snprintf(profile->name, sizeof profile->name, "%s", slash ? slash + 1 : path);
  free(bytes);
  return status;
}
