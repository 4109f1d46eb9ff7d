/* slotproof scan: a picture straight from a flatbed. */
#include <math.h>
#include <pthread.h>
#include <signal.h>
#include <stdatomic.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "cli.h"
#include "slotproof/scan.h"

static void print_help(void)
{
  printf("usage: slotproof scan [options] --output FILE.png\n"
         "       slotproof scan --list\n\n"
         "Fetches a scan from a flatbed, in grey and at the right resolution, as 'slotproof check' wants it.\n\n");
  cli_print_options(CLI_SCAN, stdout);
}

static int list_devices(void)
{
  sp_scan_devices_list devices;
  sp_error err = {0};
  if (sp_scan_devices(false, &devices, &err))
    return cli_complain("scan", &err);
  for (size_t i = 0; i < devices.count; i++) {
    const sp_scan_device *d = &devices.list[i];
    printf("%s\t%s %s, %s\n", d->name, d->vendor, d->model, d->type);
  }
  const bool none = devices.count == 0;
  sp_scan_devices_free(&devices);
  return none ? cli_refuse("scan", SP_E_NOINPUT, "no scanner was found; switch it on, connect it and try again") : 0;
}

/* ---- progress, and Ctrl-C ---------------------------------------------------------------------------------------
 *
 * A scan that is to stop is ended in good order, so that the carriage goes home; but a driver may stand still for ever
 * meanwhile, and drivers change what signals do. So signals are blocked, and a thread waits for them. */

enum { PATIENCE_S = 30, LOOK_NS = 100000000 };

typedef struct watch {
  bool terminal;
  int shown;          /* per cent; -1 nothing yet */
  sigset_t stops;     /* the signals that stop a scan; not those that are ignored, as after nohup */
  atomic_int stopped; /* number of the signal; 0 none */
  atomic_bool done;
} watch;

static void find_stops(sigset_t *stops)
{
  const int number[] = {SIGINT, SIGTERM};
  struct sigaction now;
  sigemptyset(stops);
  for (size_t i = 0; i < sizeof number / sizeof *number; i++)
    if (sigaction(number[i], NULL, &now) == 0 && now.sa_handler != SIG_IGN)
      sigaddset(stops, number[i]);
}

/* The driver does not come back: nothing of the program can be ended in order any more, and nothing was written. */
static void give_up(void)
{
  const sp_error err = {.text =
                            "the scanner's driver does not stop; nothing was written; switch the scanner off and on, "
                            "and try again",
                        .status = SP_E_IO};
  (void)cli_complain("scan", &err);
  _exit((int)SP_E_IO);
}

static void *wait_for_stop(void *context)
{
  watch *w = context;
  struct timespec look = {0, LOOK_NS};
  int64_t looks = 0;
  while (!atomic_load(&w->done)) {
    const int number = sigtimedwait(&w->stops, NULL, &look);
    if (number > 0 && !atomic_load(&w->stopped))
      atomic_store(&w->stopped, number);
    else if (number > 0) /* asked a second time */
      give_up();
    if (atomic_load(&w->stopped) && ++looks * LOOK_NS > (int64_t)PATIENCE_S * 1000000000)
      give_up();
  }
  return NULL;
}

static bool on_progress(void *context, double part)
{
  watch *w = context;
  const int percent = isnan(part) ? 0 : (int)(100.0 * part);
  if (w->terminal && percent != w->shown) {
    w->shown = percent;
    if (isnan(part))
      fprintf(stderr, "\rscanning ");
    else
      fprintf(stderr, "\rscanning %3d %% ", percent);
    fflush(stderr);
  }
  return !atomic_load(&w->stopped);
}

static int report_scan(const cli_request *r, const sp_scan_result *result, int status, const sp_error *err)
{
  if (status)
    return cli_complain(result->device[0] ? result->device : "scan", err);
  printf("%s: %u x %u px, %.6g dpi, %d bits, from %s\n", r->output, result->width_px, result->height_px, result->dpi,
         result->bits, result->device);
  return 0;
}

static int fetch(const cli_request *r)
{
  sp_scan_result result;
  sp_error err = {0};
  pthread_t waiter;
  watch w = {.terminal = isatty(STDERR_FILENO) == 1, .shown = -1};
  find_stops(&w.stops);
  pthread_sigmask(SIG_BLOCK, &w.stops, NULL);
  const bool waits = pthread_create(&waiter, NULL, wait_for_stop, &w) == 0;
  if (!waits) /* then a signal just ends the program */
    pthread_sigmask(SIG_UNBLOCK, &w.stops, NULL);
  int status = (int)sp_scan_to_png(r->output, &r->scan, on_progress, &w, &result, &err);
  atomic_store(&w.done, true);
  if (waits)
    pthread_join(waiter, NULL);
  if (w.shown >= 0)
    fprintf(stderr, "\r                 \r");
  status = report_scan(r, &result, status, &err);
  pthread_sigmask(SIG_UNBLOCK, &w.stops, NULL);
  const int stopped = atomic_load(&w.stopped);
  if (stopped) /* ends the program as its sender meant it, unless a driver has taken the signal for itself */
    raise(stopped);
  return stopped ? 128 + stopped : status;
}

int cli_scan(int argc, char **argv)
{
  cli_request r;
  int status;
  if (!cli_begin(argc, argv, CLI_SCAN, print_help, &r, &status))
    return status;
  if (r.image_count)
    return cli_refuse(r.images[0], SP_E_USAGE, "scan takes no picture; name the file to write with --output");
  if (r.scan_list)
    return list_devices();
  if (!r.output || strcmp(r.output, "-") == 0)
    return cli_refuse("--output", SP_E_USAGE, "is missing; name the picture to write, as --output board.png");
  return fetch(&r);
}
