/* A profile as JSON. Numbers keep 15 digits at the least (cJSON's way). */
#include <math.h>

#include "slotproof/json_tree.h"
#include "slotproof/profile.h"

static void number(sp_tree *w, cJSON *o, const char *name, double value)
{
  sp_tree_attach(w, o, name, isfinite(value) ? cJSON_CreateNumber(value) : cJSON_CreateNull());
}

static void lens(sp_tree *w, cJSON *root, const char *name, const sp_lens *l)
{
  cJSON *o = sp_tree_attach(w, root, name, cJSON_CreateObject());
  number(w, o, "f_px", l->f_px);
  number(w, o, "cx_px", l->cx_px);
  number(w, o, "cy_px", l->cy_px);
  number(w, o, "k1", l->k1);
  number(w, o, "k2", l->k2);
  number(w, o, "p1", l->p1);
  number(w, o, "p2", l->p2);
}

static void camera(sp_tree *w, cJSON *root, const sp_profile_camera *c)
{
  lens(w, root, "camera", &c->lens);
  lens(w, root, "u", &c->u);
  number(w, root, "rms_px", c->rms_px);
  number(w, root, "pictures", c->pictures);
  number(w, root, "corners", c->corners);
  number(w, root, "near_mm", c->near_mm);
  number(w, root, "far_mm", c->far_mm);
}

static void one_axis(sp_tree *w, cJSON *axes, const char *name, const sp_profile_axis *a)
{
  cJSON *o = sp_tree_attach(w, axes, name, a->known ? cJSON_CreateObject() : cJSON_CreateNull());
  if (!a->known)
    return;
  number(w, o, "px_per_mm", a->px_per_mm);
  number(w, o, "u_relative", a->u_relative);
  number(w, o, "uneven_mm", a->uneven_mm);
  number(w, o, "scans", a->scans);
  number(w, o, "span_mm", a->span_mm);
  number(w, o, "repeat_mm", a->repeat_mm);
  number(w, o, "turned_mm", a->turned_mm);
  sp_tree_attach(w, o, "u_px", cJSON_CreateDoubleArray(a->u_px, (int)a->count));
  sp_tree_attach(w, o, "departure_mm", cJSON_CreateDoubleArray(a->departure_mm, (int)a->count));
}

static void scanner(sp_tree *w, cJSON *root, const sp_profile *p)
{
  cJSON *dpi = sp_tree_add_array(w, root, "stated_dpi");
  for (int a = 0; a < 2; a++)
    sp_tree_attach(w, dpi, NULL,
                   isfinite(p->stated_dpi[a]) ? cJSON_CreateNumber(p->stated_dpi[a]) : cJSON_CreateNull());
  number(w, root, "mpe_mm", p->mpe_mm);
  cJSON *axes = sp_tree_add_object(w, root, "axes");
  one_axis(w, axes, "x", &p->axis[0]);
  one_axis(w, axes, "y", &p->axis[1]);
}

static cJSON *tree_of(sp_tree *w, const sp_profile *p)
{
  cJSON *root = cJSON_CreateObject();
  sp_tree_add_text(w, root, "schema", "slotproof/profile/1");
  sp_tree_add_text(w, root, "version", SLOTPROOF_VERSION);
  sp_tree_add_text(w, root, "kind", p->kind == SP_PROFILE_CAMERA ? "camera" : "scanner");
  cJSON *device = sp_tree_add_object(w, root, "device");
  sp_tree_add_known_text(w, device, "make", p->make);
  sp_tree_add_known_text(w, device, "model", p->model);
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
  sp_tree w = {false};
  cJSON *root = tree_of(&w, profile);
  return sp_tree_write(&w, root, true, file, err);
}
