/* The record of an earlier check of the same board, read back: where were the lines that the saw followed? */
#include <cjson/cJSON.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/record.h"

/* A record of two hundred frets has a fifth of a megabyte. */
enum { MOST_BYTES = 8 << 20 };
/* Boards that differ by more in scale length are different boards. */
static const double SAME_BOARD_MM = 0.01;

static sp_status read_whole(const char *path, char **text, sp_error *err)
{
  FILE *file = fopen(path, "rb");
  if (!file)
    return sp_fail(err, errno == ENOENT ? SP_E_NOINPUT : SP_E_IO,
                   "%s; name the record that 'slotproof check --format json' wrote of the marked board",
                   strerror(errno));
  *text = malloc(MOST_BYTES + 1);
  const size_t n = *text ? fread(*text, 1, MOST_BYTES + 1, file) : 0;
  const bool broken = ferror(file) != 0;
  fclose(file);
  if (!*text)
    return sp_fail_memory(err);
  if (broken || n > MOST_BYTES) {
    free(*text);
    return broken ? sp_fail(err, SP_E_IO, "reading failed half way; copy the file anew")
                  : sp_fail(err, SP_E_DATA, "far too long for a record; name the JSON that 'slotproof check' wrote");
  }
  (*text)[n] = '\0';
  return SP_OK;
}

static double number_in(const cJSON *object, const char *name)
{
  const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, name);
  return cJSON_IsNumber(item) ? item->valuedouble : NAN;
}

/* Standard uncertainty of a place without what two records with one rule share. */
static double own_u(double line, double map, double datum)
{
  return sqrt(line * line + map * map + datum * datum);
}

static void compare_mark(const cJSON *before, sp_mark_record *m)
{
  const cJSON *budget = cJSON_GetObjectItemCaseSensitive(before, "budget");
  const double x = number_in(before, "x_mm");
  if (!m->found || !isfinite(x) || !isfinite(m->x_mm))
    return;
  m->from_line_mm = m->x_mm - x;
  m->u_from_line_mm =
      hypot(own_u(number_in(budget, "line_mm"), number_in(budget, "map_mm"), number_in(budget, "datum_mm")),
            own_u(m->budget.line_mm, m->budget.map_mm, m->budget.datum_mm));
}

static void sum_up(sp_record *r)
{
  double sum = 0.0, square = 0.0;
  size_t n = 0;
  for (size_t i = 1; i < r->mark_count; i++)
    if (isfinite(r->marks[i].from_line_mm)) {
      sum += r->marks[i].from_line_mm;
      n++;
    }
  r->before_known = true;
  r->saw_mean_mm = n ? sum / (double)n : NAN;
  for (size_t i = 1; i < r->mark_count; i++)
    if (isfinite(r->marks[i].from_line_mm))
      square += pow(r->marks[i].from_line_mm - r->saw_mean_mm, 2.0);
  r->saw_sd_mm = n > 1 ? sqrt(square / (double)(n - 1)) : NAN;
}

static sp_status compare(sp_record *r, const cJSON *root, sp_error *err)
{
  const cJSON *schema = cJSON_GetObjectItemCaseSensitive(root, "schema");
  const cJSON *marks = cJSON_GetObjectItemCaseSensitive(root, "marks"), *before;
  if (!cJSON_IsString(schema) || strcmp(schema->valuestring, "slotproof/record/1") != 0 || !cJSON_IsArray(marks))
    return sp_fail(err, SP_E_DATA, "not a record; name the JSON that 'slotproof check --format json' wrote");
  const double scale = number_in(cJSON_GetObjectItemCaseSensitive(root, "layout"), "scale_length_mm");
  if (!(fabs(scale - r->scale_length_mm) < SAME_BOARD_MM))
    return sp_fail(err, SP_E_DATA,
                   "its scale length is %.6g mm, not %.6g mm; name the record of the same board before sawing", scale,
                   r->scale_length_mm);
  cJSON_ArrayForEach(before, marks)
  {
    const double fret = number_in(before, "fret");
    if (fret >= 1.0 && fret < (double)r->mark_count && fret == floor(fret))
      compare_mark(before, &r->marks[(size_t)fret]);
  }
  sum_up(r);
  return SP_OK;
}

sp_status sp_record_compare_before(sp_record *record, const char *path, sp_error *err)
{
  char *text = NULL;
  sp_status status = read_whole(path, &text, err);
  if (status)
    return status;
  cJSON *root = cJSON_Parse(text);
  free(text);
  status = root ? compare(record, root, err)
                : sp_fail(err, SP_E_DATA, "no JSON; name the record that 'slotproof check --format json' wrote");
  cJSON_Delete(root);
  return status;
}
