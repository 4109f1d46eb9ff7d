/* The batch as one page to pin to the wall: its frame, the verdict, what to do, and the boards, worst first.
 *
 * Order: what to act on (verdict, what to do, boards to work on), then what shows why (map of all errors, frets,
 * causes, charts), then how far to trust it. As every report it computes nothing. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "batch_page.h"

static void put_sign_text(sp_markup *m, sp_verdict verdict, const char *element, const char *class_name,
                          const char *text)
{
  sp_page_sign(m, verdict, 1.0);
  sp_markup_put(m, element, class_name, text);
}

/* ---- the verdict ------------------------------------------------------------------------------------------------ */

static sp_verdict verdict_of(const sp_batch_page *page)
{
  const int status = sp_batch_exit_status(page->batch);
  return status == 0 ? SP_WITHIN : status == 1 ? SP_OUT : SP_UNDECIDED;
}

static void put_title(const sp_batch_page *page)
{
  sp_markup *m = page->markup;
  sp_markup_begin(m, "header");
  sp_markup_begin(m, "h1");
  sp_markup_text(m, "Fretboards checked together ");
  sp_markup_putf(m, "bdi", NULL, "%zu board%s", page->tally.all, page->tally.all == 1 ? "" : "s");
  sp_markup_end(m);
  for (size_t i = 0; i < page->batch->group_count; i++) {
    const sp_batch_group *g = &page->batch->group[i];
    sp_sentence s = {.used = 0};
    sp_batch_say_layout(g, &s);
    if (page->batch->group_count > 1 || g->board_count != page->tally.all)
      sp_say(&s, ": %zu boards summed up", g->board_count);
    sp_batch_page_sentence(m, "p", "layout", s.text);
  }
  sp_page_by_hand(m, "Batch");
  sp_markup_end(m);
}

static void put_verdict(const sp_batch_page *page)
{
  static const char *const WORDS[] = {
      [SP_WITHIN] = "Within tolerance", [SP_OUT] = "Out of tolerance", [SP_UNDECIDED] = "Not decided"};
  const sp_verdict v = verdict_of(page);
  sp_markup *m = page->markup;
  sp_sentence s = {.used = 0};
  sp_markup_begin(m, "section");
  sp_markup_setf(m, "class", "verdict %s", sp_verdict_word(v));
  sp_markup_set(m, "aria-labelledby", "verdict");
  sp_page_sign(m, v, 1.0);
  sp_markup_begin(m, "h2");
  sp_markup_set(m, "id", "verdict");
  sp_markup_text(m, WORDS[v]);
  sp_markup_end(m);
  sp_batch_say_counts(&page->tally, &s);
  sp_batch_page_sentence(m, "p", "counts", s.text);
  sp_markup_end(m);
}

/* ---- what to do ------------------------------------------------------------------------------------------------- */

static void put_alike(const sp_batch_page *page, const sp_batch_fret *f)
{
  sp_markup *m = page->markup;
  const bool high = f->error.mean > 0.0;
  sp_markup_begin(m, "li");
  sp_page_sign(m, SP_OUT, -f->error.mean);
  sp_markup_putf(m, "b", NULL, "fret %ld", (long)f->fret);
  sp_markup_putf(m, "b", "move", high ? "\xe2\x86\x90 %.2f mm" : "%.2f mm \xe2\x86\x92", fabs(f->error.mean));
  sp_markup_end(m);
}

static void put_step(const sp_batch_page *page, const sp_batch_fret *f)
{
  sp_markup *m = page->markup;
  sp_sentence s = {.used = 0};
  sp_markup_begin(m, "li");
  sp_page_sign(m, SP_UNDECIDED, 1.0);
  sp_markup_putf(m, "b", "name", "Fret %ld", (long)f->fret);
  sp_markup_begin(m, "span");
  sp_markup_set(m, "class", "why");
  sp_markup_text(m, "From ");
  sp_markup_put(m, "bdi", NULL, page->batch->board[f->step_board].name);
  sp_batch_say_step(f, &s);
  sp_markup_textf(m, " on %s.", s.text);
  sp_markup_end(m);
  sp_markup_end(m);
}

static bool in_every_group(const sp_batch_page *page, void (*put)(const sp_batch_page *, const sp_batch_fret *),
                           bool steps)
{
  bool any = false;
  for (size_t i = 0; i < page->batch->group_count; i++)
    for (int32_t k = 0; k < page->batch->group[i].frets; k++) {
      const sp_batch_fret *f = &page->batch->group[i].fret[k];
      const bool wanted = steps ? f->step_board != SP_BATCH_NONE : f->systematic && !(f->step_board != SP_BATCH_NONE);
      any = any || wanted;
      if (wanted && put)
        put(page, f);
    }
  return any;
}

