/* params.c: the list of parameters as data: defaults, setting from text, printing. */
#include <errno.h>
#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "render.h"

typedef enum field_kind { FIELD_REAL, FIELD_INT, FIELD_CHOICE, FIELD_LIST } field_kind;

typedef struct field {
  const char *name;
  field_kind kind;
  size_t offset;
  double value;
  const char *names;
  const char *meaning;
} field;

#define FIELD_OF_REAL(name, value, meaning) {#name, FIELD_REAL, offsetof(render_params, name), value, "", meaning},
#define FIELD_OF_INT(name, value, meaning) {#name, FIELD_INT, offsetof(render_params, name), value, "", meaning},
#define FIELD_OF_CHOICE(name, value, names, meaning) \
  {#name, FIELD_CHOICE, offsetof(render_params, name), value, names, meaning},
#define FIELD_OF_LIST(name, meaning) {#name, FIELD_LIST, offsetof(render_params, name), 0, "", meaning},

static const field fields[] = {RENDER_FIELDS(FIELD_OF_REAL, FIELD_OF_INT, FIELD_OF_CHOICE, FIELD_OF_LIST)
                                   RENDER_WIRE_FIELDS(FIELD_OF_REAL, FIELD_OF_INT, FIELD_OF_CHOICE)
                                   RENDER_LAYOUT_FIELDS(FIELD_OF_REAL, FIELD_OF_LIST)
                                       RENDER_PIECE_FIELDS(FIELD_OF_REAL, FIELD_OF_INT)};
static const size_t field_count = sizeof fields / sizeof fields[0];

static void store_int(render_params *params, const field *of, int value)
{
  memcpy((char *)params + of->offset, &value, sizeof value);
}

static void store_real(render_params *params, const field *of, double value)
{
  memcpy((char *)params + of->offset, &value, sizeof value);
}

void render_params_init(render_params *params)
{
  memset(params, 0, sizeof *params);
  params->seed = 1;
  for (size_t i = 0; i < field_count; i++) {
    if (fields[i].kind == FIELD_REAL) {
      store_real(params, &fields[i], fields[i].value);
    } else if (fields[i].kind != FIELD_LIST) {
      store_int(params, &fields[i], (int)fields[i].value);
    }
  }
}

static bool parse_real(const char *text, double *value)
{
  char *end = NULL;
  errno = 0;
  *value = strtod(text, &end);
  return end != text && *end == '\0' && errno == 0 && isfinite(*value);
}

static bool parse_int(const char *text, int *value)
{
  char *end = NULL;
  errno = 0;
  long read = strtol(text, &end, 10);
  *value = (int)read;
  return end != text && *end == '\0' && errno == 0 && read >= INT_MIN && read <= INT_MAX;
}

/* The place of text among names separated by bars, or -1. */
static int choice_index(const char *names, const char *text)
{
  size_t length = strlen(text);
  int index = 0;
  while (length > 0) {
    const char *bar = strchr(names, '|');
    size_t here = bar ? (size_t)(bar - names) : strlen(names);
    if (here == length && strncmp(names, text, length) == 0) {
      return index;
    }
    if (!bar) {
      break;
    }
    names = bar + 1;
    index++;
  }
  return -1;
}

/* "7:+0.31" for misplace, askew and paler, "7" for missing, "123.4" for stray; all are read as [fret:]number. */
static bool parse_entry(const char *text, render_entry *entry)
{
  const char *colon = strchr(text, ':');
  char head[32];
  *entry = (render_entry){.fret = -1};
  if (!colon) {
    return parse_real(text, &entry->mm);
  }
  size_t length = (size_t)(colon - text);
  if (length >= sizeof head) {
    return false;
  }
  memcpy(head, text, length);
  head[length] = '\0';
  return parse_int(head, &entry->fret) && parse_real(colon + 1, &entry->mm);
}

static bool parse_list(const char *text, bool frets_only, bool pairs, render_list *list)
{
  list->count = 0;
  while (*text) {
    char item[64];
    size_t length = strcspn(text, ",");
    if (length >= sizeof item || list->count >= RENDER_MAX_LIST) {
      return false;
    }
    memcpy(item, text, length);
    item[length] = '\0';
    render_entry *entry = &list->entry[list->count++];
    if (!parse_entry(item, entry) || (entry->fret >= 0) != pairs) {
      return false;
    }
    if (frets_only) {
      entry->fret = (int)entry->mm;
    }
    text += length + (text[length] == ',' ? 1 : 0);
  }
  return true;
}

static bool takes_pairs(const char *name)
{
  return strcmp(name, "misplace") == 0 || strcmp(name, "paler") == 0 || strcmp(name, "askew") == 0 || strcmp(name, "partial") == 0;
}

static bool set_field(render_params *params, const field *of, const char *text)
{
  double real;
  int whole;
  render_list list;
  switch (of->kind) {
  case FIELD_REAL:
    if (!parse_real(text, &real)) {
      return false;
    }
    store_real(params, of, real);
    return true;
  case FIELD_INT:
    if (!parse_int(text, &whole)) {
      return false;
    }
    store_int(params, of, whole);
    return true;
  case FIELD_CHOICE:
    whole = choice_index(of->names, text);
    if (whole < 0) {
      return false;
    }
    store_int(params, of, whole);
    return true;
  case FIELD_LIST:
    if (!parse_list(text, strcmp(of->name, "missing") == 0, takes_pairs(of->name), &list)) {
      return false;
    }
    memcpy((char *)params + of->offset, &list, sizeof list);
    return true;
  }
  return false;
}

bool render_params_set(render_params *params, const char *assignment, char *message)
{
  const char *equals = strchr(assignment, '=');
  for (size_t i = 0; equals && i < field_count; i++) {
    size_t length = strlen(fields[i].name);
    if (length != (size_t)(equals - assignment) || strncmp(assignment, fields[i].name, length) != 0) {
      continue;
    }
    if (!set_field(params, &fields[i], equals + 1)) {
      snprintf(message, RENDER_MESSAGE, "'%.60s': not a value for %s (%.70s)", assignment, fields[i].name,
               fields[i].kind == FIELD_CHOICE ? fields[i].names : fields[i].meaning);
      return false;
    }
    return true;
  }
  snprintf(message, RENDER_MESSAGE, "'%.80s': no such parameter; give key=value with a key of --list", assignment);
  return false;
}

/* The default as it would be typed. */
static void describe_default(const field *of, char *text, size_t size)
{
  if (of->kind == FIELD_LIST) {
    snprintf(text, size, "none");
    return;
  }
  if (of->kind != FIELD_CHOICE) {
    snprintf(text, size, "%g", of->value);
    return;
  }
  const char *name = of->names;
  for (int i = 0; i < (int)of->value; i++) {
    name = strchr(name, '|') + 1;
  }
  snprintf(text, size, "%.*s", (int)strcspn(name, "|"), name);
}

void render_params_list(void (*print)(void *context, const char *line), void *context)
{
  for (size_t i = 0; i < field_count; i++) {
    char value[32], line[400];
    describe_default(&fields[i], value, sizeof value);
    snprintf(line, sizeof line, "%-20s %-7s %s%s%s", fields[i].name, value, fields[i].meaning,
             fields[i].kind == FIELD_CHOICE ? ": " : "", fields[i].names);
    print(context, line);
  }
}
