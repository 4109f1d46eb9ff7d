/* pages.h (internal): memory for large arrays that will be filled from end to end. */
#ifndef SLOTPROOF_RASTER_PAGES_H
#define SLOTPROOF_RASTER_PAGES_H

#include <stddef.h>

/* Like malloc, and given back by free; from a megabyte upward placed and announced so that the system may hand the
 * memory out in large pages. NULL if there is none. */
void *sp_pages_allocate(size_t bytes);

/* The announcement alone, for memory that stands already: all of it will be written soon. Before the first byte is.
 * Advice only: contents, address and ownership stay as they are. */
void sp_pages_fill_soon(void *memory, size_t bytes);

#endif
