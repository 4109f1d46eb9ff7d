/* What each fret does over the boards, and where the errors come from: drawings above, the numbers below. */
#include <math.h>
#include <stdio.h>

#include "batch_page.h"

/* Drawing units. */
static const double PLOT_TOP = 12.0, PLOT_HEIGHT = 210.0, NUMBERS_BELOW = 18.0, MARK_RADIUS = 5.0, WHISKER_FOOT = 4.0,
                    MEAN_ROOM = 36.0;
static const double BAR_HALF = 0.28; /* of the distance from fret to fret */
/* The drawing reaches to so many tolerances at most; what lies beyond is cut off at its edge. */
static const double MOST_TOLERANCES = 4.0, ROOM = 1.12;

/* ---- frets drawn ------------------------------------------------------------------------------------------------ */

static double reach_of(const sp_batch_group *g)
{
  double reach = 0.0, limit = NAN;
  for (int32_t k = 0; k < g->frets; k++) {
    const sp_batch_fret *f = &g->fret[k];
    const double sd = isfinite(f->error.sd) ? f->error.sd : 0.0;
    reach = fmax(reach, fabs(f->error.mean) + 2.0 * sd); /* fmax passes over NAN */
    limit = fmax(limit, f->tolerance_mm);
  }
  if (isfinite(limit))
    reach = fmin(fmax(reach, 1.2 * limit), MOST_TOLERANCES * limit);
  return reach > 0.0 ? ROOM * reach : 1.0;
}

static void put_fret_number(sp_markup *m, const sp_plot_frame *f, int32_t fret)
{
  char number[24];
  snprintf(number, sizeof number, "%ld", (long)fret);
  sp_plot_words(m, sp_plot_x(f, fret), f->bottom + NUMBERS_BELOW, SP_PLOT_MIDDLE, "fret", number);
}

static void put_fret_mark(sp_markup *m, const sp_plot_frame *f, const sp_batch_fret *fret, double last[2])
{
  const double mean = fret->error.mean, spread = 2.0 * fret->error.sd, x = fret->fret;
  sp_plot_box(m, f, x - BAR_HALF, x + BAR_HALF, mean - spread, mean + spread, "spread");
  sp_plot_whisker(m, f, x, mean, fret->error.mean_limits.upper - mean, WHISKER_FOOT,
                  fret->systematic ? "whisker out" : "whisker");
  const double y = sp_plot_y(f, fmin(fmax(mean, f->y_least), f->y_most));
  if (!fret->systematic) {
    sp_plot_dot(m, sp_plot_x(f, x), y, MARK_RADIUS, "dot");
    return;
  }
  char number[60];
  const bool high = mean > 0.0;
  sp_plot_sign(m, SP_OUT, sp_plot_x(f, x), y, MARK_RADIUS + 1.5, -mean);
  if (sp_plot_x(f, x) - last[high] < MEAN_ROOM)
    return;
  last[high] = sp_plot_x(f, x);
  snprintf(number, sizeof number, "%+.2f", mean);
  sp_plot_words(m, sp_plot_x(f, x), high ? f->top + 10.0 : f->bottom - 5.0, SP_PLOT_MIDDLE, "value tight", number);
}

static void put_fret_plot(sp_markup *m, const sp_batch_group *g, size_t which)
{
  const double reach = reach_of(g);
  char id[40];
  double last[2] = {-INFINITY, -INFINITY}; /* where the last mean was written, below and above */
  const sp_plot_frame f = {SP_BATCH_LEFT, SP_BATCH_RIGHT,         PLOT_TOP, PLOT_TOP + PLOT_HEIGHT,
                           0.5,           (double)g->frets + 0.5, -reach,   reach};
  snprintf(id, sizeof id, "fret-plot-%zu", which + 1);
  sp_markup_begin(m, "figure");
  sp_markup_put(m, "figcaption", NULL, "Error of each fret over all boards, mm (above zero: too near the bridge)");
  sp_plot_open(m, id, SP_BATCH_WIDTH, PLOT_TOP + PLOT_HEIGHT + 26.0, "Error of each fret over all boards",
               "Mean with its 95 % limits, and the spread of the boards. The table below holds the numbers.");
  for (int32_t k = 0; k < g->frets; k++)
    if (isfinite(g->fret[k].tolerance_mm))
      sp_plot_box(m, &f, k + 0.5, k + 1.5, -g->fret[k].tolerance_mm, g->fret[k].tolerance_mm, "tolerance");
  sp_plot_axis_y(m, &f, true);
  for (int32_t k = 0; k < g->frets; k++) {
    if (g->fret[k].error.n)
      put_fret_mark(m, &f, &g->fret[k], last);
    put_fret_number(m, &f, g->fret[k].fret);
  }
  sp_plot_close(m);
  sp_markup_end(m);
}

