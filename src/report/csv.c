/* The marks as a table for a spreadsheet, after RFC 4180. All fields are numbers or the project's own words, so nothing
 * needs quoting; the lines end in CR LF. */
#include "slotproof/report.h"

#include <math.h>

#include "report_internal.h"

static void put_number(double value, int decimals, FILE *file)
{
  fputc(',', file);
  if (!isfinite(value))
    return;
  /* what rounds to zero has no sign */
  const double half_step = 0.5 * pow(10.0, -decimals);
  fprintf(file, "%.*f", decimals, fabs(value) < half_step ? 0.0 : value);
}

/* `corrected`: the record has corrections, and a column more. */
static void put_mark(const sp_mark_record *m, bool corrected, FILE *file)
{
  const bool f = m->found;
  fprintf(file, "%ld,%s,%s", (long)m->fret, f ? "found" : "missing", sp_verdict_word(m->verdict));
  put_number(m->layout_mm, 6, file);
  put_number(f ? m->x_mm : NAN, 6, file);
  put_number(f ? m->error_mm : NAN, 6, file);
  put_number(f ? m->u_mm : NAN, 6, file);
  put_number(f ? m->expanded_u_mm : NAN, 6, file);
  put_number(f ? m->error_cents : NAN, 4, file);
  put_number(f ? m->expanded_u_cents : NAN, 4, file);
  put_number(f ? m->recut_mm : NAN, 6, file);
  put_number(f ? m->squareness_deg : NAN, 5, file);
  put_number(f ? m->u_squareness_deg : NAN, 5, file);
  put_number(f ? m->width_mm : NAN, 5, file);
  put_number(f ? m->contrast : NAN, 4, file);
  put_number(f ? m->coverage : NAN, 4, file);
  put_number(f ? m->end_a_px.x : NAN, 3, file);
  put_number(f ? m->end_a_px.y : NAN, 3, file);
  put_number(f ? m->end_b_px.x : NAN, 3, file);
  put_number(f ? m->end_b_px.y : NAN, 3, file);
  for (int e = 0; e < SP_EDGES; e++) {
    const bool known = f && m->edges_known;
    put_number(known ? m->edge[e].layout_mm : NAN, 6, file);
    put_number(known ? m->edge[e].error_mm : NAN, 6, file);
    put_number(known ? m->edge[e].expanded_u_mm : NAN, 6, file);
    put_number(known ? m->edge[e].error_cents : NAN, 4, file);
    fprintf(file, ",%s", known ? sp_verdict_word(m->edge[e].verdict) : "");
  }
  if (corrected)
    fprintf(file, ",%s", sp_by_hand_word(m->by_hand) ? sp_by_hand_word(m->by_hand) : "");
  fputs("\r\n", file);
}

sp_status sp_report_csv(const sp_record *record, FILE *file, sp_error *err)
{
  fputs("fret,state,verdict,layout_mm,x_mm,error_mm,u_mm,expanded_u_mm,error_cents,expanded_u_cents,recut_mm,"
        "squareness_deg,u_squareness_deg,width_mm,contrast,coverage,end_a_x_px,end_a_y_px,end_b_x_px,end_b_y_px,"
        "bass_layout_mm,bass_error_mm,bass_expanded_u_mm,bass_error_cents,bass_verdict,"
        "treble_layout_mm,treble_error_mm,treble_expanded_u_mm,treble_error_cents,treble_verdict",
        file);
  fputs(record->correction_count ? ",by_hand\r\n" : "\r\n", file);
  for (size_t i = 0; i < record->mark_count; i++)
    put_mark(&record->marks[i], record->correction_count > 0, file);
  return sp_flush_file(file, err);
}
