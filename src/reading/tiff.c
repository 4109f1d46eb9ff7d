/* tiff.c: TIFF 6.0 and BigTIFF through libtiff, by rows or by tiles.
 *
 * libtiff can turn anything into 32-bit RGBA, but that takes four bytes a pixel and makes eight bits of sixteen. So the
 * samples are taken as stored. Uncompressed rows are fetched from the file straight away, without libtiff's copy of the
 * strip, which in many scans is the whole picture. Where the colours are stored in separate planes, each plane gets a
 * libtiff handle of its own and all are read in step; one handle would have to start the strip again for every row.
 *
 * libtiff's messages go to handlers of the handle, not of the process, so that nothing is printed and pictures can be
 * read by several threads. The fax and JPEG codecs only warn when they have to guess; a warning from them while pixels
 * are decoded counts as damage.
 */
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <tiffio.h>

#include "canvas.h"
#include "decoders.h"
#include "exif.h"
#include "grey.h"

#if TIFFLIB_VERSION < 20221213
#error "libtiff 4.5 or later is needed: older ones have no error handler per file"
#endif

enum {
  PLANES_MAX = 5, /* CMYK and alpha */
  SAMPLES_MAX = 32,
  TEXT_MAX = 160
};

/* One block libtiff may ask for, and the largest tile. */
static const tmsize_t BLOCK_BYTES_MAX = (tmsize_t)1 << 29;

typedef struct plane {
  TIFF *tiff;
  sp_source *source;
  uint64_t at;
  uint16_t index; /* of the plane in the file */
  uint8_t *raw;   /* one row or tile as decoded */
} plane;

typedef struct tiff_job {
  sp_source *source;
  uint64_t max_pixels;
  sp_raster *raster;
  sp_picture_info *info;
  sp_error *err;
  plane planes[PLANES_MAX];
  uint32_t plane_count; /* 1 if the samples of a pixel stand together */
  uint32_t width_px, height_px;
  uint32_t tile_w, tile_h; /* 0 for strips */
  uint32_t rows_per_strip;
  uint16_t bits, samples, photometric, compression;
  size_t raw_row_bytes; /* of one plane, across the picture or the tile */
  bool plain;           /* uncompressed whole bytes: rows come straight from the file */
  bool swapped;
  bool damaged;
  bool decoding;
  char text[TEXT_MAX]; /* libtiff's first complaint */
  sp_sheet canvas;
  sp_pixel_layout layout;
  bool palette;
  uint8_t palette_grey[256];
  void *row_samples; /* unpacked, the samples of a pixel together; uint8_t or uint16_t */
  uint8_t *part;     /* unpacked samples of one plane */
  uint8_t *tile;     /* grey */
} tiff_job;

/* ---- libtiff's handlers ---- */

static int on_error(TIFF *tiff, void *user, const char *module, const char *format, va_list args)
{
  tiff_job *job = user;
  (void)tiff;
  (void)module;
  if (job->text[0] == '\0' && vsnprintf(job->text, sizeof job->text, format, args) < 0)
    job->text[0] = '\0';
  job->damaged = job->damaged || job->decoding;
  return 1;
}

static int on_warning(TIFF *tiff, void *user, const char *module, const char *format, va_list args)
{
  tiff_job *job = user;
  const bool guesses = job->compression == COMPRESSION_CCITTRLE || job->compression == COMPRESSION_CCITTRLEW ||
                       job->compression == COMPRESSION_CCITTFAX3 || job->compression == COMPRESSION_CCITTFAX4 ||
                       job->compression == COMPRESSION_JPEG;
  return job->decoding && guesses ? on_error(tiff, user, module, format, args) : 1;
}

static tmsize_t on_read(thandle_t handle, void *out, tmsize_t n)
{
  plane *p = handle;
  if (n <= 0)
    return 0;
  const size_t got = sp_source_read_at(p->source, p->at, out, (size_t)n);
  p->at += got;
  return (tmsize_t)got;
}

static tmsize_t on_write(thandle_t handle, void *bytes, tmsize_t n)
{
  (void)handle;
  (void)bytes;
  (void)n;
  return 0;
}

