/* slotproof target: the printed reference strip, ready for the printer. */
#include <unistd.h>

#include "cli.h"

static sp_status write_sheet(const void *sheet, FILE *file, sp_error *err)
{
  return sp_strip_draw(sheet, file, err);
}

static void print_help(void)
{
  printf("usage: slotproof target [options] --output FILE\n\n"
         "Makes the printed reference strip, 1:1. Print it at 100 %%, without \"fit to page\".\n\n");
  cli_print_options(CLI_TARGET, stdout);
}

/* A page is asked for that is not there, or several where one fits: said before a file is opened. */
static int refuse_pages(const cli_request *r)
{
  const int32_t pages = sp_strip_pages(r->sheet.pieces);
  if (r->sheet.page > pages)
    return cli_refuse("--page", SP_E_USAGE, "there is no page %d; a strip of this length takes %d", r->sheet.page,
                      pages);
  if (r->sheet.format != SP_STRIP_PDF && !r->sheet.page && pages > 1)
    return cli_refuse("--page", SP_E_USAGE, "is missing; the strip takes %d pages and this format holds one", pages);
  return 0;
}

int cli_target(int argc, char **argv)
{
  cli_request r;
  int status;
  if (!cli_begin(argc, argv, CLI_TARGET, print_help, &r, &status))
    return status;
  if (r.image_count)
    return cli_refuse(r.images[0], SP_E_USAGE, "target takes no picture; to measure one use 'slotproof check'");
  status = refuse_pages(&r);
  if (!status && !r.output && isatty(STDOUT_FILENO))
    status = cli_refuse("--output", SP_E_USAGE, "is missing; name the file to print, as --output strip.pdf");
  if (!status)
    status = cli_check_outputs(&r);
  return status ? status : cli_deliver(&r, &r.sheet, write_sheet, NULL, NULL, NULL);
}
