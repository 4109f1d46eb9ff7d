/* heif.c: HEIF (HEIC of telephones, AVIF) through libheif.
 *
 * A HEIF states turns and mirrors as properties of the picture, and libheif applies them while it decodes; the
 * orientation in the EXIF block beside it says the same again and is left alone, or the picture would be turned twice.
 * EXIF serves for the exposure, the focal length and a resolution. More than 8 bits are reduced to 8. */
#include <stdlib.h>

#include <libheif/heif.h>

#include "canvas.h"
#include "decoders.h"
#include "exif.h"
#include "grey.h"
#include "slotproof/late.h"
#include "whole.h"

static sp_status refuse(struct heif_error failure, sp_error *err)
{
  return sp_fail(err, SP_E_DATA,
                 "the HEIF file cannot be decoded (%.80s); copy it again, or save the picture as PNG, JPEG or TIFF",
                 failure.message ? failure.message : "no reason given");
}

/* The block begins with the offset, four bytes, from there to the TIFF header (ISO/IEC 23008-12, annex A). */
static sp_exif exif_of(const struct heif_image_handle *handle)
{
  sp_exif exif = {.orientation = 1};
  heif_item_id id;
  if (heif_image_handle_get_list_of_metadata_block_IDs(handle, "Exif", &id, 1) < 1)
    return exif;
  const size_t size = heif_image_handle_get_metadata_size(handle, id);
  uint8_t *block = size > 8 && size < 0x10000 ? malloc(size) : NULL;
  if (block && heif_image_handle_get_metadata(handle, id, block).code == heif_error_Ok) {
    const size_t skip =
        4 + ((size_t)block[0] << 24) + ((size_t)block[1] << 16) + ((size_t)block[2] << 8) + (size_t)block[3];
    if (skip < size)
      exif = sp_exif_read(block + skip, size - skip);
  }
  free(block);
  return exif;
}

static void describe(const struct heif_image_handle *handle, sp_picture_info *info)
{
  const sp_exif exif = exif_of(handle);
  info->bits_per_sample = heif_image_handle_get_luma_bits_per_pixel(handle);
  info->channels = 3;
  info->stated_dpi_x = exif.dpi_x;
  info->stated_dpi_y = exif.dpi_y;
  info->is_photograph = exif.exposed;
  info->focal_35mm = exif.focal_35mm;
}

static sp_status put_rows(const struct heif_image *image, uint64_t max_pixels, sp_raster *raster, sp_error *err)
{
  static const sp_pixel_layout LAYOUT = {.model = SP_MODEL_RGB, .samples = 3};
  const int width = heif_image_get_width(image, heif_channel_interleaved);
  const int height = heif_image_get_height(image, heif_channel_interleaved);
  int stride = 0;
  const uint8_t *rows = heif_image_get_plane_readonly(image, heif_channel_interleaved, &stride);
  sp_sheet sheet = {0};
  if (!rows || width < 1 || height < 1 || stride < 3 * width)
    return sp_fail(err, SP_E_DATA, "the HEIF file holds no picture that can be shown; save it as PNG, JPEG or TIFF");
  const sp_status status = sp_sheet_open(&sheet, (uint32_t)width, (uint32_t)height, 8, 1, max_pixels, raster, err);
  if (status)
    return status;
  for (uint32_t y = 0; y < sheet.height_px; y++) {
    sp_grey_row_u8(&LAYOUT, rows + (size_t)y * (size_t)stride, sheet.width_px, sp_sheet_row(&sheet, y));
    sp_sheet_row_done(&sheet, y);
  }
  sp_sheet_close(&sheet);
  return SP_OK;
}

/* Said before libheif takes the memory. */
static sp_status refuse_large(const struct heif_image_handle *handle, uint64_t max_pixels, sp_error *err)
{
  const int width = heif_image_handle_get_width(handle), height = heif_image_handle_get_height(handle);
  const uint64_t most = max_pixels ? max_pixels : SP_READ_MAX_PIXELS;
  if (width > 0 && height > 0 && (uint64_t)width * (uint64_t)height <= most)
    return SP_OK;
  return sp_fail(err, SP_E_DATA,
                 "the picture has %d by %d pixels, more than --max-pixels allows; raise it or save a "
                 "smaller picture",
                 width, height);
}

static sp_status decode(struct heif_context *context, const sp_whole *whole, uint64_t max_pixels, sp_raster *raster,
                        sp_picture_info *info, sp_error *err)
{
  struct heif_image_handle *handle = NULL;
  struct heif_image *image = NULL;
  struct heif_error failure = heif_context_read_from_memory_without_copy(context, whole->bytes, whole->size, NULL);
  if (failure.code == heif_error_Ok)
    failure = heif_context_get_primary_image_handle(context, &handle);
  if (failure.code != heif_error_Ok)
    return refuse(failure, err);
  describe(handle, info);
  sp_status status = refuse_large(handle, max_pixels, err);
  if (!status) {
    failure = heif_decode_image(handle, &image, heif_colorspace_RGB, heif_chroma_interleaved_RGB, NULL);
    status = failure.code == heif_error_Ok ? put_rows(image, max_pixels, raster, err) : refuse(failure, err);
  }
  heif_image_release(image);
  heif_image_handle_release(handle);
  return status;
}

sp_status sp_decode_heif(sp_source *source, uint64_t max_pixels, sp_raster *raster, sp_picture_info *info,
                         sp_error *err)
{
  sp_whole whole = {.owned = NULL};
  sp_status status = sp_late_library(SP_LATE_HEIF, err);
  if (!status)
    status = sp_whole_read(source, &whole, err);
  struct heif_context *context = status ? NULL : heif_context_alloc();
  if (!status && !context)
    status = sp_fail_memory(err);
  if (!status)
    status = decode(context, &whole, max_pixels, raster, info, err);
  if (context)
    heif_context_free(context);
  free(whole.owned);
  return status;
}
