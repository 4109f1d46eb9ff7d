/* slotproof/writing.h: what all text reports are written with. */
#ifndef SLOTPROOF_WRITING_H
#define SLOTPROOF_WRITING_H

#include <stddef.h>
#include <stdio.h>

#include "slotproof/status.h"

/* A paragraph that grows; zero-initialise. What no longer fits is left off. */
typedef struct sp_sentence {
  char text[4000];
  size_t used;
} sp_sentence;
#if defined(__GNUC__)
__attribute__((format(printf, 2, 3)))
#endif
void
sp_say(sp_sentence *sentence, const char *format, ...);

/* Words wrapped to 100 columns, each line begun with `indent` blanks, the first with `lead` instead. Write errors show
 * in the flush. */
void sp_text_wrapped(const char *lead, int indent, const char *text, FILE *file);

/* A copy that is valid UTF-8 without control characters (bytes that are none become U+FFFD); NULL for lack of memory.
 * Free with free(). */
char *sp_clean_text(const char *text);

/* Pushes out what is buffered; SP_E_IO if any write to `file` has failed. */
sp_status sp_flush_file(FILE *file, sp_error *err);

#endif
