/* The list in memory, its words, and writing it. */
#include "slotproof/corrections.h"

#include <math.h>
#include <stdlib.h>

#include "slotproof/json_tree.h"

const char *sp_correction_word(sp_correction_kind kind)
{
  static const char *const WORDS[] = {[SP_CORRECTION_NOT_A_MARK] = "not-a-mark",
                                      [SP_CORRECTION_MARK_HERE] = "mark-here",
                                      [SP_CORRECTION_NUT_HERE] = "nut-here",
                                      [SP_CORRECTION_GRADUATION] = "graduation"};
  return (unsigned)kind < SP_CORRECTION_KINDS ? WORDS[kind] : "";
}

const char *sp_correction_outcome_word(sp_correction_outcome outcome)
{
  static const char *const WORDS[] = {[SP_CORRECTION_APPLIED] = "applied",
                                      [SP_CORRECTION_ALREADY_SO] = "already-so",
                                      [SP_CORRECTION_NOTHING_THERE] = "nothing-there",
                                      [SP_CORRECTION_REFUSED] = "refused"};
  return (unsigned)outcome < sizeof WORDS / sizeof *WORDS ? WORDS[outcome] : "";
}

sp_status sp_corrections_add(sp_corrections *c, const sp_correction *correction, sp_error *err)
{
  if (c->count >= SP_CORRECTIONS_MOST)
    return sp_fail(err, SP_E_DATA, "more than %d corrections; scan the board better instead", SP_CORRECTIONS_MOST);
  sp_correction *longer = realloc(c->list, (c->count + 1) * sizeof *longer);
  if (!longer)
    return sp_fail_memory(err);
  c->list = longer;
  c->list[c->count++] = *correction;
  return SP_OK;
}

void sp_corrections_free(sp_corrections *c)
{
  free(c->list);
  *c = (sp_corrections){NULL, 0};
}

/* ---- writing ---------------------------------------------------------------------------------------------------- */

static cJSON *tree_of_one(const sp_correction *c)
{
  const double at[2] = {c->at_px.x, c->at_px.y};
  cJSON *o = cJSON_CreateObject();
  bool fine = o && cJSON_AddStringToObject(o, "kind", sp_correction_word(c->kind)) &&
              cJSON_AddItemToObject(o, "at_px", cJSON_CreateDoubleArray(at, 2));
  if (fine && c->kind == SP_CORRECTION_GRADUATION)
    fine = cJSON_AddNumberToObject(o, "reading_mm", c->reading_mm) != NULL;
  if (fine && c->picture[0])
    fine = cJSON_AddStringToObject(o, "picture", c->picture) != NULL;
  else if (fine && c->source)
    fine = cJSON_AddNumberToObject(o, "source", c->source) != NULL;
  if (fine)
    return o;
  cJSON_Delete(o);
  return NULL;
}

static cJSON *tree_of(const sp_corrections *c)
{
  cJSON *root = cJSON_CreateObject(), *list = NULL;
  if (cJSON_AddStringToObject(root, "schema", "slotproof/corrections/1"))
    list = cJSON_AddArrayToObject(root, "corrections");
  bool fine = list != NULL;
  for (size_t i = 0; fine && i < c->count; i++) {
    cJSON *one = tree_of_one(&c->list[i]);
    fine = one && cJSON_AddItemToArray(list, one);
  }
  if (fine)
    return root;
  cJSON_Delete(root);
  return NULL;
}

sp_status sp_corrections_write(const sp_corrections *corrections, FILE *file, sp_error *err)
{
  cJSON *root = tree_of(corrections);
  const sp_tree tree = {root == NULL};
  return sp_tree_write(&tree, root, true, file, err);
}
