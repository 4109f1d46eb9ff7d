/* A written record, read back.
 *
 * Names that are missing leave what an initialised record holds (not known), names that are not known are passed over:
 * records of earlier and later versions of the same schema serve. What cannot be meant (a fret number beyond the
 * board's, a negative uncertainty, a verdict that is no word) refuses the whole record: numbers of a record that is
 * half wrong must not enter any statistics. */
#include <cjson/cJSON.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/record.h"
#include "slotproof/textfile.h"

enum { MOST_FRETS = 1000, MOST_SOURCES = 100 };

static sp_status not_a_record(sp_error *err)
{
  return sp_fail(err, SP_E_DATA, "not a record; name the JSON that 'slotproof check --format json' wrote");
}

static double number_in(const cJSON *object, const char *name)
{
  const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, name);
  return cJSON_IsNumber(item) && isfinite(item->valuedouble) ? item->valuedouble : NAN;
}

static const char *text_in(const cJSON *object, const char *name)
{
  const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, name);
  return cJSON_IsString(item) ? item->valuestring : "";
}

/* A whole number from least to most, or -1. */
static int32_t count_in(const cJSON *object, const char *name, int32_t least, int32_t most)
{
  const double value = number_in(object, name);
  return value >= (double)least && value <= (double)most && value == floor(value) ? (int32_t)value : -1;
}

static sp_point point_in(const cJSON *object, const char *name)
{
  const cJSON *pair = cJSON_GetObjectItemCaseSensitive(object, name);
  const cJSON *x = cJSON_GetArrayItem(pair, 0), *y = cJSON_GetArrayItem(pair, 1);
  const sp_point p = {cJSON_IsNumber(x) ? x->valuedouble : NAN, cJSON_IsNumber(y) ? y->valuedouble : NAN};
  return p;
}

/* Which of `count` words stands there; -1 if none. */
static int word_in(const cJSON *object, const char *name, const char *(*word)(int), int count)
{
  const char *text = text_in(object, name);
  for (int i = 0; i < count; i++)
    if (strcmp(text, word(i)) == 0)
      return i;
  return -1;
}

static const char *verdict_word(int i)
{
  return sp_verdict_word((sp_verdict)i);
}

static const char *kind_word(int i)
{
  return sp_mark_kind_word((sp_mark_kind)i);
}

static const char *datum_word(int i)
{
  return sp_datum_word((sp_datum_kind)i);
}

static const char *reference_word(int i)
{
  return sp_reference_word((sp_reference_kind)i);
}

/* Known and below 0? An uncertainty, a width, a length cannot be. */
static bool negative(double value)
{
  return value < 0.0;
}

static void read_budget(const cJSON *o, sp_budget *b)
{
  b->line_mm = number_in(o, "line_mm");
  b->map_mm = number_in(o, "map_mm");
  b->datum_mm = number_in(o, "datum_mm");
  b->rule_mm = number_in(o, "rule_mm");
  b->temperature_mm = number_in(o, "temperature_mm");
}

static sp_by_hand by_hand_in(const cJSON *o)
{
  const char *word = text_in(o, "by_hand");
  for (int i = SP_BY_HAND_ADDED; i <= SP_BY_HAND_NUT; i++)
    if (strcmp(word, sp_by_hand_word((sp_by_hand)i)) == 0)
      return (sp_by_hand)i;
  return SP_BY_HAND_NO;
}

static bool read_edge(const cJSON *mark, const char *name, sp_edge_record *e)
{
  const cJSON *o = cJSON_GetObjectItemCaseSensitive(mark, name);
  const int verdict = word_in(o, "verdict", verdict_word, SP_MISSING);
  if (!cJSON_IsObject(o) || verdict < 0)
    return false;
  *e = (sp_edge_record){.x_mm = number_in(o, "x_mm"),
                        .y_mm = number_in(o, "y_mm"),
                        .layout_mm = number_in(o, "layout_mm"),
                        .scale_length_mm = number_in(o, "scale_length_mm"),
                        .error_mm = number_in(o, "error_mm"),
                        .error_cents = number_in(o, "error_cents"),
                        .u_mm = number_in(o, "u_mm"),
                        .expanded_u_mm = number_in(o, "expanded_u_mm"),
                        .expanded_u_cents = number_in(o, "expanded_u_cents"),
                        .at_px = point_in(o, "at_px"),
                        .verdict = (sp_verdict)verdict};
  return isfinite(e->error_mm) && e->u_mm >= 0.0;
}

