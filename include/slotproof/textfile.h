/* slotproof/textfile.h: a whole text file from outside, in memory. */
#ifndef SLOTPROOF_TEXTFILE_H
#define SLOTPROOF_TEXTFILE_H

#include <stddef.h>

#include "slotproof/status.h"

/* Reads `path`, at most `most_mb` megabytes (of 2^20 bytes), and ends it with a NUL that `length` does not count.
 * `what` says what the file should be, for the sentences: "list of steps". Free *text with free(); NULL on error.
 * Sentences do not name the file. Errors: SP_E_NOINPUT if it cannot be opened or is a folder, SP_E_DATA if it is
 * larger, SP_E_IO, SP_E_INTERNAL for lack of memory. */
sp_status sp_textfile_read(const char *path, size_t most_mb, const char *what, char **text, size_t *length,
                           sp_error *err);

#endif
