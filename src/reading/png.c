/* png.c: PNG (ISO/IEC 15948) through libpng, row by row.
 *
 * Grey of 8 or 16 bits is decoded where it stays. Everything else passes through one row: at no time is there a second
 * picture in memory. Interlaced files (Adam7) are read pass by pass as they are stored and each pass is spread over the
 * raster, so they need no more memory than others.
 *
 * libpng reports failure by longjmp. Everything it may leave behind is in one struct that outlives the jump.
 */
#include <png.h>
#include <setjmp.h>
#include <stdlib.h>
#include <string.h>

#include "canvas.h"
#include "decoders.h"
#include "exif.h"
#include "grey.h"

/* Deflate cannot shrink by more than this (RFC 1951: 258 bytes from two bits, 1032 = 258 * 8 / 2). */
#define DEFLATE_RATIO_MAX 1032u

enum { CHUNK_BYTES_MAX = 1 << 20, PASSES = 7 };

typedef struct png_job {
  sp_source *source;
  uint64_t max_pixels;
  sp_raster *raster;
  sp_picture_info *info;
  sp_error *err;
  sp_status status; /* set by whoever knows better than libpng's message */
  png_structp png;
  png_infop about;
  jmp_buf stop;
  sp_sheet canvas;
  sp_pixel_layout layout;
  bool direct; /* decoded samples are grey values as they are */
  bool palette;
  uint32_t palette_size;
  uint8_t palette_grey[256];
  uint8_t *row;       /* one decoded row, png_get_rowbytes long */
  uint8_t *grey;      /* one grey row of a pass */
  uint32_t y;         /* rows done, for messages */
  uint32_t height_px; /* 0 until the header is read */
} png_job;

static void on_error(png_structp png, png_const_charp text)
{
  png_job *job = png_get_error_ptr(png);
  if (job->status == SP_OK)
    job->status = sp_source_stopped(job->source, job->y, job->height_px, text, job->err);
  longjmp(job->stop, 1);
}

static void on_warning(png_structp png, png_const_charp text)
{
  (void)png;
  (void)text;
}

static void on_read(png_structp png, png_bytep out, size_t n)
{
  png_job *job = png_get_io_ptr(png);
  if (sp_source_read(job->source, out, n) != n)
    png_error(png, "the file ends");
}

static png_voidp on_malloc(png_structp png, png_alloc_size_t size)
{
  png_job *job = png_get_mem_ptr(png);
  void *memory = malloc(size);
  if (!memory)
    job->status = sp_fail_memory(job->err);
  return memory;
}

static void on_free(png_structp png, png_voidp memory)
{
  (void)png;
  free(memory);
}

/* Leaves for good with a status already told. */
static void give_up(png_job *job, sp_status status)
{
  job->status = status;
  longjmp(job->stop, 1);
}

/* Profiles and notes say nothing about where an edge is; they are passed over unread, however large they unpack. */
static void ignore_notes(png_structp png)
{
  static const png_byte names[] = "iCCP\0zTXt\0iTXt\0tEXt\0sPLT\0hIST";
  png_set_keep_unknown_chunks(png, PNG_HANDLE_CHUNK_NEVER, names, 6);
}

static void prepare(png_job *job)
{
  png_set_read_fn(job->png, job, on_read);
  png_set_user_limits(job->png, PNG_UINT_31_MAX, PNG_UINT_31_MAX); /* the canvas has the limit, and says so */
  png_set_chunk_malloc_max(job->png, CHUNK_BYTES_MAX);
  ignore_notes(job->png);
  png_read_info(job->png, job->about);
}

static void read_resolution(const png_job *job)
{
  const double m_per_inch = 0.0254;
  png_uint_32 x, y;
  int unit;
  if (!png_get_pHYs(job->png, job->about, &x, &y, &unit) || unit != PNG_RESOLUTION_METER)
    return;
  job->info->stated_dpi_x = x * m_per_inch;
  job->info->stated_dpi_y = y * m_per_inch;
}

/* Orientation, and the resolution if pHYs states none. */
static int read_exif(const png_job *job)
{
  png_uint_32 size;
  png_bytep bytes;
  if (!png_get_eXIf_1(job->png, job->about, &size, &bytes))
    return 1;
  const sp_exif exif = sp_exif_read(bytes, size);
  if (job->info->stated_dpi_x <= 0.0) {
    job->info->stated_dpi_x = exif.dpi_x;
    job->info->stated_dpi_y = exif.dpi_y;
  }
  memcpy(job->info->make, exif.make, sizeof exif.make);
  memcpy(job->info->model, exif.model, sizeof exif.model);
  return exif.orientation;
}

