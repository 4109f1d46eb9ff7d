/* slotproof work FOLDER tiles|plain TURN [options of check] -- NAME ...: what `serve` starts for each board, and nobody
 * else.
 *
 * FOLDER is the run's; the pictures lie above it. Options are those of `check`, read by the same table, and the check
 * is the same call, so that the record is the same. NAME is what the record calls a picture; TURN says which file it
 * is, as "0", or "2,0,1" for three pieces of a board. */
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "cli.h"
#include "slotproof/jobs.h"
#include "slotproof/late.h"

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

static sp_status rename_sources(sp_record *record, char **names, sp_error *err)
{
  for (size_t i = 0; i < record->source_count; i++) {
    char *copy = malloc(strlen(names[i]) + 1);
    if (!copy)
      return sp_fail_memory(err);
    free(record->sources[i].file);
    record->sources[i].file = strcpy(copy, names[i]);
  }
  return SP_OK;
}

/* Where the pictures lie, in the order that is meant. */
typedef struct pictures {
  size_t count;
  char path[SP_MOST_PIECES][SP_STORE_PICTURE + 3];
  const char *list[SP_MOST_PIECES];
} pictures;

static bool find_pictures(const char *turn, pictures *p)
{
  p->count = 0;
  for (const char *at = turn; p->count < SP_MOST_PIECES && *at >= '0' && *at < '0' + SP_MOST_PIECES; at += 2) {
    char name[SP_STORE_PICTURE];
    sp_store_picture_name((size_t)(*at - '0'), name);
    snprintf(p->path[p->count], sizeof p->path[p->count], "../%s", name);
    p->list[p->count] = p->path[p->count];
    p->count++;
    if (at[1] != ',')
      return at[1] == '\0';
  }
  return false;
}

/* One picture, or several pieces; `at_fault` is the one that a failure is about. */
static sp_status look(const cli_request *r, const pictures *p, sp_record *record, sp_raster *raster, size_t *at_fault,
                      sp_error *err)
{
  if (p->count == 1)
    return sp_check_picture(p->list[0], &r->check, record, raster, err);
  const sp_status status = sp_check_pieces(p->list, p->count, &r->check, record, at_fault, err);
  tell(NULL, (sp_check_stage)STAGE_DRAWING);
  return status ? status : sp_check_draw_pieces(p->list, record, &r->check.read, raster, at_fault, err);
}

static sp_status measure(cli_request *r, const pictures *p, bool tiles, size_t *at_fault, sp_error *err)
{
  sp_record record, drawn = {0};
  sp_raster raster = {0};
  sp_corrections corrections = {NULL, 0};
  sp_record_init(&record);
  sp_status status = r->correct ? sp_corrections_read(r->correct, &corrections, err) : SP_OK;
  r->check.corrections = &corrections;
  if (!status)
    status = look(r, p, &record, &raster, at_fault, err);
  if (!status)
    status = cli_note_digests(&record, err);
  if (!status)
    status = rename_sources(&record, r->images, err);
  if (!status)
    status = sp_record_drawn(&record, &drawn, err);
  tell(NULL, (sp_check_stage)STAGE_DRAWING);
  if (!status)
    status = sp_work_write(&record, &drawn, &raster, tiles, err);
  sp_record_drawn_free(&drawn);
  sp_raster_free(&raster);
  sp_record_free(&record);
  sp_corrections_free(&corrections);
  return status;
}

/* The folder's path without its last part: the job's. `all`: other jobs' results may be read. What draws is loaded
 * before: it may lie with the program where nothing can be reached any more. */
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
  const sp_status there = sp_late_library(SP_LATE_BRIDGE, &err);
  return there || sp_work_confine(job, all ? jobs : NULL, &err) ? cli_complain("work", &err) : 0;
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
  pictures p;
  size_t at_fault = 0;
  if (argc < 5)
    return cli_refuse("work", SP_E_USAGE, "is not for people; 'slotproof serve' starts it");
  const bool tiles = strcmp(argv[2], "tiles") == 0, found = find_pictures(argv[3], &p);
  int status = confine(argv[1], false);
  argv[3] = argv[0];
  status = status ? status : cli_parse(argc - 3, argv + 3, CLI_CHECK, &r);
  if (!status && (!found || (size_t)r.image_count != p.count))
    status = cli_refuse("work", SP_E_USAGE, "takes a name for each picture");
  status = status ? status : cli_check_reference_options(&r);
  status = status ? status : cli_refuse_for_pieces(&r);
  status = status ? status : cli_make_layout(&r, NULL, &layout);
  if (status)
    return status;
  r.check.layout = &layout;
  r.check.names = r.images;
  r.check.progress.call = tell;
  status = (int)measure(&r, &p, tiles, &at_fault, &err);
  if (status)
    status = cli_complain(r.images[at_fault], &err);
  sp_layout_free(&layout);
  return status;
}
