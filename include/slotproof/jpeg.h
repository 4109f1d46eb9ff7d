/* slotproof/jpeg.h: grey pixels as a JPEG (ISO/IEC 10918-1), for looking at; never for measuring. */
#ifndef SLOTPROOF_JPEG_H
#define SLOTPROOF_JPEG_H

#include <stddef.h>
#include <stdint.h>

#include "slotproof/status.h"

/* Rows of `width` bytes follow each other every `stride` bytes. `quality` as libjpeg counts it, 1 to 100. The bytes
 * are the caller's: free(). SP_E_INTERNAL for lack of memory. */
sp_status sp_jpeg_grey(const uint8_t *grey, uint32_t width, uint32_t height, size_t stride, int quality, char **bytes,
                       size_t *size, sp_error *err);

#endif
