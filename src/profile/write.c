/* A profile as JSON. Numbers keep 15 digits at the least (cJSON's way). */
#include <cjson/cJSON.h>
#include <math.h>
#include <stdlib.h>

#include "slotproof/profile.h"

/* A lack of memory is noted and work goes on. */
typedef struct writing {
  bool failed;
} writing;

static cJSON *hang(writing *w, cJSON *parent, const char *name, cJSON *item)
{
  const bool done =
      item && parent && (name ? cJSON_AddItemToObject(parent, name, item) : cJSON_AddItemToArray(parent, item));
  if (done)
    return item;
  cJSON_Delete(item);
  w->failed = true;
  return NULL;
}

static void number(writing *w, cJSON *o, const char *name, double value)
{
  hang(w, o, name, isfinite(value) ? cJSON_CreateNumber(value) : cJSON_CreateNull());
}

static void text(writing *w, cJSON *o, const char *name, const char *value)
{
  hang(w, o, name, *value ? cJSON_CreateString(value) : cJSON_CreateNull());
}

static void lens(writing *w, cJSON *root, const char *name, const sp_lens *l)
{
  cJSON *o = hang(w, root, name, cJSON_CreateObject());
  number(w, o, "f_px", l->f_px);
  number(w, o, "cx_px", l->cx_px);
  number(w, o, "cy_px", l->cy_px);
  number(w, o, "k1", l->k1);
  number(w, o, "k2", l->k2);
  number(w, o, "p1", l->p1);
  number(w, o, "p2", l->p2);
}

static void camera(writing *w, cJSON *root, const sp_profile_camera *c)
{
  lens(w, root, "camera", &c->lens);
  lens(w, root, "u", &c->u);
  number(w, root, "rms_px", c->rms_px);
  number(w, root, "pictures", c->pictures);
  number(w, root, "corners", c->corners);
  number(w, root, "near_mm", c->near_mm);
  number(w, root, "far_mm", c->far_mm);
}

static void one_axis(writing *w, cJSON *axes, const char *name, const sp_profile_axis *a)
{
  cJSON *o = hang(w, axes, name, a->known ? cJSON_CreateObject() : cJSON_CreateNull());
  if (!a->known)
    return;
  number(w, o, "px_per_mm", a->px_per_mm);
  number(w, o, "u_relative", a->u_relative);
  number(w, o, "uneven_mm", a->uneven_mm);
  number(w, o, "scans", a->scans);
  number(w, o, "span_mm", a->span_mm);
  number(w, o, "repeat_mm", a->repeat_mm);
  number(w, o, "turned_mm", a->turned_mm);
  hang(w, o, "u_px", cJSON_CreateDoubleArray(a->u_px, (int)a->count));
  hang(w, o, "departure_mm", cJSON_CreateDoubleArray(a->departure_mm, (int)a->count));
}

static void scanner(writing *w, cJSON *root, const sp_profile *p)
{
  cJSON *dpi = hang(w, root, "stated_dpi", cJSON_CreateArray());
  for (int a = 0; a < 2; a++)
    hang(w, dpi, NULL, isfinite(p->stated_dpi[a]) ? cJSON_CreateNumber(p->stated_dpi[a]) : cJSON_CreateNull());
  number(w, root, "mpe_mm", p->mpe_mm);
  cJSON *axes = hang(w, root, "axes", cJSON_CreateObject());
  one_axis(w, axes, "x", &p->axis[0]);
  one_axis(w, axes, "y", &p->axis[1]);
}

static cJSON *tree_of(writing *w, const sp_profile *p)
{
  cJSON *root = cJSON_CreateObject();
  text(w, root, "schema", "slotproof/profile/1");
  text(w, root, "version", SLOTPROOF_VERSION);
  text(w, root, "kind", p->kind == SP_PROFILE_CAMERA ? "camera" : "scanner");
  cJSON *device = hang(w, root, "device", cJSON_CreateObject());
  text(w, device, "make", p->make);
  text(w, device, "model", p->model);
  number(w, device, "focal_35mm", p->focal_35mm);
  number(w, root, "width_px", p->width_px);
  number(w, root, "height_px", p->height_px);
  if (p->kind == SP_PROFILE_CAMERA)
    camera(w, root, &p->camera);
  else
    scanner(w, root, p);
  return root;
}

sp_status sp_profile_write(const sp_profile *profile, FILE *file, sp_error *err)
{
  writing w = {false};
  cJSON *root = tree_of(&w, profile);
  char *out = w.failed ? NULL : cJSON_Print(root);
  cJSON_Delete(root);
  if (!out)
    return sp_fail_memory(err);
  const bool written = fputs(out, file) >= 0 && fputc('\n', file) != EOF && fflush(file) == 0;
  free(out);
  return written ? SP_OK : sp_fail(err, SP_E_IO, "writing failed; make room on the disk or write elsewhere");
}
