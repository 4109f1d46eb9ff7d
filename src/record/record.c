/* The record's lists and texts: who owns what, and the words a verdict is written with.
 *
 * A record starts as "nothing known": every number NAN, every list empty. Lists grow by one at a time; a check has one
 * source, a handful of warnings and findings, so doubling would save nothing. */
#include "slotproof/record.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define NOWHERE ((sp_point){NAN, NAN})

static void init_reference(sp_reference_record *r)
{
  r->kind = SP_REFERENCE_NONE;
  r->graduation_mm = r->px_per_mm = r->px_per_mm_across = r->fit_rms_mm = NAN;
  r->span_mm = r->mpe_mm = r->skew_deg = r->carriage_rms_mm = r->strip_stretch = NAN;
  r->first_px = r->last_px = NOWHERE;
}

void sp_record_init(sp_record *record)
{
  memset(record, 0, sizeof *record);
  init_reference(&record->reference);
  record->camera = (sp_camera_record){false, NAN, NAN, NAN, NAN, NAN, 0};
  record->scale_length_mm = record->datum_u_mm = record->tolerance_mm = record->tolerance_cents = NAN;
  record->square_fret = record->bass_scale_mm = record->treble_scale_mm = NAN;
  record->spread_nut_mm = record->spread_saddle_mm = NAN;
  record->fit_scale_length_mm = record->fit_u_scale_length_mm = record->nut_shift_mm = NAN;
  record->fit_offset_mm = record->fit_residual_rms_mm = record->kerf_mm = NAN;
  record->sawn_mm = record->sawn_sd_mm = record->saw_mean_mm = record->saw_sd_mm = NAN;
  record->nut_px = record->bridgeward_px = NOWHERE;
  record->nut_behind = (sp_nut_behind_record){false, false, NAN, NAN, NOWHERE, NOWHERE};
  for (size_t i = 0; i < sizeof record->outline_px / sizeof *record->outline_px; i++)
    record->outline_px[i] = NOWHERE;
  record->datum = SP_DATUM_FIT;
  record->verdict = SP_UNDECIDED;
}

sp_slot_record sp_slot_unknown(void)
{
  return (sp_slot_record){.kerf_a_mm = NAN,
                          .kerf_b_mm = NAN,
                          .u_kerf_end_mm = NAN,
                          .widening_mm = NAN,
                          .u_widening_mm = NAN,
                          .kerf_least_mm = NAN,
                          .kerf_most_mm = NAN,
                          .u_kerf_window_mm = NAN,
                          .kerf_sd_mm = NAN,
                          .u_kerf_sd_mm = NAN,
                          .wander_mm = NAN,
                          .u_wander_mm = NAN,
                          .wander_worst_mm = NAN,
                          .u_wander_worst_mm = NAN,
                          .wander_worst_px = NOWHERE,
                          .wall_squareness_deg = {NAN, NAN},
                          .u_wall_squareness_deg = {NAN, NAN}};
}

void sp_record_free(sp_record *record)
{
  for (size_t i = 0; i < record->source_count; i++)
    free(record->sources[i].file);
  for (size_t i = 0; i < record->warning_count; i++)
    free(record->warnings[i]);
  free(record->sources);
  free(record->warnings);
  free(record->reference.graduations);
  free(record->marks);
  free(record->strays);
  free(record->findings);
  free(record->joins);
  free(record->corrections);
  free(record->settings);
  sp_record_init(record);
}

/* Room for one more entry behind the `count` that stand; NULL if there is none, the list then still stands. */
static void *grown(void *list, size_t count, size_t entry_size)
{
  if (count >= SIZE_MAX / entry_size - 1)
    return NULL;
  return realloc(list, (count + 1) * entry_size);
}

static char *copy_of(const char *text)
{
  const size_t size = strlen(text) + 1;
  char *copy = malloc(size);
  if (copy)
    memcpy(copy, text, size);
  return copy;
}

sp_status sp_record_add_source(sp_record *record, const char *file, uint32_t width_px, uint32_t height_px,
                               double stated_dpi, sp_error *err)
{
  char *copy = copy_of(file);
  sp_source_record *list = copy ? grown(record->sources, record->source_count, sizeof *list) : NULL;
  if (!list) {
    free(copy);
    return sp_fail_memory(err);
  }
  record->sources = list;
  list[record->source_count++] =
      (sp_source_record){.file = copy, .width_px = width_px, .height_px = height_px, .stated_dpi = stated_dpi};
  return SP_OK;
}

