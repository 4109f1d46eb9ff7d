/* slotproof/json_tree.h: what the writers of JSON share, a tree that remembers whether it could be built. The only
 * public header that needs cJSON's. */
#ifndef SLOTPROOF_JSON_TREE_H
#define SLOTPROOF_JSON_TREE_H

#include <cjson/cJSON.h>
#include <stdbool.h>
#include <stdio.h>

#include "slotproof/status.h"

/* A lack of memory is noted here and work goes on; one test at the end is enough. */
typedef struct sp_tree {
  bool failed;
} sp_tree;

/* Hangs `item` into an object (under `name`) or an array (name NULL) and returns it. It is freed, and NULL returned, if
 * that fails or there is no item or parent. */
cJSON *sp_tree_attach(sp_tree *tree, cJSON *parent, const char *name, cJSON *item);

/* A number in steps of 1 / per_unit; null where it is not finite. */
cJSON *sp_tree_number(double value, double per_unit);

/* Items made and hung in, in one; the last two return them. */
void sp_tree_add_number(sp_tree *tree, cJSON *parent, const char *name, double value, double per_unit);
void sp_tree_add_bool(sp_tree *tree, cJSON *parent, const char *name, bool value);
/* Made valid UTF-8 without control characters (sp_clean_text). The second leaves null where there is no text. */
void sp_tree_add_text(sp_tree *tree, cJSON *parent, const char *name, const char *text);
void sp_tree_add_known_text(sp_tree *tree, cJSON *parent, const char *name, const char *text);
cJSON *sp_tree_add_object(sp_tree *tree, cJSON *parent, const char *name);
cJSON *sp_tree_add_array(sp_tree *tree, cJSON *parent, const char *name);

/* Writes the tree, with line breaks and tabs if `pretty`, and frees it in any case. SP_E_MEMORY if it could not be built
 * (tree->failed, or no root), SP_E_IO if any write to `file` has failed. */
sp_status sp_tree_write(const sp_tree *tree, cJSON *root, bool pretty, FILE *file, sp_error *err);

#endif
