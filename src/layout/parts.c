/* What differs from the plain board: a compensated nut, a zero fret, frets over a part of the width. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "layout/text.h"
#include "slotproof/layout.h"

/* From the theoretical nut to fret 1, where they are nearest on the board. */
static double least_first_space_mm(const sp_layout *l)
{
  const double edge = l->fanned ? 0.5 * fmax(l->fan.spread_nut_mm, l->fan.spread_saddle_mm) : 0.0;
  return l->position_mm[1] - edge * fabs(sp_layout_slope(l, 1) - sp_layout_slope(l, 0));
}

sp_status sp_layout_shift_nut(sp_layout *l, double shift_mm, sp_error *err)
{
  if (!(fabs(shift_mm) <= SP_NUT_SHIFT_MOST_MM) || !(shift_mm < least_first_space_mm(l)))
    return sp_fail(err, SP_E_USAGE, "a nut shifted by %g mm cannot be; give at most %g mm, and less than to fret 1",
                   shift_mm, SP_NUT_SHIFT_MOST_MM);
  if (l->zero_fret && shift_mm != 0.0)
    return sp_fail(err, SP_E_USAGE, "with a zero fret there is no nut to be shifted; leave one of them out");
  l->nut_shift_mm = l->position_mm[0] = shift_mm;
  return SP_OK;
}

sp_status sp_layout_zero_fret(sp_layout *l, double behind_mm, sp_error *err)
{
  if (l->nut_shift_mm != 0.0)
    return sp_fail(err, SP_E_USAGE, "with a zero fret there is no nut to be shifted; leave one of them out");
  if (!isnan(behind_mm) && !(behind_mm > 0.0 && behind_mm <= SP_NUT_BEHIND_MOST_MM))
    return sp_fail(err, SP_E_USAGE, "a nut %g mm behind the zero fret cannot be; give more than 0 and at most %g mm",
                   behind_mm, SP_NUT_BEHIND_MOST_MM);
  l->zero_fret = true;
  l->nut_behind_mm = behind_mm;
  return SP_OK;
}

/* ---- partial frets ---------------------------------------------------------------------------------------------- */

sp_status sp_layout_set_part(sp_layout *l, int32_t fret, sp_width_part part, sp_error *err)
{
  if (fret < 1 || fret > l->frets)
    return sp_fail(err, SP_E_USAGE, "there is no fret %ld to span a part of the width; the board has frets 1 to %ld",
                   (long)fret, (long)l->frets);
  if (!(part.begin >= 0.0 && part.end > part.begin) || !(part.in_mm || part.end <= 1.0))
    return sp_fail(err, SP_E_USAGE, "fret %ld would span nothing, or more than the board; correct its part",
                   (long)fret);
  if (!l->part)
    l->part = calloc((size_t)l->frets + 1, sizeof *l->part);
  if (!l->part)
    return sp_fail_memory(err);
  l->part[fret] = part;
  return SP_OK;
}

bool sp_layout_is_partial(const sp_layout *l, int32_t fret)
{
  return l->part && fret >= 1 && fret <= l->frets && l->part[fret].end > 0.0;
}

void sp_layout_part_mm(const sp_layout *l, int32_t fret, double width_mm, double *begin_mm, double *end_mm)
{
  *begin_mm = 0.0;
  *end_mm = width_mm;
  if (!sp_layout_is_partial(l, fret))
    return;
  const sp_width_part *p = &l->part[fret];
  const double unit = p->in_mm ? 1.0 : width_mm;
  const double near = fmin(p->begin * unit, width_mm), far = fmin(p->end * unit, width_mm);
  *begin_mm = p->from_bass ? near : width_mm - far;
  *end_mm = p->from_bass ? far : width_mm - near;
}

double sp_layout_least_part(const sp_layout *l, double width_mm)
{
  double least = 1.0;
  for (int32_t n = 1; n <= l->frets; n++) {
    double begin, end;
    sp_layout_part_mm(l, n, width_mm, &begin, &end);
    if (sp_layout_is_partial(l, n) && end > begin)
      least = fmin(least, (end - begin) / width_mm);
  }
  return least;
}

