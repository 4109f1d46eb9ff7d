/* The verdict in words, and what to do: which frets to cut again and which way, which could not be judged and why. */
#include <math.h>
#include <string.h>

#include "report_internal.h"

/* ---- the first line --------------------------------------------------------------------------------------------- */

static bool nut_unseen(const sp_record *record)
{
  return record->mark_count && record->marks[0].fret == 0 && !record->marks[0].found;
}

/* "2 of 20 frets are out, 1 missing, 3 undecided; the other 14 are within 0.2 mm" */
void sp_say_counts(const sp_record *record, sp_sentence *s)
{
  static const sp_verdict ORDER[] = {SP_OUT, SP_MISSING, SP_UNDECIDED};
  const size_t within = sp_count_frets(record, SP_WITHIN);
  char tolerance[80];
  sp_tolerance_words(record, tolerance, sizeof tolerance);
  const long frets = (long)record->frets;
  bool first = true;
  for (size_t i = 0; i < sizeof ORDER / sizeof *ORDER; i++) {
    const size_t n = sp_count_frets(record, ORDER[i]);
    if (n && first)
      sp_say(s, "%zu of %ld frets %s %s", n, frets, n == 1 ? "is" : "are", sp_verdict_word(ORDER[i]));
    else if (n)
      sp_say(s, ", %zu %s", n, sp_verdict_word(ORDER[i]));
    first = first && !n;
  }
  if (!record->mark_count)
    sp_say(s, "no fret was looked for");
  else if (first)
    sp_say(s, "all %ld frets are within %s", frets, tolerance);
  else if (within)
    sp_say(s, "; the other %zu %s within %s", within, within == 1 ? "is" : "are", tolerance);
  const size_t askew = sp_count_out_at_edge(record);
  if (askew)
    sp_say(s, "; %zu of them, not out in the middle, %s out at an edge of the board", askew, askew == 1 ? "is" : "are");
  if (nut_unseen(record))
    sp_say(s, "; the nut was not found");
}

void sp_text_headline(const sp_record *record, FILE *file)
{
  char tolerance[80];
  sp_tolerance_words(record, tolerance, sizeof tolerance);
  const char *word = record->verdict == SP_WITHIN ? "WITHIN TOLERANCE"
                     : record->verdict == SP_OUT  ? "OUT OF TOLERANCE"
                                                  : "NOT DECIDED";
  sp_sentence s = {.used = 0};
  sp_say_counts(record, &s);
  fprintf(file, "%s: %s.\n", word, s.text);
  const sp_finding *other = sp_other_scale(record);
  if (other)
    sp_text_wrapped("First of all: ", 2, other->text, file);
  if (record->tolerance_default)
    fprintf(file, "No tolerance was given, so %s was taken.\n", tolerance);
}

/* ---- single frets ----------------------------------------------------------------------------------------------- */

/* ", 2.1 cents sharp" or nothing. */
static void put_cents(const sp_mark_record *m, char *into, size_t size)
{
  into[0] = '\0';
  if (isfinite(m->error_cents))
    snprintf(into, size, ", %.1f cents %s", fabs(m->error_cents), m->error_cents > 0.0 ? "sharp" : "flat");
}

static void put_out(const sp_mark_record *m, FILE *file)
{
  char name[24], cents[64], text[320];
  put_cents(m, cents, sizeof cents);
  const char *near = m->error_mm > 0.0 ? "bridge" : "nut", *toward = m->error_mm > 0.0 ? "nut" : "bridge";
  int n = snprintf(text, sizeof text, "%s: %.2f mm too near the %s%s", sp_fret_name(m->fret, name), fabs(m->error_mm),
                   near, cents);
  const double far = fabs(m->recut_mm);
  if (m->action == SP_ACTION_DRESS)
    n += snprintf(text + n, sizeof text - (size_t)n,
                  ": dress its crown over by %.2f mm toward the %s, or draw it and set it there", far, toward);
  else if (m->action == SP_ACTION_REFRET)
    n += snprintf(text + n, sizeof text - (size_t)n,
                  ": draw it, fill the slot with wood, saw it %.2f mm further toward the %s and fret again", far,
                  toward);
  else if (isfinite(m->recut_mm))
    n += snprintf(text + n, sizeof text - (size_t)n, ": re-cut %.2f mm toward the %s", fabs(m->recut_mm), toward);
  if (n > 0 && (size_t)n < sizeof text && m->action == SP_ACTION_RECUT_BESIDE)
    snprintf(text + n, sizeof text - (size_t)n,
             "; the old line will show beside the kerf: fill it, so that the saw "
             "cannot drop into it");
  sp_text_wrapped("  ", 6, text, file);
}

