/* slotproof batch: many boards at once. */
#include <math.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "cli.h"
#include "slotproof/batch.h"

static sp_status write_text(const void *batch, FILE *file, sp_error *err)
{
  return sp_batch_text(batch, file, err);
}

static sp_status write_json(const void *batch, FILE *file, sp_error *err)
{
  return sp_batch_json(batch, file, err);
}

static sp_status write_csv(const void *batch, FILE *file, sp_error *err)
{
  return sp_batch_csv(batch, file, err);
}

static sp_status write_html(const void *batch, FILE *file, sp_error *err)
{
  return sp_batch_html(batch, file, err);
}

static void print_help(void)
{
  printf("usage: slotproof batch [options] FOLDER|IMAGE|RECORD.json ...\n\n"
         "Checks many boards of one layout, takes records of earlier checks, and sums them up.\n"
         "Exit status: 0 every board within tolerance, 1 at least one out, 2 otherwise.\n\n");
  cli_print_options(CLI_BATCH, stdout);
}

/* ---- progress --------------------------------------------------------------------------------------------------- */

typedef struct progress {
  bool terminal;
  double start_s;
} progress;

static double now_s(void)
{
  struct timespec t = {0};
  clock_gettime(CLOCK_MONOTONIC, &t);
  return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

/* One line, drawn over itself; on a terminal only. */
static void show_progress(const progress *p, size_t done, size_t fresh, size_t all)
{
  const double spent = now_s() - p->start_s;
  fprintf(stderr, "\r%zu of %zu boards", done, all);
  if (fresh && done < all) {
    const double left = spent / (double)fresh * (double)(all - done);
    if (left < 90.0)
      fprintf(stderr, ", about %.0f s left", left);
    else
      fprintf(stderr, ", about %.0f min left", left / 60.0);
  }
  fprintf(stderr, "\x1b[K");
  if (done == all)
    fprintf(stderr, "\r\x1b[K");
  fflush(stderr);
}

static void after_board(void *context, size_t done, size_t fresh, size_t all, const sp_batch_board *board)
{
  const progress *p = context;
  if (board->status) {
    sp_error err = {.status = board->status};
    snprintf(err.text, sizeof err.text, "%s", board->trouble);
    if (p->terminal)
      fprintf(stderr, "\r\x1b[K");
    cli_complain(board->file, &err);
  }
  if (p->terminal)
    show_progress(p, done, fresh, all);
}

/* ---- the options ------------------------------------------------------------------------------------------------ */

static bool is_read(const sp_batch_input *input, const char *path)
{
  bool same = sp_same_file(path, input->path);
  for (size_t i = 0; i < input->pieces; i++)
    same = same || sp_same_file(path, input->piece[i]);
  return same;
}

static int refuse(const cli_request *r, const sp_batch_list *list)
{
  bool pictures = false;
  for (size_t i = 0; i < list->count; i++)
    pictures = pictures || !list->input[i].is_record;
  if (r->overlays && !r->results)
    return cli_refuse("--overlays", SP_E_USAGE, "needs a folder to go to; give --results FOLDER as well");
  if (r->pieces && (r->check.reference.kind == SP_REFERENCE_DISTANCE || r->check.reference.kind == SP_REFERENCE_DPI))
    return cli_refuse("--reference", SP_E_USAGE,
                      "does not join the pieces of a board; lay a rule or a printed strip beside it in each");
  if (r->study && !list->count)
    return cli_refuse("--study", SP_E_USAGE, "needs the pictures or records it names; give them too");
  for (size_t i = 0; r->output && i < list->count; i++)
    if (is_read(&list->input[i], r->output))
      return cli_refuse(r->output, SP_E_USAGE, "--output would overwrite a picture or record; give it another name");
  const char *const read[] = {r->study, r->history, r->steps, r->board};
  for (size_t i = 0; r->output && i < sizeof read / sizeof *read; i++)
    if (read[i] && sp_same_file(r->output, read[i]))
      return cli_refuse(r->output, SP_E_USAGE, "--output would overwrite a file that is read; give it another name");
  return pictures ? cli_check_reference_options((cli_request *)r) : 0;
}

static bool has_pictures(const sp_batch_list *list)
{
  for (size_t i = 0; i < list->count; i++)
    if (!list->input[i].is_record)
      return true;
  return false;
}

/* ---- the run ---------------------------------------------------------------------------------------------------- */

static int complain_at(const char *at, const sp_error *err)
{
  return cli_complain(at, err);
}

/* What has been done up to the signal stands in the results; the signal itself then ends the program. */
static int end_by_signal(const cli_request *r, int signal_number, size_t done, size_t all)
{
  sigset_t set;
  fprintf(stderr, "slotproof: batch: stopped after %zu of %zu boards; %s\n", done, all,
          r->results ? "run the same again to go on from there"
                     : "with --results FOLDER a run can go on from where it stopped");
  sigemptyset(&set);
  sigaddset(&set, signal_number);
  sigprocmask(SIG_UNBLOCK, &set, NULL);
  return 128 + signal_number;
}

static int sum_up(const cli_request *r, sp_history *history, sp_batch *batch)
{
  static const cli_writer WRITERS[] = {
      [CLI_TEXT] = write_text, [CLI_JSON] = write_json, [CLI_CSV] = write_csv, [CLI_HTML] = write_html};
  sp_error err = {0};
  if (r->study && sp_batch_read_study(r->study, batch, &err))
    return complain_at(r->study, &err);
  if (history && sp_batch_add_history(batch, history, &err))
    return complain_at(r->history, &err);
  if (sp_batch_sum_up(batch, &err))
    return complain_at("batch", &err);
  const int status = cli_deliver(r, batch, WRITERS[r->format], NULL, NULL, NULL);
  return status ? status : sp_batch_exit_status(batch);
}

static int run_batch(const cli_request *r, const sp_batch_list *list, const char *settings, sp_history *history)
{
  sp_batch batch = {0};
  sp_error err = {0};
  const char *at = NULL;
  int stopped = 0;
  progress p = {.terminal = isatty(STDERR_FILENO) == 1, .start_s = now_s()};
  const sp_batch_options o = {.check = &r->check,
                              .settings = settings,
                              .results = r->results,
                              .overlays = r->overlays,
                              .workers = (size_t)r->workers,
                              .history = history,
                              .progress = after_board,
                              .context = &p};
  int status = (int)sp_batch_run(list, &o, &batch, &stopped, &at, &err);
  if (status)
    status = complain_at(strcmp(at, "--history") == 0 ? r->history : at, &err);
  else if (stopped)
    status = end_by_signal(r, stopped, batch.board_count, list->count);
  else
    status = sum_up(r, history, &batch);
  sp_batch_free(&batch);
  return status;
}

static int open_and_run(cli_request *r, const sp_batch_list *list)
{
  sp_layout layout = {0};
  sp_history *history = NULL;
  sp_error err = {0};
  char *settings = NULL;
  int status = refuse(r, list);
  if (!status && has_pictures(list))
    status = cli_make_layout(r, NULL, &layout);
  if (!status)
    status = cli_settings(r, &settings);
  r->check.layout = &layout;
  if (!status && r->history && sp_history_open(r->history, &history, &err))
    status = cli_complain(r->history, &err);
  if (!status)
    status = run_batch(r, list, settings, history);
  sp_history_close(history);
  sp_layout_free(&layout);
  free(settings);
  return status;
}

int cli_batch(int argc, char **argv)
{
  cli_request r;
  sp_batch_list list = {0};
  sp_error err = {0};
  const char *at = "batch";
  int status;
  if (!cli_begin(argc, argv, CLI_BATCH, print_help, &r, &status))
    return status;
  if (!r.image_count && !r.history)
    return cli_refuse("batch", SP_E_USAGE, "there is nothing to check; name pictures, a folder of them, or records");
  if (sp_batch_find(r.images, (size_t)r.image_count, r.pieces, &list, &at, &err))
    return cli_complain(at, &err);
  status = open_and_run(&r, &list);
  sp_batch_list_free(&list);
  return status;
}
