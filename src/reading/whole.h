/* whole.h (internal): the file in one piece, for decoders that take no less. */
#ifndef SLOTPROOF_READING_WHOLE_H
#define SLOTPROOF_READING_WHOLE_H

#include "source.h"

typedef struct sp_whole {
  const uint8_t *bytes;
  size_t size;
  uint8_t *owned; /* free with free() */
} sp_whole;

/* Refuses files of more than SP_WHOLE_MOST bytes: these formats compress, a larger one is none of ours. */
#define SP_WHOLE_MOST UINT64_C(2000000000)
sp_status sp_whole_read(sp_source *source, sp_whole *whole, sp_error *err);

#endif
