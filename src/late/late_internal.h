/* Inside the late module: one line a function of the library, which passes the call on. */
#ifndef SP_LATE_INTERNAL_H
#define SP_LATE_INTERNAL_H

#include <stddef.h>

#include "slotproof/late.h"

/* `function` receives a pointer to the library's function of that name. Never fails. */
void late_find(sp_late which, const char *name, void *function, size_t size);

#define LATE(which, result, name, parameters, arguments) \
  result name parameters \
  { \
    __typeof__(name) *late; \
    late_find(which, #name, &late, sizeof late); \
    return late arguments; \
  }
#define LATE_VOID(which, name, parameters, arguments) \
  void name parameters \
  { \
    __typeof__(name) *late; \
    late_find(which, #name, &late, sizeof late); \
    late arguments; \
  }

#endif
