/* Step lists: the tuning of a board that is not divided equally, as cents above the open string or as ratios of
 * frequencies to it. Ratios are kept beside the cents, because a list that was written in them is told from its source
 * by them. */
#include <inttypes.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include "layout/text.h"
#include "slotproof/layout.h"
#include "slotproof/textfile.h"

/* A thousand frets with a comment each are far below this; a picture given by mistake is above. */
enum { MAX_MB = 1, LINE_MAX_BYTES = 80, MAX_TERM = 999999 };

#define STEP_FORM "write cents above the open string or a ratio to it, as 701.955 or 3/2"

void sp_steps_free(sp_steps *steps)
{
  if (!steps)
    return;
  free(steps->cents);
  free(steps->ratio);
  *steps = (sp_steps){0};
}

/* ---- one step --------------------------------------------------------------------------------------------------- */

static bool whole(const sp_decimal *d)
{
  return d->decimals == 0 && !d->has_point && d->digits >= 1 && d->digits <= MAX_TERM;
}

/* Behind the numerator, *at on the stroke. */
static sp_status read_ratio(const char *text, const char **at, const sp_decimal *top, double *cents, sp_ratio *ratio,
                            sp_error *err)
{
  sp_decimal bottom;
  (*at)++;
  if (sp_read_decimal(at, &bottom) != SP_DECIMAL_OK || !whole(top) || !whole(&bottom))
    return sp_fail(err, SP_E_USAGE, "'%.40s' is no ratio of whole numbers from 1 to %d; " STEP_FORM, text, MAX_TERM);
  *ratio = (sp_ratio){(uint32_t)top->digits, (uint32_t)bottom.digits};
  *cents = 1200.0 * log2((double)ratio->numerator / (double)ratio->denominator);
  return SP_OK;
}

static sp_status read_step(const char *text, double *cents, sp_ratio *ratio, sp_error *err)
{
  const char *at = sp_skip_blanks(text);
  sp_decimal decimal;
  if (*at == '+')
    at++;
  if (*at == '-')
    return sp_fail(err, SP_E_USAGE, "'%.40s' is below the open string; " STEP_FORM, text);
  const sp_decimal_state state = sp_read_decimal(&at, &decimal);
  if (state == SP_DECIMAL_LONG)
    return sp_fail(err, SP_E_USAGE, "'%.40s' has more than 15 digits; shorten it", text);
  if (state == SP_DECIMAL_OK && *at == ',')
    return sp_fail(err, SP_E_USAGE, "'%.40s' has a comma; write decimals with a point, one step a line", text);
  if (state == SP_DECIMAL_OK && *at == '/') {
    const sp_status status = read_ratio(text, &at, &decimal, cents, ratio, err);
    if (status)
      return status;
  } else if (state == SP_DECIMAL_OK) {
    *cents = sp_decimal_value(decimal.digits, decimal.decimals);
    at = sp_skip_blanks(at);
    at += *at == 'c';
  }
  if (state == SP_DECIMAL_NONE || *sp_skip_blanks(at) != '\0')
    return sp_fail(err, SP_E_USAGE, "'%.40s' is not a number of cents; " STEP_FORM, text);
  return SP_OK;
}

sp_status sp_parse_step(const char *text, double *cents, sp_ratio *ratio, sp_error *err)
{
  double found = NAN;
  *cents = NAN;
  *ratio = (sp_ratio){0, 0};
  if (!sp_is_plain(text))
    return sp_fail(err, SP_E_USAGE, "a step holds a control character; " STEP_FORM);
  sp_status status = read_step(text, &found, ratio, err);
  if (!status && found == 0.0)
    status = sp_fail(err, SP_E_USAGE, "%s is the open string itself; leave it out",
                     ratio->numerator ? "a ratio of 1" : "0 cents");
  if (!status && !(found > 0.0))
    status = sp_fail(err, SP_E_USAGE, "'%.40s' is below the open string; " STEP_FORM, text);
  if (!status && !(found <= SP_LAYOUT_MAX_CENTS))
    status = sp_fail(err, SP_E_USAGE, "%g cents is above %g, ten octaves; correct it", found, SP_LAYOUT_MAX_CENTS);
  if (status)
    *ratio = (sp_ratio){0, 0};
  else
    *cents = found;
  return status;
}