/* The formatted text in memory of its own; NULL if there is none. */
static char *formatted(const char *format, va_list args)
{
  va_list again;
  va_copy(again, args);
  const int length = vsnprintf(NULL, 0, format, args);
  char *text = length < 0 ? NULL : malloc((size_t)length + 1);
  if (text && vsnprintf(text, (size_t)length + 1, format, again) != length) {
    free(text);
    text = NULL;
  }
  va_end(again);
  return text;
}

sp_status sp_record_warn(sp_record *record, sp_error *err, const char *format, ...)
{
  va_list args;
  va_start(args, format);
  char *text = formatted(format, args);
  va_end(args);
  char **list = text ? grown(record->warnings, record->warning_count, sizeof *list) : NULL;
  if (!list) {
    free(text);
    return sp_fail_memory(err);
  }
  record->warnings = list;
  list[record->warning_count++] = text;
  return SP_OK;
}

sp_status sp_record_add_correction(sp_record *record, const sp_correction_record *correction, sp_error *err)
{
  sp_correction_record *list = grown(record->corrections, record->correction_count, sizeof *list);
  if (!list)
    return sp_fail_memory(err);
  record->corrections = list;
  list[record->correction_count++] = *correction;
  return SP_OK;
}

sp_status sp_record_add_finding(sp_record *record, const sp_finding *finding, sp_error *err)
{
  sp_finding *list = grown(record->findings, record->finding_count, sizeof *list);
  if (!list)
    return sp_fail_memory(err);
  record->findings = list;
  list[record->finding_count++] = *finding;
  return SP_OK;
}

sp_status sp_record_add_join(sp_record *record, const sp_join_record *join, sp_error *err)
{
  sp_join_record *list = grown(record->joins, record->join_count, sizeof *list);
  if (!list)
    return sp_fail_memory(err);
  record->joins = list;
  list[record->join_count++] = *join;
  return SP_OK;
}

/* ---- the drawing of a board from several pictures --------------------------------------------------------------- */

static sp_point moved(const sp_record *record, size_t source, sp_point p)
{
  if (!record->join_count)
    return p;
  const sp_placement *t = &record->sources[source < record->source_count ? source : 0].drawn;
  return (sp_point){t->x0 + t->xx * p.x + t->xy * p.y, t->y0 + t->yx * p.x + t->yy * p.y};
}

static bool copy_lists(const sp_record *record, sp_record *drawn)
{
  drawn->marks = malloc((record->mark_count + 1) * sizeof *drawn->marks);
  drawn->strays = malloc((record->stray_count + 1) * sizeof *drawn->strays);
  drawn->reference.graduations =
      malloc((record->reference.graduation_count + 1) * sizeof *drawn->reference.graduations);
  if (!drawn->marks || !drawn->strays || !drawn->reference.graduations) {
    sp_record_drawn_free(drawn);
    return false;
  }
  if (record->mark_count)
    memcpy(drawn->marks, record->marks, record->mark_count * sizeof *drawn->marks);
  if (record->stray_count)
    memcpy(drawn->strays, record->strays, record->stray_count * sizeof *drawn->strays);
  if (record->reference.graduation_count)
    memcpy(drawn->reference.graduations, record->reference.graduations,
           record->reference.graduation_count * sizeof *drawn->reference.graduations);
  return true;
}