static toff_t on_seek(thandle_t handle, toff_t offset, int whence)
{
  plane *p = handle;
  if (whence == SEEK_CUR)
    p->at += offset;
  else
    p->at = whence == SEEK_END ? p->source->size + offset : offset;
  return p->at;
}

static toff_t on_size(thandle_t handle)
{
  const plane *p = handle;
  return p->source->size;
}

static int on_close(thandle_t handle)
{
  (void)handle;
  return 0;
}

/* ---- failures ---- */

static sp_status stopped(const tiff_job *job, uint32_t row)
{
  return sp_source_stopped(job->source, row, job->height_px, job->text[0] ? job->text : "its directory makes no sense",
                           job->err);
}

static sp_status unsupported(const tiff_job *job, const char *what)
{
  return sp_fail(job->err, SP_E_DATA, "this TIFF holds %s; save it as grey or RGB of 8 or 16 bits", what);
}

/* ---- the directory ---- */

static sp_status open_plane(tiff_job *job, plane *p)
{
  p->source = job->source;
  TIFFOpenOptions *options = TIFFOpenOptionsAlloc();
  if (!options)
    return sp_fail_memory(job->err);
  TIFFOpenOptionsSetErrorHandlerExtR(options, on_error, job);
  TIFFOpenOptionsSetWarningHandlerExtR(options, on_warning, job);
  TIFFOpenOptionsSetMaxSingleMemAlloc(options, BLOCK_BYTES_MAX);
  p->tiff = TIFFClientOpenExt("picture", "rm", p, on_read, on_write, on_seek, on_close, on_size, NULL, NULL, options);
  TIFFOpenOptionsFree(options);
  return p->tiff ? SP_OK : stopped(job, 0);
}

/* The first page that is not marked as a reduced copy: camera files put a preview in front. */
static sp_status first_page(tiff_job *job, TIFF *tiff)
{
  for (;;) {
    uint32_t kind = 0;
    if (!TIFFGetField(tiff, TIFFTAG_SUBFILETYPE, &kind) || (kind & FILETYPE_REDUCEDIMAGE) == 0)
      return SP_OK;
    if (!TIFFReadDirectory(tiff))
      return unsupported(job, "only a preview (a camera's raw file?)");
  }
}

static void read_resolution(const tiff_job *job, TIFF *tiff)
{
  float x = 0.0f, y = 0.0f;
  uint16_t unit = RESUNIT_INCH;
  (void)TIFFGetFieldDefaulted(tiff, TIFFTAG_RESOLUTIONUNIT, &unit);
  if (TIFFGetField(tiff, TIFFTAG_XRESOLUTION, &x))
    job->info->stated_dpi_x = sp_exif_dpi((double)x, unit);
  if (TIFFGetField(tiff, TIFFTAG_YRESOLUTION, &y))
    job->info->stated_dpi_y = sp_exif_dpi((double)y, unit);
}

static void read_device(const tiff_job *job, TIFF *tiff)
{
  char *make = NULL, *model = NULL;
  if (TIFFGetField(tiff, TIFFTAG_MAKE, &make) && make)
    sp_exif_name(make, strlen(make), job->info->make);
  if (TIFFGetField(tiff, TIFFTAG_MODEL, &model) && model)
    sp_exif_name(model, strlen(model), job->info->model);
}

static int read_orientation(TIFF *tiff)
{
  uint16_t orientation = 1;
  (void)TIFFGetFieldDefaulted(tiff, TIFFTAG_ORIENTATION, &orientation);
  return orientation >= 1 && orientation <= 8 ? orientation : 1;
}

