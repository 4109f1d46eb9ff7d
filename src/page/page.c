/* The page as a whole: its frame, its parts in order, and what is common to all pages of the program.
 *
 * A maker at the bench reads the first screen or the first sheet: the verdict, then what to do. What follows lets him
 * see for himself (picture and errors, close-ups), look up (table), and judge how far to trust it (scale, doubt). */
#include "slotproof/page.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "page_internal.h"

/* ---- parts of any page ------------------------------------------------------------------------------------------ */

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

/* ---- the page of one check -------------------------------------------------------------------------------------- */

/* The last part of the first picture's name. */
static const char *picture_name(const sp_record *record)
{
  if (!record->source_count)
    return "no picture";
  const char *slash = strrchr(record->sources[0].file, '/');
  return slash && slash[1] ? slash + 1 : record->sources[0].file;
}

static void put_title(sp_page *page)
{
  sp_markup *m = page->markup;
  sp_sentence s = {.used = 0};
  sp_markup_begin(m, "header");
  sp_markup_begin(m, "h1");
  sp_markup_text(m, "Fretboard check ");
  sp_markup_put(m, "bdi", NULL, picture_name(page->record));
  sp_markup_end(m);
  sp_say_layout(page->record, &s);
  if (s.used)
    sp_markup_putf(m, "p", "layout", "%s; %s", s.text,
                   page->record->marks_kind == SP_MARK_SLOT   ? "sawn slots"
                   : page->record->marks_kind == SP_MARK_WIRE ? "fret crowns"
                                                              : "knife lines");
  sp_page_by_hand(m, "Board");
  sp_markup_end(m);
}

static void put_page(sp_page *page)
{
  char title[300];
  snprintf(title, sizeof title, "%s: fretboard check of %s", sp_verdict_word(page->record->verdict),
           picture_name(page->record));
  sp_page_open(page->markup, title);
  put_title(page);
  sp_markup_begin(page->markup, "main");
  sp_page_verdict(page);
  sp_page_to_do(page);
  sp_page_board(page);
  sp_page_close_ups(page);
  sp_page_table(page);
  sp_page_remarks(page);
  sp_page_method(page);
  sp_markup_end(page->markup);
  sp_page_close(page->markup);
}

sp_status sp_page_check(const sp_record *record, const sp_raster *raster, FILE *file, sp_error *err)
{
  sp_page page = {.record = record, .raster = raster, .status = SP_OK, .err = err};
  sp_status status = sp_markup_open(file, &page.markup, err);
  if (status)
    return status;
  sp_sheet_of(record, raster, &page.sheet);
  put_page(&page);
  status = sp_markup_close(page.markup, page.status ? NULL : err); /* the first failure is the one that is told */
  return page.status ? page.status : status;
}

/* ---- for a live page -------------------------------------------------------------------------------------------- */

static void put_parts(sp_page *page)
{
  sp_markup_begin(page->markup, "div");
  sp_markup_set(page->markup, "xmlns", "http://www.w3.org/1999/xhtml");
  sp_page_verdict(page);
  sp_page_to_do(page);
  sp_page_plots(page);
  sp_page_table(page);
  sp_page_remarks(page);
  sp_page_method(page);
  sp_markup_end(page->markup);
}

sp_status sp_page_parts(const sp_record *record, const sp_raster *raster, FILE *file, sp_error *err)
{
  sp_page page = {.record = record, .raster = raster, .live = true, .err = err};
  sp_status status = sp_markup_open(file, &page.markup, err);
  if (status)
    return status;
  sp_sheet_of(record, raster, &page.sheet);
  put_parts(&page);
  status = sp_markup_close(page.markup, page.status ? NULL : err);
  return page.status ? page.status : status;
}

void sp_page_style(FILE *file)
{
  for (size_t i = 0; SP_PAGE_STYLE[i]; i++)
    fputs(SP_PAGE_STYLE[i], file);
}