static void put_fret_key(sp_markup *m)
{
  sp_markup_begin(m, "ul");
  sp_markup_set(m, "class", "key");
  sp_markup_begin(m, "li");
  sp_page_sign(m, SP_OUT, 1.0);
  sp_markup_text(m, "wrong alike on every board, the tip shows the way to move it");
  sp_markup_end(m);
  sp_markup_put(m, "li", "disc", "mean of all boards");
  sp_markup_put(m, "li", "bars", "how sure the mean is (95 %)");
  sp_markup_put(m, "li", "spread", "two standard deviations either way: about 95 of 100 boards");
  sp_markup_put(m, "li", "band", "the tolerance");
  sp_markup_end(m);
}

/* ---- frets in numbers ------------------------------------------------------------------------------------------- */

static void put_fret_row(sp_markup *m, const sp_batch_fret *f)
{
  sp_markup_raw(m, "\n");
  sp_markup_begin(m, "tr");
  if (f->systematic)
    sp_markup_set(m, "class", "out");
  sp_markup_begin(m, "th");
  sp_markup_set(m, "scope", "row");
  sp_markup_textf(m, "%ld", (long)f->fret);
  sp_markup_end(m);
  sp_page_number_cell(m, (double)f->error.n, 0, false);
  sp_page_number_cell(m, f->error.mean, 3, true);
  sp_batch_page_limits_cell(m, f->error.mean_limits, 3, true);
  sp_page_number_cell(m, f->error.sd, 3, false);
  sp_batch_page_limits_cell(m, f->error.sd_limits, 3, false);
  sp_page_number_cell(m, f->hand_sd_mm, 3, false);
  sp_page_number_cell(m, f->capability.cp, 2, false);
  sp_batch_page_limits_cell(m, f->capability.cp_limits, 2, false);
  sp_page_number_cell(m, f->capability.cpk, 2, false);
  sp_batch_page_limits_cell(m, f->capability.cpk_limits, 2, false);
  sp_page_number_cell(m, (double)f->out, 0, false);
  sp_page_number_cell(m, (double)f->undecided, 0, false);
  sp_page_number_cell(m, (double)f->missing, 0, false);
  sp_markup_end(m);
}

static void put_fret_table(sp_markup *m, const sp_batch_group *g, size_t which)
{
  static const sp_page_head HEADS[] = {{"Fret", NULL},          {"Boards", NULL},      {"Mean", "mm"},
                                       {"95 % limits", "mm"},   {"Spread", "sd, mm"},  {"95 % limits", "mm"},
                                       {"Hand", "sd, mm"},      {"Cp", NULL},          {"95 % limits", NULL},
                                       {"Cpk", NULL},           {"95 % limits", NULL}, {"Out", "boards"},
                                       {"Undecided", "boards"}, {"Missing", "boards"}};
  char id[40];
  snprintf(id, sizeof id, "frets-table-%zu", which + 1);
  sp_page_table_open(
      m, id, "Table of all frets",
      "Hand: the spread with the measuring taken off. Cp: how often the spread (six sd) goes into the "
      "tolerance. Cpk: the same from the mean to the nearer limit; 1 keeps the tolerance, 1.33 with room. "
      "Bold: wrong alike on every board.",
      HEADS, sizeof HEADS / sizeof *HEADS);
  for (int32_t k = 0; k < g->frets; k++)
    put_fret_row(m, &g->fret[k]);
  sp_page_table_close(m);
}

