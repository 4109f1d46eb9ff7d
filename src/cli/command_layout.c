/* slotproof layout, as a table or a drawing; and the layout as `check` needs it. */
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

/* What the writers of this command are given. */
typedef struct product {
  const sp_layout *layout;
  const sp_slots *slots; /* NULL: no board was described */
  sp_paper paper;
} product;

static sp_status write_text(const void *what, FILE *file, sp_error *err)
{
  const product *p = what;
  return sp_layout_write(p->layout, p->slots, SP_LAYOUT_TEXT, file, err);
}

static sp_status write_json(const void *what, FILE *file, sp_error *err)
{
  const product *p = what;
  return sp_layout_write(p->layout, p->slots, SP_LAYOUT_JSON, file, err);
}

static sp_status write_csv(const void *what, FILE *file, sp_error *err)
{
  const product *p = what;
  return sp_layout_write(p->layout, p->slots, SP_LAYOUT_CSV, file, err);
}

static sp_status write_svg(const void *what, FILE *file, sp_error *err)
{
  const product *p = what;
  return sp_drawing_svg(p->layout, p->slots, file, err);
}

static sp_status write_pdf(const void *what, FILE *file, sp_error *err)
{
  const product *p = what;
  return sp_drawing_pdf(p->layout, p->slots, p->paper, file, err);
}

/* Text and JSON carry the warnings themselves. */
static void warn(const cli_request *r, const sp_slots *slots)
{
  char text[SP_SLOTS_WARNING_MAX];
  if (r->format == CLI_TEXT || r->format == CLI_JSON)
    return;
  for (int i = 0; sp_slots_warning(slots, i, text); i++)
    fprintf(stderr, "slotproof: layout: warning: %s\n", text);
}

static int plan_slots(const cli_request *r, const sp_layout *layout, sp_slots *slots)
{
  sp_error err = {0};
  if (!sp_board_shape_given(&r->shape))
    return 0;
  if (sp_slots_plan(layout, &r->shape, slots, &err))
    return cli_complain("layout", &err);
  warn(r, slots);
  return 0;
}

static int deliver(const cli_request *r, const sp_layout *layout)
{
  static const cli_writer WRITERS[] = {[CLI_TEXT] = write_text,
                                       [CLI_JSON] = write_json,
                                       [CLI_CSV] = write_csv,
                                       [CLI_SVG] = write_svg,
                                       [CLI_PDF] = write_pdf};
  sp_slots slots = {0};
  sp_error err = {0};
  int status = plan_slots(r, layout, &slots);
  const product what = {layout, slots.slot ? &slots : NULL, r->paper};
  if (!status && r->format == CLI_PDF && sp_drawing_fits(layout, what.slots, r->paper, &err))
    status = cli_complain("layout", &err);
  if (!status)
    status = cli_deliver(r, &what, WRITERS[r->format], NULL, NULL, NULL);
  sp_slots_free(&slots);
  return status;
}

static int refuse_arguments(const cli_request *r)
{
  if (r->image_count)
    return cli_refuse(r->images[0], SP_E_USAGE, "layout takes no picture; to measure one use 'slotproof check'");
  if (r->paper_given && r->format != CLI_PDF)
    return cli_refuse("--paper", SP_E_USAGE, "sheets are for a drawing in pdf; give --format pdf as well");
  return cli_check_outputs(r);
}

static void print_help(void)
{
  printf("usage: slotproof layout --scale-length LEN --frets N [options]\n\nPrints the computed positions of the "
         "frets, or draws them 1:1; with the board described, also\nthe length and depth of each slot.\n\n");
  cli_print_options(CLI_LAYOUT, stdout);
}

int cli_layout(int argc, char **argv)
{
  cli_request r;
  sp_layout layout;
  int status = cli_parse(argc, argv, CLI_LAYOUT, &r);
  if (status)
    return status;
  if (r.help) {
    print_help();
    return 0;
  }
  status = refuse_arguments(&r);
  if (!status)
    status = cli_make_layout(&r, &layout);
  if (status)
    return status;
  status = deliver(&r, &layout);
  sp_layout_free(&layout);
  return status;
}