static sp_status read_size(tiff_job *job, TIFF *tiff)
{
  uint16_t format = SAMPLEFORMAT_UINT;
  uint32_t height_px = 0;
  (void)TIFFGetFieldDefaulted(tiff, TIFFTAG_BITSPERSAMPLE, &job->bits);
  (void)TIFFGetFieldDefaulted(tiff, TIFFTAG_SAMPLESPERPIXEL, &job->samples);
  (void)TIFFGetFieldDefaulted(tiff, TIFFTAG_SAMPLEFORMAT, &format);
  (void)TIFFGetFieldDefaulted(tiff, TIFFTAG_COMPRESSION, &job->compression);
  if (!TIFFGetField(tiff, TIFFTAG_IMAGEWIDTH, &job->width_px) || !TIFFGetField(tiff, TIFFTAG_IMAGELENGTH, &height_px))
    return stopped(job, 0);
  if (format != SAMPLEFORMAT_UINT && format != SAMPLEFORMAT_VOID)
    return unsupported(job, "signed or floating-point samples");
  if (job->bits < 1 || job->bits > 16)
    return unsupported(job, "samples of more than 16 bits");
  if (job->samples < 1 || job->samples > SAMPLES_MAX)
    return unsupported(job, "too many samples a pixel");
  job->info->bits_per_sample = job->bits;
  job->info->channels = job->samples;
  job->info->orientation = read_orientation(tiff);
  read_resolution(job, tiff);
  read_device(job, tiff);
  const sp_status status = sp_sheet_open(&job->canvas, job->width_px, height_px, job->bits > 8 ? 16 : 8,
                                         job->info->orientation, job->max_pixels, job->raster, job->err);
  if (status == SP_OK)
    job->height_px = height_px;
  return status;
}

static sp_status read_palette(tiff_job *job, TIFF *tiff)
{
  uint16_t *red, *green, *blue;
  if (job->bits > 8)
    return unsupported(job, "a palette of more than 256 colours");
  if (!TIFFGetField(tiff, TIFFTAG_COLORMAP, &red, &green, &blue))
    return sp_fail(job->err, SP_E_DATA, "the picture is damaged (its palette is missing); scan or copy it again");
  const uint32_t count = 1u << job->bits;
  uint16_t highest = 0;
  for (uint32_t i = 0; i < count; i++) {
    highest = red[i] > highest ? red[i] : highest;
    highest = green[i] > highest ? green[i] : highest;
    highest = blue[i] > highest ? blue[i] : highest;
  }
  const uint32_t scale = highest < 256 ? 1 : 257; /* some writers fill the 16-bit table with 8-bit values */
  for (uint32_t i = 0; i < count; i++)
    job->palette_grey[i] = (uint8_t)((sp_luma_u16(red[i], green[i], blue[i]) + scale / 2) / scale);
  job->palette = true;
  return SP_OK;
}

static void find_alpha(tiff_job *job, TIFF *tiff)
{
  uint16_t count = 0, *kinds = NULL;
  if (!TIFFGetField(tiff, TIFFTAG_EXTRASAMPLES, &count, &kinds))
    return;
  for (uint32_t i = 0; i < count; i++) {
    const uint32_t index = (uint32_t)job->layout.model + i;
    if (index >= job->samples || (kinds[i] != EXTRASAMPLE_ASSOCALPHA && kinds[i] != EXTRASAMPLE_UNASSALPHA))
      continue;
    job->layout.alpha = kinds[i] == EXTRASAMPLE_ASSOCALPHA ? SP_ALPHA_PREMULTIPLIED : SP_ALPHA_STRAIGHT;
    job->layout.alpha_index = index;
    return;
  }
}

static sp_status choose_model(tiff_job *job, TIFF *tiff)
{
  job->layout = (sp_pixel_layout){.model = SP_MODEL_GREY, .samples = job->samples};
  if (!TIFFGetField(tiff, TIFFTAG_PHOTOMETRIC, &job->photometric))
    job->photometric = job->samples >= 3 ? PHOTOMETRIC_RGB : PHOTOMETRIC_MINISBLACK;
  sp_status status = SP_OK;
  switch (job->photometric) {
  case PHOTOMETRIC_MINISWHITE:
    job->layout.inverted = true;
    break;
  case PHOTOMETRIC_MINISBLACK:
    break;
  case PHOTOMETRIC_PALETTE:
    status = read_palette(job, tiff);
    break;
  case PHOTOMETRIC_RGB:
    job->layout.model = SP_MODEL_RGB;
    break;
  case PHOTOMETRIC_YCBCR: /* the JPEG codec converts; nobody else does */
    job->layout.model = SP_MODEL_RGB;
    if (job->compression != COMPRESSION_JPEG)
      status = unsupported(job, "YCbCr samples that are not JPEG");
    break;
  case PHOTOMETRIC_SEPARATED:
    job->layout.model = SP_MODEL_CMYK;
    break;
  default:
    status = unsupported(job, "a colour space that is not grey, RGB, CMYK or a palette");
  }
  if (status == SP_OK && job->samples < (uint32_t)job->layout.model)
    return unsupported(job, "fewer samples a pixel than its colour space has");
  find_alpha(job, tiff);
  return status;
}

