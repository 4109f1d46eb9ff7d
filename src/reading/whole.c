/* whole.c: a source in one piece of memory; from memory without a copy. */
#include "whole.h"

#include <stdlib.h>

sp_status sp_whole_read(sp_source *source, sp_whole *whole, sp_error *err)
{
  *whole = (sp_whole){0};
  if (source->size > SP_WHOLE_MOST)
    return sp_fail(err, SP_E_DATA, "the file has %.1f gigabytes, too many for its format; save it as PNG or TIFF",
                   (double)source->size / 1e9);
  whole->size = (size_t)source->size;
  if (source->fd < 0) {
    whole->bytes = source->bytes;
    return SP_OK;
  }
  whole->owned = malloc(whole->size);
  if (!whole->owned)
    return sp_fail_memory(err);
  whole->bytes = whole->owned;
  if (sp_source_read_at(source, 0, whole->owned, whole->size) == whole->size)
    return SP_OK;
  free(whole->owned);
  *whole = (sp_whole){0};
  return sp_source_stopped(source, 0, 0, "the file could not be read in one piece", err);
}
