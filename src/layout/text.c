/* Decimal numbers, read digit by digit: strtod would take "nan", "0x10", "1e9" and the locale's comma for numbers too.
 */
#include "layout/text.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { MAX_DECIMALS = 60 };
#define DIGITS_LIMIT UINT64_C(1000000000000000)

bool sp_is_digit(char c)
{
  return c >= '0' && c <= '9';
}

bool sp_is_plain(const char *text)
{
  for (; *text; text++)
    if (((unsigned char)*text < 0x20 && *text != '\t') || *text == 0x7f)
      return false;
  return true;
}

const char *sp_skip_blanks(const char *at)
{
  while (*at == ' ' || *at == '\t')
    at++;
  return at;
}

/* Appends one digit with the zeros that were held back before it; false if it does not fit. */
static bool append(sp_decimal *d, int zeros, int digit)
{
  for (int k = 0; k <= zeros; k++) {
    d->digits = d->digits * 10 + (k == zeros ? (uint64_t)digit : 0);
    if (d->digits >= DIGITS_LIMIT)
      return false;
  }
  return true;
}

sp_decimal_state sp_read_decimal(const char **at, sp_decimal *decimal)
{
  sp_decimal d = {0, 0, false};
  bool any = false, fits = true;
  int zeros = 0; /* behind the point: counted only once another digit follows */
  for (;; (*at)++) {
    if (**at == '.' && !d.has_point) {
      d.has_point = true;
      continue;
    }
    if (!sp_is_digit(**at))
      break;
    any = true;
    if (d.has_point && **at == '0') {
      zeros += zeros < MAX_DECIMALS;
      continue;
    }
    fits = fits && append(&d, zeros, **at - '0');
    d.decimals += d.has_point && fits ? zeros + 1 : 0;
    zeros = 0;
  }
  *decimal = d;
  if (!any)
    return SP_DECIMAL_NONE;
  return fits && d.decimals <= MAX_DECIMALS ? SP_DECIMAL_OK : SP_DECIMAL_LONG;
}

double sp_decimal_value(uint64_t digits, int decimals)
{
  char text[40];
  const int length = snprintf(text, sizeof text, "%" PRIu64 "e-%d", digits, decimals);
  return length > 0 && length < (int)sizeof text ? strtod(text, NULL) : NAN;
}
