/* slotproof/reading.h: picture file -> upright grey raster + what the file says of itself.
 *
 * PNG, JPEG and TIFF as scanners and their programs write them. Colour becomes luma (Rec. ITU-R BT.601 weights
 * 0.299, 0.587, 0.114 on the stored values); alpha is ignored unless it hides the picture; the EXIF / TIFF orientation is
 * applied, once; 16 bits stay 16.
 */
#ifndef SLOTPROOF_READING_H
#define SLOTPROOF_READING_H

#include <stdbool.h>
#include <stdint.h>

#include "slotproof/raster.h"
#include "slotproof/status.h"

/* A stated resolution is a hint, never a measurement. 0 = the file states none. Axes are those of the upright picture. */
typedef struct sp_picture_info {
  char format[8];          /* "PNG", "JPEG", "TIFF" */
  int bits_per_sample;     /* as stored in the file */
  int channels;            /* as stored in the file */
  int orientation;         /* EXIF / TIFF value 1..8 that has been applied; 1 if none was stated */
  double stated_dpi_x, stated_dpi_y;
} sp_picture_info;

typedef struct sp_read_options {
  uint64_t max_pixels; /* refuse larger pictures before memory is taken; 0 = SP_READ_MAX_PIXELS */
} sp_read_options;

#define SP_READ_MAX_PIXELS UINT64_C(1000000000)

/* Reads `path`. On success the raster is the caller's to free. Errors: SP_E_NOINPUT (missing, not permitted, a folder),
 * SP_E_DATA (empty, truncated, damaged, not a picture, not one of the formats, too large), SP_E_IO, SP_E_INTERNAL. The format is told by
 * content, never by the name. `options` may be NULL. */
sp_status sp_read_picture(const char *path, const sp_read_options *options, sp_raster *raster, sp_picture_info *info,
                          sp_error *err);

/* The same from memory: what the fuzz targets and the tests call. The bytes stay the caller's. */
sp_status sp_read_picture_memory(const void *bytes, size_t size, const sp_read_options *options, sp_raster *raster,
                                 sp_picture_info *info, sp_error *err);

#endif
