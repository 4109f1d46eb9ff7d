/* Messages, and results that go out whole or not at all. */
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include "cli.h"
#include "slotproof/cross.h"

int cli_complain(const char *where, const sp_error *err)
{
  char *clean = sp_clean_text(where), *text = sp_clean_text(err->text);
  fprintf(stderr, "slotproof: %s: %s\n", clean ? clean : "?", text ? text : "no memory left");
  free(clean);
  free(text);
  return (int)err->status;
}

int cli_refuse(const char *where, sp_status status, const char *format, ...)
{
  sp_error err = {.status = status};
  va_list args;
  va_start(args, format);
  if (vsnprintf(err.text, sizeof err.text, format, args) < 0)
    err.text[0] = '\0';
  va_end(args);
  return cli_complain(where, &err);
}

/* ---- where the results go --------------------------------------------------------------------------------------- */

static int refuse_overwriting(const cli_request *r, const char *output, const char *option)
{
  if (!output)
    return 0;
  for (int i = 0; i < r->image_count; i++)
    if (sp_same_file(output, r->images[i]))
      return cli_refuse(output, SP_E_USAGE, "%s would overwrite the %s; give it another name", option,
                        r->command == CLI_DIAGNOSE ? "record" : "picture");
  if (r->steps && sp_same_file(output, r->steps))
    return cli_refuse(output, SP_E_USAGE, "%s would overwrite the list of steps; give it another name", option);
  if (r->board && sp_same_file(output, r->board))
    return cli_refuse(output, SP_E_USAGE, "%s would overwrite the board file; give it another name", option);
  if (r->before && sp_same_file(output, r->before))
    return cli_refuse(output, SP_E_USAGE, "%s would overwrite the earlier record; give it another name", option);
  if (r->correct && sp_same_file(output, r->correct))
    return cli_refuse(output, SP_E_USAGE, "%s would overwrite the corrections; give it another name", option);
  if (r->profile_path && sp_same_file(output, r->profile_path))
    return cli_refuse(output, SP_E_USAGE, "%s would overwrite the profile; give it another name", option);
  const char *const tables[] = {r->strings, r->readings};
  for (size_t i = 0; i < 2; i++)
    if (tables[i] && sp_same_file(output, tables[i]))
      return cli_refuse(output, SP_E_USAGE, "%s would overwrite a table that is read; give it another name", option);
  return 0;
}

int cli_check_outputs(const cli_request *r)
{
  const bool overlay_to_stdout = r->overlay && strcmp(r->overlay, "-") == 0;
  if (overlay_to_stdout && !r->output)
    return cli_refuse("--overlay", SP_E_USAGE,
                      "the report goes to standard output already; give --output FILE as well");
  if (r->output && r->overlay && !overlay_to_stdout && sp_same_file(r->output, r->overlay))
    return cli_refuse(r->output, SP_E_USAGE, "report and overlay cannot share a file; give them two names");
  if (r->profiles && ((r->output && sp_same_file(r->output, r->profiles)) ||
                      (r->overlay && !overlay_to_stdout && sp_same_file(r->overlay, r->profiles))))
    return cli_refuse(r->profiles, SP_E_USAGE,
                      "the marks' sections cannot share a file with the report; give another name");
  if (r->profiles && strcmp(r->profiles, "-") == 0)
    return cli_refuse("--profiles", SP_E_USAGE, "needs a file of its own; give it a name, as --profiles sections.json");
  const int sections = refuse_overwriting(r, r->profiles, "--profiles");
  if (sections)
    return sections;
  const int failed = refuse_overwriting(r, r->output, "--output");
  return failed ? failed : refuse_overwriting(r, overlay_to_stdout ? NULL : r->overlay, "--overlay");
}

/* One result on its way: to a file, or to standard output (name NULL). */
typedef struct delivery {
  const char *name;
  sp_whole_file whole;
} delivery;

static const char *name_of(const delivery *d)
{
  return d->name ? d->name : "standard output";
}

static int open_delivery(const char *name, delivery *d)
{
  sp_error err = {0};
  *d = (delivery){.name = name && strcmp(name, "-") != 0 ? name : NULL};
  if (!d->name || sp_whole_file_open(d->name, &d->whole, &err) == SP_OK)
    return 0;
  return cli_complain(name_of(d), &err);
}

static int finish_delivery(delivery *d, sp_status status, sp_error *err)
{
  if (status == SP_OK && d->name)
    status = sp_whole_file_finish(&d->whole, err);
  return status == SP_OK ? 0 : cli_complain(name_of(d), err);
}

static int publish_delivery(delivery *d)
{
  sp_error err = {0};
  if (!d->name || sp_whole_file_publish(&d->whole, &err) == SP_OK)
    return 0;
  return cli_complain(name_of(d), &err);
}

static FILE *stream_of(const delivery *d)
{
  return d->name ? d->whole.file : stdout;
}

/* Standard output comes last: what has been printed cannot be taken back. */
int cli_deliver(const cli_request *r, const void *what, cli_writer write, cli_overlay draw, const sp_record *record,
                const sp_raster *raster)
{
  delivery report = {0}, overlay = {0}, sections = {0};
  sp_error err = {0};
  int failed = open_delivery(r->output, &report);
  if (!failed && r->overlay)
    failed = open_delivery(r->overlay, &overlay);
  if (!failed && r->profiles)
    failed = open_delivery(r->profiles, &sections);
  if (!failed && report.name)
    failed = finish_delivery(&report, write(what, stream_of(&report), &err), &err);
  if (!failed && r->overlay)
    failed = finish_delivery(&overlay, draw(record, raster, stream_of(&overlay), &err), &err);
  if (!failed && r->profiles)
    failed = finish_delivery(&sections, sp_cross_write(record, raster, stream_of(&sections), &err), &err);
  if (!failed && !report.name)
    failed = finish_delivery(&report, write(what, stream_of(&report), &err), &err);
  if (!failed && r->overlay)
    failed = publish_delivery(&overlay);
  if (!failed && r->profiles)
    failed = publish_delivery(&sections);
  if (!failed)
    failed = publish_delivery(&report);
  sp_whole_file_abandon(&report.whole);
  sp_whole_file_abandon(&overlay.whole);
  sp_whole_file_abandon(&sections.whole);
  return failed;
}
