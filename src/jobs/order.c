/* job.json, written and read back. */
#define _GNU_SOURCE /* strdup */
#include <stdlib.h>
#include <string.h>

#include "slotproof/jobs.h"
#include "slotproof/json_tree.h"
#include "slotproof/report.h"

static const char SCHEMA[] = "slotproof/job/1";

void sp_job_order_free(sp_job_order *order)
{
  sp_corrections_free(&order->said);
  free(order->board);
  order->board = NULL;
  free(order->of);
  order->of = NULL;
  order->of_count = 0;
}

void sp_job_clean_name(const char *name, char clean[SP_JOB_NAME])
{
  const char *slash = strrchr(name, '/'), *back = strrchr(name, '\\');
  const char *last = slash > back ? slash + 1 : back ? back + 1 : slash ? slash + 1 : name;
  char *text = sp_clean_text(last);
  size_t length = text ? strlen(text) : 0;
  if (length >= SP_JOB_NAME) /* cut before a character, not in it */
    for (length = SP_JOB_NAME - 1; length > 0 && ((unsigned char)text[length] & 0xc0) == 0x80;)
      length--;
  if (text)
    memcpy(clean, text, length);
  clean[length] = '\0';
  if (!length || strcmp(clean, ".") == 0 || strcmp(clean, "..") == 0)
    strcpy(clean, "picture");
  free(text);
}

/* The corrections as their own writer puts them. */
static cJSON *corrections_tree(const sp_corrections *said)
{
  char *text = NULL;
  size_t size = 0;
  FILE *file = open_memstream(&text, &size);
  if (!file)
    return NULL;
  const bool written = sp_corrections_write(said, file, NULL) == SP_OK;
  cJSON *tree = fclose(file) == 0 && written ? cJSON_ParseWithLength(text, size) : NULL;
  free(text);
  return tree;
}

static cJSON *of_tree(const sp_job_order *o)
{
  sp_tree tree = {0};
  cJSON *list = cJSON_CreateArray();
  for (size_t i = 0; i < o->of_count; i++)
    sp_tree_attach(&tree, list, NULL, cJSON_CreateString(o->of[i]));
  if (!tree.failed)
    return list;
  cJSON_Delete(list);
  return NULL;
}

static cJSON *pieces_tree(const sp_job_pieces *p)
{
  sp_tree tree = {0};
  cJSON *list = cJSON_CreateArray();
  for (size_t i = 0; i < p->count; i++) {
    cJSON *one = sp_tree_attach(&tree, list, NULL, cJSON_CreateObject());
    sp_tree_attach(&tree, one, "name", cJSON_CreateString(p->name[i]));
    sp_tree_attach(&tree, one, "file", cJSON_CreateNumber(p->file[i]));
  }
  if (!tree.failed)
    return list;
  cJSON_Delete(list);
  return NULL;
}

char *sp_job_order_text(const sp_job_order *o)
{
  sp_tree tree = {0};
  cJSON *root = cJSON_CreateObject();
  sp_tree_attach(&tree, root, "schema", cJSON_CreateString(SCHEMA));
  sp_tree_attach(&tree, root, "name", cJSON_CreateString(o->name));
  sp_tree_attach(&tree, root, "created_s", cJSON_CreateNumber((double)o->created_s));
  sp_tree_attach(&tree, root, "run", cJSON_CreateNumber(o->run));
  sp_tree_attach(&tree, root, "settings", sp_settings_tree(&o->settings));
  if (o->pieces.count)
    sp_tree_attach(&tree, root, "pieces", pieces_tree(&o->pieces));
  if (o->board)
    sp_tree_attach(&tree, root, "board", cJSON_CreateString(o->board));
  if (o->of)
    sp_tree_attach(&tree, root, "of", of_tree(o));
  if (o->of_history)
    sp_tree_attach(&tree, root, "of_history", cJSON_CreateTrue());
  sp_tree_attach(&tree, root, "applied", cJSON_CreateNumber((double)o->applied));
  sp_tree_attach(&tree, root, "said", corrections_tree(&o->said));
  char *text = tree.failed ? NULL : cJSON_Print(root);
  cJSON_Delete(root);
  return text;
}

static double number_of(const cJSON *root, const char *name, double least, double most)
{
  const cJSON *item = cJSON_GetObjectItemCaseSensitive(root, name);
  const double value = cJSON_IsNumber(item) ? item->valuedouble : -1.0;
  return value >= least && value <= most ? value : -1.0;
}

