/* The first screen: the verdict in words and what to do, one line a fret with room to tick it off. */
#include <math.h>
#include <string.h>

#include "page_internal.h"

static void put_capital(sp_markup *m, const char *element, const char *class_name, const char *text, const char *stop)
{
  const char first = text[0] >= 'a' && text[0] <= 'z' ? (char)(text[0] - 'a' + 'A') : text[0];
  if (first)
    sp_markup_putf(m, element, class_name, "%c%s%s", first, text + 1, stop);
}

/* ---- the verdict ------------------------------------------------------------------------------------------------ */

void sp_page_verdict(sp_page *page)
{
  static const char *const WORDS[] = {[SP_WITHIN] = "Within tolerance",
                                      [SP_OUT] = "Out of tolerance",
                                      [SP_UNDECIDED] = "Not decided",
                                      [SP_MISSING] = "Not decided"};
  sp_markup *m = page->markup;
  const sp_record *r = page->record;
  sp_sentence counts = {.used = 0};
  char tolerance[80];
  sp_say_counts(r, &counts);
  sp_tolerance_words(r, tolerance, sizeof tolerance);
  sp_markup_begin(m, "section");
  sp_markup_setf(m, "class", "verdict %s", sp_verdict_word(r->verdict));
  sp_markup_set(m, "aria-labelledby", "verdict");
  sp_page_sign(m, r->verdict, 1.0);
  sp_markup_begin(m, "h2");
  sp_markup_set(m, "id", "verdict");
  sp_markup_text(m, WORDS[r->verdict]);
  sp_markup_end(m);
  put_capital(m, "p", "counts", counts.text, ".");
  const sp_finding *other = sp_other_scale(r);
  if (other)
    sp_markup_putf(m, "p", "first", "First of all: %s", other->text);
  if (r->tolerance_default)
    sp_markup_putf(m, "p", "note", "No tolerance was given, so %s was taken.", tolerance);
  sp_markup_end(m);
}

/* ---- what to do ------------------------------------------------------------------------------------------------- */

static void put_name(sp_page *page, const sp_mark_record *mark)
{
  char name[24];
  sp_page_sign(page->markup, mark->verdict, isfinite(mark->error_mm) ? -mark->error_mm : 1.0);
  put_capital(page->markup, "b", "name", sp_fret_name(mark->fret, name), "");
}

static void put_out(sp_page *page, const sp_mark_record *mark)
{
  sp_markup *m = page->markup;
  const bool high = mark->error_mm > 0.0;
  put_name(page, mark);
  if (isfinite(mark->recut_mm))
    sp_markup_putf(m, "b", "move", "%s%.2f mm toward the %s%s", high ? "\xe2\x86\x90 " : "", fabs(mark->recut_mm),
                   high ? "nut" : "bridge", high ? "" : " \xe2\x86\x92");
  sp_markup_begin(m, "span");
  sp_markup_set(m, "class", "why");
  sp_markup_textf(m, "It lies %.2f mm too near the %s", fabs(mark->error_mm), high ? "bridge" : "nut");
  if (isfinite(mark->error_cents))
    sp_markup_textf(m, ", %.1f cents %s", fabs(mark->error_cents), mark->error_cents > 0.0 ? "sharp" : "flat");
  sp_markup_text(m, mark->action == SP_ACTION_RECUT_BESIDE
                        ? ". The old line will show beside the kerf: fill it, so that the saw cannot drop into it."
                    : mark->action == SP_ACTION_FILL ? ". Fill the slot with wood, trim it and saw anew."
                    : mark->action == SP_ACTION_DRESS
                        ? ". Dress its crown over by that much, or draw it and set it there."
                    : mark->action == SP_ACTION_REFRET
                        ? ". Draw it, fill the slot with wood, saw it anew in the right place and fret again."
                        : ".");
  sp_markup_end(m);
}

/* The one source of doubt that all undecided marks share; NULL if they differ. */
static const char *common_doubt(const sp_record *r)
{
  const char *common = NULL;
  for (size_t i = 0; i < r->mark_count; i++) {
    const sp_mark_record *m = &r->marks[i];
    if (m->verdict != SP_UNDECIDED)
      continue;
    if (!isfinite(m->error_mm) || !isfinite(m->expanded_u_mm))
      return NULL;
    const char *doubt = sp_largest_doubt(&m->budget);
    if (common && strcmp(common, doubt) != 0)
      return NULL;
    common = doubt;
  }
  return common;
}

/* Without what has been said of all of them. */
static void say_briefly(const sp_mark_record *mark, sp_sentence *s)
{
  sp_say(s, "%.2f mm too near the %s, sure only to \xc2\xb1 %.2f mm", fabs(mark->error_mm),
         mark->error_mm > 0.0 ? "bridge" : "nut", mark->expanded_u_mm);
}

static void put_judged(sp_page *page, const sp_mark_record *mark)
{
  sp_sentence s = {.used = 0};
  put_name(page, mark);
  if (mark->verdict == SP_MISSING)
    sp_say_missing(page->record, mark, &s);
  else if (common_doubt(page->record))
    say_briefly(mark, &s);
  else
    sp_say_undecided(mark, &s);
  put_capital(page->markup, "span", "why", s.text, ".");
}

