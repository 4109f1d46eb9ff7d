/* jpeg.c: JPEG (ISO/IEC 10918-1) through libjpeg.
 *
 * A YCbCr picture carries its luma as a component of its own: libjpeg is asked for that alone and never touches the
 * colour. The slow integer transform is the exact one; smoothing of missing coefficients is off, because invented
 * pixels would be measured.
 *
 * libjpeg goes on after damage and fills the rest with grey, a warning its only trace. Here every warning that means
 * lost or guessed pixels ends the reading, and so does the end of the file before the end of the picture.
 */
#include <math.h>
#include <setjmp.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jpeglib.h>

#include <jerror.h>

#include "canvas.h"
#include "decoders.h"
#include "exif.h"
#include "grey.h"

enum {
  INPUT_BYTES = 65536,
  SCANS_MAX = 500, /* a progressive file has some ten; thousands are an attack on the reader's time */
  EXIF_HEAD_BYTES = 6
};

/* Every block of 8 by 8 pixels takes at least one bit in its first Huffman-coded scan (10918-1, F.1.2.1, G.1.2.1). */
#define PIXELS_PER_BYTE_MAX 512u

typedef struct jpeg_job {
  struct jpeg_decompress_struct jpeg;
  struct jpeg_error_mgr errors;
  struct jpeg_source_mgr input;
  struct jpeg_progress_mgr progress;
  sp_source *source;
  uint64_t max_pixels;
  sp_raster *raster;
  sp_picture_info *info;
  sp_error *err;
  sp_status status;
  jmp_buf stop;
  sp_sheet canvas;
  sp_pixel_layout layout;
  uint8_t *row; /* CMYK samples of one row; NULL for grey */
  uint8_t bytes[INPUT_BYTES];
} jpeg_job;

static void give_up(jpeg_job *job, sp_status status)
{
  job->status = status;
  longjmp(job->stop, 1);
}

static void on_error(j_common_ptr jpeg)
{
  jpeg_job *job = jpeg->client_data;
  char text[JMSG_LENGTH_MAX];
  jpeg->err->format_message(jpeg, text);
  switch (jpeg->err->msg_code) {
  case JERR_OUT_OF_MEMORY:
    give_up(job, sp_fail_memory(job->err));
    break;
  case JERR_BAD_PRECISION:
  case JERR_SOF_UNSUPPORTED:
  case JERR_CONVERSION_NOTIMPL:
    give_up(job, sp_fail(job->err, SP_E_DATA, "this kind of JPEG cannot be read (%s); save it as PNG or TIFF", text));
    break;
  default:
    give_up(job, sp_source_stopped(job->source, job->jpeg.output_scanline, job->canvas.height_px, text, job->err));
  }
}

static bool means_lost_pixels(int warning)
{
  switch (warning) {
  case JWRN_ARITH_BAD_CODE:
  case JWRN_BOGUS_PROGRESSION:
  case JWRN_HIT_MARKER:
  case JWRN_HUFF_BAD_CODE:
  case JWRN_JPEG_EOF:
  case JWRN_MUST_RESYNC:
  case JWRN_NOT_SEQUENTIAL:
    return true;
  default:
    return false;
  }
}

static void on_message(j_common_ptr jpeg, int level)
{
  if (level < 0 && means_lost_pixels(jpeg->err->msg_code))
    on_error(jpeg);
}

static void on_output(j_common_ptr jpeg)
{
  (void)jpeg;
}

static void on_progress(j_common_ptr jpeg)
{
  jpeg_job *job = jpeg->client_data;
  if (job->jpeg.input_scan_number > SCANS_MAX)
    give_up(job, sp_fail(job->err, SP_E_DATA,
                         "the picture comes in more than %d scans; save it again as an ordinary JPEG", SCANS_MAX));
}

static void on_input_start(j_decompress_ptr jpeg)
{
  (void)jpeg;
}

static boolean on_input(j_decompress_ptr jpeg)
{
  jpeg_job *job = jpeg->client_data;
  const size_t got = sp_source_read(job->source, job->bytes, sizeof job->bytes);
  if (got == 0)
    give_up(job, sp_source_stopped(job->source, jpeg->output_scanline, job->canvas.height_px, "", job->err));
  job->source->hit_end = false; /* a last block shorter than asked for is no failure */
  job->input.next_input_byte = job->bytes;
  job->input.bytes_in_buffer = got;
  return TRUE;
}

static void on_input_skip(j_decompress_ptr jpeg, long count)
{
  jpeg_job *job = jpeg->client_data;
  size_t rest = count > 0 ? (size_t)count : 0;
  while (rest > job->input.bytes_in_buffer) {
    rest -= job->input.bytes_in_buffer;
    (void)on_input(jpeg);
  }
  job->input.next_input_byte += rest;
  job->input.bytes_in_buffer -= rest;
}

static void on_input_end(j_decompress_ptr jpeg)
{
  (void)jpeg;
}

static void connect_input(jpeg_job *job)
{
  job->input = (struct jpeg_source_mgr){.init_source = on_input_start,
                                        .fill_input_buffer = on_input,
                                        .skip_input_data = on_input_skip,
                                        .resync_to_restart = jpeg_resync_to_restart,
                                        .term_source = on_input_end};
  job->jpeg.src = &job->input;
  job->progress.progress_monitor = on_progress;
  job->jpeg.progress = &job->progress;
}

static sp_exif read_exif(const jpeg_job *job)
{
  for (jpeg_saved_marker_ptr m = job->jpeg.marker_list; m; m = m->next)
    if (m->marker == JPEG_APP0 + 1 && m->data_length > EXIF_HEAD_BYTES &&
        memcmp(m->data, "Exif\0\0", EXIF_HEAD_BYTES) == 0)
      return sp_exif_read(m->data + EXIF_HEAD_BYTES, m->data_length - EXIF_HEAD_BYTES);
  return (sp_exif){.orientation = 1};
}

