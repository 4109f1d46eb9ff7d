/* What a line does at the board's edges: in words, and as a table where that says more than the words. */
#include <math.h>

#include "report_internal.h"

static const char *const EDGE_WORDS[SP_EDGES] = {[SP_BASS] = "bass", [SP_TREBLE] = "treble"};

/* Lines that are left alone, or the nut, but lie out at an edge. */
static bool out_at_edge(const sp_mark_record *m)
{
  return m->edges_known && m->verdict != SP_OUT && m->line_verdict == SP_OUT;
}

size_t sp_count_out_at_edge(const sp_record *record)
{
  size_t n = 0;
  for (size_t i = 0; i < record->mark_count; i++)
    n += record->marks[i].fret > 0 && out_at_edge(&record->marks[i]);
  return n;
}

static void say_remedy(const sp_record *record, const sp_mark_record *m, sp_sentence *s)
{
  const char *way = isfinite(record->square_fret) ? "at its own angle" : "square";
  if (m->fret == 0)
    sp_say(s, "; what is measured from it errs alike there, so put it right first");
  else if (record->marks_kind == SP_MARK_KNIFE)
    sp_say(s, ": cut its line again, %s, through its place on the centre line", way);
  else if (record->marks_kind == SP_MARK_SLOT)
    sp_say(s, ": fill the slot and saw it again, %s, through its place on the centre line", way);
  else
    sp_say(s, ": draw it and set it again, %s, through its place on the centre line", way);
}

void sp_say_out_at_edge(const sp_record *record, const sp_mark_record *m, sp_sentence *s)
{
  bool first = true;
  if (!out_at_edge(m))
    return;
  sp_say(s, m->fret == 0              ? "it is the datum in the middle, but "
            : m->verdict == SP_WITHIN ? "within at the centre line, but "
                                      : "undecided at the centre line, and ");
  for (int e = 0; e < SP_EDGES; e++) {
    const sp_edge_record *edge = &m->edge[e];
    if (edge->verdict != SP_OUT)
      continue;
    sp_say(s, "%s%.2f mm too near the %s at the %s edge", first ? "" : " and ", fabs(edge->error_mm),
           edge->error_mm > 0.0 ? "bridge" : "nut", EDGE_WORDS[e]);
    if (isfinite(edge->error_cents) && m->fret)
      sp_say(s, " (%.1f cents %s)", fabs(edge->error_cents), edge->error_cents > 0.0 ? "sharp" : "flat");
    first = false;
  }
  say_remedy(record, m, s);
}

const char SP_EDGE_TITLE[] = "Out at an edge of the board, though not in the middle";

void sp_say_edges(const sp_record *record, sp_sentence *s)
{
  const sp_mark_record *worst = NULL;
  int at = 0;
  for (size_t i = 0; i < record->mark_count; i++)
    for (int e = 0; record->marks[i].edges_known && e < SP_EDGES; e++)
      if (!worst || fabs(record->marks[i].edge[e].error_mm) > fabs(worst->edge[at].error_mm)) {
        worst = &record->marks[i];
        at = e;
      }
  char name[24];
  if (!worst)
    return;
  sp_say(s, "at the board's edges the farthest from its computed place is %s, %.2f mm too near the %s at the %s edge",
         sp_fret_name(worst->fret, name), fabs(worst->edge[at].error_mm),
         worst->edge[at].error_mm > 0.0 ? "bridge" : "nut", EDGE_WORDS[at]);
  sp_say(s, " (bass: the %s, seen from the nut)", record->left_handed ? "left" : "right");
}

/* ---- the text report -------------------------------------------------------------------------------------------- */

void sp_text_out_at_edge(const sp_record *record, FILE *file)
{
  bool first = true;
  for (size_t i = 0; i < record->mark_count; i++) {
    char name[24];
    sp_sentence s = {.used = 0};
    if (!out_at_edge(&record->marks[i]))
      continue;
    if (first)
      fprintf(file, "\n%s\n", SP_EDGE_TITLE);
    first = false;
    sp_say(&s, "%s: ", sp_fret_name(record->marks[i].fret, name));
    sp_say_out_at_edge(record, &record->marks[i], &s);
    sp_text_wrapped("  ", 6, s.text, file);
  }
}

bool sp_edges_need_table(const sp_record *record)
{
  bool known = false, all_within = true;
  for (size_t i = 0; i < record->mark_count; i++) {
    const sp_mark_record *m = &record->marks[i];
    known = known || (m->edges_known && m->fret);
    for (int e = 0; m->edges_known && e < SP_EDGES; e++)
      all_within = all_within && m->edge[e].verdict == SP_WITHIN;
  }
  return known && (!all_within || isfinite(record->square_fret));
}

static void put_edge(const sp_edge_record *e, bool pad, FILE *file)
{
  sp_text_cell(e->layout_mm, 8, 2, false, file);
  sp_text_cell(e->error_mm, 7, 3, true, file);
  sp_text_cell(e->expanded_u_mm, 5, 3, false, file);
  sp_text_cell(e->error_cents, 6, 2, true, file);
  fprintf(file, pad ? " %-10s" : " %s", e->verdict == SP_OUT ? "OUT" : sp_verdict_word(e->verdict));
}

const char SP_EDGES_WORDS[] = "Where the lines meet the board's edges: the computed place, the error, its +/- and the "
                              "cents of a string that runs "
                              "along that edge. The nut's own errors there show how it is askew.";

const char SP_FAN_WORDS[] =
    "The frets are fanned: the angle is the computed one in degrees, and off square is what a line "
    "leans from that.";

void sp_text_edges(const sp_record *record, FILE *file)
{
  const bool fanned = isfinite(record->square_fret);
  if (!sp_edges_need_table(record))
    return;
  fprintf(file,
          "\n       bass edge                               treble edge\n"
          " fret should be   error   +/-  cents verdict   should be   error   +/-  cents verdict%s\n",
          fanned ? "      angle" : "");
  for (size_t i = 0; i < record->mark_count; i++) {
    const sp_mark_record *m = &record->marks[i];
    if (!m->edges_known)
      continue;
    if (m->fret == 0)
      fprintf(file, "  nut");
    else
      fprintf(file, "%5ld", (long)m->fret);
    put_edge(&m->edge[SP_BASS], true, file);
    put_edge(&m->edge[SP_TREBLE], fanned, file);
    if (fanned)
      sp_text_cell(m->layout_angle_deg, 8, 3, true, file);
    fputc('\n', file);
  }
  sp_text_wrapped("  ", 2, SP_EDGES_WORDS, file);
  if (fanned)
    sp_text_wrapped("  ", 2, SP_FAN_WORDS, file);
}