static void put_jig(const sp_batch_page *page)
{
  sp_markup *m = page->markup;
  if (in_every_group(page, NULL, false)) {
    sp_markup_put(m, "h3", NULL,
                  page->tally.within == page->tally.all ? "Better yet: the jig or template"
                                                        : "Mend the jig or template");
    sp_markup_put(
        m, "p", NULL,
        "These frets lie wrong by the same amount on every board, by more than chance and the rule’s own doubt "
        "explain. Move them on the jig or template (← toward the nut, → toward the bridge): that helps all boards "
        "to come.");
    sp_markup_begin(m, "ul");
    sp_markup_set(m, "class", "moves chips");
    in_every_group(page, put_alike, false);
    sp_markup_end(m);
  }
  if (in_every_group(page, NULL, true)) {
    sp_markup_put(m, "h3", NULL, "Something changed on the way");
    sp_markup_begin(m, "ul");
    sp_markup_set(m, "class", "to-do");
    in_every_group(page, put_step, true);
    sp_markup_end(m);
  }
}

static void put_unusable(const sp_batch_page *page)
{
  sp_markup *m = page->markup;
  if (!page->tally.unusable)
    return;
  sp_markup_put(m, "h3", NULL, "Pictures that could not be used");
  sp_markup_begin(m, "ul");
  sp_markup_set(m, "class", "to-do unusable");
  for (size_t i = 0; i < page->ranked_count; i++) {
    const sp_batch_board *b = page->ranked[i].board;
    if (!b->status)
      continue;
    sp_markup_begin(m, "li");
    put_sign_text(m, SP_MISSING, "b", "name file", b->name);
    sp_batch_page_sentence(m, "span", "why", b->trouble);
    sp_markup_end(m);
  }
  sp_markup_end(m);
}

static void put_warnings(const sp_batch_page *page)
{
  if (!page->batch->warning_count)
    return;
  sp_markup_put(page->markup, "h3", NULL, "Warnings");
  sp_markup_begin(page->markup, "ul");
  for (size_t i = 0; i < page->batch->warning_count; i++)
    sp_batch_page_sentence(page->markup, "li", NULL, page->batch->warning[i]);
  sp_markup_end(page->markup);
}

void sp_batch_page_to_do(const sp_batch_page *page)
{
  sp_markup *m = page->markup;
  const sp_batch_tally *t = &page->tally;
  sp_page_section(m, "to-do", "What to do");
  if (t->out)
    sp_markup_putf(m, "p", NULL, "Mend %zu board%s, the worst first: the table below says which frets and how far.",
                   t->out, t->out == 1 ? "" : "s");
  if (t->undecided)
    sp_markup_putf(m, "p", NULL,
                   "Look at %zu board%s by hand or scan again: a fret is missing, or its limit lies within the doubt.",
                   t->undecided, t->undecided == 1 ? "" : "s");
  if (t->within == t->all && t->all)
    sp_markup_put(m, "p", NULL, "Leave the boards as they are.");
  put_jig(page);
  put_unusable(page);
  put_warnings(page);
  if (t->out)
    sp_markup_put(m, "p", "care",
                  "Clamp the board, keep both hands behind the edge of knife or saw, wear eye protection, and keep the "
                  "dust out of your lungs.");
  sp_page_section_end(m);
}

/* ---- the whole -------------------------------------------------------------------------------------------------- */

static void put_page(const sp_batch_page *page)
{
  char title[120];
  snprintf(title, sizeof title, "%s: fretboard check of %zu boards", sp_verdict_word(verdict_of(page)),
           page->tally.all);
  sp_page_open(page->markup, title);
  put_title(page);
  sp_markup_begin(page->markup, "main");
  put_verdict(page);
  sp_batch_page_to_do(page);
  sp_batch_page_boards(page);
  for (size_t i = 0; i < page->batch->group_count; i++) {
    sp_batch_page_map(page, i);
    sp_batch_page_frets(page, i);
    sp_batch_page_causes(page, i);
    sp_batch_page_charts(page, i);
  }
  sp_batch_page_study(page);
  sp_batch_page_method(page);
  sp_markup_end(page->markup);
  sp_page_close(page->markup);
}

sp_status sp_batch_html(const sp_batch *batch, FILE *file, sp_error *err)
{
  sp_batch_page page = {.batch = batch, .tally = sp_batch_count(batch)};
  sp_batch_ranked *ranked;
  sp_status status = sp_batch_worst_first(batch, &ranked, &page.ranked_count, err);
  if (status)
    return status;
  page.ranked = ranked;
  status = sp_markup_open(file, &page.markup, err);
  if (!status) {
    put_page(&page);
    status = sp_markup_close(page.markup, err);
  }
  free(ranked);
  return status;
}
