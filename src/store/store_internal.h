/* Inside the store. */
#ifndef SP_STORE_INTERNAL_H
#define SP_STORE_INTERNAL_H

#include <stdbool.h>

#include "slotproof/status.h"

/* "WHAT failed (reason of errno) ..." */
sp_status store_failed(sp_error *err, sp_status status, const char *what);
/* A file, or a folder with all in it, so many folders deep. */
bool store_remove_tree(int at, const char *name, int deepest);

#endif
