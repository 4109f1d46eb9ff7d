/* late.c: finds a library and what it holds. The loader keeps count of what it has loaded, so nothing is kept here; to
 * ask it again costs about a microsecond. */
#include "slotproof/late.h"

#include <dlfcn.h>
#include <stdlib.h>
#include <string.h>

#include "late/late_internal.h"

/* By the names in the files that the build was made with, which carry the number of the interface. */
static const char *const NAME[] = {
    [SP_LATE_BRIDGE] = SP_LATE_BRIDGE_NAME, [SP_LATE_CAIRO] = SP_LATE_CAIRO_NAME,
    [SP_LATE_HEIF] = SP_LATE_HEIF_NAME,     [SP_LATE_MICROHTTPD] = SP_LATE_MICROHTTPD_NAME,
#ifdef SLOTPROOF_SCAN
    [SP_LATE_SANE] = SP_LATE_SANE_NAME,
#endif
};

/* The program's own library lies in a folder of its own, told from where the program lies (the loader knows $ORIGIN);
 * else, as any other, where the loader looks. */
static void *load(sp_late which)
{
  const int how = RTLD_LAZY | RTLD_LOCAL;
  void *own = which == SP_LATE_BRIDGE ? dlopen(SP_LATE_OWN_FOLDER SP_LATE_BRIDGE_NAME, how) : NULL;
  return own ? own : dlopen(NAME[which], how);
}

sp_status sp_late_library(sp_late which, sp_error *err)
{
  if (load(which))
    return SP_OK;
  return sp_fail(err, SP_E_INTERNAL, "the library %s cannot be loaded; install the package that holds it", NAME[which]);
}

/* ISO C does not turn a pointer to an object into one to a function; POSIX has them alike, and dlsym so. */
void late_find(sp_late which, const char *name, void *function, size_t size)
{
  void *library = load(which), *found = library ? dlsym(library, name) : NULL;
  if (!found)
    abort(); /* sp_late_library was not asked, or a library without a function that its own header declares */
  memcpy(function, &found, size);
}
