/* The record, the strings and the readings, every field looked at before it is believed. */
#include <cjson/cJSON.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "csv.h"
#include "slotproof/diagnosis.h"
#include "slotproof/layout.h"

enum { RECORD_BYTES = 32 << 20, TABLE_BYTES = 4 << 20 };
/* A tuner that shows more is on another note. */
static const double MOST_CENTS = 200.0;
/* A record whose places are known worse than this says nothing about intonation. */
static const double MOST_U_MM = 50.0;

void sp_complaint_init(sp_complaint *c)
{
  *c = (sp_complaint){.reading_u_cents = 1.0};
  for (size_t i = 0; i < SP_MAX_STRINGS; i++)
    sp_string_init(&c->instrument.string[i]);
}

void sp_complaint_free(sp_complaint *c)
{
  free(c->fret);
  free(c->reading);
  sp_complaint_init(c);
}

void sp_complaint_set_saddles(sp_complaint *c, const double *saddle_mm, size_t count)
{
  c->instrument.strings = count == 1 ? SP_MAX_STRINGS : count;
  for (size_t i = 0; i < c->instrument.strings; i++)
    c->instrument.string[i].saddle_mm = saddle_mm[count == 1 ? 0 : i];
}

void sp_complaint_keep_named_strings(sp_complaint *c)
{
  size_t last = 1;
  for (size_t i = 0; i < c->reading_count; i++)
    last = c->reading[i].string + 1 > last ? c->reading[i].string + 1 : last;
  for (size_t i = 0; i < c->instrument.strings; i++)
    if (c->named[i] && i + 1 > last)
      last = i + 1;
  c->instrument.strings = last;
}

/* ---- the record ------------------------------------------------------------------------------------------------- */

/* A finite number from least to most; null gives NAN where that is allowed. */
static sp_status number(const cJSON *object, const char *name, double least, double most, bool null, double *value,
                        sp_error *err)
{
  const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, name);
  *value = NAN;
  if (null && cJSON_IsNull(item))
    return SP_OK;
  if (!cJSON_IsNumber(item) || !(item->valuedouble >= least && item->valuedouble <= most))
    return sp_fail(err, SP_E_DATA,
                   "'%s' is missing or no number from %g to %g; make the record with 'slotproof check --format json'",
                   name, least, most);
  *value = item->valuedouble;
  return SP_OK;
}

static sp_status read_mark(const cJSON *mark, int32_t k, double l_mm, sp_fret_place *into, double *before,
                           sp_error *err)
{
  double fret, x, layout, u = NAN;
  const char *state = cJSON_GetStringValue(cJSON_GetObjectItemCaseSensitive(mark, "state"));
  sp_status status = number(mark, "fret", 0, SP_COMPLAINT_MAX_FRETS, false, &fret, err);
  if (!status)
    status = number(mark, "layout_mm", 0.0, l_mm, false, &layout, err);
  if (!status)
    status = number(mark, "x_mm", -l_mm, 2.0 * l_mm, true, &x, err);
  if (!status)
    status = number(mark, "u_mm", 0.0, MOST_U_MM, true, &u, err);
  if (status)
    return status;
  const bool found = state && strcmp(state, "found") == 0;
  if (fret != (double)k || !state || (!found && strcmp(state, "missing") != 0))
    return sp_fail(err, SP_E_DATA, "mark %ld is not fret %ld, found or missing; make the record again", (long)k,
                   (long)k);
  *into = (sp_fret_place){found ? x : NAN, layout, u};
  if (k == 0 || !found)
    return SP_OK;
  if (isnan(x) || isnan(u) || !(x > *before))
    return sp_fail(err, SP_E_DATA,
                   "fret %ld has no place, no uncertainty or lies before the one before it; make the "
                   "record again",
                   (long)k);
  *before = x;
  return SP_OK;
}

static sp_status read_marks(const cJSON *marks, sp_complaint *c, sp_error *err)
{
  const int count = cJSON_IsArray(marks) ? cJSON_GetArraySize(marks) : 0;
  if (count < 2 || count > SP_COMPLAINT_MAX_FRETS + 1)
    return sp_fail(err, SP_E_DATA, "'marks' does not hold a nut and 1 to %d frets; check the board again",
                   SP_COMPLAINT_MAX_FRETS);
  free(c->fret);
  c->fret = calloc((size_t)count, sizeof *c->fret);
  if (!c->fret)
    return sp_fail_memory(err);
  c->instrument.fret = c->fret;
  c->instrument.frets = count - 1;
  double before = -INFINITY;
  int32_t k = 0;
  for (const cJSON *mark = marks->child; mark; mark = mark->next, k++) {
    const sp_status status = read_mark(mark, k, c->instrument.scale_length_mm, &c->fret[k], &before, err);
    if (status)
      return status;
  }
  return SP_OK;
}

static sp_status read_root(const cJSON *root, sp_complaint *c, sp_error *err)
{
  const char *schema = cJSON_GetStringValue(cJSON_GetObjectItemCaseSensitive(root, "schema"));
  if (!schema || strcmp(schema, "slotproof/record/1") != 0)
    return sp_fail(err, SP_E_DATA, "is no record of a check; make one with 'slotproof check --format json'");
  sp_status status = number(cJSON_GetObjectItemCaseSensitive(root, "layout"), "scale_length_mm", SP_SCALE_LENGTH_MIN_MM,
                            SP_SCALE_LENGTH_MAX_MM, false, &c->instrument.scale_length_mm, err);
  if (!status)
    status = number(cJSON_GetObjectItemCaseSensitive(root, "datum"), "u_mm", 0.0, MOST_U_MM, true,
                    &c->instrument.datum_u_mm, err);
  if (!status && isnan(c->instrument.datum_u_mm))
    c->instrument.datum_u_mm = 0.0; /* each mark's own u_mm holds its share */
  return status ? status : read_marks(cJSON_GetObjectItemCaseSensitive(root, "marks"), c, err);
}

