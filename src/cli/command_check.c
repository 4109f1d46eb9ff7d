/* slotproof check: a picture in, a report out. */
#include <math.h>
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
  printf("usage: slotproof check --scale-length LEN --frets N [options] IMAGE\n\n"
         "Measures the marks on a scanned board and compares them with the computed layout.\n"
         "Exit status: 0 every mark within tolerance, 1 at least one out, 2 could not decide.\n\n");
  cli_print_options(CLI_CHECK, stdout);
}

static int refuse_images(const cli_request *r)
{
  if (r->image_count == 0)
    return cli_refuse("check", SP_E_USAGE, "a picture is missing; name a PNG, JPEG or TIFF file");
  if (r->image_count > 1)
    return cli_refuse(r->images[1], SP_E_USAGE,
                      "several pictures of one board are not part of this version; scan the board in one piece");
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

/* Measures and reports; the layout stands. */
static int measure(const cli_request *r)
{
  static const cli_writer WRITERS[] = {[CLI_TEXT] = write_text, [CLI_JSON] = write_json, [CLI_CSV] = write_csv};
  sp_record record;
  sp_raster raster = {0};
  sp_error err = {0};
  const bool html = r->format == CLI_HTML;
  const page_input page = {&record, &raster};
  sp_record_init(&record);
  int status = (int)sp_check_picture(r->images[0], &r->check, &record, html || r->overlay ? &raster : NULL, &err);
  bool of_record = false;
  if (!status && r->format == CLI_JSON)
    status = (int)cli_note_digests(&record, &err);
  if (!status && r->before) {
    status = (int)sp_record_compare_before(&record, r->before, &err);
    of_record = status != 0;
  }
  if (status)
    status = cli_complain(of_record ? r->before : r->images[0], &err);
  else
    status = cli_deliver(r, html ? (const void *)&page : &record, html ? write_page : WRITERS[r->format],
                         sp_report_overlay, &record, &raster);
  if (!status)
    status = sp_check_exit_status(&record);
  sp_raster_free(&raster);
  sp_record_free(&record);
  return status;
}

int cli_check(int argc, char **argv)
{
  cli_request r;
  sp_layout layout;
  int status = cli_parse(argc, argv, CLI_CHECK, &r);
  if (status)
    return status;
  if (r.help) {
    print_help();
    return 0;
  }
  status = refuse_images(&r);
  if (!status)
    status = cli_check_reference_options(&r);
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