const char *sp_largest_doubt(const sp_budget *b)
{
  static const char *const WORDS[] = {
      "mostly for the mark, which is faint or frayed (clean it, scan at a higher resolution)",
      "mostly for reading the scale (scan at a higher resolution, with a rule as long as the board)",
      "mostly for where the nut is (clean it or the board's end, scan at a higher resolution)",
      "mostly for what the reference itself may be wrong by (give its certified error with --reference-mpe)",
      "mostly for the temperature (let rule and board rest at 20 C)"};
  const double parts[] = {b->line_mm, b->map_mm, b->datum_mm, b->rule_mm, b->temperature_mm};
  size_t most = 0;
  for (size_t i = 1; i < sizeof parts / sizeof *parts; i++)
    if (parts[i] > parts[most] || !isfinite(parts[most])) /* false where parts[i] is not known */
      most = i;
  return isfinite(parts[most]) ? WORDS[most] : "for reasons that are not known";
}

void sp_say_undecided(const sp_mark_record *m, sp_sentence *s)
{
  char cents[64];
  put_cents(m, cents, sizeof cents);
  const char *near = m->error_mm > 0.0 ? "bridge" : "nut";
  if (!isfinite(m->error_mm)) /* no length: only the cents against the best-fitting layout are left */
    sp_say(s, "no length is known%s%s", cents, cents[0] ? " against the best-fitting layout" : "");
  else if (!isfinite(m->expanded_u_mm))
    sp_say(s, "%.3f mm too near the %s%s, but how sure that is is not known", fabs(m->error_mm), near, cents);
  else
    sp_say(s, "%.3f mm too near the %s%s, sure only to +/- %.3f mm, %s", fabs(m->error_mm), near, cents,
           m->expanded_u_mm, sp_largest_doubt(&m->budget));
}

void sp_say_missing(const sp_record *record, const sp_mark_record *m, sp_sentence *s)
{
  if (m->fret == 0)
    sp_say(s, "neither %s was found; the frets are compared with each other",
           record->marks_kind == SP_MARK_WIRE ? "a zero fret nor the nut's face" : "a line nor a squared end");
  else
    sp_say(s, "no %s was found where it belongs, %.2f mm from the nut", sp_trade_words_for(record)->mark, m->layout_mm);
}

static void put_judged(const sp_record *record, const sp_mark_record *m, FILE *file)
{
  char name[24];
  sp_sentence s = {.used = 0};
  sp_say(&s, "%s: ", sp_fret_name(m->fret, name));
  if (m->verdict == SP_MISSING)
    sp_say_missing(record, m, &s);
  else
    sp_say_undecided(m, &s);
  sp_text_wrapped("  ", 6, s.text, file);
}

/* ---- groups ----------------------------------------------------------------------------------------------------- */

static void put_group(const sp_record *record, sp_verdict verdict, const char *title, FILE *file)
{
  bool first = true;
  for (size_t i = 0; i < record->mark_count; i++) {
    const sp_mark_record *m = &record->marks[i];
    if (m->verdict != verdict)
      continue;
    if (first)
      fprintf(file, "\n%s\n", title);
    first = false;
    if (verdict == SP_OUT)
      put_out(m, file);
    else
      put_judged(record, m, file);
  }
}