/* Planes stored apart: the colours, then the alpha if there is one. Their samples are brought together as they come. */
static sp_status choose_planes(tiff_job *job, TIFF *tiff)
{
  uint16_t arrangement = PLANARCONFIG_CONTIG;
  (void)TIFFGetFieldDefaulted(tiff, TIFFTAG_PLANARCONFIG, &arrangement);
  job->plane_count = 1;
  if (arrangement == PLANARCONFIG_CONTIG || job->samples == 1)
    return SP_OK;
  if (job->photometric == PHOTOMETRIC_YCBCR)
    return unsupported(job, "YCbCr in separate planes");
  const uint32_t colours = (uint32_t)job->layout.model;
  job->plane_count = colours + (job->layout.alpha != SP_ALPHA_NONE ? 1u : 0u);
  for (uint32_t i = 0; i < job->plane_count; i++)
    job->planes[i].index = (uint16_t)(i < colours ? i : job->layout.alpha_index);
  job->layout.samples = job->plane_count;
  job->layout.alpha_index = colours;
  for (uint32_t i = 1; i < job->plane_count; i++) {
    sp_status status = open_plane(job, &job->planes[i]);
    if (status == SP_OK)
      status = first_page(job, job->planes[i].tiff);
    if (status != SP_OK)
      return status;
  }
  return SP_OK;
}

static void choose_jpeg_output(tiff_job *job)
{
  if (job->compression == COMPRESSION_JPEG && job->photometric == PHOTOMETRIC_YCBCR)
    (void)TIFFSetField(job->planes[0].tiff, TIFFTAG_JPEGCOLORMODE, JPEGCOLORMODE_RGB);
}

/* Rows of whole bytes, uncompressed, are where the directory says. */
static void choose_plain(tiff_job *job, TIFF *tiff)
{
  uint16_t fill_order = FILLORDER_MSB2LSB;
  (void)TIFFGetFieldDefaulted(tiff, TIFFTAG_FILLORDER, &fill_order);
  job->plain = job->compression == COMPRESSION_NONE && (job->bits == 8 || job->bits == 16) &&
               fill_order == FILLORDER_MSB2LSB && job->tile_w == 0;
  job->swapped = job->bits == 16 && TIFFIsByteSwapped(tiff) != 0;
}

/* The rows libtiff hands over must be the rows this file's numbers make: everything below relies on it. */
static sp_status choose_blocks(tiff_job *job, TIFF *tiff)
{
  job->rows_per_strip = job->height_px;
  if (TIFFIsTiled(tiff)) {
    if (!TIFFGetField(tiff, TIFFTAG_TILEWIDTH, &job->tile_w) || !TIFFGetField(tiff, TIFFTAG_TILELENGTH, &job->tile_h) ||
        job->tile_w == 0 || job->tile_h == 0)
      return stopped(job, 0);
  } else {
    (void)TIFFGetFieldDefaulted(tiff, TIFFTAG_ROWSPERSTRIP, &job->rows_per_strip);
    if (job->rows_per_strip == 0 || job->rows_per_strip > job->height_px)
      job->rows_per_strip = job->height_px;
  }
  const uint64_t across = job->tile_w ? job->tile_w : job->width_px;
  const uint64_t row_bits = across * (job->plane_count == 1 ? job->layout.samples : 1u) * job->bits;
  const uint64_t row_bytes = (row_bits + 7) / 8;
  const uint64_t rows = job->tile_w ? job->tile_h : 1;
  if (row_bytes > (uint64_t)BLOCK_BYTES_MAX / rows)
    return unsupported(job, "rows or tiles of more than half a gigabyte");
  const uint64_t theirs = job->tile_w ? TIFFTileRowSize64(tiff) : TIFFScanlineSize64(tiff);
  if (theirs != row_bytes)
    return unsupported(job, "rows of an unusual make");
  job->raw_row_bytes = (size_t)row_bytes;
  choose_plain(job, tiff);
  return SP_OK;
}

