/* exif.h (internal): what EXIF says of orientation and resolution. */
#ifndef SLOTPROOF_READING_EXIF_H
#define SLOTPROOF_READING_EXIF_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "slotproof/reading.h"

typedef struct sp_exif {
  int orientation;     /* 1..8; 1 if none is stated or the value means nothing */
  double dpi_x, dpi_y; /* as stored, before the orientation; 0 if none is stated */
  bool exposed;        /* an exposure is stated: a camera took it */
  double focal_35mm;   /* focal length in terms of 36 x 24 mm; 0 if none is stated */
  char make[SP_DEVICE_TEXT], model[SP_DEVICE_TEXT];
} sp_exif;

/* `tiff` is the block after the "Exif\0\0" of a JPEG APP1 segment, or a PNG eXIf chunk. Nonsense gives the defaults: a
 * picture is not refused for its notes. */
sp_exif sp_exif_read(const uint8_t *tiff, size_t size);

/* A resolution tag of EXIF or TIFF in dots per inch. unit: 2 inch, 3 cm, else no resolution. 0 for nonsense. */
double sp_exif_dpi(double value, int unit);

/* A device's name as a file states it, made fit to print: ASCII without control characters, no blanks at either end. */
void sp_exif_name(const char *stated, size_t length, char name[SP_DEVICE_TEXT]);

#endif
