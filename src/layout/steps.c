/* Step lists: the tuning of a board that is not divided equally, as cents above the open string, one a line. */
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include "layout/text.h"
#include "slotproof/layout.h"
#include "slotproof/textfile.h"

/* A thousand frets with a comment each are far below this; a picture given by mistake is above. */
enum { MAX_MB = 1, LINE_MAX_BYTES = 80 };

#define STEP_FORM "write cents above the open string, one a line, as 701.955"

void sp_steps_free(sp_steps *steps)
{
  if (!steps)
    return;
  free(steps->cents);
  *steps = (sp_steps){0};
}

static sp_status add_step(sp_steps *steps, double cents, size_t line, sp_error *err)
{
  const double before = steps->count ? steps->cents[steps->count - 1] : 0.0;
  if (!(cents > 0.0))
    return sp_fail(err, SP_E_DATA, "line %zu: 0 cents is the open string itself; leave it out", line);
  if (!(cents > before))
    return sp_fail(err, SP_E_DATA, "line %zu: %g cents is not above the step before it (%g); put the steps in order",
                   line, cents, before);
  if (cents > SP_LAYOUT_MAX_CENTS)
    return sp_fail(err, SP_E_DATA, "line %zu: %g cents is above %g, ten octaves; correct it", line, cents,
                   SP_LAYOUT_MAX_CENTS);
  if (steps->count == SP_LAYOUT_MAX_FRETS)
    return sp_fail(err, SP_E_DATA, "line %zu: more than %d steps; shorten the list", line, SP_LAYOUT_MAX_FRETS);
  steps->cents[steps->count++] = cents;
  return SP_OK;
}

/* One line, NUL-terminated, its comment cut off. */
static sp_status read_line(sp_steps *steps, const char *text, size_t line, sp_error *err)
{
  const char *at = sp_skip_blanks(text);
  if (*at == '\0')
    return SP_OK;
  sp_decimal decimal;
  if (*at == '+')
    at++;
  if (*at == '-')
    return sp_fail(err, SP_E_DATA, "line %zu: '%.40s' is below the open string; " STEP_FORM, line, text);
  const sp_decimal_state state = sp_read_decimal(&at, &decimal);
  if (state == SP_DECIMAL_LONG)
    return sp_fail(err, SP_E_DATA, "line %zu: '%.40s' has more than 15 digits; shorten it", line, text);
  if (state == SP_DECIMAL_OK && *at == ',')
    return sp_fail(err, SP_E_DATA, "line %zu: '%.40s' has a comma; write decimals with a point, one step a line", line,
                   text);
  at = sp_skip_blanks(at);
  if (*at == 'c')
    at = sp_skip_blanks(at + 1);
  if (state == SP_DECIMAL_NONE || *at != '\0')
    return sp_fail(err, SP_E_DATA, "line %zu: '%.40s' is not a number of cents; " STEP_FORM, line, text);
  return add_step(steps, sp_decimal_value(decimal.digits, decimal.decimals), line, err);
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
    return sp_fail(err, SP_E_DATA, "the list of steps is empty; " STEP_FORM);
  return SP_OK;
}

sp_status sp_steps_parse(const char *text, size_t length, sp_steps *steps, sp_error *err)
{
  *steps = (sp_steps){0};
  steps->cents = malloc(SP_LAYOUT_MAX_FRETS * sizeof(double));
  if (!steps->cents)
    return sp_fail_memory(err);
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
