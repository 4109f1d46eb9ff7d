/* slotproof: picks the command. */
#include <fcntl.h>
#include <string.h>
#include <unistd.h>

#include "cli.h"

typedef struct command {
  const char *name;
  int (*run)(int argc, char **argv); /* NULL: named, but not part of this version */
  const char *summary;               /* or what to do instead; NULL: not for people */
} command;

static const command COMMANDS[] = {
    {"layout", cli_layout, "print the computed positions of the frets"},
    {"check", cli_check, "measure the marks on a scanned board and compare them with the layout"},
    {"reference", cli_reference, "show how the scale of a picture was read, without looking for marks"},
    {"target", cli_target, "make the printed reference strip, to be cut out and laid beside the board"},
    {"calibrate", cli_calibrate, "make a profile of a camera or a scanner"},
    {"scan", cli_scan, "fetch a scan straight from a flatbed"},
    {"batch", cli_batch, "check many boards and sum them up"},
    {"serve", cli_serve, "check boards in a browser, on this machine or in the shop"},
    {"work", cli_work, NULL},
    {"fetch", cli_fetch, NULL},
    {"diagnose", cli_diagnose, "explain an intonation complaint from a record and a tuner's readings"},
};
enum { COMMAND_COUNT = sizeof COMMANDS / sizeof *COMMANDS };

static void print_help(void)
{
  printf("usage: slotproof COMMAND [options] ...\n\n"
         "Checks marked or sawn fingerboards against the computed layout.\n\ncommands\n");
  for (size_t i = 0; i < COMMAND_COUNT; i++)
    if (COMMANDS[i].run && COMMANDS[i].summary)
      printf("  %-11s%s\n", COMMANDS[i].name, COMMANDS[i].summary);
  printf("\n'slotproof COMMAND --help' lists the options of a command; --version prints the version.\n");
}

/* A closed standard stream would let the next opened file take its number: hold the place. Standard output is held by
 * something that cannot be written, so that the loss shows. */
static bool hold_standard_streams(void)
{
  for (int fd = 0; fd <= 2; fd++)
    if (fcntl(fd, F_GETFD) < 0 && open("/dev/null", fd == 2 ? O_WRONLY : O_RDONLY) != fd)
      return false;
  return true;
}

static int flushed(int status)
{
  if ((fflush(stdout) == 0 && !ferror(stdout)) || status >= SP_E_USAGE) /* one line a failure: it has been said */
    return status;
  return cli_refuse("standard output", SP_E_IO, "writing failed; make room on the disk or write elsewhere");
}

static int run(int argc, char **argv)
{
  for (size_t i = 0; i < COMMAND_COUNT; i++) {
    if (strcmp(argv[1], COMMANDS[i].name) != 0)
      continue;
    if (COMMANDS[i].run)
      return COMMANDS[i].run(argc - 1, argv + 1);
    return cli_refuse(argv[1], SP_E_USAGE, "is not part of this version; %s", COMMANDS[i].summary);
  }
  return cli_refuse(argv[1], SP_E_USAGE, "no such command; 'slotproof --help' lists them");
}

int main(int argc, char **argv)
{
  if (!hold_standard_streams())
    return SP_E_INTERNAL;
  if (argc < 2)
    return cli_refuse("command line", SP_E_USAGE, "a command is missing; 'slotproof --help' lists them");
  if (strcmp(argv[1], "--help") == 0) {
    print_help();
    return flushed(0);
  }
  if (strcmp(argv[1], "--version") == 0) {
    printf("slotproof %s\n", SLOTPROOF_VERSION);
    return flushed(0);
  }
  return flushed(run(argc, argv));
}
