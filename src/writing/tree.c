/* A tree of JSON built first and printed in one go leaves no half object behind. */
#include <math.h>
#include <stdlib.h>

#include "slotproof/json_tree.h"
#include "slotproof/writing.h"

cJSON *sp_tree_attach(sp_tree *tree, cJSON *parent, const char *name, cJSON *item)
{
  if (!item || !parent || !(name ? cJSON_AddItemToObject(parent, name, item) : cJSON_AddItemToArray(parent, item))) {
    cJSON_Delete(item);
    tree->failed = true;
    return NULL;
  }
  return item;
}

cJSON *sp_tree_number(double value, double per_unit)
{
  /* adding zero turns -0 into 0 */
  return isfinite(value) ? cJSON_CreateNumber(round(value * per_unit) / per_unit + 0.0) : cJSON_CreateNull();
}

void sp_tree_add_number(sp_tree *tree, cJSON *parent, const char *name, double value, double per_unit)
{
  sp_tree_attach(tree, parent, name, sp_tree_number(value, per_unit));
}

void sp_tree_add_bool(sp_tree *tree, cJSON *parent, const char *name, bool value)
{
  sp_tree_attach(tree, parent, name, cJSON_CreateBool(value));
}

void sp_tree_add_text(sp_tree *tree, cJSON *parent, const char *name, const char *text)
{
  char *clean = sp_clean_text(text);
  sp_tree_attach(tree, parent, name, clean ? cJSON_CreateString(clean) : NULL);
  free(clean);
}

void sp_tree_add_known_text(sp_tree *tree, cJSON *parent, const char *name, const char *text)
{
  if (text && *text)
    sp_tree_add_text(tree, parent, name, text);
  else
    sp_tree_attach(tree, parent, name, cJSON_CreateNull());
}

cJSON *sp_tree_add_object(sp_tree *tree, cJSON *parent, const char *name)
{
  return sp_tree_attach(tree, parent, name, cJSON_CreateObject());
}

cJSON *sp_tree_add_array(sp_tree *tree, cJSON *parent, const char *name)
{
  return sp_tree_attach(tree, parent, name, cJSON_CreateArray());
}

sp_status sp_tree_write(const sp_tree *tree, cJSON *root, bool pretty, FILE *file, sp_error *err)
{
  char *text = NULL;
  if (!tree->failed && root)
    text = pretty ? cJSON_Print(root) : cJSON_PrintUnformatted(root);
  cJSON_Delete(root);
  if (!text)
    return sp_fail_memory(err);
  fputs(text, file); /* a failed write shows in the flush */
  fputc('\n', file);
  cJSON_free(text);
  return sp_flush_file(file, err);
}
