/* A double has more digits than a length may be written with (15), so a decimal of millimetres is not always the double
 * it came from: 1/3in is none. What makers write is a short decimal or a fraction of some unit, though; so the forms
 * are tried from the plainest on, each read back by the very reader, until one is the same number. */
#include "boardfile/values.h"

#include <math.h>
#include <stdbool.h>
#include <string.h>

enum { TEXT = 48, MOST_DIGITS = 15, MOST_DENOMINATOR = 9999 };

typedef struct form {
  const char *unit;
  double mm;
} form;

static const form FORMS[] = {{"mm", 1.0}, {"in", 25.4}, {"um", 0.001}};

static bool is_length(const char *text, double length_mm)
{
  double back;
  return sp_parse_length(text, SP_LENGTH_SIGNED, &back, NULL) == SP_OK && back == length_mm;
}

static int whole_digits(double value)
{
  return fabs(value) < 1.0 ? 0 : 1 + (int)floor(log10(fabs(value)));
}

static bool decimal_of(const form *f, double length_mm, char text[TEXT])
{
  const double value = length_mm / f->mm;
  for (int decimals = 0; decimals + whole_digits(value) <= MOST_DIGITS; decimals++) {
    snprintf(text, TEXT, "%.*f %s", decimals, value, f->unit);
    if (is_length(text, length_mm))
      return true;
  }
  return false;
}

/* With this denominator. */
static bool fraction_of(const form *f, int d, double length_mm, char text[TEXT])
{
  const double value = fabs(length_mm) / f->mm, whole = floor(value), rest = value - whole, top = round(rest * d);
  const char *sign = length_mm < 0.0 ? "-" : "";
  if (!(whole < 1e6) || top < 1.0 || top >= d || fabs(top / d - rest) > 1e-9)
    return false;
  if (whole > 0.0)
    snprintf(text, TEXT, "%s%.0f %.0f/%d %s", sign, whole, top, d, f->unit);
  else
    snprintf(text, TEXT, "%s%.0f/%d %s", sign, top, d, f->unit);
  return is_length(text, length_mm);
}

/* Any form that is the same number, the plainest first. */
static bool same_length(double length_mm, char text[TEXT])
{
  const size_t forms = sizeof FORMS / sizeof *FORMS;
  for (size_t i = 0; i < forms; i++)
    if (decimal_of(&FORMS[i], length_mm, text))
      return true;
  for (int d = 2; d <= MOST_DENOMINATOR; d++)
    for (size_t i = 0; i < forms; i++)
      if (fraction_of(&FORMS[i], d, length_mm, text))
        return true;
  return false;
}

void board_write_length(double length_mm, FILE *file)
{
  char text[TEXT];
  if (!same_length(length_mm, text)) {
    const int decimals = MOST_DIGITS - whole_digits(length_mm);
    snprintf(text, sizeof text, "%.*f mm", decimals > 0 ? decimals : 0, length_mm);
  }
  fputs(text, file);
}

void board_write_cents(double cents, FILE *file)
{
  for (int decimals = 0;; decimals++) {
    char text[TEXT];
    double back;
    sp_ratio ratio;
    const bool last = decimals + whole_digits(cents) >= MOST_DIGITS;
    snprintf(text, sizeof text, "%.*f", decimals, cents);
    if (!last && (sp_parse_step(text, &back, &ratio, NULL) != SP_OK || back != cents))
      continue;
    fputs(text, file);
    return;
  }
}

void board_write_percent(double share, FILE *file)
{
  for (int decimals = 0;; decimals++) {
    char text[TEXT];
    sp_partial back;
    size_t count = 0;
    snprintf(text, sizeof text, "1 bass %.*f%%", decimals, 100.0 * share);
    if (decimals < MOST_DIGITS - 3 &&
        (sp_parse_partials(text, 1, &back, &count, NULL) != SP_OK || back.part.end != share))
      continue;
    fputs(text + strlen("1 bass "), file);
    return;
  }
}

void board_write_step(double cents, sp_ratio ratio, FILE *file)
{
  if (ratio.numerator)
    fprintf(file, "%lu/%lu", (unsigned long)ratio.numerator, (unsigned long)ratio.denominator);
  else
    board_write_cents(cents, file);
}
