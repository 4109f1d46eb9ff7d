/* reading.c: which format a file is in, told by its first bytes, and who decodes it.
 *
 * What people hand over by mistake (a PDF, a GIF, a text) is called by its name, with the way out.
 */
#include "slotproof/reading.h"

#include <string.h>

#include "decoders.h"

typedef struct signature {
  size_t at, length;
  const char *bytes;
  const char *name;   /* "PNG"...; for others "a PDF, not a picture" */
  const char *advice; /* NULL: there is a decoder */
  sp_decoder decode;
} signature;

#define SAVE_AS "save the picture as PNG, JPEG or TIFF"

static const signature SIGNATURES[] = {
    {0, 8, "\x89PNG\r\n\x1a\n", "PNG", NULL, sp_decode_png},
    {0, 3, "\xff\xd8\xff", "JPEG", NULL, sp_decode_jpeg},
    {0, 4, "II\x2a\0", "TIFF", NULL, sp_decode_tiff},
    {0, 4, "MM\0\x2a", "TIFF", NULL, sp_decode_tiff},
    {0, 4, "II\x2b\0", "TIFF", NULL, sp_decode_tiff}, /* BigTIFF */
    {0, 4, "MM\0\x2b", "TIFF", NULL, sp_decode_tiff},
    {0, 5, "%PDF-", "a PDF, not a picture", "export the page as PNG or TIFF", NULL},
    {0, 4, "%!PS", "a PostScript file, not a picture", "export the page as PNG or TIFF", NULL},
    {4, 8, "ftypheic", "HEIF", NULL, sp_decode_heif},
    {4, 8, "ftypheix", "HEIF", NULL, sp_decode_heif},
    {4, 8, "ftypmif1", "HEIF", NULL, sp_decode_heif},
    {4, 8, "ftypavif", "HEIF", NULL, sp_decode_heif},
    {4, 4, "ftyp", "a video or a picture in a video's clothes", SAVE_AS, NULL},
    {4, 4, "jP  ", "a JPEG 2000 picture", SAVE_AS, NULL},
    {4, 4, "JXL ", "a JPEG XL picture", SAVE_AS, NULL},
    {0, 2, "\xff\x0a", "a JPEG XL picture", SAVE_AS, NULL},
    {0, 4, "GIF8", "a GIF picture", SAVE_AS, NULL},
    {8, 4, "WEBP", "WebP", NULL, sp_decode_webp},
    {0, 8, "AT&TFORM", "a DjVu document", "export the page as PNG or TIFF", NULL},
    {0, 4, "PK\x03\x04", "a ZIP archive or an office document", "take the picture out of it", NULL},
    {0, 2, "BM", "a BMP picture", SAVE_AS, NULL},
};

enum { HEAD_BYTES = 64 };

static const signature *recognise(const uint8_t *head, size_t size)
{
  for (size_t i = 0; i < sizeof SIGNATURES / sizeof *SIGNATURES; i++) {
    const signature *s = &SIGNATURES[i];
    if (s->at + s->length <= size && memcmp(head + s->at, s->bytes, s->length) == 0)
      return s;
  }
  return NULL;
}

/* Control characters other than tab, line feed, form feed and carriage return never occur in text, and no text in UTF-8
 * begins with a byte from 0x80 to 0xc1 or above 0xf4; the first bytes of a picture cut short do. */
static bool is_text(const uint8_t *head, size_t size)
{
  if ((head[0] >= 0x80 && head[0] < 0xc2) || head[0] > 0xf4)
    return false;
  for (size_t i = 0; i < size; i++)
    if (head[i] == 0x7f || (head[i] < 0x20 && head[i] != '\t' && head[i] != '\n' && head[i] != '\f' && head[i] != '\r'))
      return false;
  return true;
}

static sp_status not_a_picture(const uint8_t *head, size_t size, sp_error *err)
{
  if (is_text(head, size))
    return sp_fail(err, SP_E_DATA, "this is a text file, not a picture; name the scan, a PNG, JPEG or TIFF file");
  return sp_fail(err, SP_E_DATA, "this is not a picture in a known format, or its beginning is damaged; " SAVE_AS);
}

static void turn_resolution(sp_picture_info *info)
{
  if (info->orientation < 5)
    return;
  const double x = info->stated_dpi_x;
  info->stated_dpi_x = info->stated_dpi_y;
  info->stated_dpi_y = x;
}

static sp_status read_source(sp_source *source, const sp_read_options *options, sp_raster *raster,
                             sp_picture_info *info, sp_error *err)
{
  uint8_t head[HEAD_BYTES];
  if (source->size == 0)
    return sp_fail(err, SP_E_DATA, "the file is empty; scan or copy it again");
  const size_t size = sp_source_read_at(source, 0, head, sizeof head);
  if (source->read_errno != 0)
    return sp_source_stopped(source, 0, 0, "", err);
  source->hit_end = false; /* a file shorter than the head is no failure yet */
  const signature *format = recognise(head, size);
  if (!format || (format->length == 2 && is_text(head, size))) /* two letters may as well begin a text */
    return not_a_picture(head, size, err);
  if (!format->decode)
    return sp_fail(err, SP_E_DATA, "this is %s; %s", format->name, format->advice);
  *info = (sp_picture_info){.orientation = 1};
  const sp_status status = format->decode(source, options ? options->max_pixels : 0, raster, info, err);
  if (status != SP_OK)
    return status;
  memcpy(info->format, format->name, strlen(format->name) + 1);
  turn_resolution(info);
  return SP_OK;
}

static sp_status finish(sp_source *source, sp_status status, sp_raster *raster, sp_picture_info *info)
{
  sp_source_close(source);
  if (status != SP_OK) {
    sp_raster_free(raster);
    *info = (sp_picture_info){0};
  }
  return status;
}

sp_status sp_read_picture(const char *path, const sp_read_options *options, sp_raster *raster, sp_picture_info *info,
                          sp_error *err)
{
  *raster = (sp_raster){0};
  *info = (sp_picture_info){0};
  sp_source source;
  sp_status status = sp_source_open(path, &source, err);
  if (status == SP_OK)
    status = read_source(&source, options, raster, info, err);
  return finish(&source, status, raster, info);
}

sp_status sp_read_picture_memory(const void *bytes, size_t size, const sp_read_options *options, sp_raster *raster,
                                 sp_picture_info *info, sp_error *err)
{
  *raster = (sp_raster){0};
  *info = (sp_picture_info){0};
  sp_source source;
  sp_source_open_memory(bytes, size, &source);
  return finish(&source, read_source(&source, options, raster, info, err), raster, info);
}
