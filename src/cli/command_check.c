/* slotproof check: a picture in, a report out. */
#include <math.h>
#include <string.h>
#include <sys/stat.h>

#include "cli.h"
#include "slotproof/hash.h"
#include "slotproof/page.h"

static sp_status write_text(const void *record, FILE *file, sp_error *err)
{
  return sp_report_text(record, file, err);
}

static sp_status write_json(const void *record, FILE *file, sp_error *err)
{
  return sp_report_json(record, file, err);
}

static sp_status write_csv(const void *record, FILE *file, sp_error *err)
{
  return sp_report_csv(record, file, err);
}

/* What the page is made of. */
typedef struct page_input {
  const sp_record *record;
  const sp_raster *raster;
} page_input;

static sp_status write_page(const void *input, FILE *file, sp_error *err)
{
  const page_input *page = input;
  return sp_page_check(page->record, page->raster, file, err);
}

static void print_help(void)
{
  printf("usage: slotproof check --scale-length LEN --frets N [options] IMAGE [IMAGE ...]\n\n"
         "Measures the marks on a scanned board and compares them with the computed layout.\n"
         "Several pictures are overlapping scans of one board, in order from the nut.\n"
         "Exit status: 0 every mark within tolerance, 1 at least one out, 2 could not decide.\n\n");
  cli_print_options(CLI_CHECK, stdout);
}

static int refuse_images(const cli_request *r)
{
  if (r->image_count == 0)
    return cli_refuse("check", SP_E_USAGE, "a picture is missing; name a PNG, JPEG or TIFF file");
  if (r->image_count > SP_MOST_PIECES)
    return cli_refuse(r->images[SP_MOST_PIECES], SP_E_USAGE,
                      "a board is joined from at most %d pictures; to check many boards use 'slotproof batch'",
                      SP_MOST_PIECES);
  for (int i = 1; i < r->image_count; i++)
    for (int k = 0; k < i; k++)
      if (strcmp(r->images[i], r->images[k]) == 0)
        return cli_refuse(r->images[i], SP_E_USAGE, "named twice; name each piece of the board once");
  return 0;
}

int cli_refuse_for_pieces(const cli_request *r)
{
  const sp_reference_kind kind = r->check.reference.kind;
  if (r->image_count > 1 && (kind == SP_REFERENCE_DISTANCE || kind == SP_REFERENCE_DPI))
    return cli_refuse("--reference", SP_E_USAGE,
                      "does not join the pieces of a board; lay a rule or a printed strip beside it in each");
  return 0;
}

/* A pipe cannot be read twice. */
sp_status cli_note_digests(sp_record *record, sp_error *err)
{
  struct stat about;
  sp_status status = SP_OK;
  for (size_t i = 0; !status && i < record->source_count; i++) {
    sp_source_record *s = &record->sources[i];
    if (stat(s->file, &about) == 0 && S_ISREG(about.st_mode))
      status = sp_sha256_file(s->file, s->sha256, err);
  }
  return status;
}

/* One picture, or several pieces; `at_fault` is the picture that a failure is about. */
static sp_status look(const cli_request *r, bool draws, sp_record *record, sp_raster *raster, size_t *at_fault,
                      sp_error *err)
{
  const char *const *paths = (const char *const *)r->images;
  if (r->image_count == 1)
    return sp_check_picture(paths[0], &r->check, record, draws ? raster : NULL, err);
  const sp_status status = sp_check_pieces(paths, (size_t)r->image_count, &r->check, record, at_fault, err);
  return status || !draws ? status : sp_check_draw_pieces(paths, record, &r->check.read, raster, at_fault, err);
}

/* Measures and reports; the layout stands. */
static int measure(const cli_request *r)
{
  static const cli_writer WRITERS[] = {[CLI_TEXT] = write_text, [CLI_JSON] = write_json, [CLI_CSV] = write_csv};
  sp_record record, drawn = {0};
  sp_raster raster = {0};
  sp_error err = {0};
  size_t at_fault = 0;
  const bool html = r->format == CLI_HTML, draws = html || r->overlay || r->profiles;
  const page_input page = {&drawn, &raster};
  sp_record_init(&record);
  int status = (int)look(r, draws, &record, &raster, &at_fault, &err);
  bool of_record = false;
  if (!status && r->format == CLI_JSON)
    status = (int)cli_note_digests(&record, &err);
  if (!status && r->before) {
    status = (int)sp_record_compare_before(&record, r->before, &err);
    of_record = status != 0;
  }
  if (!status && draws)
    status = (int)sp_record_drawn(&record, &drawn, &err);
  if (status)
    status = cli_complain(of_record ? r->before : r->images[at_fault], &err);
  else
    status = cli_deliver(r, html ? (const void *)&page : &record, html ? write_page : WRITERS[r->format],
                         sp_report_overlay, draws ? &drawn : &record, &raster);
  if (!status)
    status = sp_check_exit_status(&record);
  sp_record_drawn_free(&drawn);
  sp_raster_free(&raster);
  sp_record_free(&record);
  return status;
}

int cli_check(int argc, char **argv)
{
  cli_request r;
  sp_layout layout;
  int status;
  if (!cli_begin(argc, argv, CLI_CHECK, print_help, &r, &status))
    return status;
  sp_rasters_keep_memory();
  status = refuse_images(&r);
  if (!status)
    status = cli_check_reference_options(&r);
  if (!status)
    status = cli_refuse_for_pieces(&r);
  if (!status)
    status = cli_check_outputs(&r);
  if (!status)
    status = cli_make_layout(&r, NULL, &layout);
  if (status)
    return status;
  r.check.layout = &layout;
  sp_corrections corrections = {NULL, 0};
  sp_error err = {SP_OK, ""};
  if (r.correct && sp_corrections_read(r.correct, &corrections, &err))
    status = cli_complain(r.correct, &err);
  r.check.corrections = &corrections;
  if (!status)
    status = measure(&r);
  sp_corrections_free(&corrections);
  sp_layout_free(&layout);
  return status;
}
