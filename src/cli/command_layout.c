/* slotproof layout; and the layout as `check` needs it. */
#include <math.h>

#include "cli.h"

static int refuse_missing(const cli_request *r)
{
  const bool no_length = isnan(r->scale_length_mm), no_frets = r->frets == 0;
  if (no_length && no_frets)
    return cli_refuse("--scale-length and --frets", SP_E_USAGE,
                      "are missing; give them, as --scale-length 648mm --frets 20");
  if (no_length)
    return cli_refuse("--scale-length", SP_E_USAGE, "is missing; give it, as --scale-length 648mm");
  if (no_frets)
    return cli_refuse("--frets", SP_E_USAGE, "is missing; give it, as --frets 20");
  if (r->steps && r->divisions)
    return cli_refuse("--steps", SP_E_USAGE, "cannot be combined with --divisions; give one of them");
  return 0;
}

static int layout_from_steps(const cli_request *r, sp_layout *layout)
{
  sp_error err = {0};
  sp_steps steps = {0};
  if (sp_steps_read(r->steps, &steps, &err))
    return cli_complain(r->steps, &err);
  const sp_status status = sp_layout_steps(r->scale_length_mm, r->frets, steps.cents, steps.count, layout, &err);
  sp_steps_free(&steps);
  return status ? cli_complain(r->steps, &err) : 0;
}

int cli_make_layout(const cli_request *r, sp_layout *layout)
{
  sp_error err = {0};
  *layout = (sp_layout){0};
  const int failed = refuse_missing(r);
  if (failed)
    return failed;
  if (r->steps)
    return layout_from_steps(r, layout);
  if (sp_layout_equal(r->scale_length_mm, r->frets, r->divisions ? r->divisions : 12, layout, &err))
    return cli_complain("layout", &err);
  return 0;
}

static sp_status write_text(const void *layout, FILE *file, sp_error *err)
{
  return sp_layout_write(layout, SP_LAYOUT_TEXT, file, err);
}

static sp_status write_json(const void *layout, FILE *file, sp_error *err)
{
  return sp_layout_write(layout, SP_LAYOUT_JSON, file, err);
}

static sp_status write_csv(const void *layout, FILE *file, sp_error *err)
{
  return sp_layout_write(layout, SP_LAYOUT_CSV, file, err);
}

static void print_help(void)
{
  printf("usage: slotproof layout --scale-length LEN --frets N [options]\n\nPrints the computed positions of the "
         "frets.\n\n");
  cli_print_options(CLI_LAYOUT, stdout);
}

int cli_layout(int argc, char **argv)
{
  static const cli_writer WRITERS[] = {[CLI_TEXT] = write_text, [CLI_JSON] = write_json, [CLI_CSV] = write_csv};
  cli_request r;
  sp_layout layout;
  int status = cli_parse(argc, argv, CLI_LAYOUT, &r);
  if (status)
    return status;
  if (r.help) {
    print_help();
    return 0;
  }
  if (r.image_count)
    return cli_refuse(r.images[0], SP_E_USAGE, "layout takes no picture; to measure one use 'slotproof check'");
  status = cli_check_outputs(&r);
  if (!status)
    status = cli_make_layout(&r, &layout);
  if (status)
    return status;
  status = cli_deliver(&r, &layout, WRITERS[r.format], NULL, NULL, NULL);
  sp_layout_free(&layout);
  return status;
}
