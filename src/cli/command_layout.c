/* slotproof layout, as a table or a drawing; and the layout as `check` needs it. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "cli.h"

static int refuse_missing(const sp_boardfile *b)
{
  const bool no_length = isnan(b->scale_length_mm) && !sp_fan_given(&b->fan), no_frets = b->frets == 0;
  if (no_length && no_frets)
    return cli_refuse("--scale-length and --frets", SP_E_USAGE,
                      "are missing; give them, as --scale-length 648mm --frets 20, or a --board FILE");
  if (no_length)
    return cli_refuse("--scale-length", SP_E_USAGE, "is missing; give it, as --scale-length 648mm");
  if (no_frets)
    return cli_refuse("--frets", SP_E_USAGE, "is missing; give it, as --frets 20");
  return 0;
}

/* ---- options and board file together ---------------------------------------------------------------------------- */

static void take_length(double option_mm, double *mm)
{
  if (!isnan(option_mm))
    *mm = option_mm;
}

static void take_shape(const sp_board_shape *o, sp_board_shape *s)
{
  take_length(o->nut_width_mm, &s->nut_width_mm);
  take_length(o->end_width_mm, &s->end_width_mm);
  take_length(o->end_at_mm, &s->end_at_mm);
  take_length(o->radius_mm, &s->radius_mm);
  take_length(o->end_radius_mm, &s->end_radius_mm);
  take_length(o->tang_depth_mm, &s->tang_depth_mm);
  take_length(o->clearance_mm, &s->clearance_mm);
  take_length(o->thickness_mm, &s->thickness_mm);
}

/* One way of dividing the octave takes the other's place. */
static int take_division(const cli_request *r, sp_boardfile *b)
{
  sp_error err = {0};
  if (r->steps && r->divisions)
    return cli_refuse("--steps", SP_E_USAGE, "cannot be combined with --divisions; give one of them");
  if (!r->steps && !r->divisions)
    return 0;
  sp_steps_free(&b->steps);
  free(b->steps_file);
  b->steps_file = NULL;
  b->divisions = r->divisions;
  if (r->steps && sp_steps_read(r->steps, &b->steps, &err))
    return cli_complain(r->steps, &err);
  return 0;
}

/* One scale length takes the place of a fan, and a fan that of one scale length. */
static int take_scale(const cli_request *r, sp_boardfile *b)
{
  const bool one = !isnan(r->scale_length_mm), two = !isnan(r->fan.bass_mm) || !isnan(r->fan.treble_mm);
  if (one && sp_fan_given(&r->fan))
    return cli_refuse("--scale-length", SP_E_USAGE,
                      "cannot be combined with fanned frets; give --scale-length-bass and --scale-length-treble alone");
  if (one)
    sp_fan_init(&b->fan);
  if (two)
    b->scale_length_mm = NAN;
  take_length(r->scale_length_mm, &b->scale_length_mm);
  take_length(r->fan.bass_mm, &b->fan.bass_mm);
  take_length(r->fan.treble_mm, &b->fan.treble_mm);
  take_length(r->fan.spread_nut_mm, &b->fan.spread_nut_mm);
  take_length(r->fan.spread_saddle_mm, &b->fan.spread_saddle_mm);
  take_length(r->fan.square_fret, &b->fan.square_fret);
  return 0;
}

/* A zero fret and a shifted nut exclude each other: the option drives out what the file says. */
static int take_nut(const cli_request *r, sp_boardfile *b)
{
  if (r->zero_fret && !isnan(r->nut_shift_mm))
    return cli_refuse("--nut-shift", SP_E_USAGE, "cannot be combined with --zero-fret; give one of them");
  if (r->zero_fret) {
    b->zero_fret = true;
    b->nut_shift_mm = NAN;
  }
  if (!isnan(r->nut_shift_mm)) {
    b->nut_shift_mm = r->nut_shift_mm;
    b->zero_fret = false;
    b->nut_behind_mm = NAN;
  }
  take_length(r->nut_behind_mm, &b->nut_behind_mm);
  if (!isnan(r->nut_behind_mm) && !b->zero_fret)
    return cli_refuse("--nut-behind", SP_E_USAGE, "means nothing without a zero fret; give --zero-fret as well");
  if (b->zero_fret && b->nut_given && b->nut == SP_NUT_END)
    return cli_refuse("--zero-fret", SP_E_USAGE, "is a line and contradicts --nut end; leave one of them out");
  return 0;
}