/* ---- lists ------------------------------------------------------------------------------------------------------ */

/* Room for all there can be: a list is short-lived. */
static sp_status make_room(sp_steps *steps, sp_error *err)
{
  if (steps->cents)
    return SP_OK;
  steps->cents = malloc(SP_LAYOUT_MAX_FRETS * sizeof *steps->cents);
  steps->ratio = malloc(SP_LAYOUT_MAX_FRETS * sizeof *steps->ratio);
  if (steps->cents && steps->ratio)
    return SP_OK;
  sp_steps_free(steps);
  return sp_fail_memory(err);
}

sp_status sp_steps_add(sp_steps *steps, double cents, sp_ratio ratio, sp_error *err)
{
  const double before = steps->count ? steps->cents[steps->count - 1] : 0.0;
  if (!(cents > before))
    return sp_fail(err, SP_E_USAGE, "%g cents is not above the step before it (%g); put the steps in order", cents,
                   before);
  if (steps->count == SP_LAYOUT_MAX_FRETS)
    return sp_fail(err, SP_E_USAGE, "more than %d steps; shorten the list", SP_LAYOUT_MAX_FRETS);
  const sp_status status = make_room(steps, err);
  if (status)
    return status;
  steps->ratio[steps->count] = ratio;
  steps->cents[steps->count++] = cents;
  return SP_OK;
}

/* One line, NUL-terminated, its comment cut off. */
static sp_status read_line(sp_steps *steps, const char *text, size_t line, sp_error *err)
{
  double cents;
  sp_ratio ratio;
  sp_error said = {0};
  if (*sp_skip_blanks(text) == '\0')
    return SP_OK;
  sp_status status = sp_parse_step(text, &cents, &ratio, &said);
  if (!status)
    status = sp_steps_add(steps, cents, ratio, &said);
  if (status == SP_E_INTERNAL)
    return sp_fail(err, status, "%s", said.text);
  return status ? sp_fail(err, SP_E_DATA, "line %zu: %.300s", line, said.text) : SP_OK;
}

/* Copies the line without its comment and its end; false if it is too long or holds a control byte. */
static bool copy_line(const char *from, size_t length, char *line)
{
  const char *comment = memchr(from, '#', length);
  if (comment)
    length = (size_t)(comment - from);
  while (length > 0 && (from[length - 1] == '\r' || from[length - 1] == ' ' || from[length - 1] == '\t'))
    length--;
  if (length >= LINE_MAX_BYTES)
    return false;
  for (size_t k = 0; k < length; k++)
    if ((unsigned char)from[k] < 0x20 && from[k] != '\t')
      return false;
  memcpy(line, from, length);
  line[length] = '\0';
  return true;
}

static sp_status read_lines(const char *text, size_t length, sp_steps *steps, sp_error *err)
{
  size_t at = length >= 3 && memcmp(text, "\xef\xbb\xbf", 3) == 0 ? 3 : 0;
  for (size_t number = 1; at < length; number++) {
    const char *end = memchr(text + at, '\n', length - at);
    const size_t size = end ? (size_t)(end - (text + at)) : length - at;
    char line[LINE_MAX_BYTES];
    if (!copy_line(text + at, size, line))
      return sp_fail(err, SP_E_DATA, "line %zu is too long or not text; " STEP_FORM, number);
    const sp_status status = read_line(steps, line, number, err);
    if (status)
      return status;
    at += size + 1;
  }
  if (steps->count == 0)
    return sp_fail(err, SP_E_DATA, "the list of steps is empty; " STEP_FORM ", one a line");
  return SP_OK;
}

sp_status sp_steps_parse(const char *text, size_t length, sp_steps *steps, sp_error *err)
{
  *steps = (sp_steps){0};
  const sp_status status = read_lines(text, length, steps, err);
  if (status)
    sp_steps_free(steps);
  return status;
}

sp_status sp_steps_read(const char *path, sp_steps *steps, sp_error *err)
{
  char *text;
  size_t length;
  *steps = (sp_steps){0};
  sp_status status = sp_textfile_read(path, MAX_MB, "list of steps", &text, &length, err);
  if (status)
    return status;
  status = sp_steps_parse(text, length, steps, err);
  free(text);
  return status;
}
