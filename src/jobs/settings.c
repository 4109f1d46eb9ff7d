/* The form's fields: one table names, checks and translates them. */
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/jobs.h"
#include "slotproof/layout.h"

typedef enum kind { LENGTH, LENGTH_OR_ZERO, LENGTH_ANY, COUNT, TOLERANCE, DEGREES, WORD } kind;

typedef struct field {
  const char *name, *option;
  kind kind;
  const char *words; /* WORD: those it may be, between blanks */
  const char *missing;
} field;

static const field FIELDS[] = {
    {"scale_length", "--scale-length", LENGTH, NULL, "say the scale length, as 648 mm or 25 1/2 in"},
    {"frets", "--frets", COUNT, NULL, "say how many frets the board has"},
    {"marks", "--marks", WORD, " knife slot wire ", NULL},
    {"nut", "--nut", WORD, " auto line end ", NULL},
    {"tolerance", "--tolerance", TOLERANCE, NULL, NULL},
    {"reference", "--reference", WORD, " auto rule strip dpi ", NULL},
    {"graduation", "--graduation", LENGTH, NULL, NULL},
    {"reference_mpe", "--reference-mpe", LENGTH_OR_ZERO, NULL, NULL},
    {"strip_length", "--strip-length", LENGTH, NULL, NULL},
    {"divisions", "--divisions", COUNT, NULL, NULL},
    {"temperature", "--temperature", DEGREES, NULL, NULL},
    {"tang", "--tang", LENGTH, NULL, NULL},
    {"reference_height", "--reference-height", LENGTH_ANY, NULL, NULL},
    {"radius", "--radius", LENGTH, NULL, NULL},
};
enum { COUNT_OF_FIELDS = sizeof FIELDS / sizeof *FIELDS };
_Static_assert(sizeof FIELDS / sizeof *FIELDS <= SP_FIELDS, "make room in sp_job_settings");

/* As the command line has them. */
enum { MOST_FRETS = 200, MOST_DIVISIONS = 1200 };
static const double LEAST_C = -20.0, MOST_C = 60.0;

const char *sp_field_name(size_t i)
{
  return i < COUNT_OF_FIELDS ? FIELDS[i].name : NULL;
}

const char *sp_field_option(size_t i)
{
  return i < COUNT_OF_FIELDS ? FIELDS[i].option : NULL;
}

static sp_status check_count(const char *value, bool frets, sp_error *err)
{
  const long most = frets ? MOST_FRETS : MOST_DIVISIONS;
  const size_t digits = strspn(value, "0123456789");
  if (digits == strlen(value) && digits <= 5 && strtol(value, NULL, 10) >= 1 && strtol(value, NULL, 10) <= most)
    return SP_OK;
  return sp_fail(err, SP_E_USAGE, "'%.40s' will not do; give a whole number from 1 to %ld", value, most);
}

static sp_status check_degrees(const char *value, sp_error *err)
{
  char *end = NULL;
  const double c = strtod(value, &end);
  if (strspn(value, "+-0123456789.") == strlen(value) && *end == '\0' && c >= LEAST_C && c <= MOST_C)
    return SP_OK;
  return sp_fail(err, SP_E_USAGE, "'%.40s' will not do; give degrees Celsius from %.0f to %.0f, as 23", value, LEAST_C,
                 MOST_C);
}

static sp_status check_word(const char *value, const char *words, sp_error *err)
{
  const char *at = strstr(words, value);
  const size_t length = strlen(value);
  if (at && at > words && at[-1] == ' ' && at[length] == ' ' && !strchr(value, ' '))
    return SP_OK;
  return sp_fail(err, SP_E_USAGE, "'%.40s' is none of the choices:%s", value, words);
}

static sp_status check_value(const field *f, const char *value, sp_error *err)
{
  double mm;
  sp_tolerance tolerance;
  switch (f->kind) {
  case LENGTH:
    return sp_parse_length(value, SP_LENGTH_POSITIVE, &mm, err);
  case LENGTH_OR_ZERO:
    return sp_parse_length(value, SP_LENGTH_NOT_NEGATIVE, &mm, err);
  case LENGTH_ANY:
    return sp_parse_length(value, SP_LENGTH_SIGNED, &mm, err);
  case COUNT:
    return check_count(value, strcmp(f->name, "frets") == 0, err);
  case TOLERANCE:
    return sp_parse_tolerance(value, &tolerance, err);
  case DEGREES:
    return check_degrees(value, err);
  case WORD:
    return check_word(value, f->words, err);
  }
  return SP_OK;
}

sp_status sp_settings_set(sp_job_settings *settings, const char *name, const char *value, sp_error *err)
{
  size_t i = 0;
  while (i < COUNT_OF_FIELDS && strcmp(FIELDS[i].name, name) != 0)
    i++;
  if (i == COUNT_OF_FIELDS)
    return sp_fail(err, SP_E_USAGE, "'%.40s' is not something this form asks", name);
  if (strlen(value) >= SP_FIELD_TEXT)
    return sp_fail(err, SP_E_USAGE, "'%.20s...' is too long", value);
  const sp_status status = *value ? check_value(&FIELDS[i], value, err) : SP_OK;
  if (!status)
    strcpy(settings->value[i], value);
  return status;
}

static bool told_by(const sp_boardfile *board, const char *name)
{
  if (!board)
    return false;
  return strcmp(name, "frets") == 0 ? board->frets > 0 : isfinite(board->scale_length_mm) || sp_fan_given(&board->fan);
}

sp_status sp_settings_complete(const sp_job_settings *settings, const sp_boardfile *board, size_t pieces,
                               const char **name, sp_error *err)
{
  for (size_t i = 0; i < COUNT_OF_FIELDS; i++) {
    const field *f = &FIELDS[i];
    *name = f->name;
    if (f->missing && !settings->value[i][0] && !told_by(board, f->name))
      return sp_fail(err, SP_E_USAGE, "%s", f->missing);
    if (pieces > 1 && f->kind == WORD && strcmp(settings->value[i], "dpi") == 0)
      return sp_fail(err, SP_E_USAGE,
                     "the scanner's own word does not join the pieces of a board; lay a rule or a "
                     "printed strip beside it in each");
  }
  *name = NULL;
  return SP_OK;
}

cJSON *sp_settings_tree(const sp_job_settings *settings)
{
  cJSON *tree = cJSON_CreateObject();
  for (size_t i = 0; tree && i < COUNT_OF_FIELDS; i++)
    if (settings->value[i][0] && !cJSON_AddStringToObject(tree, FIELDS[i].name, settings->value[i])) {
      cJSON_Delete(tree);
      return NULL;
    }
  return tree;
}

void sp_settings_from_tree(const cJSON *tree, sp_job_settings *settings)
{
  *settings = (sp_job_settings){{{0}}};
  const cJSON *item;
  cJSON_ArrayForEach(item, tree) if (item->string && cJSON_IsString(item))
      sp_settings_set(settings, item->string, item->valuestring, NULL);
}
