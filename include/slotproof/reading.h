/* slotproof/reading.h: picture file -> upright grey raster + what the file says of itself.
 *
 * PNG, JPEG and TIFF as scanners and their programs write them. Colour becomes luma (Rec. ITU-R BT.601 weights
 * 0.299, 0.587, 0.114 on the stored values); ink (CMYK) becomes light by the plain complement; what alpha lets through
 * is laid over white, so an opaque picture keeps its values; the EXIF / TIFF orientation is applied, once; 16 bits stay
 * 16, 1 to 8 bits are scaled to 8 and 9 to 15 bits to 16.
 *
 * PNG: every bit depth and colour type, interlaced or not. JPEG: baseline and progressive, grey, YCbCr, RGB, CMYK and
 * YCCK, 8 bits. TIFF and BigTIFF: strips and tiles, grey, palette, RGB, CMYK, YCbCr in JPEG, 1 to 16 bits, planes
 * together or apart, every compression libtiff was built with; the first page that is not marked as a reduced copy.
 *
 * WebP: still pictures, lossy or not. HEIF: HEIC and AVIF as telephones write them, the primary picture, reduced to 8
 * bits; its own turns and mirrors are applied, and the EXIF orientation, which repeats them, is not.
 *
 * A file that is damaged or ends early is refused, with the row it was good up to: half a picture must not be measured.
 * Bytes behind the end of the picture do no harm. Memory: the raster and a few rows (PNG interlaced or not, baseline
 * JPEG, TIFF strips), a tile, or, for a progressive JPEG, libjpeg's coefficients (two bytes a pixel and colour); for
 * WebP and HEIF the file and the picture in colour.
 */
#ifndef SLOTPROOF_READING_H
#define SLOTPROOF_READING_H

#include <stdbool.h>
#include <stdint.h>

#include "slotproof/raster.h"
#include "slotproof/status.h"

/* A stated resolution is a hint, never a measurement. 0 = the file states none. Axes are those of the upright picture.
 * PNG: pHYs, else eXIf. JPEG: JFIF or EXIF; where JFIF is the rounded EXIF value, the latter. TIFF: its tags. JFIF
 * rounds: 236 dots a cm mean 599.44 dpi although 600 were scanned; PNG's 23622 a metre mean 599.9988. */
enum { SP_DEVICE_TEXT = 48 };

typedef struct sp_picture_info {
  char format[8];      /* "PNG", "JPEG", "TIFF", "WebP", "HEIF" */
  int bits_per_sample; /* as stored in the file */
  int channels;        /* as stored in the file */
  int orientation;     /* EXIF / TIFF value 1..8 that has been applied; 1 if none was stated, and for HEIF */
  double stated_dpi_x, stated_dpi_y;
  bool is_photograph;                               /* EXIF states an exposure: a camera took it. False says nothing */
  double focal_35mm;                                /* focal length in terms of 36 x 24 mm film; 0 = not stated */
  char make[SP_DEVICE_TEXT], model[SP_DEVICE_TEXT]; /* of scanner or camera, printable ASCII; "" = not stated */
} sp_picture_info;

typedef struct sp_read_options {
  uint64_t max_pixels; /* refuse larger pictures before memory is taken; 0 = SP_READ_MAX_PIXELS */
} sp_read_options;

#define SP_READ_MAX_PIXELS UINT64_C(1000000000)

/* Reads `path`. On success the raster is the caller's to free; on failure raster and info are all zero. Errors:
 * SP_E_NOINPUT (missing, not permitted, a folder), SP_E_DATA (empty, truncated, damaged, not a picture, not one of the
 * formats, too large), SP_E_IO, SP_E_INTERNAL. The format is told by content, never by the name. A pipe or device is
 * read to its end first. `options` and `err` may be NULL. No global state: pictures may be read by several threads at
 * once. */
sp_status sp_read_picture(const char *path, const sp_read_options *options, sp_raster *raster, sp_picture_info *info,
                          sp_error *err);

/* The same from memory: what the fuzz targets and the tests call. The bytes stay the caller's. */
sp_status sp_read_picture_memory(const void *bytes, size_t size, const sp_read_options *options, sp_raster *raster,
                                 sp_picture_info *info, sp_error *err);

#endif
