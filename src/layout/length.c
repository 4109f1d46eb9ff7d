/* Lengths and tolerances as makers write them.
 *
 * The number is read as whole digits and powers of ten, never as a rounded double, and turned into mm by one rounding:
 * a decimal goes to strtod as "digits e exponent" with the inch's 254 already multiplied in (no decimal point, so no
 * locale can change it); a fraction is one division of two integers below 2^53, which IEEE 754 rounds
 * correctly. 25.5in, 25 1/2in and 647.7mm are therefore the same double.
 */
#include <inttypes.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include "layout/text.h"
#include "slotproof/layout.h"

/* One unit is factor / 10^tenths mm. */
typedef struct unit {
  const char *name;
  uint64_t factor;
  int tenths;
} unit;

static const unit UNITS[] = {
    {"mm", 1, 0}, {"cm", 10, 0}, {"in", 254, 1}, {"um", 1, 3}, {"\xc2\xb5m", 1, 3}, {"\xce\xbcm", 1, 3},
};

#define ASK_UNIT "write a unit behind the number, as 648mm, 64.8cm, 25.5in or 25 1/2in"

/* For messages: at most 40 bytes of what the user wrote. */
#define SHOWN "%.40s"

typedef struct number {
  bool negative;
  sp_decimal decimal;              /* the number, or the whole part of a mixed one */
  uint64_t numerator, denominator; /* 0/1 if there is no fraction */
} number;

static sp_status fail_number(const char *text, sp_error *err)
{
  return sp_fail(err, SP_E_USAGE,
                 "'" SHOWN "' is not a length; write a number and a unit, as 648mm, 25.5in or 25 1/2in", text);
}

/* Whole digits at *at, moved past them; false if there are none or more than 6. */
static bool read_small(const char **at, uint64_t *value)
{
  const char *start = *at;
  *value = 0;
  while (sp_is_digit(**at) && *at - start < 7)
    *value = *value * 10 + (uint64_t)(*(*at)++ - '0');
  return *at > start && *at - start < 7;
}

/* "/32" at *at, `numerator` read already. */
static sp_status read_denominator(const char *text, const char **at, number *n, sp_error *err)
{
  (*at)++;
  if (!read_small(at, &n->denominator))
    return sp_fail(err, SP_E_USAGE,
                   "the fraction in '" SHOWN "' is not complete; write it as 1/32in, with at most 6 digits", text);
  if (n->denominator == 0)
    return sp_fail(err, SP_E_USAGE, "the fraction in '" SHOWN "' divides by zero; write it as 1/32in", text);
  return SP_OK;
}

/* After the whole part "25": " 1/2" or "-1/2", or nothing of the kind. */
static sp_status read_mixed(const char *text, const char **at, number *n, sp_error *err)
{
  const char *next = *at;
  if (*next == '-')
    next++;
  else
    next = sp_skip_blanks(next);
  if (next == *at || !sp_is_digit(*next))
    return SP_OK;
  if (!read_small(&next, &n->numerator) || *next != '/')
    return fail_number(text, err);
  *at = next;
  const sp_status status = read_denominator(text, at, n, err);
  if (!status && n->numerator >= n->denominator)
    return sp_fail(err, SP_E_USAGE, "the fraction in '" SHOWN "' is not below 1; write 26 1/2in instead of 25 3/2in",
                   text);
  return status;
}

static sp_status read_number(const char *text, const char **at, number *n, sp_error *err)
{
  *n = (number){.denominator = 1};
  if (**at == '+' || **at == '-')
    n->negative = *(*at)++ == '-';
  const sp_decimal_state state = sp_read_decimal(at, &n->decimal);
  if (state == SP_DECIMAL_LONG)
    return sp_fail(err, SP_E_USAGE, "'" SHOWN "' has more than 15 digits; shorten it", text);
  if (state == SP_DECIMAL_NONE)
    return fail_number(text, err);
  if (**at == ',')
    return sp_fail(err, SP_E_USAGE, "'" SHOWN "' has a comma; write decimals with a point, as 25.5in", text);
  const bool whole = n->decimal.decimals == 0 && n->decimal.digits < 1000000 && !n->decimal.has_point;
  if (**at == '/') {
    if (!whole)
      return fail_number(text, err);
    n->numerator = n->decimal.digits;
    n->decimal.digits = 0;
    return read_denominator(text, at, n, err);
  }
  return whole ? read_mixed(text, at, n, err) : SP_OK;
}

static const unit *read_unit(const char **at)
{
  for (size_t k = 0; k < sizeof UNITS / sizeof *UNITS; k++) {
    const size_t length = strlen(UNITS[k].name);
    if (strncmp(*at, UNITS[k].name, length) == 0) {
      *at += length;
      return &UNITS[k];
    }
  }
  return NULL;
}

