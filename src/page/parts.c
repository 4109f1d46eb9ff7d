/* What all sections are made of: the frame of a page, headings, cells, signs; marks by number and by place. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "page_internal.h"

/* Room for the number of a fret, drawing units; where frets stand close, and the numbers are smaller. */
static const double NUMBER_ROOM = 20.0, TIGHT_ROOM = 15.0;

static void put_meta(sp_markup *m, const char *name, const char *content)
{
  sp_markup_begin(m, "meta");
  sp_markup_set(m, "name", name);
  sp_markup_set(m, "content", content);
  sp_markup_end_empty(m);
}

void sp_page_open(sp_markup *m, const char *title)
{
  sp_markup_doctype(m);
  sp_markup_begin(m, "html");
  sp_markup_set(m, "xmlns", "http://www.w3.org/1999/xhtml");
  sp_markup_set(m, "lang", "en");
  sp_markup_begin(m, "head");
  sp_markup_begin(m, "meta");
  sp_markup_set(m, "charset", "utf-8");
  sp_markup_end_empty(m);
  put_meta(m, "viewport", "width=device-width, initial-scale=1");
  put_meta(m, "color-scheme", "light dark");
  put_meta(m, "generator", "slotproof " SLOTPROOF_VERSION);
  sp_markup_put(m, "title", NULL, title);
  sp_markup_begin(m, "style");
  for (size_t i = 0; SP_PAGE_STYLE[i]; i++)
    sp_markup_raw(m, SP_PAGE_STYLE[i]);
  sp_markup_end(m);
  sp_markup_end(m);
  sp_markup_begin(m, "body");
}

void sp_page_close(sp_markup *m)
{
  sp_markup_begin(m, "footer");
  sp_markup_putf(m, "p", NULL,
                 "Made by slotproof %s. Measure again before you cut. Local rules and the makers' instructions for "
                 "tools and materials come first.",
                 SLOTPROOF_VERSION);
  sp_markup_end(m);
  sp_markup_end(m);
  sp_markup_end(m);
  sp_markup_raw(m, "\n");
}

void sp_page_by_hand(sp_markup *m, const char *what)
{
  sp_markup_begin(m, "p");
  sp_markup_set(m, "class", "by-hand");
  sp_markup_set(m, "aria-hidden", "true");
  sp_markup_put(m, "span", NULL, what);
  sp_markup_put(m, "span", NULL, "Date");
  sp_markup_put(m, "span", NULL, "Checked by");
  sp_markup_end(m);
}

void sp_page_section(sp_markup *m, const char *id, const char *heading)
{
  sp_markup_raw(m, "\n");
  sp_markup_begin(m, "section");
  sp_markup_set(m, "id", id);
  sp_markup_setf(m, "aria-labelledby", "%s-heading", id);
  sp_markup_begin(m, "h2");
  sp_markup_setf(m, "id", "%s-heading", id);
  sp_markup_text(m, heading);
  sp_markup_end(m);
}

void sp_page_section_end(sp_markup *m)
{
  sp_markup_end(m);
}

void sp_page_wide(sp_markup *m, const char *label)
{
  sp_markup_begin(m, "div");
  sp_markup_set(m, "class", "wide");
  sp_markup_set(m, "role", "region");
  sp_markup_set(m, "aria-label", label);
  sp_markup_set(m, "tabindex", "0");
}

void sp_page_sign(sp_markup *m, sp_verdict verdict, double heading)
{
  sp_markup_begin(m, "svg");
  sp_markup_set(m, "xmlns", "http://www.w3.org/2000/svg");
  sp_markup_set(m, "class", "inline");
  sp_markup_set(m, "viewBox", "-10 -10 20 20");
  sp_markup_set(m, "aria-hidden", "true"); /* the word stands beside it */
  sp_plot_sign(m, verdict, 0.0, 0.0, 7.0, heading);
  sp_markup_end(m);
}

