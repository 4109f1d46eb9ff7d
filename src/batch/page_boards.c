/* The boards: a table of those that need something, worst first, and a close list of those that are within; then the
 * map of all errors, board by fret, as a table whose cells are coloured, so that numbers stay numbers. */
#include <math.h>
#include <stdio.h>

#include "batch_page.h"

/* Frets told one by one in a cell; a board with more is a case for its own report. */
enum { MOVES_MOST = 4 };
/* The map of a longer history shows the newest boards; more than this many are set close. */
enum { MAP_MOST = 150, MAP_CLOSE = 40, MAP_MANY_FRETS = 23 };

static void put_link(sp_markup *m, const char *to, size_t index, const char *text)
{
  sp_markup_begin(m, "a");
  sp_markup_setf(m, "href", "#%s-%zu", to, index);
  sp_markup_set(m, "title", text); /* a long name is cut off */
  sp_markup_put(m, "bdi", NULL, text);
  sp_markup_end(m);
}

/* ---- what to do with one board ---------------------------------------------------------------------------------- */

/* The fret of that verdict that takes most of its tolerance but less than `below` (and, where equal, comes later). */
static int32_t next_worst(const sp_batch_board *b, sp_verdict verdict, double below, int32_t after)
{
  int32_t worst = SP_BATCH_NONE;
  double most = -1.0;
  for (int32_t k = 1; k <= b->frets; k++) {
    const double part = sp_batch_part(&b->mark[k]);
    if (b->mark[k].verdict != verdict || part > below || (!(part < below) && k <= after))
      continue;
    if (part > most) {
      most = part;
      worst = k;
    }
  }
  return worst;
}

static void put_moves(sp_markup *m, const sp_batch_board *b)
{
  double below = INFINITY;
  int32_t k = 0;
  for (size_t n = 0; n < b->out; n++) {
    k = next_worst(b, SP_OUT, below, k);
    if (k == SP_BATCH_NONE)
      return;
    if (n == MOVES_MOST) {
      sp_markup_putf(m, "li", NULL, "and %zu more", b->out - n);
      return;
    }
    const double e = b->mark[k].error_mm;
    below = sp_batch_part(&b->mark[k]);
    sp_markup_begin(m, "li");
    sp_markup_textf(m, "fret %ld ", (long)k);
    sp_markup_putf(m, "b", NULL, e > 0.0 ? "\xe2\x86\x90\xc2\xa0%.2f" : "%.2f\xc2\xa0\xe2\x86\x92", fabs(e));
    sp_markup_end(m);
  }
}

/* "look for fret 3, 5" */
static void put_frets_of(sp_markup *m, const sp_batch_board *b, sp_verdict verdict, size_t count, const char *lead)
{
  sp_sentence s = {.used = 0};
  size_t told = 0;
  if (!count)
    return;
  sp_say(&s, "%s fret%s", lead, count == 1 ? "" : "s");
  for (int32_t k = 1; k <= b->frets && told <= MOVES_MOST; k++) {
    if (b->mark[k].verdict != verdict)
      continue;
    if (told == MOVES_MOST)
      sp_say(&s, " and %zu more", count - told);
    else
      sp_say(&s, "%s %ld", told ? "," : "", (long)k);
    told++;
  }
  sp_markup_put(m, "li", NULL, s.text);
}

static void put_to_do(sp_markup *m, const sp_batch_board *b)
{
  sp_markup_begin(m, "td");
  sp_markup_set(m, "class", "moves");
  sp_markup_begin(m, "ul");
  put_moves(m, b);
  put_frets_of(m, b, SP_MISSING, b->missing, "look for");
  put_frets_of(m, b, SP_UNDECIDED, b->undecided, "check by hand");
  if (!b->out && !b->missing && !b->undecided)
    sp_markup_put(m, "li", NULL, "scan again");
  sp_markup_end(m);
  sp_markup_end(m);
}

/* ---- those that need something ---------------------------------------------------------------------------------- */

