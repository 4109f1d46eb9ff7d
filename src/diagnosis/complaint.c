/* The record, the strings and the readings, every field looked at before it is believed. */
#include <math.h>
#include <stdlib.h>

#include "csv.h"
#include "slotproof/diagnosis.h"
#include "slotproof/record.h"
#include "slotproof/textfile.h"

enum { TABLE_MB = 4 };
/* A tuner that shows more is on another note. */
static const double MOST_CENTS = 200.0;

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
    c->instrument.string[i].saddle_mm = saddle_mm[count == 1 ? 0 : i] + c->datum_mm;
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

static sp_status take_record(const sp_earlier *e, sp_complaint *c, sp_error *err)
{
  if (isfinite(e->square_fret))
    return sp_fail(err, SP_E_DATA,
                   "its frets are fanned, so that every string has a scale length of its own, and the diagnosis knows one "
                   "for all; look at the errors at the bass and the treble edge in the report of the check");
  for (size_t k = 1; k < e->count; k++)
    if (e->marks[k].found && (isnan(e->marks[k].x_mm) || isnan(e->marks[k].u_mm)))
      return sp_fail(err, SP_E_DATA,
                     "fret %zu has no place or no uncertainty; check the board again, with a rule beside it", k);
  free(c->fret);
  c->fret = calloc(e->count, sizeof *c->fret);
  if (!c->fret)
    return sp_fail_memory(err);
  c->instrument.scale_length_mm = e->scale_length_mm;
  /* where it is not known each mark's own u_mm holds its share */
  c->instrument.datum_u_mm = isnan(e->datum_u_mm) ? 0.0 : e->datum_u_mm;
  c->instrument.fret = c->fret;
  c->instrument.frets = (int32_t)e->count - 1;
  c->datum_mm = e->marks[0].layout_mm;
  c->instrument.nut_mm = c->datum_mm;
  for (size_t k = 0; k < e->count; k++)
    c->fret[k] = (sp_fret_place){e->marks[k].x_mm, e->marks[k].layout_mm, e->marks[k].u_mm};
  return SP_OK;
}

sp_status sp_complaint_parse_record(const char *text, size_t length, sp_complaint *c, sp_error *err)
{
  sp_earlier earlier;
  sp_status status = sp_earlier_parse(text, length, &earlier, err);
  if (status)
    return status;
  status = take_record(&earlier, c, err);
  sp_earlier_free(&earlier);
  return status;
}

sp_status sp_complaint_read_record(const char *path, sp_complaint *c, sp_error *err)
{
  sp_earlier earlier;
  sp_status status = sp_earlier_read(path, &earlier, err);
  if (status)
    return status;
  status = take_record(&earlier, c, err);
  sp_earlier_free(&earlier);
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

static sp_status read_table(parser parse, const char *path, const char *what, sp_complaint *c, sp_error *err)
{
  char *text;
  size_t length;
  sp_status status = sp_textfile_read(path, TABLE_MB, what, &text, &length, err);
  if (status)
    return status;
  status = parse(text, length, c, err);
  free(text);
  return status;
}

sp_status sp_complaint_read_strings(const char *path, sp_complaint *c, sp_error *err)
{
  return read_table(sp_complaint_parse_strings, path, "table of strings", c, err);
}

sp_status sp_complaint_read_readings(const char *path, sp_complaint *c, sp_error *err)
{
  return read_table(sp_complaint_parse_readings, path, "table of readings", c, err);
}