static void put_group(sp_page *page, sp_verdict verdict, const char *title, const char *hint)
{
  sp_markup *m = page->markup;
  if (!sp_count_marks(page->record, verdict))
    return;
  sp_markup_put(m, "h3", NULL, title);
  if (hint)
    sp_markup_put(m, "p", "note", hint);
  sp_markup_begin(m, "ul");
  sp_markup_set(m, "class", "to-do");
  for (size_t i = 0; i < page->record->mark_count; i++) {
    const sp_mark_record *mark = &page->record->marks[i];
    if (mark->verdict != verdict)
      continue;
    sp_markup_begin(m, "li");
    sp_page_name_mark(page, mark);
    if (verdict == SP_OUT)
      put_out(page, mark);
    else
      put_judged(page, mark);
    sp_markup_end(m);
  }
  sp_markup_end(m);
}

static void put_remedies(sp_page *page)
{
  bool first = true;
  for (int k = 0; k < SP_REMEDIES; k++) {
    sp_sentence s = {.used = 0};
    if (!page->record->remedies[k].helps)
      continue;
    if (first) {
      sp_markup_put(page->markup, "h3", NULL, sp_trade_words_for(page->record)->remedy);
      sp_markup_begin(page->markup, "ul");
      first = false;
    }
    sp_say_remedy(page->record, k, &s);
    sp_markup_put(page->markup, "li", NULL, s.text);
  }
  if (!first)
    sp_markup_end(page->markup);
}

static void put_undecided(sp_page *page)
{
  const char *doubt = common_doubt(page->record);
  char hint[400] = "The limit lies within the doubt: check by hand, or lessen the doubt.";
  const size_t used = strlen(hint);
  if (doubt)
    snprintf(hint + used, sizeof hint - used, " It is there %s.", doubt);
  put_group(page, SP_UNDECIDED, "Undecided", hint);
}

static void put_cutting(sp_page *page)
{
  const sp_record *r = page->record;
  if (sp_other_scale(r)) /* a board for another scale length is not mended line by line */
    return;
  const sp_trade_words *words = sp_trade_words_for(r);
  put_group(page, SP_OUT, r->marks_kind == SP_MARK_SLOT ? "Saw again" : words->group, NULL);
  if (sp_count_frets(r, SP_OUT)) {
    if (words->first)
      sp_markup_put(page->markup, "p", "note", words->first);
    sp_markup_put(page->markup, "p", "care", words->care);
    put_remedies(page);
  }
}

static void put_out_at_edge(sp_page *page)
{
  const sp_record *r = page->record;
  bool first = true;
  for (size_t i = 0; i < r->mark_count; i++) {
    char name[24];
    sp_sentence s = {.used = 0};
    sp_say_out_at_edge(r, &r->marks[i], &s);
    if (!s.used || sp_other_scale(r))
      continue;
    if (first) {
      sp_markup_put(page->markup, "h3", NULL, SP_EDGE_TITLE);
      sp_markup_begin(page->markup, "ul");
    }
    first = false;
    sp_markup_begin(page->markup, "li");
    put_capital(page->markup, "b", NULL, sp_fret_name(r->marks[i].fret, name), ": ");
    sp_markup_text(page->markup, s.text);
    sp_markup_text(page->markup, ".");
    sp_markup_end(page->markup);
  }
  if (!first)
    sp_markup_end(page->markup);
}

static void put_kerf(sp_page *page)
{
  sp_sentence s = {.used = 0};
  sp_say_kerf(page->record, &s);
  if (!s.used)
    return;
  sp_markup_put(page->markup, "h3", NULL, "Kerf");
  put_capital(page->markup, "p", NULL, s.text, ".");
}

static void put_untrue(sp_page *page)
{
  bool first = true;
  for (size_t i = 0; i < page->record->mark_count; i++) {
    char name[24];
    sp_sentence s = {.used = 0};
    sp_say_slot(page->record, &page->record->marks[i], &s);
    if (!s.used)
      continue;
    if (first) {
      sp_markup_put(page->markup, "h3", NULL, SP_UNTRUE_WORDS);
      sp_markup_begin(page->markup, "ul");
    }
    first = false;
    sp_markup_begin(page->markup, "li");
    put_capital(page->markup, "b", NULL, sp_fret_name(page->record->marks[i].fret, name), ": ");
    sp_markup_text(page->markup, s.text);
    sp_markup_text(page->markup, ".");
    sp_markup_end(page->markup);
  }
  if (first)
    return;
  sp_markup_end(page->markup);
  sp_markup_put(page->markup, "p", "note", SP_TANG_WORDS);
}

static void put_warnings(sp_page *page)
{
  const sp_record *r = page->record;
  if (!r->warning_count)
    return;
  sp_markup_put(page->markup, "h3", NULL, "Warnings");
  sp_markup_begin(page->markup, "ul");
  for (size_t i = 0; i < r->warning_count; i++)
    put_capital(page->markup, "li", NULL, r->warnings[i], ".");
  sp_markup_end(page->markup);
}

void sp_page_to_do(sp_page *page)
{
  sp_markup *m = page->markup;
  const sp_record *r = page->record;
  sp_page_section(m, "to-do", "What to do");
  if (!sp_count_found(r)) {
    sp_markup_put(m, "p", NULL, "No line could be told to be a certain fret. Mend what is said here and scan again.");
  } else if (r->verdict == SP_WITHIN) {
    sp_markup_put(m, "p", NULL,
                  sp_count_out_at_edge(r) ? "Leave the marks as they are, but for those named here."
                                          : "Leave the marks as they are.");
  } else {
    put_cutting(page);
    put_group(page, SP_MISSING, "Missing", "Clean the board and scan again if they are there.");
    if (!sp_any_length(r))
      sp_markup_put(m, "p", NULL, SP_NO_LENGTH_WORDS);
    else
      put_undecided(page);
  }
  put_out_at_edge(page);
  put_kerf(page);
  put_untrue(page);
  put_warnings(page);
  sp_page_section_end(m);
}
