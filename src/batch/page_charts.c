/* Control charts, the gauge's study, and how it was all done. */
#include <math.h>
#include <stdio.h>

#include "batch_page.h"

/* The newest boards of a longer history are drawn; signals told one by one. */
enum { POINTS_MOST = 300, SIGNALS_MOST = 8 };
/* Drawing units. */
static const double CHART_TOP = 20.0, CHART_HEIGHT = 130.0, NUMBERS_BELOW = 18.0, NUMBER_ROOM = 34.0, DOT = 3.2,
                    RING = 7.5;

/* Pairs as they are read together: single values with their range, means with their scatter. */
static const struct chart_name {
  sp_batch_chart_kind kind;
  const char *title;
} ORDER[SP_BATCH_CHARTS] = {
    {SP_BATCH_CHART_MEAN, "Mean error of each board, mm (individuals chart)"},
    {SP_BATCH_CHART_MOVING, "Jump from the board before, mm (moving range)"},
    {SP_BATCH_CHART_GROUP_MEAN, "Mean error against the scatter on the boards, mm (X-bar chart)"},
    {SP_BATCH_CHART_SCATTER, "Scatter of the marks on each board, mm (S chart)"},
    {SP_BATCH_CHART_EWMA, "Running mean of the last boards, mm (weighted moving average)"},
    {SP_BATCH_CHART_LENGTH, "Scale length that fits best less the one asked for, mm (individuals chart)"}};

/* ---- one chart -------------------------------------------------------------------------------------------------- */

/* The points drawn, from `first` on; boards are counted from 1 in order of time. */
typedef struct view {
  const sp_chart *chart;
  size_t first, shift; /* shift: the moving range begins with the second board */
  sp_plot_frame frame;
} view;

static double board_number(const view *v, size_t i)
{
  return (double)(i + v->shift + 1);
}

static view view_of(const sp_chart *c, size_t shift)
{
  view v = {.chart = c, .first = c->count > POINTS_MOST ? c->count - POINTS_MOST : 0, .shift = shift};
  double least = INFINITY, most = -INFINITY;
  for (size_t i = v.first; i < c->count; i++) {
    const sp_chart_point *p = &c->point[i];
    least = fmin(least, fmin(p->value, p->lower));
    most = fmax(most, fmax(p->value, p->upper));
  }
  const double room = fmax(0.08 * (most - least), 1e-6);
  v.frame = (sp_plot_frame){SP_BATCH_LEFT,
                            SP_BATCH_RIGHT,
                            CHART_TOP,
                            CHART_TOP + CHART_HEIGHT,
                            board_number(&v, v.first) - 0.5,
                            board_number(&v, c->count - 1) + 0.5,
                            least - room,
                            most + room};
  return v;
}

/* Limits may differ from board to board: a level piece for each. */
static void put_pieces(sp_markup *m, const view *v, double (*level)(const sp_chart_point *), const char *class_name)
{
  const sp_plot_frame *f = &v->frame;
  size_t from = v->first;
  for (size_t i = v->first; i < v->chart->count; i++) {
    const double here = level(&v->chart->point[i]);
    if (i + 1 < v->chart->count && !(fabs(level(&v->chart->point[i + 1]) - here) > 0.0))
      continue;
    const double y = sp_plot_y(f, here);
    sp_plot_line(m, sp_plot_x(f, board_number(v, from) - 0.5), y, sp_plot_x(f, board_number(v, i) + 0.5), y,
                 class_name);
    from = i + 1;
  }
}

static double upper_of(const sp_chart_point *p)
{
  return p->upper;
}

static double lower_of(const sp_chart_point *p)
{
  return p->lower;
}

static double centre_of(const sp_chart_point *p)
{
  return p->centre;
}

