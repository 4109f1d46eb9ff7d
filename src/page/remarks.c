/* What the errors have in common, lines that belong to no fret, and how it was all measured. */
#include <math.h>

#include "page_internal.h"

static void put_findings(sp_page *page)
{
  sp_markup *m = page->markup;
  const sp_record *r = page->record;
  if (!r->finding_count)
    return;
  sp_page_section(m, "findings", "What the errors have in common");
  sp_markup_begin(m, "ul");
  for (size_t i = 0; i < r->finding_count; i++) {
    char text[sizeof r->findings[i].text + 1];
    snprintf(text, sizeof text, "%s", r->findings[i].text);
    if (text[0] >= 'a' && text[0] <= 'z')
      text[0] = (char)(text[0] - 'a' + 'A');
    sp_markup_putf(m, "li", NULL, "%s.", text);
  }
  sp_markup_end(m);
  sp_page_section_end(m);
}

static void put_strays(sp_page *page)
{
  sp_markup *m = page->markup;
  const sp_record *r = page->record;
  if (!r->stray_count)
    return;
  sp_page_section(m, "strays", "Lines that belong to no fret");
  sp_markup_put(m, "p", NULL, "A scratch, or a mark in a wrong place: look before you saw.");
  sp_markup_begin(m, "ul");
  for (size_t i = 0; i < r->stray_count; i++) {
    sp_sentence s = {.used = 0};
    sp_say_stray(&r->strays[i], &s);
    sp_markup_put(m, "li", NULL, s.text);
  }
  sp_markup_end(m);
  sp_page_section_end(m);
}

static void put_corrections(sp_page *page)
{
  sp_markup *m = page->markup;
  const sp_record *r = page->record;
  if (!r->correction_count)
    return;
  sp_page_section(m, "corrections", "Said by hand");
  sp_markup_put(m, "p", NULL,
                "Marks with a star were pointed at by somebody who looked at the picture; where they lie is the "
                "program's estimate all the same.");
  sp_markup_begin(m, "ul");
  for (size_t i = 0; i < r->correction_count; i++) {
    sp_sentence s = {.used = 0};
    sp_say_correction(&r->corrections[i], &s);
    if (s.text[0] >= 'a' && s.text[0] <= 'z')
      s.text[0] = (char)(s.text[0] - 'a' + 'A');
    sp_markup_putf(m, "li", NULL, "%s.", s.text);
  }
  sp_markup_end(m);
  sp_page_section_end(m);
}

void sp_page_remarks(sp_page *page)
{
  put_corrections(page);
  put_findings(page);
  put_strays(page);
}

/* ---- how it was measured ---------------------------------------------------------------------------------------- */

static void put_fact(sp_markup *m, const char *title, const sp_sentence *s)
{
  const char first = s->text[0] >= 'a' && s->text[0] <= 'z' ? (char)(s->text[0] - 'a' + 'A') : s->text[0];
  if (!s->used)
    return;
  sp_markup_put(m, "dt", NULL, title);
  sp_markup_begin(m, "dd");
  sp_markup_textf(m, "%c", first);
  sp_markup_text(m, s->text + 1);
  if (s->text[s->used - 1] != '.')
    sp_markup_text(m, ".");
  sp_markup_end(m);
}

static void put_sources(sp_page *page)
{
  sp_markup *m = page->markup;
  for (size_t i = 0; i < page->record->source_count; i++) {
    const sp_source_record *s = &page->record->sources[i];
    sp_markup_put(m, "dt", NULL, "Picture");
    sp_markup_begin(m, "dd");
    sp_markup_put(m, "bdi", NULL, s->file);
    sp_markup_textf(m, ", %lu x %lu px, ", (unsigned long)s->width_px, (unsigned long)s->height_px);
    if (isfinite(s->stated_dpi))
      sp_markup_textf(m, "the file says %.6g dpi.", s->stated_dpi);
    else
      sp_markup_text(m, "the file states no resolution.");
    sp_markup_end(m);
  }
}

void sp_page_method(sp_page *page)
{
  static const struct {
    const char *title;
    void (*say)(const sp_record *record, sp_sentence *s);
  } FACTS[] = {{"Scale", sp_say_scale},   {"Joined", sp_say_joins},       {"Camera", sp_say_camera},
               {"Datum", sp_say_datum},   {"Saw", sp_say_before},         {"Best fit", sp_say_fit},
               {"Layout", sp_say_layout}, {"Partial frets", sp_say_parts}};
  sp_page_section(page->markup, "method", "How it was measured");
  sp_markup_begin(page->markup, "dl");
  for (size_t i = 0; i < sizeof FACTS / sizeof *FACTS; i++) {
    sp_sentence s = {.used = 0};
    FACTS[i].say(page->record, &s);
    put_fact(page->markup, FACTS[i].title, &s);
  }
  put_sources(page);
  sp_markup_end(page->markup);
  sp_page_strokes(page);
  sp_page_budget(page);
  sp_page_section_end(page->markup);
}
