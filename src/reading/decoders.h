/* decoders.h (internal): one decoder a format, all alike.
 *
 * Each reads `source` from its start, fills the raster upright and leaves in `info` everything but the format's name;
 * the resolution is that of the axes as stored. On failure the caller frees the raster. */
#ifndef SLOTPROOF_READING_DECODERS_H
#define SLOTPROOF_READING_DECODERS_H

#include "slotproof/reading.h"
#include "source.h"

typedef sp_status (*sp_decoder)(sp_source *source, uint64_t max_pixels, sp_raster *raster, sp_picture_info *info,
                                sp_error *err);

sp_status sp_decode_png(sp_source *source, uint64_t max_pixels, sp_raster *raster, sp_picture_info *info,
                        sp_error *err);
sp_status sp_decode_jpeg(sp_source *source, uint64_t max_pixels, sp_raster *raster, sp_picture_info *info,
                         sp_error *err);
sp_status sp_decode_tiff(sp_source *source, uint64_t max_pixels, sp_raster *raster, sp_picture_info *info,
                         sp_error *err);
sp_status sp_decode_webp(sp_source *source, uint64_t max_pixels, sp_raster *raster, sp_picture_info *info,
                         sp_error *err);
sp_status sp_decode_heif(sp_source *source, uint64_t max_pixels, sp_raster *raster, sp_picture_info *info,
                         sp_error *err);

#endif