/* Both or neither; earlier records have none. */
static void read_edges(const cJSON *o, sp_mark_record *m)
{
  const int verdict = word_in(o, "line_verdict", verdict_word, SP_MISSING);
  m->edges_known = m->found && verdict >= 0 && read_edge(o, "bass_edge", &m->edge[SP_BASS]) &&
                   read_edge(o, "treble_edge", &m->edge[SP_TREBLE]);
  m->line_verdict = m->edges_known ? (sp_verdict)verdict : SP_UNDECIDED;
}

static bool read_mark(const cJSON *o, sp_mark_record *m)
{
  const int verdict = word_in(o, "verdict", verdict_word, 4);
  m->found = strcmp(text_in(o, "state"), "found") == 0;
  m->x_mm = number_in(o, "x_mm");
  m->layout_mm = number_in(o, "layout_mm");
  m->error_mm = number_in(o, "error_mm");
  m->error_cents = number_in(o, "error_cents");
  m->u_mm = number_in(o, "u_mm");
  m->expanded_u_mm = number_in(o, "expanded_u_mm");
  m->expanded_u_cents = number_in(o, "expanded_u_cents");
  m->squareness_deg = number_in(o, "squareness_deg");
  m->u_squareness_deg = number_in(o, "u_squareness_deg");
  m->angle_deg = number_in(o, "angle_deg");
  m->layout_angle_deg = number_in(o, "layout_angle_deg");
  m->width_mm = number_in(o, "width_mm");
  m->u_width_mm = number_in(o, "u_width_mm");
  m->contrast = number_in(o, "contrast");
  m->coverage = number_in(o, "coverage");
  m->recut_mm = number_in(o, "recut_mm");
  m->from_line_mm = number_in(o, "from_line_mm");
  m->u_from_line_mm = number_in(o, "u_from_line_mm");
  m->end_a_px = point_in(o, "end_a_px");
  m->end_b_px = point_in(o, "end_b_px");
  m->centre_px = point_in(o, "centre_px");
  const int32_t source = count_in(o, "source", 0, MOST_SOURCES);
  m->source = source < 0 ? 0 : (size_t)source; /* earlier records had one picture and did not say it */
  read_budget(cJSON_GetObjectItemCaseSensitive(o, "budget"), &m->budget);
  m->by_hand = by_hand_in(o);
  read_edges(o, m);
  m->verdict = verdict < 0 ? SP_UNDECIDED : (sp_verdict)verdict;
  return verdict >= 0 && m->found == (m->verdict != SP_MISSING) && isfinite(m->layout_mm) && !negative(m->u_mm) &&
         !negative(m->expanded_u_mm) && !negative(m->width_mm);
}

static sp_status read_marks(const cJSON *root, sp_record *r, sp_error *err)
{
  const cJSON *list = cJSON_GetObjectItemCaseSensitive(root, "marks"), *one;
  const int count = cJSON_GetArraySize(list);
  if (!cJSON_IsArray(list) || count > MOST_FRETS + 1)
    return not_a_record(err);
  r->marks = calloc((size_t)count + 1, sizeof *r->marks);
  if (!r->marks)
    return sp_fail_memory(err);
  cJSON_ArrayForEach(one, list)
  {
    sp_mark_record *m = &r->marks[r->mark_count];
    m->fret = count_in(one, "fret", 0, r->frets);
    if (m->fret < 0 || (r->mark_count && m->fret <= m[-1].fret) || !read_mark(one, m))
      return sp_fail(err, SP_E_DATA, "its entry %zu of 'marks' cannot be; name a record as it was written",
                     r->mark_count + 1);
    r->mark_count++;
  }
  return SP_OK;
}

static sp_status read_sources(const cJSON *root, sp_record *r, sp_error *err)
{
  const cJSON *one;
  cJSON_ArrayForEach(one, cJSON_GetObjectItemCaseSensitive(root, "source"))
  {
    const int32_t width = count_in(one, "width_px", 0, INT32_MAX), height = count_in(one, "height_px", 0, INT32_MAX);
    const char *digest = text_in(one, "sha256");
    const sp_status status = sp_record_add_source(r, text_in(one, "file"), width < 0 ? 0 : (uint32_t)width,
                                                  height < 0 ? 0 : (uint32_t)height, number_in(one, "stated_dpi"), err);
    if (status)
      return status;
    if (strlen(digest) == 64 && strspn(digest, "0123456789abcdef") == 64)
      memcpy(r->sources[r->source_count - 1].sha256, digest, 65);
  }
  return SP_OK;
}

