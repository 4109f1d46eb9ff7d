/* The batch for the bench: how many boards, which are worst and where, then what they have in common.
 *
 * A board that needs work comes before one that does not; among those the one with more frets out, then the larger
 * error against its tolerance. Words for statistics are kept plain: "done alike each time" is the systematic error,
 * "the hand" what is left when the measuring is taken off. */
#include <ctype.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "batch_internal.h"
#include "slotproof/report.h"
#include "slotproof/writing.h"

enum { NAME_WIDTH = 30 };

/* ---- the first lines -------------------------------------------------------------------------------------------- */

static void put_headline(const sp_batch_tally *t, FILE *file)
{
  sp_sentence s = {.used = 0};
  sp_say(&s, "%s: ", t->out ? "OUT OF TOLERANCE" : t->undecided || t->unusable ? "UNDECIDED" : "WITHIN TOLERANCE");
  sp_batch_say_counts(t, &s);
  sp_say(&s, ".");
  sp_text_wrapped("", 0, s.text, file);
}

/* ---- worst boards first ----------------------------------------------------------------------------------------- */

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

static sp_status put_ranked(const sp_batch_ranked *list, size_t count, FILE *file, sp_error *err)
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

static sp_status put_unusable(const sp_batch_ranked *list, size_t count, FILE *file, sp_error *err)
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

static sp_status put_boards(const sp_batch *batch, FILE *file, sp_error *err)
{
  sp_batch_ranked *list;
  size_t n;
  sp_status status = sp_batch_worst_first(batch, &list, &n, err);
  if (status)
    return status;
  status = put_ranked(list, n, file, err);
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
  if (any) {
    sp_sentence s = {.used = 0};
    sp_say(&s, "\"alike\": %s.", SP_BATCH_ALIKE_WORDS);
    sp_text_wrapped("  ", 2, s.text, file);
  }
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
  sp_batch_say_capability(g, &s);
  if (!s.used)
    return;
  fputc('\n', file);
  sp_text_wrapped("  ", 2, s.text, file);
}

/* ---- charts ----------------------------------------------------------------------------------------------------- */

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
    sp_say(&s, "%s: ", name);
    sp_batch_say_point(&c->point[i], kind, &s);
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
    sp_say(&s, "fret %ld: from %s on ", (long)f->fret, name);
    sp_batch_say_step(f, &s);
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
  sp_sentence order = {.used = 0};
  sp_batch_say_order(batch, g, &order);
  fprintf(file, "\n  In the course of time, the boards %s\n", order.text);
  status = put_steps(batch, g, &signals, file, err);
  for (int kind = 0; !status && kind < SP_BATCH_CHARTS; kind++)
    if (kind != SP_BATCH_CHART_GROUP_MEAN)
      status = put_signals(batch, g, kind, &signals, file, err);
  if (!signals)
    fprintf(file, "  - nothing stands out: the boards differ as chance would have it\n");
  else
    sp_text_wrapped("  ", 2, SP_BATCH_CHANCE_WORDS, file);
  return status;
}

/* ---- one layout ------------------------------------------------------------------------------------------------- */

static void put_layout(const sp_batch *batch, const sp_batch_group *g, FILE *file)
{
  size_t old = 0;
  for (size_t i = 0; i < g->board_count; i++)
    old += batch->board[g->board[i]].from_history;
  sp_sentence length = {.used = 0};
  sp_batch_say_length(g, &length);
  fprintf(file, "\n%c%s, %ld frets, %s: %zu boards", toupper((unsigned char)length.text[0]), length.text + 1,
          (long)g->frets, sp_batch_marks_words(g->marks_kind), g->board_count);
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
  if (!status && g->board_count < SP_BATCH_ENOUGH)
    sp_text_wrapped("  ", 2, SP_BATCH_FEW_WORDS, file);
  return status;
}

/* ---- the study -------------------------------------------------------------------------------------------------- */

static void put_study_row(const sp_batch_study *s, const char *what, double anova, double range, FILE *file)
{
  fprintf(file, "  %-46s", what);
  put_length(anova, 9, "%*.4f", file);
  put_length(range, 11, "%*.4f", file);
  put_length(sp_batch_gauge_percent(s, anova), 13, "%*.1f", file);
  fputc('\n', file);
}

static void put_study(const sp_batch_study *s, FILE *file)
{
  const sp_gauge_result *a = &s->all.anova, *r = &s->all.range;
  if (!s->known)
    return;
  sp_sentence design = {.used = 0};
  sp_batch_say_study(s, &design);
  fprintf(file, "\nThe gauge itself: %s\n", design.text);
  fprintf(file, "  standard deviations                            variance    average     6 sd in %% of\n"
                "                                             analysis, mm  range, mm  the tolerance\n");
  put_study_row(s, "repeatability: the same person, scanned anew", a->ev, r->ev, file);
  put_study_row(s, "reproducibility: another person", a->av, r->av, file);
  put_study_row(s, "a person with a certain board", a->interaction, r->interaction, file);
  put_study_row(s, "all of the gauge", a->grr, r->grr, file);
  put_study_row(s, "the boards", a->pv, r->pv, file);
  if (isfinite(a->ev_limits.upper))
    fprintf(file, "  95 %% limits of the repeatability: %.4f to %.4f mm.\n", a->ev_limits.lower, a->ev_limits.upper);
  if (isfinite(a->percent_grr))
    fprintf(file, "  The gauge is %.1f %% of all scatter seen; it tells %.0f kinds of board apart.\n", a->percent_grr,
            floor(a->ndc));
  const double part = sp_batch_gauge_percent(s, a->grr);
  if (isfinite(part))
    sp_text_wrapped("  ", 2, sp_batch_gauge_words(part), file);
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
  const sp_batch_tally t = sp_batch_count(batch);
  put_headline(&t, file);
  sp_status status = put_boards(batch, file, err);
  for (size_t i = 0; !status && i < batch->group_count; i++)
    status = put_group(batch, &batch->group[i], file, err);
  if (status)
    return status;
  put_study(&batch->study, file);
  status = put_warnings(batch, file, err);
  return status ? status : sp_flush_file(file, err);
}