static void put_frets_after(const sp_record *record, int which, char *text, size_t size)
{
  size_t n = 0, left = record->remedies[which].recuts;
  if (!left) {
    snprintf(text, size, "then no fret has to be %s", sp_trade_words_for(record)->again);
    return;
  }
  n = (size_t)snprintf(text, size, "then only fret%s", left == 1 ? "" : "s");
  for (size_t i = 0; i < record->mark_count && n < size; i++)
    if (record->marks[i].out_after[which])
      n += (size_t)snprintf(text + n, size - n, " %d%s", (int)record->marks[i].fret, --left ? "," : "");
  if (n < size)
    snprintf(text + n, size - n, " %s to be %s", record->remedies[which].recuts == 1 ? "has" : "have",
             sp_trade_words_for(record)->again);
}

void sp_say_remedy(const sp_record *record, int which, sp_sentence *s)
{
  const sp_remedy *r = &record->remedies[which];
  char frets[300];
  put_frets_after(record, which, frets, sizeof frets);
  const char *way = r->nut_mm > 0.0 ? "toward the bridge" : "away from the bridge";
  const char *far = r->saddle_mm > 0.0 ? "further from" : "nearer to";
  if (r->saddle_mm == 0.0)
    sp_say(s, "Move the nut %.2f mm %s: %s.", fabs(r->nut_mm), way, frets);
  else if (r->nut_mm == 0.0)
    sp_say(s, "Put the saddle %.2f mm %s the nut: %s.", fabs(r->saddle_mm), far, frets);
  else
    sp_say(s, "Move the nut %.2f mm %s and put the saddle %.2f mm %s the nut's old place: %s.", fabs(r->nut_mm), way,
           fabs(r->saddle_mm), far, frets);
}

static void put_remedies(const sp_record *record, FILE *file)
{
  bool first = true;
  for (int k = 0; k < SP_REMEDIES; k++) {
    sp_sentence s = {.used = 0};
    if (!record->remedies[k].helps)
      continue;
    sp_say_remedy(record, k, &s);
    if (first)
      fprintf(file, "\n%s\n", sp_trade_words_for(record)->remedy);
    first = false;
    sp_text_wrapped("  ", 6, s.text, file);
  }
}

size_t sp_count_found(const sp_record *record)
{
  size_t n = 0;
  for (size_t i = 0; i < record->mark_count; i++)
    n += record->marks[i].found;
  return n;
}

bool sp_any_length(const sp_record *record)
{
  for (size_t i = 0; i < record->mark_count; i++)
    if (isfinite(record->marks[i].error_mm))
      return true;
  return false;
}

const char SP_NO_LENGTH_WORDS[] =
    "Without a scale no length can be given. The cents in the table compare the frets with each other: they are "
    "against the best-fitting layout. Lay a steel rule beside the board and scan again.";

static void put_care(const sp_record *record, FILE *file)
{
  const sp_trade_words *words = sp_trade_words_for(record);
  if (words->first && sp_count_frets(record, SP_OUT))
    sp_text_wrapped("  ", 2, words->first, file);
  sp_text_wrapped("  ", 2, words->care, file);
}

void sp_text_actions(const sp_record *record, FILE *file)
{
  if (!sp_count_found(record)) {
    sp_text_wrapped("", 0, sp_trade_words_for(record)->no_fret, file);
    return;
  }
  /* a board for another scale length is not mended line by line */
  if (!sp_other_scale(record)) {
    put_group(record, SP_OUT, sp_trade_words_for(record)->group, file);
    if (sp_count_frets(record, SP_OUT)) {
      put_care(record, file);
      put_remedies(record, file);
    }
    sp_text_out_at_edge(record, file);
  }
  put_group(record, SP_MISSING, "Missing (clean the board and scan again if they are there)", file);
  if (!sp_any_length(record))
    sp_text_wrapped("\n", 0, SP_NO_LENGTH_WORDS, file);
  else
    put_group(record, SP_UNDECIDED, "Undecided (the limit lies within the doubt: check by hand, or lessen the doubt)",
              file);
}
