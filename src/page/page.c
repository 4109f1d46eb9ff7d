/* The page as a whole: its frame, its parts in order, and what is common to all pages of the program.
 *
 * A maker at the bench reads the first screen or the first sheet: the verdict, then what to do. What follows lets him
 * see for himself (picture and errors, close-ups), look up (table), and judge how far to trust it (scale, doubt). */
#include "slotproof/page.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "page_internal.h"

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