static void put_row(const sp_batch_page *page, const sp_batch_ranked *r)
{
  sp_markup *m = page->markup;
  const sp_batch_board *b = r->board;
  const sp_batch_mark none = {.error_mm = NAN, .expanded_u_mm = NAN, .error_cents = NAN, .expanded_u_cents = NAN};
  const sp_batch_mark *w = b->worst == SP_BATCH_NONE ? &none : &b->mark[b->worst];
  sp_markup_raw(m, "\n");
  sp_markup_begin(m, "tr");
  sp_markup_set(m, "class", sp_verdict_word(b->verdict));
  sp_markup_setf(m, "id", "board-%zu", r->index);
  sp_markup_begin(m, "th");
  sp_markup_set(m, "scope", "row");
  put_link(m, "row", b->same_as == SP_BATCH_NONE ? r->index : (size_t)b->same_as, b->name);
  sp_markup_end(m);
  sp_markup_begin(m, "td");
  sp_markup_set(m, "class", "word");
  sp_page_sign(m, b->verdict, b->verdict == SP_OUT ? -w->error_mm : 1.0);
  sp_markup_put(m, "span", "word", sp_verdict_word(b->verdict));
  sp_markup_end(m);
  put_to_do(m, b);
  sp_page_number_cell(m, b->worst == SP_BATCH_NONE ? NAN : (double)b->worst, 0, false);
  sp_page_number_cell(m, w->error_mm, 3, true);
  sp_page_number_cell(m, w->expanded_u_mm, 3, false);
  sp_page_number_cell(m, w->error_cents, 2, true);
  sp_page_number_cell(m, w->expanded_u_cents, 2, false);
  sp_markup_end(m);
}

static void put_needing(const sp_batch_page *page)
{
  static const sp_page_head HEADS[] = {{"Board", NULL},    {"Verdict", NULL},    {"What to do", "move by mm"},
                                       {"Worst", "fret"},  {"Error", "mm"},      {"\xc2\xb1", "mm"},
                                       {"Error", "cents"}, {"\xc2\xb1", "cents"}};
  sp_page_section(page->markup, "boards", "Boards to work on, worst first");
  sp_page_table_open(
      page->markup, "worst", "Table of the boards to work on",
      "\xe2\x86\x90 toward the nut, \xe2\x86\x92 toward the bridge. Errors: + too near the bridge, sharp. "
      "\xc2\xb1 is the expanded uncertainty (k = 2, about 95 %). Each board\xe2\x80\x99s own report says "
      "more.",
      HEADS, sizeof HEADS / sizeof *HEADS);
  for (size_t i = 0; i < page->ranked_count; i++)
    if (!page->ranked[i].board->status && page->ranked[i].board->verdict != SP_WITHIN)
      put_row(page, &page->ranked[i]);
  sp_page_table_close(page->markup);
  sp_page_section_end(page->markup);
}

/* ---- those that are within -------------------------------------------------------------------------------------- */

static void put_within(const sp_batch_page *page)
{
  sp_markup *m = page->markup;
  sp_page_section(m, "within", "Boards within tolerance");
  sp_markup_put(m, "p", "note", "With the fret that comes nearest to its limit, and its error in mm.");
  sp_markup_begin(m, "ul");
  sp_markup_set(m, "class", "columns");
  for (size_t i = 0; i < page->ranked_count; i++) {
    const sp_batch_ranked *r = &page->ranked[i];
    const sp_batch_board *b = r->board;
    if (b->status || b->verdict != SP_WITHIN)
      continue;
    sp_markup_raw(m, "\n");
    sp_markup_begin(m, "li");
    sp_markup_setf(m, "id", "board-%zu", r->index);
    sp_page_sign(m, SP_WITHIN, 1.0);
    put_link(m, "row", b->same_as == SP_BATCH_NONE ? r->index : (size_t)b->same_as, b->name);
    if (b->worst != SP_BATCH_NONE) {
      sp_markup_putf(m, "span", "soft", "fret %ld", (long)b->worst);
      sp_markup_putf(m, "b", NULL, "%+.3f", b->mark[b->worst].error_mm);
    }
    sp_markup_end(m);
  }
  sp_markup_end(m);
  sp_page_section_end(m);
}

void sp_batch_page_boards(const sp_batch_page *page)
{
  if (page->tally.out || page->tally.undecided)
    put_needing(page);
  if (page->tally.within)
    put_within(page);
}

/* ---- the map ---------------------------------------------------------------------------------------------------- */

/* How deep the colour: a quarter, a half, all of the tolerance. */
static int depth_of(const sp_batch_mark *mark)
{
  const double part = isfinite(mark->tolerance_mm) ? sp_batch_part(mark) : NAN;
  return part >= 1.0 ? 3 : part >= 0.5 ? 2 : part >= 0.25 ? 1 : 0;
}

