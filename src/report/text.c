/* The report for the bench.
 *
 * Order: the verdict with its counts; what to cut again and which way; lines that are missing or undecided, with the
 * reason; the table; what lies outside the table; how the scale was read. Someone with a saw in hand reads the first
 * five lines. Lengths in what is to be done carry hundredths of a millimetre, finer than a saw can follow; the table
 * carries thousandths. */
#include "slotproof/report.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "report_internal.h"

/* ---- words ------------------------------------------------------------------------------------------------------ */

sp_status sp_text_list(const char *title, char *const *lines, size_t count, FILE *file, sp_error *err)
{
  if (count)
    fprintf(file, "\n%s\n", title);
  for (size_t i = 0; i < count; i++) {
    char *clean = sp_clean_text(lines[i]);
    if (!clean)
      return sp_fail_memory(err);
    sp_text_wrapped("  - ", 4, clean, file);
    free(clean);
  }
  return SP_OK;
}

/* ---- lines that belong to no fret ------------------------------------------------------------------------------- */

void sp_say_stray(const sp_stray_record *stray, sp_sentence *s)
{
  if (isfinite(stray->x_mm))
    sp_say(s, "%.2f mm from the nut", stray->x_mm);
  else
    sp_say(s, "at %.0f, %.0f px of the picture", stray->end_a_px.x, stray->end_a_px.y);
}

static void put_strays(const sp_record *record, FILE *file)
{
  const bool wire = record->marks_kind == SP_MARK_WIRE;
  if (record->stray_count)
    fprintf(file, wire ? "\nWires where no fret belongs\n" : "\nLines that belong to no fret\n");
  for (size_t i = 0; i < record->stray_count; i++) {
    const sp_stray_record *s = &record->strays[i];
    sp_sentence where = {.used = 0};
    sp_say_stray(s, &where);
    fprintf(file, "  - %s%s\n", where.text,
            i      ? ""
            : wire ? " (the edge of a nut or an inlay, or a fret in a wrong place)"
                   : " (a scratch, or a mark in a wrong place: look before you saw)");
  }
}

static sp_status put_findings(const sp_record *record, FILE *file, sp_error *err)
{
  bool first = true;
  for (size_t i = 0; i < record->finding_count; i++) {
    char *line = record->findings[i].text;
    if (&record->findings[i] == sp_other_scale(record)) /* stands at the top already */
      continue;
    const sp_status status = sp_text_list(first ? "Findings" : "", &line, 1, file, err);
    if (status)
      return status;
    first = false;
  }
  return SP_OK;
}

/* ---- what was looked at ----------------------------------------------------------------------------------------- */

static sp_status put_sources(const sp_record *record, FILE *file, sp_error *err)
{
  for (size_t i = 0; i < record->source_count; i++) {
    const sp_source_record *s = &record->sources[i];
    char *clean = sp_clean_text(s->file);
    if (!clean)
      return sp_fail_memory(err);
    fprintf(file, "%s%s, %lu x %lu px", i ? "          " : "Picture:  ", clean, (unsigned long)s->width_px,
            (unsigned long)s->height_px);
    free(clean);
    if (isfinite(s->stated_dpi))
      fprintf(file, ", the file says %.6g dpi\n", s->stated_dpi);
    else
      fprintf(file, ", the file states no resolution\n");
  }
  return SP_OK;
}

void sp_say_layout(const sp_record *record, sp_sentence *s)
{
  if (!isfinite(record->scale_length_mm))
    return;
  if (record->board[0])
    sp_say(s, "%s: ", record->board);
  if (isfinite(record->square_fret))
    sp_say(s, "scale lengths %.6g mm (bass) and %.6g mm (treble), fret %g square, %ld frets, ", record->bass_scale_mm,
           record->treble_scale_mm, record->square_fret, (long)record->frets);
  else
    sp_say(s, "scale length %.6g mm, %ld frets, ", record->scale_length_mm, (long)record->frets);
  if (record->divisions > 0)
    sp_say(s, "%ld equal divisions of the octave", (long)record->divisions);
  else
    sp_say(s, "from a list of steps");
  if (fabs(record->nut_shift_mm) > 0.0)
    sp_say(s,
           "; the nut is compensated: it stands %.3f mm %s than the frets are computed from, and places count from the "
           "theoretical nut",
           fabs(record->nut_shift_mm), record->nut_shift_mm > 0.0 ? "nearer to fret 1" : "farther from fret 1");
}

static void say_nut_behind(const sp_record *record, sp_sentence *s)
{
  const sp_nut_behind_record *n = &record->nut_behind;
  if (!record->zero_fret)
    return;
  if (!n->known)
    sp_say(s, "; no nut was seen behind it");
  else if (isfinite(n->behind_mm))
    sp_say(s, "; %s %.3f mm behind it (+/- %.3f)", n->is_end ? "the board ends" : "the nut's line is", n->behind_mm,
           2.0 * n->u_mm);
}

void sp_say_parts(const sp_record *record, sp_sentence *s)
{
  char name[24];
  for (size_t i = 0; i < record->mark_count; i++) {
    const sp_mark_record *m = &record->marks[i];
    if (!m->found || !m->part.is_part || !isfinite(m->part.begin_mm))
      continue;
    sp_say(s, "%s%s from %.1f to %.1f mm off the bass edge (meant: %.1f to %.1f)", s->used ? "; " : "",
           sp_fret_name(m->fret, name), m->part.begin_mm, m->part.end_mm, m->part.layout_begin_mm,
           m->part.layout_end_mm);
  }
}

