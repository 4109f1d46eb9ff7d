/* Corrections read back. They decide which line is cut by, so nothing that is not understood is passed over. */
#include <cjson/cJSON.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/corrections.h"
#include "slotproof/textfile.h"

/* Places in a picture, and what a rule can read. */
static const double MOST_PX = 1e7, MOST_MM = 10000.0;
static const double MM_PER_INCH = 25.4;
/* A record of many frets is larger than any list. */
enum { MOST_MB = 8 };

static bool is_number(const cJSON *item, double least, double most)
{
  return cJSON_IsNumber(item) && item->valuedouble >= least && item->valuedouble <= most;
}

static sp_status wrong(size_t entry, const char *what, sp_error *err)
{
  return sp_fail(err, SP_E_DATA, "correction %zu: %s", entry, what);
}

static const char *const KNOWN[] = {"kind",   "at_px",   "reading_mm", "reading_in",
                                    "source", "picture", "outcome",    "text"};
enum { OF_FILES = 6, OF_RECORDS = sizeof KNOWN / sizeof *KNOWN };

/* Names that do not belong, and names that stand twice: which of the two is meant nobody knows. */
static sp_status look_at_names(const cJSON *o, size_t entry, bool of_record, sp_error *err)
{
  bool seen[OF_RECORDS] = {false};
  for (const cJSON *item = o->child; item; item = item->next) {
    size_t i = 0;
    while (i < (size_t)(of_record ? OF_RECORDS : OF_FILES) && strcmp(item->string, KNOWN[i]) != 0)
      i++;
    if (i == (size_t)(of_record ? OF_RECORDS : OF_FILES))
      return wrong(
          entry, "it has a name that is not known; use kind, at_px, reading_mm or reading_in, source or picture", err);
    if (seen[i])
      return wrong(entry, "a name stands there twice", err);
    seen[i] = true;
  }
  return SP_OK;
}

static int kind_of(const cJSON *item)
{
  for (int k = 0; cJSON_IsString(item) && k < SP_CORRECTION_KINDS; k++)
    if (strcmp(item->valuestring, sp_correction_word((sp_correction_kind)k)) == 0)
      return k;
  return -1;
}

static sp_status read_reading(const cJSON *o, size_t entry, sp_correction *c, sp_error *err)
{
  const cJSON *mm = cJSON_GetObjectItemCaseSensitive(o, "reading_mm"),
              *in = cJSON_GetObjectItemCaseSensitive(o, "reading_in");
  c->reading_mm = NAN;
  if (c->kind != SP_CORRECTION_GRADUATION)
    return mm || in ? wrong(entry, "only a graduation has a reading", err) : SP_OK;
  if (!mm == !in || (mm && !is_number(mm, -MOST_MM, MOST_MM)) ||
      (in && !is_number(in, -MOST_MM / MM_PER_INCH, MOST_MM / MM_PER_INCH)))
    return wrong(entry, "what the graduation reads is missing; give a number as reading_mm or as reading_in", err);
  c->reading_mm = mm ? mm->valuedouble : MM_PER_INCH * in->valuedouble;
  return SP_OK;
}

/* In which picture: its number, or its name. */
static sp_status read_where(const cJSON *o, size_t entry, sp_correction *c, sp_error *err)
{
  const cJSON *source = cJSON_GetObjectItemCaseSensitive(o, "source"),
              *picture = cJSON_GetObjectItemCaseSensitive(o, "picture");
  c->source = 0;
  c->picture[0] = '\0';
  if (source && picture)
    return wrong(entry, "it has both source and picture; one of them says which picture is meant", err);
  if (source && (!is_number(source, 0.0, 1000.0) || source->valuedouble != floor(source->valuedouble)))
    return wrong(entry, "its source is no number of a picture, from 0", err);
  const char *name = cJSON_GetStringValue(picture);
  if (picture && (!name || !name[0] || strlen(name) >= sizeof c->picture))
    return wrong(entry, "its picture is no name of one", err);
  if (source)
    c->source = (int32_t)source->valuedouble;
  if (name)
    memcpy(c->picture, name, strlen(name) + 1);
  return SP_OK;
}

