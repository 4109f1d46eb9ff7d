/* One pass out, a few small reads in. */
#include "slotproof/pack.h"

#include <errno.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "slotproof/writing.h"

enum { ENTRY = 20, FOOT = 20, MOST_ENTRIES = 1 << 20 };
static const char MARK[8] = "slotpack";

static void put(uint8_t *at, uint64_t value, int bytes)
{
  for (int i = 0; i < bytes; i++)
    at[i] = (uint8_t)(value >> (8 * i));
}

static uint64_t get(const uint8_t *at, int bytes)
{
  uint64_t value = 0;
  for (int i = 0; i < bytes; i++)
    value |= (uint64_t)at[i] << (8 * i);
  return value;
}

/* ---- out -------------------------------------------------------------------------------------------------------- */

sp_status sp_pack_add(sp_pack_writer *w, uint64_t key, const void *bytes, size_t size, sp_error *err)
{
  if (size > UINT32_MAX || w->count >= MOST_ENTRIES || (w->count && key <= w->entry[w->count - 1].key))
    return sp_fail(err, SP_E_INTERNAL, "a pack was written out of order; report this fault");
  if ((w->count & (w->count - 1)) == 0) { /* room grows by doubling */
    sp_pack_entry *grown = realloc(w->entry, (w->count ? 2 * w->count : 1) * sizeof *grown);
    if (!grown)
      return sp_fail_memory(err);
    w->entry = grown;
  }
  if (fwrite(bytes, 1, size, w->file) != size)
    return sp_flush_file(w->file, err);
  w->entry[w->count++] = (sp_pack_entry){key, w->used, (uint32_t)size};
  w->used += size;
  return SP_OK;
}

sp_status sp_pack_finish(sp_pack_writer *w, sp_error *err)
{
  uint8_t bytes[ENTRY];
  for (size_t i = 0; i < w->count; i++) {
    put(bytes, w->entry[i].key, 8);
    put(bytes + 8, w->entry[i].offset, 8);
    put(bytes + 16, w->entry[i].size, 4);
    fwrite(bytes, 1, ENTRY, w->file); /* a failure shows in the flush */
  }
  put(bytes, w->used, 8);
  put(bytes + 8, w->count, 4);
  memcpy(bytes + 12, MARK, sizeof MARK);
  fwrite(bytes, 1, FOOT, w->file);
  return sp_flush_file(w->file, err);
}

void sp_pack_free(sp_pack_writer *w)
{
  free(w->entry);
  *w = (sp_pack_writer){.file = NULL};
}

/* ---- in --------------------------------------------------------------------------------------------------------- */

static bool read_at(int fd, uint64_t offset, uint8_t *bytes, size_t size)
{
  ssize_t got;
  do
    got = pread(fd, bytes, size, (off_t)offset);
  while (got < 0 && errno == EINTR);
  return got == (ssize_t)size;
}

static sp_status damaged(sp_error *err)
{
  return sp_fail(err, SP_E_DATA, "is damaged; let the board be measured again");
}

/* Where the index begins, and how many entries it has. */
static sp_status read_foot(int fd, uint64_t *index, uint64_t *count, sp_error *err)
{
  struct stat about;
  uint8_t foot[FOOT];
  if (fstat(fd, &about) != 0)
    return sp_fail(err, SP_E_IO, "reading failed (%s)", strerror(errno));
  const uint64_t size = (uint64_t)about.st_size;
  if (size < FOOT || !read_at(fd, size - FOOT, foot, FOOT) || memcmp(foot + 12, MARK, sizeof MARK) != 0)
    return damaged(err);
  *index = get(foot, 8);
  *count = get(foot + 8, 4);
  if (*count > MOST_ENTRIES || *index > size || *index + *count * ENTRY + FOOT != size)
    return damaged(err);
  return SP_OK;
}

sp_status sp_pack_find(int fd, uint64_t key, uint64_t *offset, uint32_t *size, sp_error *err)
{
  uint64_t index = 0, low = 0, high = 0;
  const sp_status status = read_foot(fd, &index, &high, err);
  if (status)
    return status;
  while (low < high) {
    const uint64_t middle = low + (high - low) / 2;
    uint8_t entry[ENTRY];
    if (!read_at(fd, index + middle * ENTRY, entry, ENTRY))
      return damaged(err);
    const uint64_t here = get(entry, 8);
    if (here == key) {
      *offset = get(entry + 8, 8);
      *size = (uint32_t)get(entry + 16, 4);
      return *offset <= index && *size <= index - *offset ? SP_OK : damaged(err);
    }
    if (here < key)
      low = middle + 1;
    else
      high = middle;
  }
  return sp_fail(err, SP_E_NOINPUT, "holds nothing of that number");
}
