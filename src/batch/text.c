/* The batch for the bench: how many boards, which are worst and where, then what they have in common.
 *
 * A board that needs work comes before one that does not; among those the one with more frets out, then the larger
 * error against its tolerance. Words for statistics are kept plain: "done alike each time" is the systematic error,
 * "the hand" what is left when the measuring is taken off. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "batch_internal.h"
#include "slotproof/report.h"
#include "slotproof/writing.h"

enum { NAME_WIDTH = 30, BAD_NAMES_MOST = 40 };
/* Fewer boards give limits of a standard deviation that a third either way would not surprise. */
enum { ENOUGH_BOARDS = 20 };

/* ---- the first lines -------------------------------------------------------------------------------------------- */

typedef struct tally {
  size_t all, within, out, undecided, unusable;
} tally;

static bool own_boards(const sp_batch *batch)
{
  for (size_t i = 0; i < batch->board_count; i++)
    if (!batch->board[i].from_history)
      return true;
  return false;
}

static tally count_boards(const sp_batch *batch, bool own)
{
  tally t = {0};
  for (size_t i = 0; i < batch->board_count; i++) {
    const sp_batch_board *b = &batch->board[i];
    if (own && b->from_history)
      continue;
    t.all++;
    t.unusable += b->status != SP_OK;
    t.within += !b->status && b->verdict == SP_WITHIN;
    t.out += !b->status && b->verdict == SP_OUT;
    t.undecided += !b->status && b->verdict == SP_UNDECIDED;
  }
  return t;
}

static void put_headline(const tally *t, FILE *file)
{
  sp_sentence s = {.used = 0};
  if (t->out)
    sp_say(&s, "OUT OF TOLERANCE: %zu of %zu boards %s a fret out", t->out, t->all, t->out == 1 ? "has" : "have");
  else if (t->undecided || t->unusable)
    sp_say(&s, "UNDECIDED: of %zu boards none is known to be out, but not all are known to be within", t->all);
  else
    sp_say(&s, "WITHIN TOLERANCE: %s %zu board%s", t->all == 1 ? "the" : "all", t->all, t->all == 1 ? "" : "s");
  if (t->out || t->undecided || t->unusable) {
    sp_say(&s, "; %zu within", t->within);
    if (t->undecided)
      sp_say(&s, ", %zu undecided", t->undecided);
    if (t->unusable)
      sp_say(&s, ", %zu could not be used", t->unusable);
  }
  sp_say(&s, ".");
  sp_text_wrapped("", 0, s.text, file);
}

/* ---- worst boards first ----------------------------------------------------------------------------------------- */

typedef struct ranked {
  const sp_batch_board *board;
  double part; /* of its tolerance that the worst error takes */
  size_t index;
} ranked;

static int urgency(const sp_batch_board *b)
{
  return b->status ? 1 : b->verdict == SP_OUT ? 3 : b->verdict == SP_UNDECIDED ? 2 : 0;
}

static int worst_first(const void *a, const void *b)
{
  const ranked *x = a, *y = b;
  const int ux = urgency(x->board), uy = urgency(y->board);
  if (ux != uy)
    return uy - ux;
  if (x->board->out != y->board->out)
    return x->board->out > y->board->out ? -1 : 1;
  if (x->board->missing != y->board->missing)
    return x->board->missing > y->board->missing ? -1 : 1;
  if (x->part > y->part || x->part < y->part)
    return x->part > y->part ? -1 : 1;
  return x->index < y->index ? -1 : x->index > y->index;
}

static double worst_part(const sp_batch_board *b)
{
  if (b->status || b->worst == SP_BATCH_NONE)
    return -1.0;
  const sp_batch_mark *m = &b->mark[b->worst];
  return fabs(m->error_mm) / (isfinite(m->tolerance_mm) ? m->tolerance_mm : 1.0);
}

static size_t width_of(const char *text)
{
  size_t n = 0;
  for (; *text; text++)
    n += ((unsigned char)*text & 0xc0) != 0x80;
  return n;
}