void sp_batch_page_frets(const sp_batch_page *page, size_t which)
{
  sp_markup *m = page->markup;
  const sp_batch_group *g = &page->batch->group[which];
  sp_sentence s = {.used = 0};
  if (g->board_count < 2)
    return;
  sp_batch_page_section(page, which, "frets", "What each fret does");
  sp_batch_say_capability(g, &s);
  if (s.used)
    sp_markup_put(m, "p", NULL, s.text);
  put_fret_key(m);
  sp_page_wide(m, "Error of each fret over all boards");
  put_fret_plot(m, g, which);
  sp_markup_end(m);
  put_fret_table(m, g, which);
  if (g->board_count < SP_BATCH_ENOUGH)
    sp_markup_put(m, "p", "note", SP_BATCH_FEW_WORDS);
  sp_page_section_end(m);
}

/* ---- where it comes from ---------------------------------------------------------------------------------------- */

typedef struct cause {
  const char *name;
  double sd;
  sp_interval limits;
} cause;

enum { CAUSES = 5 };
static const double CAUSE_ROW = 46.0, CAUSE_BAR = 16.0, CAUSE_WORDS = 16.0, NUMBER_ROOM = 250.0;

static void causes_of(const sp_batch_components *c, cause list[CAUSES])
{
  const sp_interval none = {NAN, NAN};
  const cause made[CAUSES] = {{"Alike on every board, from fret to fret: jig, template", c->jig_sd_mm, c->jig_limits},
                              {"The nut, which shifts a whole board", c->nut_sd_mm, c->nut_limits},
                              {"The hand, at each mark by itself", c->hand_sd_mm, c->hand_limits},
                              {"The measuring: of a mark", c->line_sd_mm, none},
                              {"The measuring: of the nut", c->datum_sd_mm, none}};
  for (int i = 0; i < CAUSES; i++)
    list[i] = made[i];
}

static void put_cause(sp_markup *m, const sp_plot_frame *f, const cause *c, double top)
{
  const double y = top + CAUSE_WORDS + 6.0, middle = y + 0.5 * CAUSE_BAR;
  const double end = isfinite(c->limits.upper) ? fmin(fmax(c->sd, c->limits.upper), f->x_most) : c->sd;
  sp_sentence s = {.used = 0};
  sp_plot_words(m, f->left, top + CAUSE_WORDS, SP_PLOT_START, "cause", c->name);
  const sp_plot_frame row = {f->left, f->right, y, y + CAUSE_BAR, f->x_least, f->x_most, 0.0, 1.0};
  sp_plot_box(m, &row, 0.0, c->sd, 0.0, 1.0, "cause-bar");
  if (isfinite(c->limits.lower) && isfinite(c->limits.upper)) {
    const double a = sp_plot_x(f, c->limits.lower), b = sp_plot_x(f, fmin(c->limits.upper, f->x_most));
    sp_plot_line(m, a, middle, b, middle, "whisker");
    sp_plot_line(m, a, middle - 5.0, a, middle + 5.0, "whisker");
    if (c->limits.upper <= f->x_most)
      sp_plot_line(m, b, middle - 5.0, b, middle + 5.0, "whisker");
  }
  sp_say(&s, "%.3f mm", c->sd);
  if (isfinite(c->limits.lower) && isfinite(c->limits.upper))
    sp_say(&s, " (%.3f to %.3f)", c->limits.lower, c->limits.upper);
  sp_plot_words(m, sp_plot_x(f, end) + 10.0, middle + 5.0, SP_PLOT_START, "strong", s.text);
}

