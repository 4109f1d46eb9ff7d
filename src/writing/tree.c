/* A tree of JSON built first and printed in one go leaves no half object behind. */
#include <math.h>

#include "slotproof/json_tree.h"

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