static void put_board(const sp_batch_board *b, const char *name, FILE *file)
{
  static const char *const WORDS[] = {"within", "OUT", "undecided", "undecided"};
  const size_t width = width_of(name);
  fprintf(file, " %s%*s", name, width < NAME_WIDTH ? (int)(NAME_WIDTH - width) : 0, "");
  fprintf(file, " %-9s %5zu %7zu %9zu", WORDS[b->verdict], b->out, b->missing, b->undecided);
  if (b->worst == SP_BATCH_NONE) {
    fprintf(file, "        -      -\n");
    return;
  }
  const sp_batch_mark *m = &b->mark[b->worst];
  fprintf(file, " %+8.3f %6.3f   fret %ld\n", m->error_mm, m->expanded_u_mm, (long)b->worst);
}

static sp_status put_ranked(const ranked *list, size_t count, FILE *file, sp_error *err)
{
  fprintf(file, "\nBoards, worst first\n %-*s verdict     out missing undecided    worst    +/-\n%*smm     mm\n",
          NAME_WIDTH, "board", NAME_WIDTH + 42, "");
  for (size_t i = 0; i < count; i++) {
    char *name = sp_clean_text(list[i].board->name);
    if (!name)
      return sp_fail_memory(err);
    if (!list[i].board->status)
      put_board(list[i].board, name, file);
    free(name);
  }
  return SP_OK;
}

static sp_status put_unusable(const ranked *list, size_t count, FILE *file, sp_error *err)
{
  bool first = true;
  for (size_t i = 0; i < count; i++) {
    const sp_batch_board *b = list[i].board;
    if (!b->status)
      continue;
    char *name = sp_clean_text(b->name), *trouble = sp_clean_text(b->trouble);
    if (name && trouble) {
      sp_sentence s = {.used = 0};
      sp_say(&s, "%s: %s", name, trouble);
      fprintf(file, "%s", first ? "\nCould not be used\n" : "");
      sp_text_wrapped("  - ", 4, s.text, file);
    }
    const bool fine = name && trouble;
    free(name);
    free(trouble);
    if (!fine)
      return sp_fail_memory(err);
    first = false;
  }
  return SP_OK;
}

static sp_status put_boards(const sp_batch *batch, bool own, FILE *file, sp_error *err)
{
  ranked *list = calloc(batch->board_count + 1, sizeof *list);
  size_t n = 0;
  if (!list)
    return sp_fail_memory(err);
  for (size_t i = 0; i < batch->board_count; i++)
    if (!own || !batch->board[i].from_history)
      list[n++] = (ranked){&batch->board[i], worst_part(&batch->board[i]), i};
  qsort(list, n, sizeof *list, worst_first);
  sp_status status = put_ranked(list, n, file, err);
  if (!status)
    status = put_unusable(list, n, file, err);
  free(list);
  return status;
}

/* ---- frets ------------------------------------------------------------------------------------------------------ */

static void put_length(double value, int width, const char *format, FILE *file)
{
  if (isfinite(value))
    fprintf(file, format, width, value);
  else
    fprintf(file, "%*s", width, "-");
}

static void put_fret(const sp_batch_fret *f, FILE *file)
{
  const double chance = f->error.mean_limits.upper - f->error.mean;
  fprintf(file, "  %4ld %6zu", (long)f->fret, f->error.n);
  put_length(f->error.mean, 9, "%+*.3f", file);
  put_length(chance, 7, "%*.3f", file);
  put_length(f->error.sd, 9, "%*.3f", file);
  put_length(f->error.sd_limits.lower, 7, "%*.3f", file);
  put_length(f->error.sd_limits.upper, 7, "%*.3f", file);
  put_length(f->hand_sd_mm, 8, "%*.3f", file);
  put_length(f->capability.cp, 7, "%*.2f", file);
  put_length(f->capability.cpk, 7, "%*.2f", file);
  put_length(f->capability.cpk_limits.lower, 7, "%*.2f", file);
  fprintf(file, " %5zu %5zu%s\n", f->out, f->missing, f->systematic ? "  alike" : "");
}

