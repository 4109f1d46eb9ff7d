/* A record read back. What was written by another version, edited or cut off must not pass for a measurement, so a file
 * that breaks one rule is refused as a whole. */
#include <cjson/cJSON.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/layout.h"
#include "slotproof/record.h"
#include "slotproof/textfile.h"

/* A record of two hundred frets has half a megabyte. */
enum { MOST_MB = 8 };
/* A record whose places are known worse than this says nothing. */
static const double MOST_U_MM = 50.0;
/* The nut itself lies where a compensated one was shifted to. */
static const double NUT_SHIFT_MOST_MM = 5.0;

#define MAKE_AGAIN "make the record with 'slotproof check --format json'"

static const sp_earlier NOTHING = {.scale_length_mm = NAN,
                                   .square_fret = NAN,
                                   .bass_scale_mm = NAN,
                                   .treble_scale_mm = NAN,
                                   .datum_u_mm = NAN};

/* A finite number from least to most; null gives NAN where that is allowed. */
static sp_status number(const cJSON *object, const char *name, double least, double most, bool null, double *value,
                        sp_error *err)
{
  const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, name);
  *value = NAN;
  if (null && cJSON_IsNull(item))
    return SP_OK;
  if (!cJSON_IsNumber(item) || !(item->valuedouble >= least && item->valuedouble <= most))
    return sp_fail(err, SP_E_DATA, "'%s' is missing or no number from %g to %g; " MAKE_AGAIN, name, least, most);
  *value = item->valuedouble;
  return SP_OK;
}

/* A part of the budget: not every record states one. */
static double part(const cJSON *budget, const char *name)
{
  double value;
  return number(budget, name, 0.0, MOST_U_MM, false, &value, NULL) ? NAN : value;
}

static sp_status read_numbers(const cJSON *mark, double l_mm, double *fret, sp_earlier_mark *m, sp_error *err)
{
  sp_status status = number(mark, "fret", 0, SP_EARLIER_MAX_FRETS, false, fret, err);
  if (!status)
    status = number(mark, "layout_mm", *fret > 0.0 ? 0.0 : -NUT_SHIFT_MOST_MM, l_mm, false, &m->layout_mm, err);
  if (!status)
    status = number(mark, "x_mm", -l_mm, 2.0 * l_mm, true, &m->x_mm, err);
  if (!status)
    status = number(mark, "u_mm", 0.0, MOST_U_MM, true, &m->u_mm, err);
  return status;
}

/* Mark k; *before is the place of the last fret found. */
static sp_status read_mark(const cJSON *mark, size_t k, double l_mm, sp_earlier_mark *m, double *before, sp_error *err)
{
  double fret;
  const char *state = cJSON_GetStringValue(cJSON_GetObjectItemCaseSensitive(mark, "state"));
  const sp_status status = read_numbers(mark, l_mm, &fret, m, err);
  if (status)
    return status;
  m->found = state && strcmp(state, "found") == 0;
  if (fret != (double)k || !state || (!m->found && strcmp(state, "missing") != 0))
    return sp_fail(err, SP_E_DATA, "mark %zu is not fret %zu, found or missing; " MAKE_AGAIN, k, k);
  if (!m->found)
    m->x_mm = m->u_mm = NAN;
  const cJSON *budget = cJSON_GetObjectItemCaseSensitive(mark, "budget");
  m->line_mm = part(budget, "line_mm");
  m->map_mm = part(budget, "map_mm");
  m->datum_mm = part(budget, "datum_mm");
  if (k == 0 || isnan(m->x_mm))
    return SP_OK;
  if (!(m->x_mm > *before))
    return sp_fail(err, SP_E_DATA, "fret %zu lies before the one before it; " MAKE_AGAIN, k);
  *before = m->x_mm;
  return SP_OK;
}

static sp_status read_marks(const cJSON *marks, sp_earlier *e, sp_error *err)
{
  const int count = cJSON_IsArray(marks) ? cJSON_GetArraySize(marks) : 0;
  if (count < 2 || count > SP_EARLIER_MAX_FRETS + 1)
    return sp_fail(err, SP_E_DATA, "'marks' does not hold a nut and 1 to %d frets; check the board again",
                   SP_EARLIER_MAX_FRETS);
  e->marks = calloc((size_t)count, sizeof *e->marks);
  if (!e->marks)
    return sp_fail_memory(err);
  double before = -INFINITY;
  for (const cJSON *mark = marks->child; mark; mark = mark->next) {
    const sp_status status = read_mark(mark, e->count, e->scale_length_mm, &e->marks[e->count], &before, err);
    if (status)
      return status;
    e->count++;
  }
  return SP_OK;
}

/* Earlier records know no fan. */
static sp_status read_fan(const cJSON *layout, sp_earlier *e, sp_error *err)
{
  const cJSON *fan = cJSON_GetObjectItemCaseSensitive(layout, "fan");
  if (!fan || cJSON_IsNull(fan))
    return SP_OK;
  sp_status status = number(fan, "square_fret", 0.0, SP_EARLIER_MAX_FRETS, false, &e->square_fret, err);
  if (!status)
    status = number(fan, "bass_scale_length_mm", SP_SCALE_LENGTH_MIN_MM, SP_SCALE_LENGTH_MAX_MM, false,
                    &e->bass_scale_mm, err);
  if (!status)
    status = number(fan, "treble_scale_length_mm", SP_SCALE_LENGTH_MIN_MM, SP_SCALE_LENGTH_MAX_MM, false,
                    &e->treble_scale_mm, err);
  return status;
}

static sp_status read_root(const cJSON *root, sp_earlier *e, sp_error *err)
{
  const char *schema = cJSON_GetStringValue(cJSON_GetObjectItemCaseSensitive(root, "schema"));
  if (!schema || strcmp(schema, "slotproof/record/1") != 0)
    return sp_fail(err, SP_E_DATA, "is no record of a check; " MAKE_AGAIN);
  const cJSON *layout = cJSON_GetObjectItemCaseSensitive(root, "layout");
  sp_status status = number(layout, "scale_length_mm", SP_SCALE_LENGTH_MIN_MM, SP_SCALE_LENGTH_MAX_MM, false,
                            &e->scale_length_mm, err);
  if (!status)
    status = read_fan(layout, e, err);
  if (!status)
    status = number(cJSON_GetObjectItemCaseSensitive(root, "datum"), "u_mm", 0.0, MOST_U_MM, true, &e->datum_u_mm, err);
  return status ? status : read_marks(cJSON_GetObjectItemCaseSensitive(root, "marks"), e, err);
}

sp_status sp_earlier_parse(const char *text, size_t length, sp_earlier *e, sp_error *err)
{
  *e = NOTHING;
  cJSON *root = cJSON_ParseWithLength(text, length);
  if (!root)
    return sp_fail(err, SP_E_DATA, "is not JSON; " MAKE_AGAIN);
  const sp_status status = read_root(root, e, err);
  cJSON_Delete(root);
  if (status)
    sp_earlier_free(e);
  return status;
}

sp_status sp_earlier_read(const char *path, sp_earlier *e, sp_error *err)
{
  char *text;
  size_t length;
  *e = NOTHING;
  sp_status status = sp_textfile_read(path, MOST_MB, "record of a check", &text, &length, err);
  if (status)
    return status;
  status = sp_earlier_parse(text, length, e, err);
  free(text);
  return status;
}

void sp_earlier_free(sp_earlier *e)
{
  free(e->marks);
  *e = NOTHING;
}