#define PARTIAL_FORM "write fret, edge and how far, as 7 treble 40%% or 13 bass 12.5mm"

enum { WORD_TEXT = 40 };

/* The next word, "to" and edges told from amounts by the caller; false if there is none, or it is too long. */
static bool next_word(const char **at, char word[WORD_TEXT])
{
  *at = sp_skip_blanks(*at);
  const size_t length = strcspn(*at, " \t");
  if (!length || length >= WORD_TEXT)
    return false;
  memcpy(word, *at, length);
  word[length] = '\0';
  *at += length;
  return true;
}

/* "40%" or a length; a length's number and unit may be two words. */
static bool read_amount(const char **at, double *value, bool *in_mm)
{
  char word[2 * WORD_TEXT];
  sp_decimal decimal;
  if (!next_word(at, word))
    return false;
  const char *end = word;
  if (sp_read_decimal(&end, &decimal) == SP_DECIMAL_OK && strcmp(end, "%") == 0) {
    *in_mm = false;
    *value = sp_decimal_value(decimal.digits, decimal.decimals + 2);
    return true;
  }
  *in_mm = true;
  if (sp_parse_length(word, SP_LENGTH_NOT_NEGATIVE, value, NULL) == SP_OK)
    return true;
  const char *before = *at;
  const size_t used = strlen(word);
  word[used] = ' ';
  if (next_word(at, word + used + 1) && sp_parse_length(word, SP_LENGTH_NOT_NEGATIVE, value, NULL) == SP_OK)
    return true;
  *at = before;
  return false;
}

static bool read_partial(const char *at, sp_partial *p)
{
  char word[WORD_TEXT];
  bool in_mm, until_mm;
  double first, last;
  const char *end = word;
  sp_decimal fret;
  if (!next_word(&at, word) || sp_read_decimal(&end, &fret) != SP_DECIMAL_OK || *end || fret.has_point ||
      fret.digits < 1 || fret.digits > SP_LAYOUT_MAX_FRETS)
    return false;
  p->fret = (int32_t)fret.digits;
  if (!next_word(&at, word) || (strcmp(word, "bass") != 0 && strcmp(word, "treble") != 0))
    return false;
  p->part = (sp_width_part){.from_bass = word[0] == 'b'};
  if (!read_amount(&at, &first, &in_mm))
    return false;
  p->part.in_mm = in_mm;
  p->part.end = first;
  if (next_word(&at, word)) {
    if (strcmp(word, "to") != 0 || !read_amount(&at, &last, &until_mm) || until_mm != in_mm || next_word(&at, word))
      return false;
    p->part.begin = first;
    p->part.end = last;
  }
  return p->part.end > p->part.begin && (in_mm || p->part.end <= 1.0);
}

sp_status sp_parse_partials(const char *text, size_t room, sp_partial *partials, size_t *count, sp_error *err)
{
  if (!sp_is_plain(text))
    return sp_fail(err, SP_E_USAGE, "a partial fret holds a control character; " PARTIAL_FORM);
  for (const char *at = text; at;) {
    const char *end = strchr(at, ',');
    const size_t length = end ? (size_t)(end - at) : strlen(at);
    char one[4 * WORD_TEXT];
    if (length >= sizeof one || *count == room)
      return sp_fail(err, SP_E_USAGE, "'%.40s' is too long, or there are more than %zu; " PARTIAL_FORM, at, room);
    memcpy(one, at, length);
    one[length] = '\0';
    if (!read_partial(one, &partials[*count]))
      return sp_fail(err, SP_E_USAGE, "'%.60s' is no partial fret; " PARTIAL_FORM, one);
    for (size_t i = 0; i < *count; i++)
      if (partials[i].fret == partials[*count].fret)
        return sp_fail(err, SP_E_USAGE, "fret %ld is named twice; leave one out", (long)partials[i].fret);
    (*count)++;
    at = end ? end + 1 : NULL;
  }
  return SP_OK;
}