static void put_frets(const sp_batch_group *g, FILE *file)
{
  fprintf(file, "  fret boards     mean    +/-  scatter   from     to    hand     Cp    Cpk  least   out  miss\n"
                "                    mm     mm       mm     mm     mm      mm\n");
  bool any = false;
  for (int32_t k = 0; k < g->frets; k++) {
    put_fret(&g->fret[k], file);
    any = any || g->fret[k].systematic;
  }
  if (any)
    sp_text_wrapped("  ", 2,
                    "\"alike\": this fret lies wrong by the same amount on the average of all boards, by more than "
                    "chance and the rule's own doubt explain; look at the jig, the template or the figure it was "
                    "laid out by.",
                    file);
}

/* ---- components ------------------------------------------------------------------------------------------------- */

static void put_component(const char *what, double sd, sp_interval limits, FILE *file)
{
  fprintf(file, "  %-58s %7.3f", what, sd);
  if (isfinite(limits.lower) && isfinite(limits.upper))
    fprintf(file, "   (%.3f to %.3f)", limits.lower, limits.upper);
  fputc('\n', file);
}

static void put_components(const sp_batch_group *g, FILE *file)
{
  const sp_batch_components *c = &g->components;
  const sp_interval none = {NAN, NAN};
  if (!c->known) {
    fprintf(file, "  What the scatter comes from can be told from three boards on which every fret was found.\n");
    return;
  }
  fprintf(file, "\n  Where it comes from (%zu boards with every fret found)             sd, mm   (95 %% limits)\n",
          c->boards);
  put_component("alike on every board, from fret to fret: jig, template", c->jig_sd_mm, c->jig_limits, file);
  put_component("the nut, which shifts a whole board", c->nut_sd_mm, c->nut_limits, file);
  put_component("the hand, at each mark by itself", c->hand_sd_mm, c->hand_limits, file);
  put_component("the measuring: of a mark", c->line_sd_mm, none, file);
  put_component("the measuring: of the nut", c->datum_sd_mm, none, file);
  fprintf(file, "  Besides, all marks on all boards lie %+.3f mm from their places on the average.\n", c->common_mm);
  if (c->u_shared_mm > 0.0)
    fprintf(file, "  The rule beside the scans may share up to %.3f mm (standard uncertainty) in what is alike.\n",
            c->u_shared_mm);
}

static void put_capability(const sp_batch_group *g, FILE *file)
{
  sp_sentence s = {.used = 0};
  const sp_capability *c = &g->capability;
  if (!isfinite(c->cpk))
    return;
  sp_say(&s, "All frets together, against +/- %.3g mm: Cp %.2f (%.2f to %.2f), Cpk %.2f (%.2f to %.2f). ",
         g->tolerance_mm, c->cp, c->cp_limits.lower, c->cp_limits.upper, c->cpk, c->cpk_limits.lower,
         c->cpk_limits.upper);
  if (c->cpk_limits.lower >= 1.0)
    sp_say(&s, "The work keeps the tolerance with room to spare.");
  else if (c->cpk_limits.upper < 1.0)
    sp_say(&s, "The work as it is will put frets out of tolerance now and then.");
  else
    sp_say(&s, "Too few boards to tell whether the work keeps the tolerance in the long run (Cpk 1 or more).");
  fputc('\n', file);
  sp_text_wrapped("  ", 2, s.text, file);
}

/* ---- charts ----------------------------------------------------------------------------------------------------- */

static const char *chart_words(int kind)
{
  static const char *const WORDS[SP_BATCH_CHARTS] = {
      "mean error of the board",           "jump from the board before",
      "running mean of the last boards",   "shift of the whole board against the scatter on boards",
      "scatter of the marks on the board", "scale length that fits the board best"};
  return WORDS[kind];
}

static const char *rule_words(unsigned rule)
{
  switch (rule) {
  case SP_RULE_BEYOND:
    return "beyond the limits";
  case SP_RULE_TWO_OF_3:
    return "two of three far to one side";
  case SP_RULE_FOUR_OF_5:
    return "four of five well to one side";
  case SP_RULE_EIGHT:
    return "eight in a row on one side";
  case SP_RULE_TREND:
    return "six in a row going one way";
  case SP_RULE_ALTERNATING:
    return "fourteen in a row going to and fro";
  default:
    return "";
  }
}

