/* heif.c: pictures as telephones keep them. */
#include <libheif/heif.h>

#include "late/late_internal.h"

typedef const struct heif_image_handle *handle_read;

LATE(SP_LATE_HEIF, struct heif_context *, heif_context_alloc, (void), ())
LATE_VOID(SP_LATE_HEIF, heif_context_free, (struct heif_context *context), (context))
LATE(SP_LATE_HEIF, struct heif_error, heif_context_get_primary_image_handle,
     (struct heif_context *context, struct heif_image_handle **handle), (context, handle))
LATE(SP_LATE_HEIF, struct heif_error, heif_context_read_from_memory_without_copy,
     (struct heif_context *context, const void *memory, size_t size, const struct heif_reading_options *options),
     (context, memory, size, options))
LATE(SP_LATE_HEIF, struct heif_error, heif_decode_image,
     (handle_read handle, struct heif_image **image, enum heif_colorspace colorspace, enum heif_chroma chroma,
      const struct heif_decoding_options *options),
     (handle, image, colorspace, chroma, options))
LATE(SP_LATE_HEIF, int, heif_image_get_height, (const struct heif_image *image, enum heif_channel channel),
     (image, channel))
LATE(SP_LATE_HEIF, int, heif_image_get_width, (const struct heif_image *image, enum heif_channel channel),
     (image, channel))
LATE(SP_LATE_HEIF, const uint8_t *, heif_image_get_plane_readonly,
     (const struct heif_image *image, enum heif_channel channel, int *stride), (image, channel, stride))
LATE(SP_LATE_HEIF, int, heif_image_handle_get_height, (handle_read handle), (handle))
LATE(SP_LATE_HEIF, int, heif_image_handle_get_width, (handle_read handle), (handle))
LATE(SP_LATE_HEIF, int, heif_image_handle_get_luma_bits_per_pixel, (handle_read handle), (handle))
LATE(SP_LATE_HEIF, int, heif_image_handle_get_list_of_metadata_block_IDs,
     (handle_read handle, const char *filter, heif_item_id *ids, int count), (handle, filter, ids, count))
LATE(SP_LATE_HEIF, struct heif_error, heif_image_handle_get_metadata,
     (handle_read handle, heif_item_id id, void *data), (handle, id, data))
LATE(SP_LATE_HEIF, size_t, heif_image_handle_get_metadata_size, (handle_read handle, heif_item_id id), (handle, id))
LATE_VOID(SP_LATE_HEIF, heif_image_handle_release, (handle_read handle), (handle))
LATE_VOID(SP_LATE_HEIF, heif_image_release, (const struct heif_image *image), (image))