/* The options laid over what the file says. */
static int take_options(const cli_request *r, sp_boardfile *b)
{
  int failed = take_scale(r, b);
  if (failed)
    return failed;
  if (r->frets)
    b->frets = r->frets;
  if (cli_given(r, "marks")) {
    b->marks_given = true;
    b->marks = r->check.marks;
  }
  if (cli_given(r, "nut")) {
    b->nut_given = true;
    b->nut = r->check.nut;
  }
  if (cli_given(r, "tolerance"))
    b->tolerance = (sp_tolerance){r->check.tolerance_mm, r->check.tolerance_cents};
  b->left_handed = b->left_handed || r->left_handed;
  take_length(r->check.kerf_mm, &b->tang_mm);
  take_shape(&r->shape, &b->shape);
  if (r->partial_count) {
    memcpy(b->partial, r->partial, sizeof b->partial);
    b->partial_count = r->partial_count;
  }
  failed = take_nut(r, b);
  return failed ? failed : take_division(r, b);
}

/* And back, where the commands look for it. */
static void fill_request(const sp_boardfile *b, cli_request *r)
{
  if (b->marks_given)
    r->check.marks = b->marks;
  if (b->nut_given)
    r->check.nut = b->nut;
  r->check.tolerance_mm = b->tolerance.tolerance_mm;
  r->check.tolerance_cents = b->tolerance.tolerance_cents;
  r->check.kerf_mm = b->tang_mm;
  if (isnan(r->check.reference.radius_mm)) /* photographs; between two radii their mean is near enough */
    r->check.reference.radius_mm =
        isnan(b->shape.end_radius_mm) ? b->shape.radius_mm : 0.5 * (b->shape.radius_mm + b->shape.end_radius_mm);
  const bool alone = isnan(b->shape.nut_width_mm) && isnan(r->shape.radius_mm);
  r->shape = b->shape;
  if (alone) /* a radius for check; slots need a width as well */
    r->shape.radius_mm = r->shape.end_radius_mm = NAN;
}

static int make_layout(cli_request *r, sp_boardfile *b, sp_layout *layout)
{
  sp_error err = {0};
  if (r->board && sp_boardfile_read(r->board, b, &err))
    return cli_complain(r->board, &err);
  int failed = take_options(r, b);
  if (!failed)
    failed = refuse_missing(b);
  if (failed)
    return failed;
  if (sp_boardfile_layout(b, layout, &err))
    return cli_complain(r->steps ? r->steps : b->steps.count ? r->board : "layout", &err);
  fill_request(b, r);
  return 0;
}

int cli_make_layout(cli_request *r, sp_boardfile *board, sp_layout *layout)
{
  sp_boardfile own;
  sp_boardfile *b = board ? board : &own;
  sp_boardfile_init(b);
  *layout = (sp_layout){0};
  const int failed = make_layout(r, b, layout);
  if (!board)
    sp_boardfile_free(b);
  return failed;
}

/* What the writers of this command are given. */
typedef struct product {
  const sp_layout *layout;
  const sp_slots *slots; /* NULL: no board was described */
  sp_paper paper;
  const sp_boardfile *board;
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

static sp_status write_board(const void *what, FILE *file, sp_error *err)
{
  const product *p = what;
  return sp_boardfile_write(p->board, true, file, err);
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

static int deliver(const cli_request *r, const sp_boardfile *board, const sp_layout *layout)
{
  static const cli_writer WRITERS[] = {[CLI_TEXT] = write_text, [CLI_JSON] = write_json, [CLI_CSV] = write_csv,
                                       [CLI_SVG] = write_svg,   [CLI_PDF] = write_pdf,   [CLI_BOARD] = write_board};
  sp_slots slots = {0};
  sp_error err = {0};
  int status = plan_slots(r, layout, &slots);
  const product what = {layout, slots.slot ? &slots : NULL, r->paper, board};
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
  printf("usage: slotproof layout --scale-length LEN --frets N [options]\n"
         "       slotproof layout --board FILE [options]\n\nPrints the computed positions of the "
         "frets, or draws them 1:1; with the board described, also\nthe length and depth of each slot.\n\n");
  cli_print_options(CLI_LAYOUT, stdout);
}

int cli_layout(int argc, char **argv)
{
  cli_request r;
  sp_layout layout = {0};
  sp_boardfile board;
  sp_boardfile_init(&board);
  int status;
  if (!cli_begin(argc, argv, CLI_LAYOUT, print_help, &r, &status))
    return status;
  status = refuse_arguments(&r);
  if (!status)
    status = cli_make_layout(&r, &board, &layout);
  if (!status)
    status = deliver(&r, &board, &layout);
  sp_boardfile_free(&board);
  sp_layout_free(&layout);
  return status;
}
