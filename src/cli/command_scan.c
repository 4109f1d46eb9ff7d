/* slotproof scan: a picture straight from a flatbed. */
#include <math.h>
#include <signal.h>
#include <string.h>
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

/* ---- progress, and Ctrl-C --------------------------------------------------------------------------------------- */

enum { PATIENCE_S = 30 }; /* for the carriage to go home */

typedef struct watch {
  bool terminal;
  int shown;   /* per cent; -1 nothing yet */
  int stopped; /* number of the signal; 0 none */
} watch;

/* A signal waits until it is asked for, so that a scan is ended in good order: the carriage goes home. */
static void hold_signals(int how)
{
  sigset_t set;
  sigemptyset(&set);
  sigaddset(&set, SIGINT);
  sigaddset(&set, SIGTERM);
  sigprocmask(how, &set, NULL);
}

static int waiting_signal(void)
{
  sigset_t pending;
  if (sigpending(&pending) != 0)
    return 0;
  return sigismember(&pending, SIGINT) == 1 ? SIGINT : sigismember(&pending, SIGTERM) == 1 ? SIGTERM : 0;
}

/* Some drivers stand still for ever when they are told to stop. Nothing has been written yet, so nothing is lost. */
static void give_up(int number)
{
  static const char words[] =
      "\nslotproof: the scanner's driver does not stop; it was left alone and nothing was written: "
      "switch the scanner off and on\n";
  (void)number;
  if (write(STDERR_FILENO, words, sizeof words - 1) < 0)
    _exit((int)SP_E_INTERNAL);
  _exit((int)SP_E_IO);
}

static void expect_the_end(void)
{
  struct sigaction action = {.sa_handler = give_up};
  sigemptyset(&action.sa_mask);
  if (sigaction(SIGALRM, &action, NULL) == 0)
    alarm(PATIENCE_S);
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
  w->stopped = waiting_signal();
  if (w->stopped)
    expect_the_end();
  return !w->stopped;
}

static int fetch(const cli_request *r)
{
  sp_scan_result result;
  sp_error err = {0};
  watch w = {isatty(STDERR_FILENO) == 1, -1, 0};
  hold_signals(SIG_BLOCK);
  const int status = (int)sp_scan_to_png(r->output, &r->scan, on_progress, &w, &result, &err);
  if (w.shown >= 0)
    fprintf(stderr, "\r                 \r");
  if (status)
    (void)cli_complain(result.device[0] ? result.device : "scan", &err);
  alarm(0);
  hold_signals(SIG_UNBLOCK); /* one that waited ends the program here, as its sender meant it */
  if (status)
    return w.stopped ? 128 + w.stopped : status;
  printf("%s: %u x %u px, %.6g dpi, %d bits, from %s\n", r->output, result.width_px, result.height_px, result.dpi,
         result.bits, result.device);
  return 0;
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
