/* test_reading_phones.c: WebP and HEIF, written by their own libraries.
 *
 * Grey of a colour: 0.299 R + 0.587 G + 0.114 B (Rec. ITU-R BT.601). A lossless WebP keeps every value, so greys have
 * no tolerance beyond rounding. HEIC is compressed with loss: flat cells come back within some counts, and which cell
 * lies where tells a picture turned once from one turned twice. Turns are EXIF's (CIPA DC-008: 6 is to be turned by 90
 * degrees clockwise to be upright). */
#include <libheif/heif.h>
#include <webp/encode.h>

#include "test_reading_pictures.h"

enum { CELL = 32, W = 3 * CELL, H = 2 * CELL };
/* Colours of six cells, as stored: first row, second row. */
static const uint8_t CELLS[6][3] = {{20, 20, 20},    {200, 30, 60}, {90, 90, 90},
                                    {130, 130, 130}, {40, 180, 70}, {230, 230, 230}};

static double luma(const uint8_t rgb[3])
{
  return 0.299 * rgb[0] + 0.587 * rgb[1] + 0.114 * rgb[2];
}

static void fill(uint8_t *rgb, size_t stride)
{
  for (size_t y = 0; y < H; y++)
    for (size_t x = 0; x < W; x++)
      memcpy(rgb + y * stride + 3 * x, CELLS[y / CELL * 3 + x / CELL], 3);
}

/* The middle of the upright picture's cell (column, row), cells[] being as stored. `turned`: by 90 degrees clockwise.
 */
static void check_cells(sp_raster *r, bool turned, double tolerance)
{
  const uint32_t columns = turned ? 2 : 3, rows = turned ? 3 : 2;
  assert_int_equal(r->width_px, columns * CELL);
  assert_int_equal(r->height_px, rows * CELL);
  for (uint32_t row = 0; row < rows; row++)
    for (uint32_t column = 0; column < columns; column++) {
      /* turned clockwise, the stored lower left corner comes to the upper left */
      const uint32_t stored = turned ? (1 - column) * 3 + row : row * 3 + column;
      const size_t at = (size_t)(row * CELL + CELL / 2) * r->width_px + column * CELL + CELL / 2;
      CHECK_CLOSE(r->u8[at], luma(CELLS[stored]), tolerance);
    }
}

/* ---- WebP ---- */

static blob webp_of(void)
{
  static uint8_t rgb[W * H * 3];
  uint8_t *bytes = NULL;
  blob b = {0};
  fill(rgb, W * 3);
  const size_t size = WebPEncodeLosslessRGB(rgb, W, H, W * 3, &bytes);
  assert_true(size > 20);
  blob_write(&b, bytes, size);
  WebPFree(bytes);
  return b;
}

static void write_chunk(blob *b, const char *name, const uint8_t *bytes, size_t size)
{
  blob_write(b, name, 4);
  blob_u32(b, (uint32_t)size);
  blob_write(b, bytes, size);
  if (size % 2)
    blob_write(b, "", 1);
}

/* The extended layout by hand (RFC 9649, 2.7): VP8X with the EXIF flag, the picture's own chunk, EXIF. */
static blob with_exif(const blob *plain, const blob *exif)
{
  const uint8_t head[10] = {0x08, 0, 0, 0, W - 1, 0, 0, H - 1, 0, 0};
  blob inner = {0}, b = {0};
  blob_write(&inner, "WEBP", 4);
  write_chunk(&inner, "VP8X", head, sizeof head);
  blob_write(&inner, plain->bytes + 12, plain->size - 12);
  write_chunk(&inner, "EXIF", exif->bytes, exif->size);
  blob_write(&b, "RIFF", 4);
  blob_u32(&b, (uint32_t)inner.size);
  blob_write(&b, inner.bytes, inner.size);
  blob_free(&inner);
  return b;
}

static void test_webp(void **state)
{
  (void)state;
  blob b = webp_of();
  sp_picture_info info;
  sp_raster r = read_blob(&b, &info);
  assert_string_equal(info.format, "WebP");
  assert_int_equal(info.orientation, 1);
  CHECK_CLOSE(info.stated_dpi_x, 0.0, 0.0);
  check_cells(&r, false, 0.51);
  sp_raster_free(&r);
}

static void test_webp_turned(void **state)
{
  (void)state;
  blob plain = webp_of(), exif = make_exif(6, 300, 1, 2), b = with_exif(&plain, &exif);
  sp_picture_info info;
  sp_raster r = read_blob(&b, &info);
  assert_int_equal(info.orientation, 6);
  CHECK_CLOSE(info.stated_dpi_x, 300.0, 1e-9);
  check_cells(&r, true, 0.51);
  sp_raster_free(&r);
  blob_free(&plain);
  blob_free(&exif);
}

