/* What the sections of a batch's page are made of. */
#include <math.h>
#include <stdio.h>

#include "batch_page.h"

void sp_batch_page_sentence(sp_markup *m, const char *element, const char *class_name, const char *text)
{
  const char first = text[0] >= 'a' && text[0] <= 'z' ? (char)(text[0] - 'a' + 'A') : text[0];
  if (!first)
    return;
  sp_markup_begin(m, element);
  if (class_name)
    sp_markup_set(m, "class", class_name);
  sp_markup_textf(m, "%c", first);
  sp_markup_text(m, text + 1);
  sp_markup_text(m, ".");
  sp_markup_end(m);
}

void sp_batch_page_limits_cell(sp_markup *m, sp_interval limits, int decimals, bool plus)
{
  if (!isfinite(limits.lower) || !isfinite(limits.upper))
    sp_markup_put(m, "td", "unknown", "-");
  else
    sp_markup_putf(m, "td", "limits", plus ? "%+.*f to %+.*f" : "%.*f to %.*f", decimals, limits.lower, decimals,
                   limits.upper);
}

void sp_batch_say_layout(const sp_batch_group *g, sp_sentence *s)
{
  sp_batch_say_length(g, s);
  sp_say(s, ", %ld frets, %s", (long)g->frets, sp_batch_marks_words(g->marks_kind));
}

void sp_batch_page_section(const sp_batch_page *page, size_t which, const char *id, const char *heading)
{
  char name[60];
  sp_sentence s = {.used = 0};
  snprintf(name, sizeof name, "%s-%zu", id, which + 1);
  sp_page_section(page->markup, name, heading);
  if (page->batch->group_count < 2)
    return;
  sp_batch_say_layout(&page->batch->group[which], &s);
  sp_batch_page_sentence(page->markup, "p", "group", s.text);
}