static sp_status read_one(const cJSON *o, size_t entry, bool of_record, sp_correction *c, sp_error *err)
{
  if (!cJSON_IsObject(o))
    return wrong(entry, "it is no object with kind and at_px", err);
  sp_status status = look_at_names(o, entry, of_record, err);
  if (status)
    return status;
  const int kind = kind_of(cJSON_GetObjectItemCaseSensitive(o, "kind"));
  if (kind < 0)
    return wrong(entry, "its kind is none of not-a-mark, mark-here, nut-here, graduation", err);
  c->kind = (sp_correction_kind)kind;
  const cJSON *at = cJSON_GetObjectItemCaseSensitive(o, "at_px");
  const cJSON *x = cJSON_GetArrayItem(at, 0), *y = cJSON_GetArrayItem(at, 1);
  if (!cJSON_IsArray(at) || cJSON_GetArraySize(at) != 2 || !is_number(x, -MOST_PX, MOST_PX) ||
      !is_number(y, -MOST_PX, MOST_PX))
    return wrong(entry, "its place is missing; give at_px as [x, y], pixels of the picture", err);
  c->at_px = (sp_point){x->valuedouble, y->valuedouble};
  status = read_where(o, entry, c, err);
  return status ? status : read_reading(o, entry, c, err);
}

static sp_status not_corrections(sp_error *err)
{
  return sp_fail(err, SP_E_DATA,
                 "holds no corrections; name a file with \"schema\": \"slotproof/corrections/1\", or a record that "
                 "'slotproof check --format json' wrote");
}

/* Of a file only schema and list may stand at the top. */
static bool top_is_known(const cJSON *root)
{
  for (const cJSON *item = root->child; item; item = item->next)
    if (strcmp(item->string, "schema") != 0 && strcmp(item->string, "corrections") != 0)
      return false;
  return cJSON_GetArraySize(root) == 2;
}

static sp_status read_root(const cJSON *root, sp_corrections *c, sp_error *err)
{
  const char *schema = cJSON_GetStringValue(cJSON_GetObjectItemCaseSensitive(root, "schema"));
  const cJSON *list = cJSON_GetObjectItemCaseSensitive(root, "corrections"), *one;
  const bool of_record = schema && strcmp(schema, "slotproof/record/1") == 0;
  if (!cJSON_IsObject(root) || !schema || (!of_record && strcmp(schema, "slotproof/corrections/1") != 0))
    return not_corrections(err);
  if (of_record && !list)
    return SP_OK;
  if (!cJSON_IsArray(list) || (!of_record && !top_is_known(root)))
    return sp_fail(err, SP_E_DATA, "a list of corrections has a schema and 'corrections', an array, and nothing else");
  cJSON_ArrayForEach(one, list)
  {
    sp_correction correction;
    sp_status status = read_one(one, c->count + 1, of_record, &correction, err);
    if (!status)
      status = sp_corrections_add(c, &correction, err);
    if (status)
      return status;
  }
  return SP_OK;
}

sp_status sp_corrections_parse(const char *text, size_t length, sp_corrections *c, sp_error *err)
{
  *c = (sp_corrections){NULL, 0};
  cJSON *root = cJSON_ParseWithLength(text, length);
  const sp_status status = root ? read_root(root, c, err) : not_corrections(err);
  cJSON_Delete(root);
  if (status)
    sp_corrections_free(c);
  return status;
}

sp_status sp_corrections_read(const char *path, sp_corrections *c, sp_error *err)
{
  char *text = NULL;
  size_t length = 0;
  *c = (sp_corrections){NULL, 0};
  sp_status status = sp_textfile_read(path, MOST_MB, "list of corrections", &text, &length, err);
  if (!status)
    status = sp_corrections_parse(text, length, c, err);
  free(text);
  return status;
}