void sp_page_number_cell(sp_markup *m, double value, int decimals, bool plus)
{
  if (!isfinite(value)) {
    sp_markup_put(m, "td", "unknown", "-");
    return;
  }
  const double half_step = 0.5 * pow(10.0, -decimals);
  if (fabs(value) < half_step)
    sp_markup_putf(m, "td", NULL, "%.*f", decimals, 0.0);
  else
    sp_markup_putf(m, "td", NULL, plus ? "%+.*f" : "%.*f", decimals, value);
}

/* ---- marks ------------------------------------------------------------------------------------------------------ */

size_t sp_count_marks(const sp_record *r, sp_verdict verdict)
{
  size_t n = 0;
  for (size_t i = 0; i < r->mark_count; i++)
    n += r->marks[i].verdict == verdict;
  return n;
}

const char *sp_short_name(int32_t fret, char into[static 24])
{
  if (fret == 0)
    snprintf(into, 24, "nut");
  else
    snprintf(into, 24, "%ld", (long)fret);
  return into;
}

double sp_page_x_of(const sp_page *page, size_t index, sp_place *place)
{
  const sp_plot_frame f = sp_sheet_frame(&page->sheet, 0.0, 1.0, 0.0, 1.0);
  return sp_place_of(page->record, index, place) ? sp_plot_x(&f, sp_sheet_u_px(&page->sheet, place->centre_px)) : NAN;
}

void sp_page_fret_numbers(sp_page *page, double y)
{
  const bool tight = page->sheet.narrowest < NUMBER_ROOM;
  double last = -INFINITY;
  for (size_t i = 0; i < page->record->mark_count; i++) {
    const sp_mark_record *mark = &page->record->marks[i];
    sp_place place;
    char name[24], class_name[40];
    const double x = sp_page_x_of(page, i, &place);
    if (!(x - last >= (tight ? TIGHT_ROOM : NUMBER_ROOM)))
      continue;
    snprintf(class_name, sizeof class_name, "fret%s%s", tight ? " tight" : "",
             mark->verdict == SP_OUT ? " strong" : "");
    sp_short_name(mark->fret, name);
    if (mark->by_hand) /* explained where the corrections stand */
      strncat(name, "*", sizeof name - strlen(name) - 1);
    sp_plot_words(page->markup, x, y, SP_PLOT_MIDDLE, class_name, name);
    last = x;
  }
}

bool sp_page_breadth_of(const sp_page *page, size_t i, double *from, double *to)
{
  const sp_record *r = page->record;
  sp_place here, beside;
  if (!sp_place_of(r, i, &here))
    return false;
  const double u = sp_sheet_u_px(&page->sheet, here.centre_px);
  *from = page->sheet.u_least_px;
  *to = page->sheet.u_most_px;
  if (i > 0 && sp_place_of(r, i - 1, &beside))
    *from = 0.5 * (u + sp_sheet_u_px(&page->sheet, beside.centre_px));
  if (i + 1 < r->mark_count && sp_place_of(r, i + 1, &beside))
    *to = 0.5 * (u + sp_sheet_u_px(&page->sheet, beside.centre_px));
  return true;
}

void sp_page_name_mark(sp_page *page, const sp_mark_record *mark)
{
  if (page->live)
    sp_markup_setf(page->markup, "data-fret", "%ld", (long)mark->fret);
}

void sp_page_at(sp_page *page, size_t index, const sp_plot_frame *f)
{
  double from, to;
  if (!page->live)
    return;
  sp_markup_begin(page->markup, "g");
  sp_markup_set(page->markup, "class", "at");
  sp_page_name_mark(page, &page->record->marks[index]);
  if (sp_page_breadth_of(page, index, &from, &to))
    sp_plot_box(page->markup, f, from, to, f->y_least, f->y_most, "ground");
}

void sp_page_at_end(sp_page *page)
{
  if (page->live)
    sp_markup_end(page->markup);
}