static void put_causes(sp_markup *m, const cause list[CAUSES], size_t which)
{
  double most = 0.0, largest = 0.0;
  char id[40];
  for (int i = 0; i < CAUSES; i++) {
    largest = fmax(largest, list[i].sd);
    most = fmax(most, fmax(list[i].sd, list[i].limits.upper));
  }
  most = fmin(most, 2.5 * largest); /* limits from few boards may be very wide */
  if (!(most > 0.0))
    return;
  const sp_plot_frame f = {4.0, SP_BATCH_RIGHT - NUMBER_ROOM, 0.0, CAUSES * CAUSE_ROW, 0.0, most, 0.0, 1.0};
  snprintf(id, sizeof id, "causes-plot-%zu", which + 1);
  sp_markup_begin(m, "figure");
  sp_markup_put(m, "figcaption", NULL, "Standard deviations by where they come from, mm (with 95 % limits)");
  sp_plot_open(m, id, SP_BATCH_WIDTH, CAUSES * CAUSE_ROW + 6.0, "Standard deviations by where they come from",
               "Jig, nut, hand and measuring. Each bar ends with its number.");
  for (int i = 0; i < CAUSES; i++)
    put_cause(m, &f, &list[i], i * CAUSE_ROW);
  sp_plot_close(m);
  sp_markup_end(m);
}

static void put_largest(sp_markup *m, const sp_batch_components *c)
{
  if (!(c->jig_sd_mm > 0.0 || c->nut_sd_mm > 0.0 || c->hand_sd_mm > 0.0))
    return;
  if (c->jig_sd_mm >= c->nut_sd_mm && c->jig_sd_mm >= c->hand_sd_mm)
    sp_markup_put(
        m, "p", "lead",
        "Most of it is done alike on every board. Mend the jig, the template or the figures: that helps every "
        "board to come, and more care of the hand will not.");
  else if (c->nut_sd_mm >= c->hand_sd_mm)
    sp_markup_put(m, "p", "lead",
                  "Most of it is the place of the nut, which shifts a whole board. Take the most care there; a stop at "
                  "the nut helps more than a new template.");
  else
    sp_markup_put(
        m, "p", "lead",
        "Most of it is the hand, at each mark by itself. A sharper knife, better light, a stop for the square "
        "help; another template will not.");
}

static void put_other_words(sp_markup *m, const sp_batch_components *c)
{
  const double largest = fmax(c->jig_sd_mm, fmax(c->nut_sd_mm, c->hand_sd_mm));
  sp_markup_put(
      m, "p", NULL,
      fmax(c->line_sd_mm, c->datum_sd_mm) < 0.5 * largest
          ? "The measuring scatters less than half as much as the largest of them and has been taken off."
          : "The measuring scatters about as much as the work itself, so the work may well be better than this. "
            "Scan at a higher resolution to tell them apart.");
  sp_markup_putf(m, "p", NULL, "Besides, all marks on all boards lie %+.3f mm from their places on the average%s.",
                 c->common_mm,
                 c->common_mm > 0.0   ? ", toward the bridge"
                 : c->common_mm < 0.0 ? ", toward the nut"
                                      : "");
  if (c->u_shared_mm > 0.0)
    sp_markup_putf(
        m, "p", NULL,
        "The rule beside the scans may share up to %.3f mm (standard uncertainty) in what is alike: no number "
        "of boards averages that out, only a better rule does.",
        c->u_shared_mm);
}

void sp_batch_page_causes(const sp_batch_page *page, size_t which)
{
  sp_markup *m = page->markup;
  const sp_batch_group *g = &page->batch->group[which];
  const sp_batch_components *c = &g->components;
  cause list[CAUSES];
  if (g->board_count < 2)
    return;
  sp_batch_page_section(page, which, "causes", "Where the errors come from");
  if (!c->known) {
    sp_markup_put(m, "p", NULL, "That can be told from three boards on which every fret was found.");
    sp_page_section_end(m);
    return;
  }
  causes_of(c, list);
  put_largest(m, c);
  sp_page_wide(m, "Where the errors come from");
  put_causes(m, list, which);
  sp_markup_end(m);
  sp_markup_putf(m, "p", "note", "From the %zu boards on which every fret was found.", c->boards);
  put_other_words(m, c);
  sp_page_section_end(m);
}
