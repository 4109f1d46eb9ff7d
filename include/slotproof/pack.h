/* slotproof/pack.h: many small files as one, each found by a number.
 *
 * A picture cut into tiles would be hundreds of files to write, to flush and to lose one of. A pack is written once,
 * front to back, and only then read: the contents, an index in the order of the keys, a foot that says where the index
 * begins. Numbers are little-endian. What is read is not trusted: offsets are held against the file's size.
 */
#ifndef SLOTPROOF_PACK_H
#define SLOTPROOF_PACK_H

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include "slotproof/status.h"

typedef struct sp_pack_entry {
  uint64_t key, offset;
  uint32_t size;
} sp_pack_entry;

/* While it is written; zero-initialise but for `file`, which stays the caller's. */
typedef struct sp_pack_writer {
  FILE *file;
  sp_pack_entry *entry;
  size_t count;
  uint64_t used; /* bytes so far */
} sp_pack_writer;

/* Keys grow from call to call. SP_E_IO, SP_E_INTERNAL. */
sp_status sp_pack_add(sp_pack_writer *writer, uint64_t key, const void *bytes, size_t size, sp_error *err);
/* Index and foot; flushes the file. */
sp_status sp_pack_finish(sp_pack_writer *writer, sp_error *err);
void sp_pack_free(sp_pack_writer *writer);

/* Where the content of that key lies in the file open at `fd`. SP_E_NOINPUT if there is none of it, SP_E_DATA if the
 * file is no pack, SP_E_IO. */
sp_status sp_pack_find(int fd, uint64_t key, uint64_t *offset, uint32_t *size, sp_error *err);

#endif
