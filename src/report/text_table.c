/* The table of all marks, and the paragraph on how the scale was read. */
#include <math.h>

#include "report_internal.h"

void sp_text_cell(double value, int width, int decimals, bool sign, FILE *file)
{
  if (!isfinite(value)) {
    fprintf(file, " %*s", width, "-");
    return;
  }
  const double half_step = 0.5 * pow(10.0, -decimals);
  if (fabs(value) < half_step) /* what rounds to zero has no sign */
    fprintf(file, " %*.*f", width, decimals, 0.0);
  else
    fprintf(file, sign ? " %+*.*f" : " %*.*f", width, decimals, value);
}

static void put_row(const sp_mark_record *m, FILE *file)
{
  const bool f = m->found;
  if (m->fret == 0)
    fprintf(file, "  nut");
  else
    fprintf(file, "%5ld", (long)m->fret);
  sp_text_cell(m->layout_mm, 10, 3, false, file);
  sp_text_cell(f ? m->x_mm : NAN, 9, 3, false, file);
  sp_text_cell(f ? m->error_mm : NAN, 8, 3, true, file);
  sp_text_cell(f ? m->expanded_u_mm : NAN, 6, 3, false, file);
  sp_text_cell(f ? m->error_cents : NAN, 8, 2, true, file);
  sp_text_cell(f ? m->expanded_u_cents : NAN, 6, 2, false, file);
  sp_text_cell(f ? m->squareness_deg : NAN, 9, 3, true, file);
  sp_text_cell(f ? m->width_mm : NAN, 7, 3, false, file);
  const char *word = f && m->fret == 0 ? "(datum)" : m->verdict == SP_OUT ? "OUT" : sp_verdict_word(m->verdict);
  const char *note = sp_by_hand_note(m);
  fprintf(file, note ? "  %s, %s\n" : "  %s\n", word, note);
}

const char SP_TABLE_WORDS[] =
    "Places are from the nut along the centre line. Error: + is too near the bridge, which sounds sharp. +/- is the "
    "expanded uncertainty (k = 2, about 95 %). Off square: + where the end on the right, seen from the nut, is nearer "
    "the bridge.";

void sp_text_table(const sp_record *record, FILE *file)
{
  if (!record->mark_count)
    return;
  fprintf(file, "\n fret  should be        is    error    +/-    cents    +/-   off sq.   width  verdict\n"
                "              mm        mm       mm     mm                       deg      mm\n");
  for (size_t i = 0; i < record->mark_count; i++)
    put_row(&record->marks[i], file);
  sp_text_wrapped("  ", 2, SP_TABLE_WORDS, file);
}

/* ---- the scale -------------------------------------------------------------------------------------------------- */

/* As it stands on the rule: binary fractions of an inch, else millimetres. */
static void say_spacing(double mm, sp_sentence *s)
{
  const double parts = 25.4 / mm;
  if (parts > 2.0 && fabs(parts - round(parts)) < 1e-6)
    sp_say(s, ", graduated every 1/%.0f in", parts);
  else
    sp_say(s, ", graduated every %.6g mm", mm);
}

static void say_graduations(const sp_reference_record *r, sp_sentence *s)
{
  if (r->kind == SP_REFERENCE_STRIP) {
    sp_say(s, ", %zu piece%s", r->strip_pieces, r->strip_pieces == 1 ? "" : "s");
    if (isfinite(r->strip_stretch))
      sp_say(s, ", printed %.6g times as long as drawn", r->strip_stretch);
  } else if (isfinite(r->graduation_mm)) {
    say_spacing(r->graduation_mm, s);
    sp_say(s, " (%s)", r->graduation_told ? "as told" : "found in the picture");
  }
  if (r->graduations_used)
    sp_say(s, ", %zu graduations used", r->graduations_used);
  if (r->graduation_count > r->graduations_used)
    sp_say(s, ", %zu left out", r->graduation_count - r->graduations_used);
}

/* Less is not worth a sentence. */
static const double LEAST_UNEVENNESS_MM = 0.0005;

static void say_span(const sp_reference_record *r, bool photographed, sp_sentence *s)
{
  if (isfinite(r->span_mm))
    sp_say(s, ", spanning %.6g mm", r->span_mm);
  if (isfinite(r->px_per_mm))
    sp_say(s, "; %.4f px per mm along the board", r->px_per_mm);
  if (isfinite(r->px_per_mm_across))
    sp_say(s, ", %.4f across", r->px_per_mm_across);
  sp_say(s, ".");
  if (isfinite(r->fit_rms_mm))
    sp_say(s, " The graduations agree to %.4f mm (rms).", r->fit_rms_mm);
  if (isfinite(r->carriage_rms_mm) && r->carriage_rms_mm >= LEAST_UNEVENNESS_MM)
    sp_say(s, " An unevenness of the %s of %.4f mm (rms) was straightened by %s.",
           photographed ? "straightened picture" : "scan", r->carriage_rms_mm,
           r->kind == SP_REFERENCE_PROFILE ? "it" : "them");
}

/* What the permissible error of the reference means for the errors above. */
static void say_mpe(const sp_reference_record *r, sp_sentence *s)
{
  if (!isfinite(r->mpe_mm))
    return;
  if (r->mpe_mm > 0.0)
    sp_say(s,
           " The reference itself may be wrong by up to %.4g mm over that span (maximum permissible error); every +/- "
           "stated includes its share.",
           r->mpe_mm);
  else
    sp_say(s, " The reference was taken as free of error, as told.");
}

void sp_say_scale(const sp_record *record, sp_sentence *s)
{
  static const char *const NAMES[] = {[SP_REFERENCE_RULE] = "a steel rule",
                                      [SP_REFERENCE_STRIP] = "a printed strip",
                                      [SP_REFERENCE_PROFILE] = "a profile of the scanner",
                                      [SP_REFERENCE_DISTANCE] = "a known distance between two points",
                                      [SP_REFERENCE_DPI] =
                                          "the resolution that the file states (a claim, not a measurement)"};
  const sp_reference_record *r = &record->reference;
  if (r->kind == SP_REFERENCE_NONE || !NAMES[r->kind]) {
    sp_say(s, "none. Lay a steel rule beside the board, close to it and along it, and scan again.");
  } else {
    sp_say(s, "%s", NAMES[r->kind]);
    say_graduations(r, s);
    say_span(r, record->camera.known, s);
    say_mpe(r, s);
  }
}

void sp_say_camera(const sp_record *record, sp_sentence *s)
{
  const sp_camera_record *c = &record->camera;
  if (!c->known)
    return;
  const bool strip = record->reference.kind == SP_REFERENCE_STRIP;
  sp_say(s, "a photograph, made square by the %s: taken ",
         strip                 ? "printed strip in it"
         : c->edge_strokes > 0 ? "rule in it, by the graduations of both its edges"
                               : "rule in it, by the graduations of one edge");
  if (isfinite(c->distance_mm))
    sp_say(s, "from about %.0f mm, ", c->distance_mm);
  sp_say(s, "%.1f degrees from square", c->tilt_deg);
  sp_say(s, "; the %s agree with a lens to %.2f px (rms).", strip ? "strip's corners" : "rule's strokes",
         c->fit_rms_px);
}