static void say_point(const sp_chart_point *p, int kind, const char *name, sp_sentence *s)
{
  sp_say(s, "%s: %s %+.3f mm (limits %+.3f to %+.3f)", name, chart_words(kind), p->value, p->lower, p->upper);
  for (unsigned r = 0; r < SP_RULE_COUNT; r++)
    if (p->rules & 1u << r)
      sp_say(s, ", %s", rule_words(1u << r));
}

static sp_status put_signals(const sp_batch *batch, const sp_batch_group *g, int kind, size_t *signals, FILE *file,
                             sp_error *err)
{
  const sp_chart *c = &g->chart[kind];
  for (size_t i = 0; i < c->count; i++) {
    if (!c->point[i].rules)
      continue;
    char *name = sp_clean_text(batch->board[g->charted[i + (kind == SP_BATCH_CHART_MOVING)]].name);
    sp_sentence s = {.used = 0};
    if (!name)
      return sp_fail_memory(err);
    say_point(&c->point[i], kind, name, &s);
    free(name);
    sp_text_wrapped("  - ", 4, s.text, file);
    ++*signals;
  }
  return SP_OK;
}

static sp_status put_steps(const sp_batch *batch, const sp_batch_group *g, size_t *signals, FILE *file, sp_error *err)
{
  for (int32_t k = 0; k < g->frets; k++) {
    const sp_batch_fret *f = &g->fret[k];
    if (f->step_board == SP_BATCH_NONE)
      continue;
    char *name = sp_clean_text(batch->board[f->step_board].name);
    sp_sentence s = {.used = 0};
    if (!name)
      return sp_fail_memory(err);
    sp_say(&s,
           "fret %ld: from %s on it lies %.3f mm (+/- %.3f) nearer the %s than before; look for what was changed then",
           (long)f->fret, name, fabs(f->step_mm), 2.0 * f->u_step_mm, f->step_mm < 0.0 ? "nut" : "bridge");
    free(name);
    sp_text_wrapped("  - ", 4, s.text, file);
    ++*signals;
  }
  return SP_OK;
}

/* The chart of group means against the scatter within says nearly the same as the single values and is kept for
 * programs: where nuts are placed by hand it signals all the time. */
static sp_status put_charts(const sp_batch *batch, const sp_batch_group *g, FILE *file, sp_error *err)
{
  size_t signals = 0;
  sp_status status = SP_OK;
  if (!g->chart[SP_BATCH_CHART_MEAN].count) {
    fprintf(file, "  Whether the work changes in the course of time can be told from %d boards on.\n",
            SP_BATCH_CHART_LEAST);
    return SP_OK;
  }
  fprintf(file, "\n  In the course of time, the boards %s\n",
          batch->board[g->charted[0]].sequence || batch->board[g->charted[g->chart[0].count - 1]].sequence
              ? "as they were added to the history"
              : "in order of their names");
  status = put_steps(batch, g, &signals, file, err);
  for (int kind = 0; !status && kind < SP_BATCH_CHARTS; kind++)
    if (kind != SP_BATCH_CHART_GROUP_MEAN)
      status = put_signals(batch, g, kind, &signals, file, err);
  if (!signals)
    fprintf(file, "  - nothing stands out: the boards differ as chance would have it\n");
  else
    sp_text_wrapped("  ", 2,
                    "What stands out may still be chance, which by itself shows something in one report of 7 on 10 "
                    "boards, in 2 of 5 on 20 boards: look for what was done otherwise before you change anything.",
                    file);
  return status;
}

/* ---- one layout ------------------------------------------------------------------------------------------------- */

static void put_layout(const sp_batch *batch, const sp_batch_group *g, FILE *file)
{
  size_t old = 0;
  for (size_t i = 0; i < g->board_count; i++)
    old += batch->board[g->board[i]].from_history;
  fprintf(file, "\nScale length %.6g mm, %ld frets, %s: %zu boards", g->scale_length_mm, (long)g->frets,
          sp_batch_marks_words(g->marks_kind), g->board_count);
  if (old)
    fprintf(file, ", %zu of them from the history", old);
  fputc('\n', file);
}