static void put_numbers(sp_markup *m, const view *v)
{
  const sp_plot_frame *f = &v->frame;
  const double boards = f->x_most - f->x_least;
  const double step = fmax(1.0, sp_plot_step(boards, (int)((f->right - f->left) / NUMBER_ROOM)));
  for (double n = step * ceil(f->x_least / step); n <= f->x_most; n += step) {
    char number[40];
    snprintf(number, sizeof number, "%.0f", n);
    sp_plot_words(m, sp_plot_x(f, n), f->bottom + NUMBERS_BELOW, SP_PLOT_MIDDLE, "fret", number);
  }
}

static void put_points(sp_markup *m, const view *v)
{
  const sp_plot_frame *f = &v->frame;
  double last = -INFINITY;
  for (size_t i = v->first; i < v->chart->count; i++) {
    const sp_chart_point *p = &v->chart->point[i];
    const double x = sp_plot_x(f, board_number(v, i)), y = sp_plot_y(f, p->value);
    if (i > v->first)
      sp_plot_line(m, sp_plot_x(f, board_number(v, i - 1)), sp_plot_y(f, p[-1].value), x, y, "course");
    sp_plot_dot(m, x, y, DOT, "dot");
    if (!p->rules)
      continue;
    sp_plot_dot(m, x, y, RING, "ring");
    if (x - last < 0.7 * NUMBER_ROOM)
      continue;
    char number[40];
    snprintf(number, sizeof number, "%.0f", board_number(v, i));
    sp_plot_words(m, x, y - RING - 4.0 < CHART_TOP - 6.0 ? y + RING + 14.0 : y - RING - 4.0, SP_PLOT_MIDDLE, "value",
                  number);
    last = x;
  }
}

static void put_signals(const sp_batch_page *page, const sp_batch_group *g, const view *v, sp_batch_chart_kind kind)
{
  sp_markup *m = page->markup;
  size_t told = 0, all = 0;
  for (size_t i = 0; i < v->chart->count; i++)
    all += v->chart->point[i].rules != 0;
  if (!all)
    return;
  sp_markup_begin(m, "ul");
  sp_markup_set(m, "class", "signals");
  for (size_t i = v->chart->count; i-- > 0 && told < SIGNALS_MOST;) { /* the newest first */
    if (!v->chart->point[i].rules)
      continue;
    sp_sentence s = {.used = 0};
    sp_batch_say_point(&v->chart->point[i], (int)kind, &s);
    sp_markup_begin(m, "li");
    sp_markup_putf(m, "b", NULL, "%.0f ", board_number(v, i));
    sp_markup_put(m, "bdi", NULL, page->batch->board[g->charted[i + v->shift]].name);
    sp_markup_textf(m, ": %s", s.text);
    sp_markup_end(m);
    told++;
  }
  if (all > told)
    sp_markup_putf(m, "li", NULL, "and %zu before, ringed in the chart", all - told);
  sp_markup_end(m);
}

static void put_chart(const sp_batch_page *page, const sp_batch_group *g, const struct chart_name *name, size_t which)
{
  sp_markup *m = page->markup;
  const sp_chart *c = &g->chart[name->kind];
  char id[60];
  if (!c->count)
    return;
  const view v = view_of(c, name->kind == SP_BATCH_CHART_MOVING);
  snprintf(id, sizeof id, "chart-%s-%zu", sp_batch_chart_word(name->kind), which + 1);
  sp_page_wide(m, name->title);
  sp_markup_begin(m, "figure");
  sp_markup_put(m, "figcaption", NULL, name->title);
  sp_plot_open(m, id, SP_BATCH_WIDTH, CHART_TOP + CHART_HEIGHT + 26.0, name->title,
               "One point a board, in order of time; dashed: control limits; ringed: out of the ordinary.");
  sp_plot_axis_y(m, &v.frame, name->kind != SP_BATCH_CHART_MOVING && name->kind != SP_BATCH_CHART_SCATTER);
  put_pieces(m, &v, upper_of, "limit");
  put_pieces(m, &v, lower_of, "limit");
  put_pieces(m, &v, centre_of, "middle");
  put_points(m, &v);
  put_numbers(m, &v);
  sp_plot_close(m);
  sp_markup_end(m);
  sp_markup_end(m);
  put_signals(page, g, &v, name->kind);
}

