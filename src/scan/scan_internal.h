/* Inside the scan module. */
#ifndef SP_SCAN_INTERNAL_H
#define SP_SCAN_INTERNAL_H

#include "slotproof/scan.h"

/* Grey rows in memory as they came, 16 bits in the machine's own order. */
typedef struct scan_rows {
  unsigned char *bytes; /* owned */
  size_t size, room;
} scan_rows;

/* A PNG with its resolution, whole or not at all; `rows` hold width x height samples of 8 or 16 bits. */
sp_status scan_write_png(const char *path, const scan_rows *rows, uint32_t width_px, uint32_t height_px, int bits,
                         double dpi, sp_error *err);

#endif
