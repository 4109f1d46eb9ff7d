/* Tables: every mark with its numbers, and the doubt by where it comes from. */
#include <math.h>

#include "page_internal.h"

static void put_heads(sp_markup *m, const sp_page_head *heads, size_t count)
{
  sp_markup_begin(m, "thead");
  sp_markup_begin(m, "tr");
  for (size_t i = 0; i < count; i++) {
    sp_markup_begin(m, "th");
    sp_markup_set(m, "scope", "col");
    sp_markup_text(m, heads[i].title);
    if (heads[i].unit) {
      sp_markup_text(m, " ");
      sp_markup_put(m, "small", NULL, heads[i].unit);
    }
    sp_markup_end(m);
  }
  sp_markup_end(m);
  sp_markup_end(m);
}

void sp_page_table_open(sp_markup *m, const char *id, const char *label, const char *caption, const sp_page_head *heads,
                        size_t count)
{
  sp_page_wide(m, label);
  sp_markup_begin(m, "table");
  sp_markup_set(m, "id", id);
  sp_markup_put(m, "caption", NULL, caption);
  put_heads(m, heads, count);
  sp_markup_begin(m, "tbody");
}

void sp_page_table_close(sp_markup *m)
{
  sp_markup_end(m);
  sp_markup_end(m);
  sp_markup_end(m);
}

static void put_row_head(sp_page *page, const sp_mark_record *mark)
{
  sp_markup *m = page->markup;
  char name[24];
  sp_markup_raw(m, "\n");
  sp_markup_begin(m, "tr");
  sp_markup_set(m, "class", sp_verdict_word(mark->verdict));
  sp_page_name_mark(page, mark);
  sp_markup_begin(m, "th");
  sp_markup_set(m, "scope", "row");
  sp_markup_text(m, sp_short_name(mark->fret, name));
  sp_markup_end(m);
}

/* ---- all marks -------------------------------------------------------------------------------------------------- */

static void put_verdict_cell(sp_markup *m, const sp_mark_record *mark)
{
  sp_markup_begin(m, "td");
  sp_markup_set(m, "class", "word");
  if (mark->found && mark->fret == 0) {
    sp_markup_text(m, "datum");
  } else {
    sp_page_sign(m, mark->verdict, isfinite(mark->error_mm) ? -mark->error_mm : 1.0);
    sp_markup_text(m, sp_verdict_word(mark->verdict));
  }
  if (sp_by_hand_note(mark)) {
    sp_markup_text(m, " ");
    sp_markup_put(m, "small", NULL, sp_by_hand_note(mark));
  }
  sp_markup_end(m);
}

static void put_mark(sp_page *page, const sp_mark_record *mark)
{
  sp_markup *m = page->markup;
  const bool f = mark->found;
  put_row_head(page, mark);
  put_verdict_cell(m, mark);
  sp_page_number_cell(m, mark->layout_mm, 3, false);
  sp_page_number_cell(m, f ? mark->x_mm : NAN, 3, false);
  sp_page_number_cell(m, f ? mark->error_mm : NAN, 3, true);
  sp_page_number_cell(m, f ? mark->expanded_u_mm : NAN, 3, false);
  sp_page_number_cell(m, f ? mark->error_cents : NAN, 2, true);
  sp_page_number_cell(m, f ? mark->expanded_u_cents : NAN, 2, false);
  sp_page_number_cell(m, f ? mark->squareness_deg : NAN, 3, true);
  sp_page_number_cell(m, f ? mark->width_mm : NAN, 3, false);
  sp_markup_end(m);
}

static void put_edge(sp_markup *m, const sp_edge_record *e)
{
  sp_page_number_cell(m, e->layout_mm, 3, false);
  sp_page_number_cell(m, e->error_mm, 3, true);
  sp_page_number_cell(m, e->expanded_u_mm, 3, false);
  sp_page_number_cell(m, e->error_cents, 2, true);
  sp_markup_begin(m, "td");
  sp_markup_set(m, "class", "word");
  sp_page_sign(m, e->verdict, -e->error_mm);
  sp_markup_text(m, sp_verdict_word(e->verdict));
  sp_markup_end(m);
}

