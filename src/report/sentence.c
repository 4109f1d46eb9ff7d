/* A paragraph of a text report, put together bit by bit. */
#include <stdarg.h>

#include "report_internal.h"

void sp_say(sp_sentence *s, const char *format, ...)
{
  va_list args;
  va_start(args, format);
  const int n = vsnprintf(s->text + s->used, sizeof s->text - s->used, format, args);
  va_end(args);
  if (n > 0)
    s->used = s->used + (size_t)n < sizeof s->text ? s->used + (size_t)n : sizeof s->text - 1;
}