sp_status sp_complaint_parse_record(const char *text, size_t length, sp_complaint *c, sp_error *err)
{
  cJSON *root = cJSON_ParseWithLength(text, length);
  if (!root)
    return sp_fail(err, SP_E_DATA, "is not JSON; make a record with 'slotproof check --format json'");
  const sp_status status = read_root(root, c, err);
  cJSON_Delete(root);
  return status;
}

/* ---- strings and readings --------------------------------------------------------------------------------------- */

static const sp_csv_column STRINGS[] = {
    {"string", true, 1, SP_MAX_STRINGS},     {"note_hz", false, 5, 5000},           {"diameter_mm", false, 0.01, 10},
    {"unit_weight_g_m", false, 0.001, 1000}, {"core_diameter_mm", false, 0.01, 10}, {"young_gpa", false, 0.1, 1000},
    {"density_kg_m3", false, 100, 30000},    {"height_12_mm", false, 0.01, 50},     {"nut_height_mm", false, 0, 20},
};
static const sp_csv_column READINGS[] = {
    {"string", true, 1, SP_MAX_STRINGS},
    {"fret", true, 0, SP_COMPLAINT_MAX_FRETS},
    {"cents", true, -200.0, 200.0},
    {"u_cents", false, 0.001, 100},
};

static sp_status whole(double value, const char *name, size_t line, sp_error *err)
{
  if (value == floor(value))
    return SP_OK;
  return sp_fail(err, SP_E_DATA, "line %zu: '%s' is not a whole number; correct it", line, name);
}

static sp_status take_string(const double *v, size_t line, void *context, sp_error *err)
{
  sp_complaint *c = context;
  if (whole(v[0], "string", line, err))
    return SP_E_DATA;
  const size_t i = (size_t)v[0] - 1;
  if (i >= c->instrument.strings)
    return sp_fail(err, SP_E_DATA, "line %zu: string %zu has no saddle; give --saddle one place for each string", line,
                   i + 1);
  sp_string *s = &c->instrument.string[i];
  const double saddle_mm = s->saddle_mm;
  if (c->named[i])
    return sp_fail(err, SP_E_DATA, "line %zu: string %zu stands there twice; take one line out", line, i + 1);
  c->named[i] = true;
  *s = (sp_string){saddle_mm, v[1], v[2], v[3] / 1000.0, v[4], v[5], v[6], v[7], v[8]};
  if (s->core_diameter_mm > s->diameter_mm)
    return sp_fail(err, SP_E_DATA, "line %zu: the core is thicker than the string; correct it", line);
  return SP_OK;
}

sp_status sp_complaint_parse_strings(const char *text, size_t length, sp_complaint *c, sp_error *err)
{
  return sp_csv_read(text, length, STRINGS, sizeof STRINGS / sizeof *STRINGS, take_string, c, err);
}

static sp_status take_reading(const double *v, size_t line, void *context, sp_error *err)
{
  sp_complaint *c = context;
  if (whole(v[0], "string", line, err) || whole(v[1], "fret", line, err))
    return SP_E_DATA;
  if ((size_t)v[0] > c->instrument.strings)
    return sp_fail(err, SP_E_DATA, "line %zu: string %.0f has no saddle; give --saddle one place for each string", line,
                   v[0]);
  if ((int32_t)v[1] > c->instrument.frets)
    return sp_fail(err, SP_E_DATA, "line %zu: the record has only %ld frets; correct it", line,
                   (long)c->instrument.frets);
  if (c->reading_count >= SP_MAX_READINGS || !(fabs(v[2]) <= MOST_CENTS))
    return sp_fail(err, SP_E_DATA, "line %zu: more than %d readings; shorten the list", line, SP_MAX_READINGS);
  c->reading[c->reading_count++] =
      (sp_intonation_reading){(size_t)v[0] - 1, (int32_t)v[1], v[2], isnan(v[3]) ? c->reading_u_cents : v[3]};
  return SP_OK;
}

sp_status sp_complaint_parse_readings(const char *text, size_t length, sp_complaint *c, sp_error *err)
{
  free(c->reading);
  c->reading_count = 0;
  c->reading = calloc(SP_MAX_READINGS, sizeof *c->reading);
  if (!c->reading)
    return sp_fail_memory(err);
  return sp_csv_read(text, length, READINGS, sizeof READINGS / sizeof *READINGS, take_reading, c, err);
}

/* ---- files ------------------------------------------------------------------------------------------------------ */

typedef sp_status (*parser)(const char *text, size_t length, sp_complaint *c, sp_error *err);

static sp_status read_with(parser parse, const char *path, size_t most, sp_complaint *c, sp_error *err)
{
  char *text;
  size_t length;
  sp_status status = sp_slurp(path, most, &text, &length, err);
  if (status)
    return status;
  status = parse(text, length, c, err);
  free(text);
  return status;
}

sp_status sp_complaint_read_record(const char *path, sp_complaint *c, sp_error *err)
{
  return read_with(sp_complaint_parse_record, path, RECORD_BYTES, c, err);
}

sp_status sp_complaint_read_strings(const char *path, sp_complaint *c, sp_error *err)
{
  return read_with(sp_complaint_parse_strings, path, TABLE_BYTES, c, err);
}

sp_status sp_complaint_read_readings(const char *path, sp_complaint *c, sp_error *err)
{
  return read_with(sp_complaint_parse_readings, path, TABLE_BYTES, c, err);
}