static void put_edges(sp_page *page)
{
  static const sp_page_head HEADS[] = {{"Fret", NULL},
                                       {"Bass edge should be", "mm"},
                                       {"Error", "mm"},
                                       {"\xc2\xb1", "mm"},
                                       {"Error", "cents"},
                                       {"Verdict", NULL},
                                       {"Treble edge should be", "mm"},
                                       {"Error", "mm"},
                                       {"\xc2\xb1", "mm"},
                                       {"Error", "cents"},
                                       {"Verdict", NULL},
                                       {"Angle", "deg"}};
  const sp_record *r = page->record;
  if (!sp_edges_need_table(r))
    return;
  sp_markup_put(page->markup, "h3", NULL, "At the edges of the board");
  sp_page_table_open(page->markup, "edges", "Table of the errors at the edges", SP_EDGES_WORDS, HEADS,
                     sizeof HEADS / sizeof *HEADS - (isfinite(r->square_fret) ? 0 : 1));
  for (size_t i = 0; i < r->mark_count; i++) {
    if (!r->marks[i].edges_known)
      continue;
    put_row_head(page, &r->marks[i]);
    put_edge(page->markup, &r->marks[i].edge[SP_BASS]);
    put_edge(page->markup, &r->marks[i].edge[SP_TREBLE]);
    if (isfinite(r->square_fret))
      sp_page_number_cell(page->markup, r->marks[i].layout_angle_deg, 3, true);
    sp_markup_end(page->markup);
  }
  sp_page_table_close(page->markup);
  if (isfinite(r->square_fret))
    sp_markup_put(page->markup, "p", "note", SP_FAN_WORDS);
}

void sp_page_table(sp_page *page)
{
  static const sp_page_head HEADS[] = {
      {"Fret", NULL},     {"Verdict", NULL},  {"Should be", "mm"},   {"Is", "mm"},          {"Error", "mm"},
      {"\xc2\xb1", "mm"}, {"Error", "cents"}, {"\xc2\xb1", "cents"}, {"Off square", "deg"}, {"Width", "mm"}};
  const sp_record *r = page->record;
  if (!sp_count_found(r)) /* computed places alone are what `layout` is for */
    return;
  sp_page_section(page->markup, "table", "All marks in numbers");
  sp_page_table_open(page->markup, "marks", "Table of all marks", SP_TABLE_WORDS, HEADS, sizeof HEADS / sizeof *HEADS);
  for (size_t i = 0; i < r->mark_count; i++)
    put_mark(page, &r->marks[i]);
  sp_page_table_close(page->markup);
  put_edges(page);
  sp_page_section_end(page->markup);
}

/* ---- where the doubt comes from --------------------------------------------------------------------------------- */

static bool any_budget(const sp_record *r)
{
  for (size_t i = 0; i < r->mark_count; i++)
    if (r->marks[i].found && r->marks[i].fret && isfinite(r->marks[i].u_mm))
      return true;
  return false;
}

static bool any_temperature(const sp_record *r)
{
  for (size_t i = 0; i < r->mark_count; i++)
    if (isfinite(r->marks[i].budget.temperature_mm))
      return true;
  return false;
}

static void put_budget_row(sp_page *page, const sp_mark_record *mark, bool temperature)
{
  sp_markup *m = page->markup;
  const sp_budget *b = &mark->budget;
  put_row_head(page, mark);
  sp_page_number_cell(m, b->line_mm, 4, false);
  sp_page_number_cell(m, b->map_mm, 4, false);
  sp_page_number_cell(m, b->datum_mm, 4, false);
  sp_page_number_cell(m, b->rule_mm, 4, false);
  if (temperature)
    sp_page_number_cell(m, b->temperature_mm, 4, false);
  sp_page_number_cell(m, mark->u_mm, 4, false);
  sp_page_number_cell(m, mark->expanded_u_mm, 4, false);
  sp_markup_end(m);
}

void sp_page_budget(sp_page *page)
{
  static const sp_page_head WITHOUT[] = {{"Fret", NULL},       {"Its line", NULL},     {"Reading the scale", NULL},
                                         {"Nut", NULL},        {"Scale itself", NULL}, {"Together", "k = 1"},
                                         {"\xc2\xb1", "k = 2"}};
  static const sp_page_head WITH[] = {{"Fret", NULL},        {"Its line", NULL},     {"Reading the scale", NULL},
                                      {"Nut", NULL},         {"Scale itself", NULL}, {"Temperature", NULL},
                                      {"Together", "k = 1"}, {"\xc2\xb1", "k = 2"}};
  const sp_record *r = page->record;
  const bool temperature = any_temperature(r);
  if (!any_budget(r))
    return;
  sp_markup_put(page->markup, "h3", NULL, "Where the doubt comes from");
  sp_page_table_open(
      page->markup, "budget", "Table of uncertainties",
      "Standard uncertainties of each error in mm, by origin. Together: the root of the sum of their squares. "
      "The \xc2\xb1 is twice that and holds in about 95 of 100 cases.",
      temperature ? WITH : WITHOUT, temperature ? sizeof WITH / sizeof *WITH : sizeof WITHOUT / sizeof *WITHOUT);
  for (size_t i = 0; i < r->mark_count; i++)
    if (r->marks[i].found && r->marks[i].fret)
      put_budget_row(page, &r->marks[i], temperature);
  sp_page_table_close(page->markup);
}
