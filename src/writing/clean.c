/* Texts from outside made harmless.
 *
 * UTF-8 after RFC 3629: no overlong forms, no surrogates, nothing above U+10FFFF. Each byte that does not belong to a
 * well-formed character, and each control character (C0, DEL, C1), becomes U+FFFD; so do U+FFFE and U+FFFF, which XML
 * forbids (XML 1.0, production 2). */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/writing.h"

/* Length of the well-formed, printable character at s; 0 if there is none. */
static size_t character_length(const unsigned char *s)
{
  if (s[0] >= 0x20 && s[0] < 0x7f)
    return 1;
  const size_t length = s[0] >= 0xc2 && s[0] <= 0xdf   ? 2
                        : (s[0] & 0xf0) == 0xe0        ? 3
                        : s[0] >= 0xf0 && s[0] <= 0xf4 ? 4
                                                       : 0;
  for (size_t i = 1; i < length; i++)
    if ((s[i] & 0xc0) != 0x80) /* the closing NUL ends the walk here too */
      return 0;
  const int overlong = (s[0] == 0xe0 && s[1] < 0xa0) || (s[0] == 0xf0 && s[1] < 0x90);
  const int beyond = (s[0] == 0xed && s[1] > 0x9f) || (s[0] == 0xf4 && s[1] > 0x8f);
  const int c1_control = s[0] == 0xc2 && s[1] < 0xa0;
  const int no_character = s[0] == 0xef && s[1] == 0xbf && s[2] >= 0xbe;
  return overlong || beyond || c1_control || no_character ? 0 : length;
}

char *sp_clean_text(const char *text)
{
  static const char REPLACEMENT[] = "\xef\xbf\xbd"; /* U+FFFD */
  const size_t size = strlen(text);
  if (size > SIZE_MAX / 4)
    return NULL;
  char *clean = malloc(3 * size + 1);
  if (!clean)
    return NULL;
  size_t out = 0;
  for (size_t in = 0; in < size;) {
    const size_t length = character_length((const unsigned char *)text + in);
    memcpy(clean + out, length ? text + in : REPLACEMENT, length ? length : 3);
    out += length ? length : 3;
    in += length ? length : 1;
  }
  clean[out] = '\0';
  return clean;
}