static void read_reference(const cJSON *o, sp_reference_record *r)
{
  const int kind = word_in(o, "kind", reference_word, SP_REFERENCE_DPI + 1);
  const int32_t used = count_in(o, "graduations_used", 0, INT32_MAX);
  r->kind = kind < 0 ? SP_REFERENCE_NONE : (sp_reference_kind)kind;
  r->graduation_mm = number_in(o, "graduation_mm");
  r->graduation_told = cJSON_IsTrue(cJSON_GetObjectItemCaseSensitive(o, "graduation_told"));
  r->graduations_used = used < 0 ? 0 : (size_t)used;
  r->px_per_mm = number_in(o, "px_per_mm");
  r->px_per_mm_across = number_in(o, "px_per_mm_across");
  r->fit_rms_mm = number_in(o, "fit_rms_mm");
  r->span_mm = number_in(o, "span_mm");
  r->mpe_mm = number_in(o, "mpe_mm");
  r->first_px = point_in(o, "first_px");
  r->last_px = point_in(o, "last_px");
  r->skew_deg = number_in(o, "skew_deg");
  r->carriage_rms_mm = number_in(o, "carriage_rms_mm");
  snprintf(r->profile, sizeof r->profile, "%s", text_in(o, "profile"));
}

static void read_numbers(const cJSON *root, sp_record *r)
{
  const cJSON *fit = cJSON_GetObjectItemCaseSensitive(root, "fit");
  const cJSON *datum = cJSON_GetObjectItemCaseSensitive(root, "datum");
  const int kind = word_in(datum, "kind", datum_word, SP_DATUM_FIT + 1);
  r->datum = kind < 0 ? SP_DATUM_FIT : (sp_datum_kind)kind;
  r->datum_u_mm = number_in(datum, "u_mm");
  r->fit_scale_length_mm = number_in(fit, "scale_length_mm");
  r->fit_u_scale_length_mm = number_in(fit, "u_scale_length_mm");
  r->fit_offset_mm = number_in(fit, "offset_mm");
  r->fit_residual_rms_mm = number_in(fit, "residual_rms_mm");
  r->tolerance_mm = number_in(root, "tolerance_mm");
  r->tolerance_cents = number_in(root, "tolerance_cents");
  r->tolerance_default = cJSON_IsTrue(cJSON_GetObjectItemCaseSensitive(root, "tolerance_default"));
  r->kerf_mm = number_in(root, "kerf_mm");
  r->sawn_mm = number_in(root, "sawn_mm");
  r->sawn_sd_mm = number_in(root, "sawn_sd_mm");
  r->saw_mean_mm = number_in(root, "saw_mean_mm");
  r->saw_sd_mm = number_in(root, "saw_sd_mm");
}

static sp_status read_task(const cJSON *root, sp_record *r, sp_error *err)
{
  const cJSON *layout = cJSON_GetObjectItemCaseSensitive(root, "layout");
  const int verdict = word_in(root, "verdict", verdict_word, 3);
  const int kind = word_in(root, "marks_kind", kind_word, SP_MARK_WIRE + 1);
  const int32_t divisions = count_in(layout, "divisions", 1, INT32_MAX);
  r->scale_length_mm = number_in(layout, "scale_length_mm");
  r->frets = count_in(layout, "frets", 1, MOST_FRETS);
  if (strcmp(text_in(root, "schema"), "slotproof/record/1") != 0 || !(r->scale_length_mm > 0.0) || r->frets < 0 ||
      verdict < 0)
    return not_a_record(err);
  r->verdict = (sp_verdict)verdict;
  r->marks_kind = kind < 0 ? SP_MARK_KNIFE : (sp_mark_kind)kind; /* the first records did not say it */
  r->divisions = divisions < 0 ? 0 : divisions;
  const double shift = number_in(layout, "nut_shift_mm"); /* earlier records have none */
  r->nut_shift_mm = isfinite(shift) ? shift : 0.0;
  r->zero_fret = cJSON_IsTrue(cJSON_GetObjectItemCaseSensitive(layout, "zero_fret"));
  snprintf(r->board, sizeof r->board, "%s", text_in(layout, "name"));
  r->left_handed = strcmp(text_in(layout, "bass_side"), "left") == 0;
  const cJSON *fan = cJSON_GetObjectItemCaseSensitive(layout, "fan");
  r->bass_scale_mm = number_in(fan, "bass_scale_length_mm");
  r->treble_scale_mm = number_in(fan, "treble_scale_length_mm");
  r->spread_nut_mm = number_in(fan, "spread_nut_mm");
  r->spread_saddle_mm = number_in(fan, "spread_saddle_mm");
  r->square_fret = number_in(fan, "square_fret");
  return SP_OK;
}

