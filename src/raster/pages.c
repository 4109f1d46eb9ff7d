/* pages.c: large pages for large arrays.
 *
 * Fresh memory comes from the system page by page, on first touch: 4096 bytes at a time, each with a trap into the
 * kernel. For the picture of a whole board that is ten thousand traps and more time than the averaging of all its
 * pixels. Linux can hand out 2 MiB at once, but by default only where a program asks for it, and only where such a
 * piece lies whole within the array. The call stands outside POSIX, hence the feature macro, in this file alone; other
 * systems go on as before.
 */
#define _DEFAULT_SOURCE
#include "raster/pages.h"

#include <limits.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <unistd.h>
#ifdef __GLIBC__
#include <malloc.h>
#endif

#include "slotproof/raster.h"

static const size_t LARGE_PAGE_BYTES = (size_t)2 << 20;
/* Below this nothing is gained that could be measured. */
static const size_t WORTH_BYTES = (size_t)1 << 20;

void sp_pages_fill_soon(void *memory, size_t bytes)
{
#ifdef MADV_HUGEPAGE
  const long page = sysconf(_SC_PAGESIZE);
  if (bytes < WORTH_BYTES || page <= 0)
    return;
  const size_t size = (size_t)page, past = (size_t)((uintptr_t)memory % size);
  const size_t skip = past ? size - past : 0;
  (void)madvise((char *)memory + skip, (bytes - skip) / size * size, MADV_HUGEPAGE); /* refused is as good as unheard */
#else
  (void)memory;
  (void)bytes;
#endif
}

void *sp_pages_allocate(size_t bytes)
{
  if (bytes < WORTH_BYTES || bytes > SIZE_MAX - LARGE_PAGE_BYTES)
    return malloc(bytes);
  const size_t whole = (bytes + LARGE_PAGE_BYTES - 1) / LARGE_PAGE_BYTES * LARGE_PAGE_BYTES;
  void *memory = aligned_alloc(LARGE_PAGE_BYTES, whole);
  /* a last page that would be filled by less than half comes in small ones: all that is fetched has to be cleared */
  const size_t rest = bytes % LARGE_PAGE_BYTES;
  if (memory)
    sp_pages_fill_soon(memory, 2 * rest < LARGE_PAGE_BYTES ? bytes - rest : whole);
  return memory;
}

/* The library by itself takes arrays from its heap up to the largest freed so far, and gives the heap's end back. 32 MB
 * is the most that it takes from there. */
void sp_rasters_keep_memory(void)
{
#if defined(M_MMAP_THRESHOLD) && defined(M_TRIM_THRESHOLD)
  (void)mallopt(M_MMAP_THRESHOLD, 32 << 20);
  (void)mallopt(M_TRIM_THRESHOLD, INT_MAX);
#endif
}
