#define _XOPEN_SOURCE 700 /* mkdtemp, realpath, nftw */
#include "outside.h"

#include <ftw.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "check_close.h"

static char folder[] = "end-to-end-XXXXXX";
static char *program_path;

bool outside_enter(const char *program)
{
  if (program && !(program_path = realpath(program, NULL)))
    return false;
  return mkdtemp(folder) && chdir(folder) == 0;
}

static int remove_one(const char *path, const struct stat *info, int kind, struct FTW *where)
{
  (void)info, (void)kind, (void)where;
  return remove(path);
}

int outside_leave(void)
{
  free(program_path);
  program_path = NULL;
  return chdir("..") != 0 || nftw(folder, remove_one, 8, FTW_DEPTH | FTW_PHYS) != 0;
}

char *outside_text(const char *path)
{
  FILE *file = fopen(path, "rb");
  char *text = malloc(OUTSIDE_TEXT);
  size_t got = 0;
  if (file && text)
    got = fread(text, 1, OUTSIDE_TEXT - 1, file);
  const bool whole = file && text && feof(file) && !ferror(file);
  if (file)
    fclose(file);
  if (!whole) {
    free(text);
    return NULL;
  }
  text[got] = '\0';
  return text;
}

static void keep_text(const char *path, char *into)
{
  char *text = outside_text(path);
  assert_non_null(text);
  strcpy(into, text);
  free(text);
}

const outside_result *outside_run(const char *arguments)
{
  static outside_result result;
  char command[4000];
  const int n = snprintf(command, sizeof command, "'%s' %s >.out 2>.err", program_path, arguments);
  assert_true(n > 0 && (size_t)n < sizeof command);
  const int raw = system(command);
  result.status = raw != -1 && WIFEXITED(raw) ? WEXITSTATUS(raw) : -1;
  keep_text(".out", result.out);
  keep_text(".err", result.err);
  return &result;
}

cJSON *outside_json(const char *arguments, int status)
{
  char with_format[4000];
  const int n = snprintf(with_format, sizeof with_format, "%s --format json", arguments);
  assert_true(n > 0 && (size_t)n < sizeof with_format);
  const outside_result *r = outside_run(with_format);
  if (r->status != status || r->err[0])
    fprintf(stderr, "slotproof %s\n  status %d, wanted %d; standard error: %s\n", with_format, r->status, status, r->err);
  assert_int_equal(r->status, status);
  assert_string_equal(r->err, "");
  cJSON *root = cJSON_ParseWithOpts(r->out, NULL, true);
  assert_non_null(root);
  return root;
}

cJSON *outside_parsed(const char *path)
{
  char *text = outside_text(path);
  assert_non_null(text);
  cJSON *json = cJSON_ParseWithOpts(text, NULL, true);
  free(text);
  assert_non_null(json);
  return json;
}

const cJSON *member(const cJSON *object, const char *key)
{
  const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, key);
  if (!item)
    fprintf(stderr, "there is no \"%s\"\n", key);
  assert_non_null(item);
  return item;
}

double number(const cJSON *object, const char *key)
{
  const cJSON *item = member(object, key);
  if (!cJSON_IsNumber(item))
    fprintf(stderr, "\"%s\" is no number\n", key);
  assert_true(cJSON_IsNumber(item));
  return item->valuedouble;
}

const char *word(const cJSON *object, const char *key)
{
  const cJSON *item = member(object, key);
  assert_true(cJSON_IsString(item));
  return item->valuestring;
}

bool is_null(const cJSON *object, const char *key)
{
  return cJSON_IsNull(member(object, key));
}

const cJSON *mark(const cJSON *record, int fret)
{
  const cJSON *item = cJSON_GetArrayItem(member(record, "marks"), fret);
  assert_non_null(item);
  CHECK_CLOSE(number(item, "fret"), fret, 0.0);
  return item;
}

double coordinate(const cJSON *object, const char *key, int axis)
{
  const cJSON *pair = member(object, key);
  assert_int_equal(cJSON_GetArraySize(pair), 2);
  const cJSON *item = cJSON_GetArrayItem(pair, axis);
  assert_true(cJSON_IsNumber(item));
  return item->valuedouble;
}
