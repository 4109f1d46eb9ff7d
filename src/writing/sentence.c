/* Paragraphs of a text report: put together bit by bit, wrapped, and flushed so that a full disk is noticed. */
#include <errno.h>
#include <stdarg.h>
#include <stdbool.h>
#include <string.h>

#include "slotproof/writing.h"

void sp_say(sp_sentence *s, const char *format, ...)
{
  va_list args;
  va_start(args, format);
  const int n = vsnprintf(s->text + s->used, sizeof s->text - s->used, format, args);
  va_end(args);
  if (n > 0)
    s->used = s->used + (size_t)n < sizeof s->text ? s->used + (size_t)n : sizeof s->text - 1;
}

enum { COLUMNS = 100 };

/* Characters, not bytes: continuation bytes of UTF-8 take no column. */
static int columns_of(const char *s, size_t bytes)
{
  int n = 0;
  for (size_t i = 0; i < bytes; i++)
    n += ((unsigned char)s[i] & 0xc0) != 0x80;
  return n;
}

void sp_text_wrapped(const char *lead, int indent, const char *text, FILE *file)
{
  int at = fprintf(file, "%s", lead);
  bool fresh = true;
  while (*text) {
    const size_t bytes = strcspn(text, " ");
    const int width = columns_of(text, bytes);
    if (!fresh && at + 1 + width > COLUMNS) {
      at = fprintf(file, "\n%*s", indent, "") - 1;
      fresh = true;
    }
    if (!fresh)
      at += fprintf(file, " ");
    fwrite(text, 1, bytes, file);
    at += width;
    fresh = false;
    text += bytes + (text[bytes] == ' ');
  }
  fputc('\n', file);
}

sp_status sp_flush_file(FILE *file, sp_error *err)
{
  errno = 0;
  if (fflush(file) == 0 && !ferror(file))
    return SP_OK;
  return sp_fail(err, SP_E_IO, "writing failed (%s); make room on the disk or write elsewhere",
                 errno ? strerror(errno) : "unknown reason");
}