/* ---- all of them ------------------------------------------------------------------------------------------------ */

static void put_chart_key(sp_markup *m)
{
  sp_markup_begin(m, "ul");
  sp_markup_set(m, "class", "key");
  sp_markup_put(m, "li", "disc", "one board");
  sp_markup_put(m, "li", "circle", "stands out");
  sp_markup_put(m, "li", "dashes", "control limits: chance alone keeps 997 of 1000 within");
  sp_markup_put(m, "li", "stroke", "mean");
  sp_markup_end(m);
}

static bool any_signal(const sp_batch_group *g)
{
  for (int k = 0; k < SP_BATCH_CHARTS; k++)
    for (size_t i = 0; i < g->chart[k].count; i++)
      if (g->chart[k].point[i].rules)
        return true;
  return false;
}

void sp_batch_page_charts(const sp_batch_page *page, size_t which)
{
  sp_markup *m = page->markup;
  const sp_batch_group *g = &page->batch->group[which];
  sp_sentence order = {.used = 0};
  if (g->board_count < 2)
    return;
  sp_batch_page_section(page, which, "charts", "In the course of time");
  if (!g->chart[SP_BATCH_CHART_MEAN].count) {
    sp_markup_putf(m, "p", NULL, "Whether the work changes in the course of time can be told from %d boards on.",
                   SP_BATCH_CHART_LEAST);
    sp_page_section_end(m);
    return;
  }
  sp_batch_say_order(page->batch, g, &order);
  sp_markup_putf(m, "p", NULL, "The boards are numbered %s. %s", order.text,
                 any_signal(g) ? SP_BATCH_CHANCE_WORDS
                               : "Nothing stands out: the boards differ as chance would have it.");
  put_chart_key(m);
  for (size_t i = 0; i < SP_BATCH_CHARTS; i++)
    put_chart(page, g, &ORDER[i], which);
  if (g->chart[SP_BATCH_CHART_GROUP_MEAN].count)
    sp_markup_put(m, "p", "note",
                  "Where nuts are placed by hand the X-bar chart stands out most of the time: a nut shifts its whole "
                  "board, more than the marks on it scatter. The individuals chart allows for that.");
  sp_page_section_end(m);
}

/* ---- the study -------------------------------------------------------------------------------------------------- */

static void put_study_row(sp_markup *m, const sp_batch_study *s, const char *what, double anova, double range)
{
  sp_markup_begin(m, "tr");
  sp_markup_begin(m, "th");
  sp_markup_set(m, "scope", "row");
  sp_markup_text(m, what);
  sp_markup_end(m);
  sp_page_number_cell(m, anova, 4, false);
  sp_page_number_cell(m, range, 4, false);
  sp_page_number_cell(m, sp_batch_gauge_percent(s, anova), 1, false);
  sp_markup_end(m);
}

void sp_batch_page_study(const sp_batch_page *page)
{
  static const sp_page_head HEADS[] = {
      {"Standard deviation", NULL}, {"Variance analysis", "mm"}, {"Average range", "mm"}, {"6 sd", "% of tolerance"}};
  sp_markup *m = page->markup;
  const sp_batch_study *s = &page->batch->study;
  const sp_gauge_result *a = &s->all.anova, *r = &s->all.range;
  sp_sentence design = {.used = 0};
  if (!s->known)
    return;
  sp_page_section(m, "study", "The gauge itself");
  const double part = sp_batch_gauge_percent(s, a->grr);
  if (isfinite(part))
    sp_markup_put(m, "p", "lead", sp_batch_gauge_words(part));
  sp_batch_say_study(s, &design);
  sp_batch_page_sentence(m, "p", NULL, design.text);
  sp_page_table_open(m, "gauge", "Table of the gauge's study", "How well the same boards give the same figures again.",
                     HEADS, sizeof HEADS / sizeof *HEADS);
  put_study_row(m, s, "repeatability: the same person, scanned anew", a->ev, r->ev);
  put_study_row(m, s, "reproducibility: another person", a->av, r->av);
  put_study_row(m, s, "a person with a certain board", a->interaction, r->interaction);
  put_study_row(m, s, "all of the gauge", a->grr, r->grr);
  put_study_row(m, s, "the boards", a->pv, r->pv);
  sp_page_table_close(m);
  if (isfinite(a->ev_limits.upper))
    sp_markup_putf(m, "p", NULL, "95 %% limits of the repeatability: %.4f to %.4f mm.", a->ev_limits.lower,
                   a->ev_limits.upper);
  if (isfinite(a->percent_grr))
    sp_markup_putf(m, "p", NULL, "The gauge is %.1f %% of all scatter seen; it tells %.0f kinds of board apart.",
                   a->percent_grr, floor(a->ndc));
  sp_page_section_end(m);
}