void sp_say_datum(const sp_record *record, sp_sentence *s)
{
  static const char *const WORDS[] = {
      "the nut line", "the squared end of the board",
      "the place of the nut that fits the frets best (no nut was seen, or none that could be told)"};
  static const char *const FRETTED[] = {
      "the zero fret", "the nut's face toward the frets",
      "the place of the nut that fits the frets best (no nut was seen, or none that could be told)"};
  const bool zero = record->zero_fret && record->datum == SP_DATUM_LINE;
  sp_say(s, "%s", (record->marks_kind == SP_MARK_WIRE || zero ? FRETTED : WORDS)[record->datum]);
  if (isfinite(record->datum_u_mm))
    sp_say(s, ", located to %.3f mm (standard uncertainty)", record->datum_u_mm);
  say_nut_behind(record, s);
}

void sp_say_fit(const sp_record *record, sp_sentence *s)
{
  const double offset = record->fit_offset_mm;
  if (!isfinite(record->fit_scale_length_mm))
    return;
  sp_say(s, "the marks follow a scale length of %.3f mm", record->fit_scale_length_mm);
  if (isfinite(record->fit_u_scale_length_mm))
    sp_say(s, " (standard uncertainty %.3f mm)", record->fit_u_scale_length_mm);
  if (isfinite(offset))
    sp_say(s, ", its nut %.3f mm from the datum toward the %s", fabs(offset), offset < 0.0 ? "head" : "bridge");
  if (isfinite(record->fit_residual_rms_mm))
    sp_say(s, "; about that layout they scatter by %.3f mm (rms)", record->fit_residual_rms_mm);
}

void sp_say_before(const sp_record *record, sp_sentence *s)
{
  size_t n = 0, worst = 0;
  char name[24];
  for (size_t i = 0; i < record->mark_count; i++)
    if (isfinite(record->marks[i].from_line_mm)) {
      if (!n || fabs(record->marks[i].from_line_mm) > fabs(record->marks[worst].from_line_mm))
        worst = i;
      n++;
    }
  if (!record->before_known)
    return;
  if (!n) {
    sp_say(s, "no slot stands in both records");
    return;
  }
  sp_say(s, "%zu slots lie %.3f mm to the %s of their lines on the average", n, fabs(record->saw_mean_mm),
         record->saw_mean_mm < 0.0 ? "nut side" : "bridge side");
  if (isfinite(record->saw_sd_mm))
    sp_say(s, ", with a standard deviation of %.3f mm", record->saw_sd_mm);
  sp_say(s, "; the farthest is %s, %.3f mm toward the %s", sp_fret_name(record->marks[worst].fret, name),
         fabs(record->marks[worst].from_line_mm), record->marks[worst].from_line_mm < 0.0 ? "nut" : "bridge");
}

/* A paragraph under its title; nothing where there is nothing to say. */
static void put_said(const char *lead, void (*say)(const sp_record *record, sp_sentence *s), const sp_record *record,
                     FILE *file)
{
  sp_sentence s = {.used = 0};
  say(record, &s);
  if (s.used)
    sp_text_wrapped(lead, 10, s.text, file);
}

/* ---- the whole -------------------------------------------------------------------------------------------------- */

sp_status sp_report_text(const sp_record *record, FILE *file, sp_error *err)
{
  sp_text_headline(record, file);
  sp_text_actions(record, file);
  sp_text_by_hand(record, file);
  sp_text_table(record, file);
  sp_text_edges(record, file);
  sp_text_slots(record, file);
  put_strays(record, file);
  sp_status status = put_findings(record, file, err);
  if (!status)
    status = sp_text_list("Warnings", record->warnings, record->warning_count, file, err);
  fputc('\n', file);
  if (!status)
    status = put_sources(record, file, err);
  if (status)
    return status;
  put_said("Layout:   ", sp_say_layout, record, file);
  put_said("Datum:    ", sp_say_datum, record, file);
  put_said("Partial:  ", sp_say_parts, record, file);
  put_said("Camera:   ", sp_say_camera, record, file);
  put_said("Scale:    ", sp_say_scale, record, file);
  put_said("Joined:   ", sp_say_joins, record, file);
  put_said("Edges:    ", sp_say_edges, record, file);
  put_said("Kerf:     ", sp_say_kerf, record, file);
  put_said("Saw:      ", sp_say_before, record, file);
  put_said("Best fit: ", sp_say_fit, record, file);
  return sp_flush_file(file, err);
}

sp_status sp_report_reference_text(const sp_record *record, FILE *file, sp_error *err)
{
  const bool known = record->reference.kind != SP_REFERENCE_NONE && isfinite(record->reference.px_per_mm);
  fprintf(file, known ? "SCALE READ.\n" : "NO SCALE: lengths cannot be measured in this picture.\n");
  sp_status status = sp_text_list("Warnings", record->warnings, record->warning_count, file, err);
  fputc('\n', file);
  if (!status)
    status = put_sources(record, file, err);
  if (status)
    return status;
  put_said("Camera:   ", sp_say_camera, record, file);
  put_said("Scale:    ", sp_say_scale, record, file);
  return sp_flush_file(file, err);
}
