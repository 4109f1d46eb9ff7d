/* slotproof work FOLDER tiles|plain [options of check] -- NAME: what `serve` starts for each picture, and nobody else.
 *
 * FOLDER is the run's; the picture lies above it. Options are those of `check`, read by the same table, and the check
 * is the same call, so that the record is the same. NAME is what the record calls the picture. */
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "cli.h"
#include "slotproof/jobs.h"

static const char PICTURE[] = "../picture";
/* Beyond those of a check. */
enum { STAGE_DRAWING = SP_CHECK_JUDGING + 1 };

static void tell(void *context, sp_check_stage stage)
{
  (void)context;
  char line[40];
  const int length = snprintf(line, sizeof line, "%s\n", sp_work_stage_word((int)stage));
  if (write(SP_WORK_FD, line, (size_t)length) < 0 && errno == EPIPE)
    exit(SP_E_IO); /* nobody waits any more */
}

static sp_status rename_source(sp_record *record, const char *name, sp_error *err)
{
  char *copy = malloc(strlen(name) + 1);
  if (!copy)
    return sp_fail_memory(err);
  free(record->sources[0].file);
  record->sources[0].file = strcpy(copy, name);
  return SP_OK;
}

static sp_status measure(cli_request *r, const char *name, bool tiles, sp_error *err)
{
  sp_record record;
  sp_raster raster = {0};
  sp_corrections corrections = {NULL, 0};
  sp_record_init(&record);
  sp_status status = r->correct ? sp_corrections_read(r->correct, &corrections, err) : SP_OK;
  r->check.corrections = &corrections;
  if (!status)
    status = sp_check_picture(PICTURE, &r->check, &record, &raster, err);
  if (!status)
    status = cli_note_digests(&record, err);
  if (!status)
    status = rename_source(&record, name, err);
  tell(NULL, (sp_check_stage)STAGE_DRAWING);
  if (!status)
    status = sp_work_write(&record, &raster, tiles, err);
  sp_raster_free(&raster);
  sp_record_free(&record);
  sp_corrections_free(&corrections);
  return status;
}

/* The folder's path without its last part: the job's. `all`: other jobs' results may be read. */
static int confine(const char *folder, bool all)
{
  sp_error err = {0};
  char job[4096];
  const char *slash = strrchr(folder, '/');
  if (!slash || slash == folder || (size_t)(slash - folder) >= sizeof job || chdir(folder) != 0)
    return cli_refuse("work", SP_E_NOINPUT, "the run's folder is not there");
  snprintf(job, sizeof job, "%.*s", (int)(slash - folder), folder);
  char jobs[sizeof job];
  const char *last = strrchr(job, '/');
  snprintf(jobs, sizeof jobs, "%.*s", (int)(last - job), job);
  return sp_work_confine(job, all ? jobs : NULL, &err) ? cli_complain("work", &err) : 0;
}

int cli_work(int argc, char **argv)
{
  cli_request r;
  sp_layout layout;
  sp_error err = {0};
  if (argc == 3 && strcmp(argv[2], "together") == 0) {
    const int failed = confine(argv[1], true);
    return failed ? failed : sp_work_together(&err) ? cli_complain("boards", &err) : 0;
  }
  if (argc < 4)
    return cli_refuse("work", SP_E_USAGE, "is not for people; 'slotproof serve' starts it");
  const bool tiles = strcmp(argv[2], "tiles") == 0;
  int status = confine(argv[1], false);
  argv[2] = argv[0];
  status = status ? status : cli_parse(argc - 2, argv + 2, CLI_CHECK, &r);
  if (!status && r.image_count != 1)
    status = cli_refuse("work", SP_E_USAGE, "takes one name");
  status = status ? status : cli_check_reference_options(&r);
  status = status ? status : cli_make_layout(&r, NULL, &layout);
  if (status)
    return status;
  r.check.layout = &layout;
  r.check.progress.call = tell;
  status = (int)measure(&r, r.images[0], tiles, &err);
  if (status)
    status = cli_complain(r.images[0], &err);
  sp_layout_free(&layout);
  return status;
}