/* ---- how it was done -------------------------------------------------------------------------------------------- */

static void put_fact(sp_markup *m, const char *title, const char *text)
{
  sp_markup_put(m, "dt", NULL, title);
  sp_markup_put(m, "dd", NULL, text);
}

static void put_sources(const sp_batch_page *page)
{
  sp_sentence s = {.used = 0};
  size_t old = 0, reused = 0;
  for (size_t i = 0; i < page->batch->board_count; i++) {
    old += page->batch->board[i].from_history;
    reused += page->batch->board[i].same_as != SP_BATCH_NONE && !page->batch->board[i].from_history;
  }
  sp_say(&s, "%zu in all, %zu of them from the history.", page->batch->board_count, old);
  if (reused)
    sp_say(&s, " %zu stand%s here again (the same picture, or another scan for the study) and count%s once.", reused,
           reused == 1 ? "s" : "", reused == 1 ? "s" : "");
  put_fact(page->markup, "Boards", s.text);
}

static void put_tolerance(const sp_batch_page *page)
{
  sp_sentence s = {.used = 0};
  for (size_t i = 0; i < page->batch->group_count; i++) {
    const double t = page->batch->group[i].tolerance_mm;
    if (isfinite(t) && s.used == 0)
      sp_say(&s, "\xc2\xb1 %.3g mm", t);
    else if (isfinite(t))
      sp_say(&s, ", \xc2\xb1 %.3g mm", t);
  }
  if (!s.used)
    sp_say(&s, "It differs from fret to fret or from board to board; each record has its own");
  sp_say(&s, ". Within only where the error and its whole \xc2\xb1 lie inside, out only where they lie outside (ISO "
             "14253-1); else undecided.");
  put_fact(page->markup, "Tolerance", s.text);
}

void sp_batch_page_method(const sp_batch_page *page)
{
  sp_markup *m = page->markup;
  sp_page_section(m, "method", "How it was measured");
  sp_markup_begin(m, "dl");
  put_sources(page);
  put_tolerance(page);
  put_fact(m, "Each board",
           "Measured by itself, as 'slotproof check' does it: error of each mark against its computed place from the "
           "nut, with an expanded uncertainty (k = 2, about 95 %). Its record and its own page tell scale, rule and "
           "doubt.");
  put_fact(m, "Over the boards",
           "All limits hold with 95 % confidence: Student's t for means, chi-squared for standard deviations and Cp, a "
           "normal approximation for Cpk (NIST/SEMATECH e-Handbook 6.1.6, 7.2). A fret is called wrong alike on every "
           "board only beyond chance (5 % for all frets together) and beyond the rule's own doubt.");
  put_fact(m, "Causes",
           "Error = common + fret + board + rest, by analysis of variance; what the records say of the measuring is "
           "taken off.");
  put_fact(m, "Charts",
           "Limits at three standard deviations (ISO 7870-2), estimated from moving ranges or from the scatter on the "
           "boards. Out of the ordinary: beyond a limit; 2 of 3 beyond two sd; 4 of 5 beyond one sd; 8 in a row on one "
           "side; 6 in a row going one way; 14 in a row going to and fro (e-Handbook 6.3.2).");
  sp_markup_end(m);
  sp_page_section_end(m);
}