static void put_cell(sp_markup *m, const sp_batch_mark *mark)
{
  sp_markup_begin(m, "td");
  if (!mark->found || !isfinite(mark->error_mm)) {
    sp_markup_set(m, "class", "missing");
    sp_markup_text(m, mark->found ? "-" : "\xc3\x97");
  } else {
    const double hundredths = round(100.0 * mark->error_mm);
    sp_markup_setf(m, "class", "%s%d %s", mark->error_mm < 0.0 ? "n" : "p", depth_of(mark),
                   sp_verdict_word(mark->verdict));
    sp_markup_textf(m,
                    hundredths > 0.0   ? "+%.0f%s"
                    : hundredths < 0.0 ? "\xe2\x88\x92%.0f%s"
                                       : "%.0f%s",
                    fabs(hundredths), mark->verdict == SP_UNDECIDED ? "?" : "");
  }
  sp_markup_end(m);
}

static void put_board_row(sp_markup *m, const sp_batch_board *b, size_t index)
{
  sp_markup_raw(m, "\n");
  sp_markup_begin(m, "tr");
  sp_markup_setf(m, "id", "row-%zu", index);
  sp_markup_begin(m, "th");
  sp_markup_set(m, "scope", "row");
  if (b->from_history)
    sp_markup_put(m, "bdi", NULL, b->name);
  else
    put_link(m, "board", index, b->name);
  sp_markup_end(m);
  for (int32_t k = 1; k <= b->frets; k++)
    put_cell(m, &b->mark[k]);
  sp_markup_end(m);
}

static void put_mean_row(sp_markup *m, const sp_batch_group *g)
{
  sp_markup_begin(m, "tfoot");
  sp_markup_begin(m, "tr");
  sp_markup_begin(m, "th");
  sp_markup_set(m, "scope", "row");
  sp_markup_text(m, "mean");
  sp_markup_end(m);
  for (int32_t k = 0; k < g->frets; k++) {
    const double mean = g->fret[k].error.mean;
    const sp_batch_mark mark = {
        .found = isfinite(mean), .verdict = SP_WITHIN, .error_mm = mean, .tolerance_mm = g->fret[k].tolerance_mm};
    put_cell(m, &mark);
  }
  sp_markup_end(m);
  sp_markup_end(m);
}

static void put_map_head(sp_markup *m, const sp_batch_group *g)
{
  sp_markup_begin(m, "thead");
  sp_markup_begin(m, "tr");
  sp_markup_begin(m, "th");
  sp_markup_set(m, "scope", "col");
  sp_markup_text(m, "fret");
  sp_markup_end(m);
  for (int32_t k = 0; k < g->frets; k++) {
    sp_markup_begin(m, "th");
    sp_markup_set(m, "scope", "col");
    sp_markup_textf(m, "%ld", (long)g->fret[k].fret);
    sp_markup_end(m);
  }
  sp_markup_end(m);
  sp_markup_end(m);
}

static void put_map_key(sp_markup *m, const sp_batch_group *g, size_t first)
{
  sp_markup_begin(m, "p");
  sp_markup_set(m, "class", "note");
  sp_markup_text(m, "Errors in hundredths of a millimetre: + too near the bridge, \xe2\x88\x92 too near the nut. The "
                    "deeper the colour, the more of the tolerance. ");
  sp_markup_put(m, "span", "swatch out", "framed");
  sp_markup_text(m,
                 " out, ? undecided, \xc3\x97 missing. A column alike from top to bottom is the jig, a row alike from "
                 "end to end is the nut, speckles are the hand.");
  if (first)
    sp_markup_textf(m, " The last %zu boards of %zu.", g->board_count - first, g->board_count);
  sp_markup_end(m);
}

static void put_map_table(const sp_batch_page *page, const sp_batch_group *g, size_t which, size_t first)
{
  sp_markup *m = page->markup;
  sp_page_wide(m, "Map of all errors");
  sp_markup_begin(m, "table");
  sp_markup_setf(m, "id", "map-table-%zu", which + 1);
  sp_markup_setf(m, "class", "map%s%s", g->board_count - first > MAP_CLOSE ? " close" : "",
                 g->frets >= MAP_MANY_FRETS ? " many" : "");
  put_map_head(m, g);
  sp_markup_begin(m, "tbody");
  for (size_t i = first; i < g->board_count; i++)
    put_board_row(m, &page->batch->board[g->board[i]], g->board[i]);
  sp_markup_end(m);
  if (g->board_count > 1)
    put_mean_row(m, g);
  sp_markup_end(m);
  sp_markup_end(m);
}

void sp_batch_page_map(const sp_batch_page *page, size_t which)
{
  const sp_batch_group *g = &page->batch->group[which];
  const size_t first = g->board_count > MAP_MOST ? g->board_count - MAP_MOST : 0;
  sp_batch_page_section(page, which, "map", "Every board, every fret");
  put_map_key(page->markup, g, first);
  put_map_table(page, g, which, first);
  sp_page_section_end(page->markup);
}