static double in_mm(const number *n, const unit *u)
{
  if (n->denominator == 1 && n->numerator == 0)
    return sp_decimal_value(n->decimal.digits * u->factor, n->decimal.decimals + u->tenths);
  /* below 1e6 * 1e6 * 254 < 2^53: each side is exact */
  const uint64_t top = (n->decimal.digits * n->denominator + n->numerator) * u->factor;
  uint64_t bottom = n->denominator;
  for (int k = 0; k < u->tenths; k++)
    bottom *= 10;
  return (double)top / (double)bottom;
}

static sp_status check_sign(const char *text, sp_length_sign sign, double length_mm, sp_error *err)
{
  if (sign != SP_LENGTH_SIGNED && length_mm < 0.0)
    return sp_fail(err, SP_E_USAGE, "'" SHOWN "' is negative; a length here cannot be", text);
  if (sign == SP_LENGTH_POSITIVE && !(length_mm > 0.0))
    return sp_fail(err, SP_E_USAGE, "'" SHOWN "' is zero; a length here must be greater", text);
  return SP_OK;
}

sp_status sp_parse_length(const char *text, sp_length_sign sign, double *length_mm, sp_error *err)
{
  const char *at = sp_skip_blanks(text);
  number n;
  *length_mm = NAN;
  if (!sp_is_plain(text))
    return sp_fail(err, SP_E_USAGE, "a length holds a control character; " ASK_UNIT);
  if (*at == '\0')
    return sp_fail(err, SP_E_USAGE, "a length is empty; " ASK_UNIT);
  sp_status status = read_number(text, &at, &n, err);
  if (status)
    return status;
  at = sp_skip_blanks(at);
  if (*at == '\0')
    return sp_fail(err, SP_E_USAGE, "'" SHOWN "' has no unit; " ASK_UNIT, text);
  const unit *u = read_unit(&at);
  if (!u || *sp_skip_blanks(at) != '\0')
    return sp_fail(err, SP_E_USAGE, "'" SHOWN "' does not end in a unit that is known (mm, cm, in, um); " ASK_UNIT,
                   text);
  const double size = in_mm(&n, u), value = n.negative && size > 0.0 ? -size : size;
  status = check_sign(text, sign, value, err);
  if (!status)
    *length_mm = value;
  return status;
}

/* ---- tolerances ---- */

enum { PART_MAX = 64 };

#define TOLERANCE_FORM "write a tolerance as 0.2mm, as 2c (cents) or as both: 0.2mm,2c"

/* "2c": true if the part is a number of cents; then *cents is NAN if the number cannot be read. */
static bool read_cents(const char *part, double *cents)
{
  const char *at = sp_skip_blanks(part);
  sp_decimal decimal;
  const sp_decimal_state state = sp_read_decimal(&at, &decimal);
  at = sp_skip_blanks(at);
  if (state == SP_DECIMAL_NONE || at[0] != 'c' || *sp_skip_blanks(at + 1) != '\0')
    return false;
  *cents = state == SP_DECIMAL_OK ? sp_decimal_value(decimal.digits, decimal.decimals) : NAN;
  return true;
}

static sp_status read_part(const char *text, const char *part, sp_tolerance *t, sp_error *err)
{
  double value;
  const bool in_cents = read_cents(part, &value);
  if (*sp_skip_blanks(part) == '\0')
    return sp_fail(err, SP_E_USAGE, "a part of '" SHOWN "' is empty; " TOLERANCE_FORM, text);
  if (!in_cents && sp_parse_length(part, SP_LENGTH_SIGNED, &value, NULL))
    return sp_fail(err, SP_E_USAGE, "'" SHOWN "' is neither a length with its unit nor cents; " TOLERANCE_FORM, part);
  if (!(value > 0.0))
    return sp_fail(err, SP_E_USAGE, "'" SHOWN "' is not a number above zero with at most 15 digits; " TOLERANCE_FORM,
                   part);
  double *place = in_cents ? &t->tolerance_cents : &t->tolerance_mm;
  if (!isnan(*place))
    return sp_fail(err, SP_E_USAGE, "'" SHOWN "' gives two tolerances of one kind; " TOLERANCE_FORM, text);
  *place = value;
  return SP_OK;
}

sp_status sp_parse_tolerance(const char *text, sp_tolerance *tolerance, sp_error *err)
{
  sp_tolerance found = {NAN, NAN};
  *tolerance = found;
  if (!sp_is_plain(text))
    return sp_fail(err, SP_E_USAGE, "a tolerance holds a control character; " TOLERANCE_FORM);
  if (*sp_skip_blanks(text) == '\0')
    return sp_fail(err, SP_E_USAGE, "a tolerance is empty; " TOLERANCE_FORM);
  for (const char *at = text; at;) {
    const char *comma = strchr(at, ',');
    const size_t length = comma ? (size_t)(comma - at) : strlen(at);
    char part[PART_MAX];
    if (length >= sizeof part)
      return sp_fail(err, SP_E_USAGE, "'" SHOWN "' is too long; " TOLERANCE_FORM, text);
    memcpy(part, at, length);
    part[length] = '\0';
    const sp_status status = read_part(text, part, &found, err);
    if (status)
      return status;
    at = comma ? comma + 1 : NULL;
  }
  *tolerance = found;
  return SP_OK;
}