static sp_status parse_said(const cJSON *root, sp_job_order *o, sp_error *err)
{
  char *text = cJSON_PrintUnformatted(cJSON_GetObjectItemCaseSensitive(root, "said"));
  if (!text)
    return SP_OK;
  const sp_status status = sp_corrections_parse(text, strlen(text), &o->said, err);
  free(text);
  return status;
}

static sp_status parse_of(const cJSON *root, sp_job_order *o, sp_error *err)
{
  const cJSON *list = cJSON_GetObjectItemCaseSensitive(root, "of"), *item;
  const int count = cJSON_GetArraySize(list);
  if (!list)
    return SP_OK;
  if (count < 1 || count > SP_JOBS_TOGETHER_MOST)
    return sp_fail(err, SP_E_DATA, "is not a job of this program");
  o->of = calloc((size_t)count, sizeof *o->of);
  if (!o->of)
    return sp_fail_memory(err);
  cJSON_ArrayForEach(item, list) if (cJSON_IsString(item) && sp_store_id_valid(item->valuestring))
      strcpy(o->of[o->of_count++], item->valuestring);
  return SP_OK;
}

static sp_status parse_board(const cJSON *root, sp_job_order *o, sp_error *err)
{
  const cJSON *text = cJSON_GetObjectItemCaseSensitive(root, "board");
  if (!text)
    return SP_OK;
  if (!cJSON_IsString(text) || strlen(text->valuestring) > SP_BOARD_TEXT)
    return sp_fail(err, SP_E_DATA, "is not a job of this program");
  o->board = strdup(text->valuestring);
  return o->board ? SP_OK : sp_fail_memory(err);
}

/* Every file of 0 .. count - 1 once, or it is none of ours. */
static sp_status parse_pieces(const cJSON *root, sp_job_order *o, sp_error *err)
{
  const cJSON *list = cJSON_GetObjectItemCaseSensitive(root, "pieces"), *item;
  const int count = cJSON_GetArraySize(list);
  unsigned seen = 0;
  if (!list)
    return SP_OK;
  if (count < 2 || count > SP_MOST_PIECES)
    return sp_fail(err, SP_E_DATA, "is not a job of this program");
  cJSON_ArrayForEach(item, list)
  {
    const cJSON *name = cJSON_GetObjectItemCaseSensitive(item, "name");
    const double file = number_of(item, "file", 0.0, count - 1.0);
    if (!cJSON_IsString(name) || file < 0.0)
      break;
    sp_job_clean_name(name->valuestring, o->pieces.name[o->pieces.count]);
    o->pieces.file[o->pieces.count++] = (uint8_t)file;
    seen |= 1u << (unsigned)file;
  }
  return seen == (1u << count) - 1u ? SP_OK : sp_fail(err, SP_E_DATA, "is not a job of this program");
}

sp_status sp_job_order_parse(const char *text, sp_job_order *o, sp_error *err)
{
  *o = (sp_job_order){.run = 0};
  cJSON *root = cJSON_Parse(text);
  const cJSON *name = cJSON_GetObjectItemCaseSensitive(root, "name");
  const cJSON *schema = cJSON_GetObjectItemCaseSensitive(root, "schema");
  const double run = number_of(root, "run", 1.0, 1e8), applied = number_of(root, "applied", 0.0, SP_CORRECTIONS_MOST);
  sp_status status = SP_OK;
  if (!cJSON_IsString(schema) || strcmp(schema->valuestring, SCHEMA) != 0 || !cJSON_IsString(name) || run < 0.0 ||
      applied < 0.0)
    status = sp_fail(err, SP_E_DATA, "is not a job of this program");
  if (!status)
    status = parse_said(root, o, err);
  if (!status)
    status = parse_of(root, o, err);
  if (!status)
    status = parse_pieces(root, o, err);
  if (!status)
    status = parse_board(root, o, err);
  if (status)
    sp_job_order_free(o);
  if (!status) {
    const double created = number_of(root, "created_s", 0.0, 1e12);
    sp_job_clean_name(name->valuestring, o->name);
    o->created_s = created > 0.0 ? (int64_t)created : 0;
    o->run = (uint32_t)run;
    o->applied = (size_t)applied < o->said.count ? (size_t)applied : o->said.count;
    o->of_history = cJSON_IsTrue(cJSON_GetObjectItemCaseSensitive(root, "of_history"));
    sp_settings_from_tree(cJSON_GetObjectItemCaseSensitive(root, "settings"), &o->settings);
  }
  cJSON_Delete(root);
  return status;
}