/* JFIF states whole dots an inch or a centimetre; EXIF states fractions. Where both mean the same number, the finer one
 * is taken: 300 dpi in EXIF stands beside 118 a centimetre, 299.72 dpi, in JFIF. */
static double stated_dpi(double jfif, double jfif_unit_dpi, double exif)
{
  if (jfif <= 0.0)
    return exif;
  return exif > 0.0 && fabs(exif - jfif) <= 0.5 * jfif_unit_dpi ? exif : jfif;
}

static void read_resolution(const jpeg_job *job, const sp_exif *exif)
{
  const int unit = job->jpeg.saw_JFIF_marker ? job->jpeg.density_unit : 0; /* 1: an inch, 2: a cm (JFIF 1.02) */
  const double unit_dpi = unit == 1 ? 1.0 : unit == 2 ? 2.54 : 0.0;
  job->info->stated_dpi_x = stated_dpi(job->jpeg.X_density * unit_dpi, unit_dpi, exif->dpi_x);
  job->info->stated_dpi_y = stated_dpi(job->jpeg.Y_density * unit_dpi, unit_dpi, exif->dpi_y);
}

static void refuse_impossible_size(jpeg_job *job)
{
  const uint64_t pixels = (uint64_t)job->jpeg.image_width * job->jpeg.image_height;
  if (!job->jpeg.arith_code && pixels / PIXELS_PER_BYTE_MAX > job->source->size)
    give_up(job, sp_fail(job->err, SP_E_DATA,
                         "the file is too short for the %u by %u pixels it claims; scan or copy it again",
                         job->jpeg.image_width, job->jpeg.image_height));
}

/* Photoshop's way, which most CMYK files follow, stores the complement of the ink and says so by an Adobe segment. */
static void choose_samples(jpeg_job *job)
{
  const J_COLOR_SPACE stored = job->jpeg.jpeg_color_space;
  const bool ink = stored == JCS_CMYK || stored == JCS_YCCK;
  job->jpeg.out_color_space = ink ? JCS_CMYK : JCS_GRAYSCALE;
  job->jpeg.dct_method = JDCT_ISLOW;
  job->jpeg.do_block_smoothing = FALSE;
  job->layout = (sp_pixel_layout){.model = SP_MODEL_CMYK, .samples = 4, .inverted = job->jpeg.saw_Adobe_marker};
  if (!ink)
    return;
  job->row = calloc(job->jpeg.image_width, 4);
  if (!job->row)
    give_up(job, sp_fail_memory(job->err));
}

static void read_header(jpeg_job *job)
{
  jpeg_save_markers(&job->jpeg, JPEG_APP0 + 1, 0xffff);
  (void)jpeg_read_header(&job->jpeg, TRUE); /* TRUE: a file without a picture is an error and jumps */
  const sp_exif exif = read_exif(job);
  job->info->bits_per_sample = job->jpeg.data_precision;
  job->info->channels = job->jpeg.num_components;
  job->info->orientation = exif.orientation;
  job->info->is_photograph = exif.exposed;
  job->info->focal_35mm = exif.focal_35mm;
  memcpy(job->info->make, exif.make, sizeof exif.make);
  memcpy(job->info->model, exif.model, sizeof exif.model);
  read_resolution(job, &exif);
  refuse_impossible_size(job);
  const sp_status status = sp_sheet_open(&job->canvas, job->jpeg.image_width, job->jpeg.image_height, 8,
                                         exif.orientation, job->max_pixels, job->raster, job->err);
  if (status != SP_OK)
    give_up(job, status);
  choose_samples(job);
}

static void decode(jpeg_job *job)
{
  jpeg_create_decompress(&job->jpeg);
  connect_input(job);
  read_header(job);
  (void)jpeg_start_decompress(&job->jpeg); /* the source never suspends */
  while (job->jpeg.output_scanline < job->jpeg.output_height) {
    const uint32_t y = job->jpeg.output_scanline;
    uint8_t *grey = sp_sheet_row(&job->canvas, y);
    JSAMPROW row = job->row ? job->row : grey;
    if (jpeg_read_scanlines(&job->jpeg, &row, 1) != 1)
      give_up(job, sp_source_stopped(job->source, y, job->canvas.height_px, "no row came", job->err));
    if (job->row)
      sp_grey_row_u8(&job->layout, job->row, job->canvas.width_px, grey);
    sp_sheet_row_done(&job->canvas, y);
  }
  (void)jpeg_finish_decompress(&job->jpeg); /* reads on to the end marker */
}

/* Nothing local is changed between setjmp and its second return; all that is lives in *job. */
static void decode_guarded(jpeg_job *job)
{
  job->jpeg.err = jpeg_std_error(&job->errors);
  job->jpeg.client_data = job;
  job->errors.error_exit = on_error;
  job->errors.emit_message = on_message;
  job->errors.output_message = on_output;
  if (setjmp(job->stop) == 0)
    decode(job);
}

sp_status sp_decode_jpeg(sp_source *source, uint64_t max_pixels, sp_raster *raster, sp_picture_info *info,
                         sp_error *err)
{
  jpeg_job *job = calloc(1, sizeof *job);
  if (!job)
    return sp_fail_memory(err);
  job->source = source;
  job->max_pixels = max_pixels;
  job->raster = raster;
  job->info = info;
  job->err = err;
  decode_guarded(job);
  const sp_status status = job->status;
  jpeg_destroy_decompress(&job->jpeg);
  sp_sheet_close(&job->canvas);
  free(job->row);
  free(job);
  return status;
}