static sp_status read_texts(const cJSON *root, sp_record *r, sp_error *err)
{
  const cJSON *one, *settings = cJSON_GetObjectItemCaseSensitive(root, "settings");
  sp_status status = SP_OK;
  snprintf(r->version, sizeof r->version, "%s", text_in(root, "version"));
  cJSON_ArrayForEach(one, cJSON_GetObjectItemCaseSensitive(root, "warnings"))
  {
    if (!status && cJSON_IsString(one))
      status = sp_record_warn(r, err, "%s", one->valuestring);
  }
  cJSON_ArrayForEach(one, cJSON_GetObjectItemCaseSensitive(root, "findings"))
  {
    sp_finding f = {.value = number_in(one, "value"), .u_value = number_in(one, "u_value")};
    f.strength = number_in(one, "strength");
    snprintf(f.kind, sizeof f.kind, "%s", text_in(one, "kind"));
    snprintf(f.text, sizeof f.text, "%s", text_in(one, "text"));
    snprintf(f.unit, sizeof f.unit, "%s", text_in(one, "unit"));
    if (!status)
      status = sp_record_add_finding(r, &f, err);
  }
  if (!status && cJSON_IsString(settings)) {
    const size_t size = strlen(settings->valuestring) + 1;
    r->settings = malloc(size);
    if (!r->settings)
      return sp_fail_memory(err);
    memcpy(r->settings, settings->valuestring, size);
  }
  return status;
}

/* What was said is read as a list by itself is; what came of it stands beside it, entry by entry. */
static sp_status read_corrections(const char *text, size_t length, const cJSON *root, sp_record *r, sp_error *err)
{
  sp_corrections said;
  sp_status status = sp_corrections_parse(text, length, &said, err);
  const cJSON *one = cJSON_GetArrayItem(cJSON_GetObjectItemCaseSensitive(root, "corrections"), 0);
  for (size_t i = 0; !status && i < said.count && one; i++, one = one->next) {
    sp_correction_record c = {.said = said.list[i], .outcome = SP_CORRECTION_REFUSED};
    for (int k = SP_CORRECTION_APPLIED; k <= SP_CORRECTION_REFUSED; k++)
      if (strcmp(text_in(one, "outcome"), sp_correction_outcome_word((sp_correction_outcome)k)) == 0)
        c.outcome = (sp_correction_outcome)k;
    snprintf(c.text, sizeof c.text, "%s", text_in(one, "text"));
    status = sp_record_add_correction(r, &c, err);
  }
  sp_corrections_free(&said);
  return status;
}

sp_status sp_record_parse(const char *text, size_t length, sp_record *r, sp_error *err)
{
  cJSON *root = cJSON_ParseWithLength(text, length);
  sp_status status = cJSON_IsObject(root) ? read_task(root, r, err) : not_a_record(err);
  if (!status)
    status = read_sources(root, r, err);
  if (!status)
    status = read_marks(root, r, err);
  if (!status)
    status = read_texts(root, r, err);
  if (!status && cJSON_GetObjectItemCaseSensitive(root, "corrections"))
    status = read_corrections(text, length, root, r, err);
  if (!status) {
    read_numbers(root, r);
    read_reference(cJSON_GetObjectItemCaseSensitive(root, "reference"), &r->reference);
  }
  cJSON_Delete(root);
  if (status)
    sp_record_free(r);
  return status;
}

/* ---- from a file ------------------------------------------------------------------------------------------------ */

sp_status sp_record_read(const char *path, sp_record *record, sp_error *err)
{
  char *text = NULL;
  size_t length = 0;
  sp_status status = sp_textfile_read(path, SP_RECORD_MAX_BYTES >> 20, "record", &text, &length, err);
  if (!status)
    status = sp_record_parse(text, length, record, err);
  free(text);
  return status;
}
