/* Sections across all marks as JSON. */
#include <math.h>

#include "slotproof/cross.h"
#include "slotproof/json_tree.h"
#include "slotproof/writing.h"

/* Steps that are finer than anything in a picture. */
static const double MM = 1e5, GREY = 1e5;

static void add_list(sp_tree *b, cJSON *parent, const char *name, const double *values, size_t count, double per_unit)
{
  cJSON *list = sp_tree_attach(b, parent, name, cJSON_CreateArray());
  for (size_t i = 0; i < count; i++)
    sp_tree_attach(b, list, NULL, sp_tree_number(values[i], per_unit));
}

static sp_status add_mark(sp_tree *b, cJSON *marks, const sp_record *record, const sp_raster *raster, size_t index,
                          sp_error *err)
{
  sp_cross_section s;
  const sp_status status = sp_cross_section_of(record, raster, index, &s, err);
  if (status)
    return status;
  cJSON *o = sp_tree_attach(b, marks, NULL, cJSON_CreateObject());
  sp_tree_attach(b, o, "fret", cJSON_CreateNumber(record->marks[index].fret));
  add_list(b, o, "offset_mm", s.offset_mm, s.count, MM);
  add_list(b, o, "grey", s.grey, s.count, GREY);
  sp_cross_section_free(&s);
  return SP_OK;
}

sp_status sp_cross_write(const sp_record *record, const sp_raster *raster, FILE *file, sp_error *err)
{
  sp_tree b = {false};
  cJSON *root = cJSON_CreateObject();
  sp_status status = SP_OK;
  sp_tree_attach(&b, root, "schema", cJSON_CreateString("slotproof/profiles/1"));
  sp_tree_attach(&b, root, "version", cJSON_CreateString(SLOTPROOF_VERSION));
  cJSON *marks = sp_tree_attach(&b, root, "marks", cJSON_CreateArray());
  for (size_t i = 0; !status && i < record->mark_count; i++)
    status = add_mark(&b, marks, record, raster, i, err);
  if (status) {
    cJSON_Delete(root);
    return status;
  }
  return sp_tree_write(&b, root, false, file, err);
}
