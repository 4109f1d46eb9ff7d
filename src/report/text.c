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

const char *sp_fret_name(int32_t fret, char into[static 24])
{
  if (fret == 0)
    snprintf(into, 24, "the nut");
  else
    snprintf(into, 24, "fret %ld", (long)fret);
  return into;
}

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

size_t sp_count_frets(const sp_record *record, sp_verdict verdict)
{
  size_t n = 0;
  for (size_t i = 0; i < record->mark_count; i++)
    n += record->marks[i].fret > 0 && record->marks[i].verdict == verdict;
  return n;
}

/* ---- lines that belong to no fret ------------------------------------------------------------------------------- */

static void put_strays(const sp_record *record, FILE *file)
{
  const bool wire = record->marks_kind == SP_MARK_WIRE;
  if (record->stray_count)
    fprintf(file, wire ? "\nWires where no fret belongs\n" : "\nLines that belong to no fret\n");
  for (size_t i = 0; i < record->stray_count; i++) {
    const sp_stray_record *s = &record->strays[i];
    if (isfinite(s->x_mm))
      fprintf(file, "  - %.2f mm from the nut", s->x_mm);
    else
      fprintf(file, "  - at %.0f, %.0f px of the picture", s->end_a_px.x, s->end_a_px.y);
    fprintf(file, "%s\n",
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

static void put_layout(const sp_record *record, FILE *file)
{
  if (!isfinite(record->scale_length_mm))
    return;
  if (record->divisions > 0)
    fprintf(file, "Layout:   scale length %.6g mm, %ld frets, %ld equal divisions of the octave\n",
            record->scale_length_mm, (long)record->frets, (long)record->divisions);
  else
    fprintf(file, "Layout:   scale length %.6g mm, %ld frets, from a list of steps\n", record->scale_length_mm,
            (long)record->frets);
}

static void put_datum(const sp_record *record, FILE *file)
{
  static const char *const WORDS[] = {"the nut line", "the squared end of the board",
                                      "the place of the nut that fits the frets best (no nut was seen)"};
  static const char *const FRETTED[] = {"the zero fret", "the nut's face toward the frets",
                                        "the place of the nut that fits the frets best (no nut was seen)"};
  const int known = isfinite(record->datum_u_mm);
  fprintf(file, "Datum:    %s", (record->marks_kind == SP_MARK_WIRE ? FRETTED : WORDS)[record->datum]);
  if (known)
    fprintf(file, ", located to %.3f mm (standard uncertainty)", record->datum_u_mm);
  fputc('\n', file);
}

static void put_fit(const sp_record *record, FILE *file)
{
  const double offset = record->fit_offset_mm;
  char text[320];
  if (!isfinite(record->fit_scale_length_mm))
    return;
  int n = snprintf(text, sizeof text, "the marks follow a scale length of %.3f mm", record->fit_scale_length_mm);
  if (isfinite(record->fit_u_scale_length_mm))
    n += snprintf(text + n, sizeof text - (size_t)n, " (standard uncertainty %.3f mm)", record->fit_u_scale_length_mm);
  if (isfinite(offset))
    n += snprintf(text + n, sizeof text - (size_t)n, ", its nut %.3f mm from the datum toward the %s", fabs(offset),
                  offset < 0.0 ? "head" : "bridge");
  if (isfinite(record->fit_residual_rms_mm))
    snprintf(text + n, sizeof text - (size_t)n, "; about that layout they scatter by %.3f mm (rms)",
             record->fit_residual_rms_mm);
  sp_text_wrapped("Best fit: ", 10, text, file);
}

/* Where the saw went, against the lines of the earlier record. */
static void put_before(const sp_record *record, FILE *file)
{
  char text[400];
  size_t n = 0, worst = 0;
  for (size_t i = 0; i < record->mark_count; i++)
    if (isfinite(record->marks[i].from_line_mm)) {
      if (!n || fabs(record->marks[i].from_line_mm) > fabs(record->marks[worst].from_line_mm))
        worst = i;
      n++;
    }
  if (!record->before_known)
    return;
  if (!n) {
    sp_text_wrapped("Saw:      ", 10, "no slot stands in both records", file);
    return;
  }
  char name[24];
  int at = snprintf(text, sizeof text, "%zu slots lie %.3f mm to the %s of their lines on the average", n,
                    fabs(record->saw_mean_mm), record->saw_mean_mm < 0.0 ? "nut side" : "bridge side");
  if (isfinite(record->saw_sd_mm))
    at += snprintf(text + at, sizeof text - (size_t)at, ", with a standard deviation of %.3f mm", record->saw_sd_mm);
  snprintf(text + at, sizeof text - (size_t)at, "; the farthest is %s, %.3f mm toward the %s",
           sp_fret_name(record->marks[worst].fret, name), fabs(record->marks[worst].from_line_mm),
           record->marks[worst].from_line_mm < 0.0 ? "nut" : "bridge");
  sp_text_wrapped("Saw:      ", 10, text, file);
}

/* ---- the whole -------------------------------------------------------------------------------------------------- */

sp_status sp_report_text(const sp_record *record, FILE *file, sp_error *err)
{
  sp_text_headline(record, file);
  sp_text_actions(record, file);
  sp_text_table(record, file);
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
  put_layout(record, file);
  put_datum(record, file);
  sp_text_camera(record, file);
  sp_text_scale(record, file);
  sp_text_kerf(record, file);
  put_before(record, file);
  put_fit(record, file);
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
  sp_text_camera(record, file);
  sp_text_scale(record, file);
  return sp_flush_file(file, err);
}
