/* webp.c: WebP through libwebp.
 *
 * libwebp decodes from memory into memory; the size is known and judged before either is taken. Colour becomes grey by
 * the same weights as in every other format (the stored luma of a lossy WebP has another range). Orientation is EXIF's,
 * in a chunk of its own; a moving picture is refused. */
#include <stdlib.h>

#include <webp/decode.h>
#include <webp/demux.h>

#include "canvas.h"
#include "decoders.h"
#include "exif.h"
#include "grey.h"
#include "whole.h"

static sp_exif exif_of(const sp_whole *whole)
{
  const WebPData data = {whole->bytes, whole->size};
  sp_exif exif = {.orientation = 1};
  WebPDemuxer *demuxer = WebPDemux(&data);
  WebPChunkIterator chunk;
  if (demuxer && WebPDemuxGetChunk(demuxer, "EXIF", 1, &chunk)) {
    const bool headed = chunk.chunk.size > 6 && chunk.chunk.bytes[0] == 'E'; /* "Exif\0\0", as some programs write it */
    exif = sp_exif_read(chunk.chunk.bytes + (headed ? 6 : 0), chunk.chunk.size - (headed ? 6 : 0));
    WebPDemuxReleaseChunkIterator(&chunk);
  }
  WebPDemuxDelete(demuxer);
  return exif;
}

static void put_rows(const uint8_t *rgba, sp_sheet *sheet)
{
  static const sp_pixel_layout LAYOUT = {
      .model = SP_MODEL_RGB, .samples = 4, .alpha = SP_ALPHA_STRAIGHT, .alpha_index = 3};
  for (uint32_t y = 0; y < sheet->height_px; y++) {
    uint8_t *grey = sp_sheet_row(sheet, y);
    sp_grey_row_u8(&LAYOUT, rgba + (size_t)y * sheet->width_px * 4, sheet->width_px, grey);
    sp_sheet_row_done(sheet, y);
  }
}

static sp_status decode(const sp_whole *whole, uint64_t max_pixels, sp_raster *raster, sp_picture_info *info,
                        sp_error *err)
{
  WebPBitstreamFeatures features;
  sp_sheet sheet = {0};
  int width = 0, height = 0;
  if (WebPGetFeatures(whole->bytes, whole->size, &features) != VP8_STATUS_OK)
    return sp_fail(err, SP_E_DATA, "the WebP file is damaged or ends before the picture begins; copy it again");
  if (features.has_animation)
    return sp_fail(err, SP_E_DATA, "this is a moving WebP picture; save one picture of it as PNG, JPEG or TIFF");
  const sp_exif exif = exif_of(whole);
  info->bits_per_sample = 8;
  info->channels = features.has_alpha ? 4 : 3;
  info->orientation = exif.orientation;
  info->stated_dpi_x = exif.dpi_x;
  info->stated_dpi_y = exif.dpi_y;
  info->is_photograph = exif.exposed;
  info->focal_35mm = exif.focal_35mm;
  sp_status status = sp_sheet_open(&sheet, (uint32_t)features.width, (uint32_t)features.height, 8, exif.orientation,
                                   max_pixels, raster, err);
  if (status)
    return status;
  uint8_t *rgba = WebPDecodeRGBA(whole->bytes, whole->size, &width, &height);
  if (rgba && width == features.width && height == features.height)
    put_rows(rgba, &sheet);
  else
    status = sp_fail(err, SP_E_DATA, "the WebP file is damaged or incomplete; copy it again");
  WebPFree(rgba);
  sp_sheet_close(&sheet);
  return status;
}

sp_status sp_decode_webp(sp_source *source, uint64_t max_pixels, sp_raster *raster, sp_picture_info *info,
                         sp_error *err)
{
  sp_whole whole;
  sp_status status = sp_whole_read(source, &whole, err);
  if (!status)
    status = decode(&whole, max_pixels, raster, info, err);
  free(whole.owned);
  return status;
}