static sp_status take_buffers(tiff_job *job)
{
  const size_t across = job->tile_w ? job->tile_w : job->width_px;
  const size_t rows = job->tile_w ? job->tile_h : 1;
  const size_t sample_bytes = job->canvas.bits == 8 ? 1 : 2;
  for (uint32_t i = 0; i < job->plane_count; i++) {
    job->planes[i].raw = calloc(rows, job->raw_row_bytes);
    if (!job->planes[i].raw)
      return sp_fail_memory(job->err);
  }
  /* across * samples bits fit half a gigabyte, so these products fit size_t of 64 bits; of 32, calloc checks the last.
   */
  job->row_samples = calloc(across, job->layout.samples * sample_bytes);
  job->part = calloc(across, sample_bytes);
  job->tile = job->tile_w ? calloc(rows, across * sample_bytes) : NULL;
  return job->row_samples && job->part && (job->tile || !job->tile_w) ? SP_OK : sp_fail_memory(job->err);
}

static sp_status read_directory(tiff_job *job)
{
  sp_status status = open_plane(job, &job->planes[0]);
  TIFF *tiff = job->planes[0].tiff;
  if (status == SP_OK)
    status = first_page(job, tiff);
  if (status == SP_OK)
    status = read_size(job, tiff);
  if (status == SP_OK)
    status = choose_model(job, tiff);
  if (status == SP_OK)
    status = choose_planes(job, tiff);
  if (status == SP_OK) {
    choose_jpeg_output(job);
    status = choose_blocks(job, tiff);
  }
  if (status == SP_OK)
    status = take_buffers(job);
  return status;
}

/* ---- samples ---- */

/* n samples of a row as decoded -> 8 or 16 bits each. Whole bytes need no work. */
static const void *unpacked(const tiff_job *job, const uint8_t *raw, size_t n, void *out)
{
  if (job->bits == 8 || job->bits == 16)
    return raw;
  if (job->bits < 8)
    sp_unpack_u8(raw, n, job->bits, !job->palette, out);
  else
    sp_unpack_u16(raw, n, job->bits, out);
  return out;
}

/* Sample k of every pixel, from a plane. */
static void spread(const tiff_job *job, const void *part, uint32_t k, uint32_t n)
{
  const uint32_t step = job->layout.samples;
  if (job->canvas.bits == 8) {
    const uint8_t *in = part;
    uint8_t *out = (uint8_t *)job->row_samples + k;
    for (size_t i = 0; i < n; i++)
      out[i * step] = in[i];
  } else {
    const uint16_t *in = part;
    uint16_t *out = (uint16_t *)job->row_samples + k;
    for (size_t i = 0; i < n; i++)
      out[i * step] = in[i];
  }
}

/* Row `row` of the decoded planes (0 unless they hold a tile) -> n grey pixels. */
static void to_grey(const tiff_job *job, size_t row, uint32_t n, void *out)
{
  const void *samples = job->row_samples;
  if (job->plane_count == 1) {
    samples =
        unpacked(job, job->planes[0].raw + row * job->raw_row_bytes, (size_t)n * job->layout.samples, job->row_samples);
  } else {
    for (uint32_t k = 0; k < job->plane_count; k++)
      spread(job, unpacked(job, job->planes[k].raw + row * job->raw_row_bytes, n, job->part), k, n);
  }
  if (job->palette) {
    const uint8_t *in = samples;
    uint8_t *grey = out;
    for (size_t i = 0; i < n; i++)
      grey[i] = job->palette_grey[in[i * job->layout.samples]];
  } else if (job->canvas.bits == 8) {
    sp_grey_row_u8(&job->layout, samples, n, out);
  } else {
    sp_grey_row_u16(&job->layout, samples, n, out);
  }
}

/* ---- rows ---- */

