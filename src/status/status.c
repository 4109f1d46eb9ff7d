#include "slotproof/status.h"

#include <stdarg.h>
#include <stdio.h>

sp_status sp_fail(sp_error *err, sp_status status, const char *format, ...)
{
  if (err) {
    va_list args;
    va_start(args, format);
    err->status = status;
    if (vsnprintf(err->text, sizeof err->text, format, args) < 0)
      err->text[0] = '\0';
    va_end(args);
  }
  return status;
}

sp_status sp_fail_memory(sp_error *err)
{
  return sp_fail(err, SP_E_INTERNAL, "no memory left; use a smaller picture or a machine with more memory");
}
