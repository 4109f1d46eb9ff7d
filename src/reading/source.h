/* source.h (internal): the bytes of a picture, from an open file or from memory, for all decoders alike. */
#ifndef SLOTPROOF_READING_SOURCE_H
#define SLOTPROOF_READING_SOURCE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "slotproof/status.h"

typedef struct sp_source {
  uint64_t size;        /* bytes in all */
  int fd;               /* -1: from memory */
  const uint8_t *bytes; /* from memory: all of them */
  uint8_t *owned;       /* what sp_source_close has to free */
  uint64_t buffer_at;   /* from a file: `owned` holds `buffered` bytes from this offset on */
  size_t buffered;
  uint64_t at;    /* where sp_source_read goes on */
  bool hit_end;   /* something was asked for beyond the end */
  int read_errno; /* not 0: the system refused to read on */
} sp_source;

/* Opens a file, a pipe or a device; what is not a plain file is taken into memory. Close in every case. */
sp_status sp_source_open(const char *path, sp_source *source, sp_error *err);
void sp_source_open_memory(const void *bytes, size_t size, sp_source *source);
void sp_source_close(sp_source *source);

/* Bytes read, fewer than n only at the end (hit_end is set) or on failure (read_errno is set). */
size_t sp_source_read_at(sp_source *source, uint64_t at, void *out, size_t n);
size_t sp_source_read(sp_source *source, void *out, size_t n);

/* The sentence for a decoder that had to stop after `row` of `height` rows (0 of 0: before the first). A cause on the
 * side of the file (it ends, the disk fails) is told before `detail`, the decoder's own words, which are often a mere
 * consequence. */
sp_status sp_source_stopped(const sp_source *source, uint32_t row, uint32_t height, const char *detail, sp_error *err);

#endif
