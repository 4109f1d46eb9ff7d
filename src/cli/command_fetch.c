/* slotproof fetch list local|all, slotproof fetch scan DPI DEVICE FILE: what `serve` starts to reach a scanner, and
 * nobody else. Drivers are code from elsewhere that has to get at devices, so this process is not shut in as those that
 * open pictures are; it opens none. What it finds, and how far it is, goes to descriptor SP_WORK_FD, a line at a time.
 */
#include <math.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/stat.h>
#include <unistd.h>

#include "cli.h"
#include "slotproof/jobs.h"

/* False: nobody waits any more. */
static bool tell(const char *line)
{
  return write(SP_WORK_FD, line, strlen(line)) >= 0;
}

static int complain(const sp_error *err)
{
  fprintf(stderr, "%s\n", err->text);
  return (int)err->status;
}

static void tell_device(const sp_scan_device *d)
{
  char line[4 * SP_SCAN_TEXT + 10];
  snprintf(line, sizeof line, "%s\t%s %s\n", d->name, d->vendor, d->model);
  for (char *at = line + strlen(d->name) + 1; *at; at++)
    if (*at == '\t' || (*at == '\n' && at[1]))
      *at = ' ';
  if (!strpbrk(d->name, "\t\n"))
    (void)tell(line);
}

static int list(bool local_only)
{
  sp_scan_devices_list devices;
  sp_error err = {0};
  if (sp_scan_devices(local_only, &devices, &err))
    return complain(&err);
  for (size_t i = 0; i < devices.count; i++)
    tell_device(&devices.list[i]);
  sp_scan_devices_free(&devices);
  return 0;
}

/* A signal waits until it is asked for, so that the carriage goes home. */
static void hold_signal(void)
{
  sigset_t set;
  sigemptyset(&set);
  sigaddset(&set, SIGTERM);
  sigprocmask(SIG_BLOCK, &set, NULL);
}

static bool on_progress(void *context, double part)
{
  int *told = context;
  const int percent = isnan(part) ? -1 : (int)(100.0 * part);
  char line[20];
  sigset_t pending;
  if (percent != *told) {
    *told = percent;
    snprintf(line, sizeof line, "%d\n", percent);
    if (!tell(line))
      return false;
  }
  return sigpending(&pending) != 0 || sigismember(&pending, SIGTERM) != 1;
}

static int scan(int dpi, const char *device, const char *path)
{
  sp_scan_options o;
  sp_scan_result result;
  sp_error err = {0};
  int told = -2;
  sp_scan_options_init(&o);
  o.dpi = dpi;
  o.device = device;
  hold_signal();
  return sp_scan_to_png(path, &o, on_progress, &told, &result, &err) ? complain(&err) : 0;
}

/* What was fetched is on the disk; how drivers clear up, or do not, is no matter any more. */
static int leave(int status)
{
  fflush(NULL);
  _exit(status);
}

int cli_fetch(int argc, char **argv)
{
  umask(077);
  signal(SIGPIPE, SIG_IGN); /* where the server has been killed, a scan still ends in good order */
  prctl(PR_SET_PDEATHSIG, SIGTERM);
  if (argc == 3 && strcmp(argv[1], "list") == 0)
    return leave(list(strcmp(argv[2], "all") != 0));
  if (argc == 5 && strcmp(argv[1], "scan") == 0)
    return leave(scan(atoi(argv[2]), argv[3], argv[4]));
  return cli_refuse("fetch", SP_E_USAGE, "is not for people; 'slotproof scan' is");
}
