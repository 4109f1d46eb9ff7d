/* layout/text.h: decimal numbers read exactly, without the locale. */
#ifndef SP_LAYOUT_TEXT_H
#define SP_LAYOUT_TEXT_H

#include <stdbool.h>
#include <stdint.h>

/* digits / 10^decimals, digits < 10^15. */
typedef struct sp_decimal {
  uint64_t digits;
  int decimals;
  bool has_point;
} sp_decimal;

typedef enum sp_decimal_state {
  SP_DECIMAL_OK,
  SP_DECIMAL_NONE, /* no digit there */
  SP_DECIMAL_LONG  /* more than 15 digits, zeros in front and at the end of the decimals not counted */
} sp_decimal_state;

/* Unsigned decimal at *at ("648", "25.5", ".5", "2."); *at is moved past it. Anything else ends it. */
sp_decimal_state sp_read_decimal(const char **at, sp_decimal *decimal);

/* digits / 10^decimals rounded once. decimals in 0..99. */
double sp_decimal_value(uint64_t digits, int decimals);

bool sp_is_digit(char c);
/* No control byte but tabs: a message that quotes it stays one line. */
bool sp_is_plain(const char *text);
/* Past spaces and tabs. */
const char *sp_skip_blanks(const char *at);

#endif