sp_status sp_record_drawn(const sp_record *record, sp_record *drawn, sp_error *err)
{
  *drawn = *record;
  drawn->marks = NULL;
  drawn->strays = NULL;
  drawn->reference.graduations = NULL;
  if (!copy_lists(record, drawn))
    return sp_fail_memory(err);
  for (size_t i = 0; i < drawn->mark_count; i++) {
    sp_mark_record *m = &drawn->marks[i];
    m->end_a_px = moved(record, m->source, m->end_a_px);
    m->end_b_px = moved(record, m->source, m->end_b_px);
    m->centre_px = moved(record, m->source, m->centre_px);
    m->slot.wander_worst_px = moved(record, m->source, m->slot.wander_worst_px);
    for (int e = 0; m->edges_known && e < SP_EDGES; e++)
      m->edge[e].at_px = moved(record, m->source, m->edge[e].at_px);
  }
  for (size_t i = 0; i < drawn->stray_count; i++) {
    sp_stray_record *s = &drawn->strays[i];
    s->end_a_px = moved(record, s->source, s->end_a_px);
    s->end_b_px = moved(record, s->source, s->end_b_px);
  }
  for (size_t i = 0; i < drawn->reference.graduation_count; i++) {
    sp_graduation *g = &drawn->reference.graduations[i];
    g->at_px = moved(record, g->source, g->at_px);
  }
  drawn->reference.first_px = moved(record, 0, drawn->reference.first_px);
  drawn->reference.last_px = moved(record, 0, drawn->reference.last_px);
  const sp_point first = drawn->reference.first_px;
  for (size_t i = 0; i < drawn->reference.graduation_count;
       i++) { /* the farthest that was used, in whichever picture */
    const sp_graduation *g = &drawn->reference.graduations[i];
    const sp_point last = drawn->reference.last_px;
    if (g->used && hypot(g->at_px.x - first.x, g->at_px.y - first.y) > hypot(last.x - first.x, last.y - first.y))
      drawn->reference.last_px = g->at_px;
  }
  return SP_OK;
}

void sp_record_drawn_free(sp_record *drawn)
{
  free(drawn->marks);
  free(drawn->strays);
  free(drawn->reference.graduations);
  drawn->marks = NULL;
  drawn->strays = NULL;
  drawn->reference.graduations = NULL;
}

/* ---- words ------------------------------------------------------------------------------------------------------ */

const char *sp_verdict_word(sp_verdict verdict)
{
  switch (verdict) {
  case SP_WITHIN:
    return "within";
  case SP_OUT:
    return "out";
  case SP_UNDECIDED:
    return "undecided";
  case SP_MISSING:
    return "missing";
  }
  return "undecided";
}

const char *sp_action_word(sp_action action)
{
  switch (action) {
  case SP_ACTION_NONE:
    return NULL;
  case SP_ACTION_LEAVE:
    return "leave";
  case SP_ACTION_CHECK:
    return "check";
  case SP_ACTION_RECUT:
    return "recut";
  case SP_ACTION_RECUT_BESIDE:
    return "recut-beside";
  case SP_ACTION_FILL:
    return "fill-and-saw";
  case SP_ACTION_DRESS:
    return "dress-crown";
  case SP_ACTION_REFRET:
    return "refret";
  }
  return NULL;
}

const char *sp_slot_trouble_word(unsigned trouble)
{
  switch (trouble) {
  case SP_SLOT_WIDENS:
    return "widens";
  case SP_SLOT_UNEVEN:
    return "uneven";
  case SP_SLOT_WANDERS:
    return "wanders";
  case SP_SLOT_TIGHT:
    return "tight";
  case SP_SLOT_LOOSE:
    return "loose";
  default:
    return NULL;
  }
}

const char *sp_by_hand_word(sp_by_hand by_hand)
{
  switch (by_hand) {
  case SP_BY_HAND_ADDED:
    return "added";
  case SP_BY_HAND_CHOSEN:
    return "chosen";
  case SP_BY_HAND_NUT:
    return "nut";
  case SP_BY_HAND_NO:
    break;
  }
  return NULL;
}

const char *sp_mark_kind_word(sp_mark_kind kind)
{
  switch (kind) {
  case SP_MARK_KNIFE:
    return "knife";
  case SP_MARK_SLOT:
    return "slot";
  case SP_MARK_WIRE:
    return "wire";
  }
  return "knife";
}

const char *sp_datum_word(sp_datum_kind kind)
{
  switch (kind) {
  case SP_DATUM_LINE:
    return "line";
  case SP_DATUM_END:
    return "end";
  case SP_DATUM_FIT:
    return "fit";
  }
  return "fit";
}

const char *sp_reference_word(sp_reference_kind kind)
{
  switch (kind) {
  case SP_REFERENCE_NONE:
    return "none";
  case SP_REFERENCE_RULE:
    return "rule";
  case SP_REFERENCE_STRIP:
    return "strip";
  case SP_REFERENCE_PROFILE:
    return "profile";
  case SP_REFERENCE_DISTANCE:
    return "distance";
  case SP_REFERENCE_DPI:
    return "dpi";
  }
  return "none";
}