/* A palette becomes a table of grey values, see-through entries laid over white. */
static void read_palette(png_job *job)
{
  png_colorp colours;
  int count = 0, alphas = 0;
  png_bytep alpha = NULL;
  if (!png_get_PLTE(job->png, job->about, &colours, &count))
    png_error(job->png, "the palette is missing");
  if (!png_get_tRNS(job->png, job->about, &alpha, &alphas, NULL))
    alphas = 0;
  const sp_pixel_layout layout = {.model = SP_MODEL_RGB, .samples = 4, .alpha = SP_ALPHA_STRAIGHT, .alpha_index = 3};
  for (int i = 0; i < count && i < 256; i++) {
    const uint8_t entry[4] = {colours[i].red, colours[i].green, colours[i].blue, i < alphas ? alpha[i] : 255};
    sp_grey_row_u8(&layout, entry, 1, &job->palette_grey[i]);
  }
  job->palette_size = (uint32_t)count;
  png_set_packing(job->png);
}

/* Tells libpng what to hand over: whole bytes, in the order of this machine, alpha as a sample. */
static void choose_samples(png_job *job, int colour, int bits)
{
  job->palette = colour == PNG_COLOR_TYPE_PALETTE;
  if (job->palette) {
    read_palette(job);
    return;
  }
  const bool hidden_colour = png_get_valid(job->png, job->about, PNG_INFO_tRNS) != 0;
  if (colour == PNG_COLOR_TYPE_GRAY && bits < 8)
    png_set_expand_gray_1_2_4_to_8(job->png);
  if (hidden_colour)
    png_set_tRNS_to_alpha(job->png);
  const union {
    uint16_t word;
    uint8_t bytes[2];
  } order = {.word = 1};
  if (bits == 16 && order.bytes[0] == 1)
    png_set_swap(job->png);
  const bool alpha = hidden_colour || (colour & PNG_COLOR_MASK_ALPHA) != 0;
  const sp_model model = (colour & PNG_COLOR_MASK_COLOR) != 0 ? SP_MODEL_RGB : SP_MODEL_GREY;
  job->layout = (sp_pixel_layout){.model = model,
                                  .samples = (uint32_t)model + (alpha ? 1u : 0u),
                                  .alpha = alpha ? SP_ALPHA_STRAIGHT : SP_ALPHA_NONE,
                                  .alpha_index = (uint32_t)model};
  job->direct = model == SP_MODEL_GREY && !alpha;
}

static void refuse_impossible_size(png_job *job, uint32_t width_px, uint32_t height_px)
{
  const uint64_t packed_row = png_get_rowbytes(job->png, job->about);
  if (packed_row / DEFLATE_RATIO_MAX * height_px > job->source->size)
    give_up(job, sp_fail(job->err, SP_E_DATA,
                         "the file is too short for the %u by %u pixels it claims; scan or copy it again", width_px,
                         height_px));
}

static void read_header(png_job *job)
{
  png_uint_32 width_px, height_px;
  int bits, colour;
  if (!png_get_IHDR(job->png, job->about, &width_px, &height_px, &bits, &colour, NULL, NULL, NULL))
    png_error(job->png, "the header is missing");
  job->info->bits_per_sample = bits;
  job->info->channels = png_get_channels(job->png, job->about);
  read_resolution(job);
  job->info->orientation = read_exif(job);
  refuse_impossible_size(job, width_px, height_px);
  const sp_status status = sp_sheet_open(&job->canvas, width_px, height_px, bits == 16 ? 16 : 8, job->info->orientation,
                                         job->max_pixels, job->raster, job->err);
  if (status != SP_OK)
    give_up(job, status);
  job->height_px = height_px;
  choose_samples(job, colour, bits);
  png_read_update_info(job->png, job->about);
}

static void look_up(png_job *job, const uint8_t *in, uint32_t n, uint8_t *out)
{
  uint8_t highest = 0;
  for (uint32_t i = 0; i < n; i++) {
    highest = in[i] > highest ? in[i] : highest;
    out[i] = job->palette_grey[in[i]];
  }
  if (highest >= job->palette_size)
    png_error(job->png, "a pixel has a colour that is not in the palette");
}