static sp_status put_group(const sp_batch *batch, const sp_batch_group *g, FILE *file, sp_error *err)
{
  if (g->board_count < 2)
    return SP_OK;
  put_layout(batch, g, file);
  put_frets(g, file);
  put_capability(g, file);
  put_components(g, file);
  const sp_status status = put_charts(batch, g, file, err);
  if (!status && g->board_count < ENOUGH_BOARDS)
    sp_text_wrapped("  ", 2, "These are few boards: limits and scatter are rough. From 20 boards on they settle.",
                    file);
  return status;
}

/* ---- the study -------------------------------------------------------------------------------------------------- */

static void put_study_row(const char *what, double anova, double range, double tolerance, FILE *file)
{
  fprintf(file, "  %-46s", what);
  put_length(anova, 9, "%*.4f", file);
  put_length(range, 11, "%*.4f", file);
  put_length(600.0 * anova / (2.0 * tolerance), 13, "%*.1f", file);
  fputc('\n', file);
}

static void put_study(const sp_batch_study *s, FILE *file)
{
  const sp_gauge_result *a = &s->all.anova, *r = &s->all.range;
  if (!s->known)
    return;
  fprintf(file, "\nThe gauge itself: %zu board%s, %zu pe%s, %zu scans each, %zu frets together\n", s->design.parts,
          s->design.parts == 1 ? "" : "s", s->design.appraisers, s->design.appraisers == 1 ? "rson" : "ople",
          s->design.trials, s->design.blocks);
  fprintf(file, "  standard deviations                            variance    average     6 sd in %% of\n"
                "                                             analysis, mm  range, mm  the tolerance\n");
  put_study_row("repeatability: the same person, scanned anew", a->ev, r->ev, s->tolerance_mm, file);
  put_study_row("reproducibility: another person", a->av, r->av, s->tolerance_mm, file);
  put_study_row("a person with a certain board", a->interaction, r->interaction, s->tolerance_mm, file);
  put_study_row("all of the gauge", a->grr, r->grr, s->tolerance_mm, file);
  put_study_row("the boards", a->pv, r->pv, s->tolerance_mm, file);
  if (isfinite(a->ev_limits.upper))
    fprintf(file, "  95 %% limits of the repeatability: %.4f to %.4f mm.\n", a->ev_limits.lower, a->ev_limits.upper);
  if (isfinite(a->percent_grr))
    fprintf(file, "  The gauge is %.1f %% of all scatter seen; it tells %.0f kinds of board apart.\n", a->percent_grr,
            floor(a->ndc));
  const double part = 600.0 * a->grr / (2.0 * s->tolerance_mm);
  if (isfinite(part))
    sp_text_wrapped("  ", 2,
                    part < 10.0   ? "Below 10 % of the tolerance a gauge is good (common rule, AIAG)."
                    : part < 30.0 ? "From 10 to 30 % of the tolerance a gauge may serve (common rule, AIAG)."
                                  : "Above 30 % of the tolerance a gauge does not serve (common rule, AIAG).",
                    file);
}

static sp_status put_warnings(const sp_batch *batch, FILE *file, sp_error *err)
{
  if (batch->warning_count)
    fprintf(file, "\nWarnings\n");
  for (size_t i = 0; i < batch->warning_count; i++) {
    char *clean = sp_clean_text(batch->warning[i]);
    if (!clean)
      return sp_fail_memory(err);
    sp_text_wrapped("  - ", 4, clean, file);
    free(clean);
  }
  return SP_OK;
}

sp_status sp_batch_text(const sp_batch *batch, FILE *file, sp_error *err)
{
  const bool own = own_boards(batch);
  const tally t = count_boards(batch, own);
  put_headline(&t, file);
  sp_status status = put_boards(batch, own, file, err);
  for (size_t i = 0; !status && i < batch->group_count; i++)
    status = put_group(batch, &batch->group[i], file, err);
  if (status)
    return status;
  put_study(&batch->study, file);
  status = put_warnings(batch, file, err);
  return status ? status : sp_flush_file(file, err);
}