static bool read_plain_row(tiff_job *job, const plane *p, uint32_t y, void *out)
{
  const uint32_t strips = (job->height_px - 1) / job->rows_per_strip + 1;
  const uint64_t strip_index = y / job->rows_per_strip + (uint64_t)strips * p->index; /* index is 0 if there is one */
  if (strip_index > UINT32_MAX)
    return false;
  const uint32_t strip = (uint32_t)strip_index;
  const uint64_t start = (uint64_t)(y % job->rows_per_strip) * job->raw_row_bytes;
  const uint64_t offset = TIFFGetStrileOffset(p->tiff, strip);
  if (offset == 0 || start + job->raw_row_bytes > TIFFGetStrileByteCount(p->tiff, strip) || offset > UINT64_MAX - start)
    return false;
  if (sp_source_read_at(job->source, offset + start, out, job->raw_row_bytes) != job->raw_row_bytes)
    return false;
  if (job->swapped)
    TIFFSwabArrayOfShort(out, (tmsize_t)(job->raw_row_bytes / 2));
  return true;
}

static bool read_row(tiff_job *job, const plane *p, uint32_t y, void *out)
{
  if (job->plain)
    return read_plain_row(job, p, y, out);
  return TIFFReadScanline(p->tiff, out, y, p->index) == 1 && !job->damaged;
}

static bool is_direct(const tiff_job *job)
{
  return !job->palette && job->plane_count == 1 && job->layout.samples == 1 && !job->layout.inverted &&
         (job->bits == 8 || job->bits == 16);
}

static sp_status read_rows(tiff_job *job)
{
  const bool direct = is_direct(job);
  for (uint32_t y = 0; y < job->height_px; y++) {
    void *grey = sp_sheet_row(&job->canvas, y);
    for (uint32_t k = 0; k < job->plane_count; k++)
      if (!read_row(job, &job->planes[k], y, direct ? grey : job->planes[k].raw))
        return stopped(job, y);
    if (!direct)
      to_grey(job, 0, job->width_px, grey);
    sp_sheet_row_done(&job->canvas, y);
  }
  return SP_OK;
}

/* ---- tiles ---- */

static bool read_tile(tiff_job *job, uint32_t x, uint32_t y)
{
  const tmsize_t size = (tmsize_t)(job->raw_row_bytes * job->tile_h);
  for (uint32_t k = 0; k < job->plane_count; k++) {
    const plane *p = &job->planes[k];
    const uint32_t tile = TIFFComputeTile(p->tiff, x, y, 0, p->index);
    if (TIFFReadEncodedTile(p->tiff, tile, p->raw, size) != size || job->damaged)
      return false;
  }
  return true;
}

static sp_status read_tiles(tiff_job *job)
{
  const size_t sample_bytes = job->canvas.bits == 8 ? 1 : 2;
  /* Counting what is left keeps the sums below 2^32 even for a tile far larger than the picture. */
  for (uint32_t y = 0, h; y < job->height_px; y += h) {
    h = job->height_px - y < job->tile_h ? job->height_px - y : job->tile_h;
    for (uint32_t x = 0, w; x < job->width_px; x += w) {
      w = job->width_px - x < job->tile_w ? job->width_px - x : job->tile_w;
      if (!read_tile(job, x, y))
        return stopped(job, y);
      for (uint32_t j = 0; j < h; j++)
        to_grey(job, j, w, job->tile + (size_t)j * job->tile_w * sample_bytes);
      sp_sheet_block(&job->canvas, x, y, w, h, job->tile, job->tile_w);
    }
  }
  return SP_OK;
}

static void clear(tiff_job *job)
{
  for (uint32_t i = 0; i < PLANES_MAX; i++) {
    if (job->planes[i].tiff)
      TIFFClose(job->planes[i].tiff);
    free(job->planes[i].raw);
  }
  sp_sheet_close(&job->canvas);
  free(job->row_samples);
  free(job->part);
  free(job->tile);
  free(job);
}

sp_status sp_decode_tiff(sp_source *source, uint64_t max_pixels, sp_raster *raster, sp_picture_info *info,
                         sp_error *err)
{
  tiff_job *job = calloc(1, sizeof *job);
  if (!job)
    return sp_fail_memory(err);
  job->source = source;
  job->max_pixels = max_pixels;
  job->raster = raster;
  job->info = info;
  job->err = err;
  sp_status status = read_directory(job);
  if (status == SP_OK) {
    job->text[0] = '\0';
    job->source->hit_end = false; /* libtiff looks for optional parts of the directory and may find the end there */
    job->decoding = true;
    status = job->tile_w ? read_tiles(job) : read_rows(job);
  }
  clear(job);
  return status;
}