static void test_webp_damaged(void **state)
{
  (void)state;
  blob b = webp_of();
  check_refused(b.bytes, b.size / 2, SP_E_DATA, "WebP");
  check_refused(b.bytes, 14, SP_E_DATA, "WebP");
  blob_free(&b);
}

/* ---- HEIF ---- */

static struct heif_error heif_to_blob(struct heif_context *context, const void *bytes, size_t size, void *to)
{
  (void)context;
  blob_write(to, bytes, size);
  return (struct heif_error){heif_error_Ok, heif_suberror_Unspecified, "fine"};
}

/* False if this libheif cannot write HEIC. `exif` may be NULL. */
static bool heif_of(enum heif_orientation orientation, const blob *exif, blob *b)
{
  struct heif_context *context = heif_context_alloc();
  struct heif_encoder *encoder = NULL;
  if (heif_context_get_encoder_for_format(context, heif_compression_HEVC, &encoder).code != heif_error_Ok) {
    heif_context_free(context);
    return false;
  }
  struct heif_image *image = NULL;
  struct heif_image_handle *handle = NULL;
  struct heif_writer writer = {.writer_api_version = 1, .write = heif_to_blob};
  int stride = 0;
  assert_int_equal(heif_image_create(W, H, heif_colorspace_RGB, heif_chroma_interleaved_RGB, &image).code, 0);
  assert_int_equal(heif_image_add_plane(image, heif_channel_interleaved, W, H, 8).code, 0);
  uint8_t *rgb = heif_image_get_plane(image, heif_channel_interleaved, &stride);
  fill(rgb, (size_t)stride);
  heif_encoder_set_lossy_quality(encoder, 95);
  struct heif_encoding_options *options = heif_encoding_options_alloc();
  options->image_orientation = orientation;
  assert_int_equal(heif_context_encode_image(context, image, encoder, options, &handle).code, 0);
  if (exif)
    assert_int_equal(heif_context_add_exif_metadata(context, handle, exif->bytes, (int)exif->size).code, 0);
  assert_int_equal(heif_context_write(context, &writer, b).code, 0);
  heif_encoding_options_free(options);
  heif_image_handle_release(handle);
  heif_image_release(image);
  heif_encoder_release(encoder);
  heif_context_free(context);
  return true;
}

static void test_heif(void **state)
{
  (void)state;
  blob b = {0};
  sp_picture_info info;
  if (!heif_of(heif_orientation_normal, NULL, &b))
    skip();
  sp_raster r = read_blob(&b, &info);
  assert_string_equal(info.format, "HEIF");
  assert_int_equal(info.bits_per_sample, 8);
  check_cells(&r, false, 6.0);
  sp_raster_free(&r);
}

/* As telephones write it: a turn of the picture, and EXIF that says the same once more. */
static void test_heif_is_turned_once(void **state)
{
  (void)state;
  blob b = {0}, exif = make_exif(6, 72, 1, 2);
  sp_picture_info info;
  if (!heif_of(heif_orientation_rotate_90_cw, &exif, &b))
    skip();
  sp_raster r = read_blob(&b, &info);
  CHECK_CLOSE(info.stated_dpi_x, 72.0, 1e-9);
  check_cells(&r, true, 6.0);
  sp_raster_free(&r);
  blob_free(&exif);
}

static void test_heif_damaged(void **state)
{
  (void)state;
  blob b = {0};
  if (!heif_of(heif_orientation_normal, NULL, &b))
    skip();
  check_refused(b.bytes, b.size / 3, SP_E_DATA, "HEIF");
  check_refused(b.bytes, 20, SP_E_DATA, "HEIF");
  blob_free(&b);
}

/* More pixels than are allowed are refused in both. */
static void test_limits(void **state)
{
  (void)state;
  blob b[2] = {webp_of(), {0}};
  const sp_read_options options = {.max_pixels = W * H - 1};
  heif_of(heif_orientation_normal, NULL, &b[1]);
  for (size_t i = 0; i < 2; i++) {
    sp_raster r;
    sp_picture_info info;
    sp_error err = {0};
    if (!b[i].size)
      continue;
    assert_int_equal(sp_read_picture_memory(b[i].bytes, b[i].size, &options, &r, &info, &err), SP_E_DATA);
    assert_non_null(strstr(err.text, "pixels"));
    assert_null(r.u8);
    blob_free(&b[i]);
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_webp),   cmocka_unit_test(test_webp_turned),         cmocka_unit_test(test_webp_damaged),
      cmocka_unit_test(test_heif),   cmocka_unit_test(test_heif_is_turned_once), cmocka_unit_test(test_heif_damaged),
      cmocka_unit_test(test_limits),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