static void to_grey(png_job *job, uint32_t n, void *out)
{
  if (job->palette)
    look_up(job, job->row, n, out);
  else if (job->canvas.bits == 8)
    sp_grey_row_u8(&job->layout, job->row, n, out);
  else
    sp_grey_row_u16(&job->layout, (const uint16_t *)(const void *)job->row, n, out);
}

static void read_rows(png_job *job)
{
  for (job->y = 0; job->y < job->height_px; job->y++) {
    void *out = sp_sheet_row(&job->canvas, job->y);
    png_read_row(job->png, job->direct ? out : job->row, NULL);
    if (!job->direct)
      to_grey(job, job->canvas.width_px, out);
    sp_sheet_row_done(&job->canvas, job->y);
  }
}

/* Where the pixels of the seven passes lie (ISO/IEC 15948, 8.2): the first column and row, and the distance to the
 * next. */
static const struct pass {
  uint32_t x, y, dx, dy;
} ADAM7[PASSES] = {{0, 0, 8, 8}, {4, 0, 8, 8}, {0, 4, 4, 8}, {2, 0, 4, 4}, {0, 2, 2, 4}, {1, 0, 2, 2}, {0, 1, 1, 2}};

static uint32_t places(uint32_t size, uint32_t first, uint32_t step)
{
  return size > first ? (size - first - 1) / step + 1 : 0;
}

/* The passes as they are stored; libpng leaves out a pass without pixels, so it is left out here. */
static void read_passes(png_job *job)
{
  for (const struct pass *p = ADAM7; p < ADAM7 + PASSES; p++) {
    const uint32_t columns = places(job->canvas.width_px, p->x, p->dx);
    const uint32_t rows = columns > 0 ? places(job->height_px, p->y, p->dy) : 0;
    for (uint32_t k = 0; k < rows; k++) {
      job->y = p->y + k * p->dy;
      png_read_row(job->png, job->row, NULL);
      if (!job->direct)
        to_grey(job, columns, job->grey);
      sp_sheet_scatter(&job->canvas, p->x, p->dx, job->y, job->direct ? job->row : job->grey, columns);
    }
  }
}

static void take_row(png_job *job)
{
  job->row = malloc(png_get_rowbytes(job->png, job->about));
  job->grey = calloc(job->canvas.width_px, job->canvas.bits == 8 ? 1 : 2);
  if (!job->row || !job->grey)
    give_up(job, sp_fail_memory(job->err));
}

/* An eXIf chunk may stand behind the pixels (PNG Third Edition, 11.3.4.5); then the finished picture has to be turned.
 */
static void read_end(png_job *job)
{
  const bool known = png_get_valid(job->png, job->about, PNG_INFO_eXIf) != 0;
  png_read_end(job->png, job->about);
  if (known)
    return;
  job->info->orientation = read_exif(job);
  if (job->info->orientation == 1)
    return;
  const sp_status status = sp_sheet_turn(job->raster, job->info->orientation, job->err);
  if (status != SP_OK)
    give_up(job, status);
}

static void decode(png_job *job)
{
  prepare(job);
  read_header(job);
  take_row(job);
  if (png_get_interlace_type(job->png, job->about) == PNG_INTERLACE_NONE)
    read_rows(job);
  else
    read_passes(job);
  read_end(job);
}

/* Nothing local is changed between setjmp and its second return; all that is lives in *job. */
static void decode_guarded(png_job *job)
{
  if (setjmp(job->stop) == 0) {
    job->png = png_create_read_struct_2(PNG_LIBPNG_VER_STRING, job, on_error, on_warning, job, on_malloc, on_free);
    job->about = job->png ? png_create_info_struct(job->png) : NULL;
    if (job->about)
      decode(job);
    else
      job->status = sp_fail_memory(job->err);
  }
}

sp_status sp_decode_png(sp_source *source, uint64_t max_pixels, sp_raster *raster, sp_picture_info *info, sp_error *err)
{
  png_job *job = calloc(1, sizeof *job);
  if (!job)
    return sp_fail_memory(err);
  job->source = source;
  job->max_pixels = max_pixels;
  job->raster = raster;
  job->info = info;
  job->err = err;
  decode_guarded(job);
  const sp_status status = job->status;
  if (job->png)
    png_destroy_read_struct(&job->png, &job->about, NULL);
  sp_sheet_close(&job->canvas);
  free(job->row);
  free(job->grey);
  free(job);
  return status;
}
