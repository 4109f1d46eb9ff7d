/* What the reports in words share: each sentence once, without a final full stop unless said. */
#include <math.h>

#include "batch_internal.h"

const char SP_BATCH_ALIKE_WORDS[] = "this fret lies wrong by the same amount on the average of all boards, by more "
                                    "than chance and the rule's own doubt "
                                    "explain; look at the jig, the template or the figure it was laid out by";
const char SP_BATCH_CHANCE_WORDS[] = "What stands out may still be chance, which by itself shows something in one "
                                     "report of 7 on 10 boards, in 2 of 5 on "
                                     "20 boards: look for what was done otherwise before you change anything.";
const char SP_BATCH_FEW_WORDS[] = "These are few boards: limits and scatter are rough. From 20 boards on they settle.";

void sp_batch_say_length(const sp_batch_group *g, sp_sentence *s)
{
  if (isnan(g->fan.square_fret))
    sp_say(s, "scale length %.6g mm", g->scale_length_mm);
  else
    sp_say(s, "fan of %.6g mm (bass) and %.6g mm (treble), square at fret %g", g->fan.bass_scale_mm,
           g->fan.treble_scale_mm, g->fan.square_fret);
}

const char *sp_batch_marks_words(sp_mark_kind kind)
{
  return kind == SP_MARK_SLOT ? "slots" : kind == SP_MARK_WIRE ? "fret crowns" : "knife lines";
}

const char *sp_batch_chart_words(int kind)
{
  static const char *const WORDS[SP_BATCH_CHARTS] = {
      "mean error of the board",           "jump from the board before",
      "running mean of the last boards",   "shift of the whole board against the scatter on boards",
      "scatter of the marks on the board", "scale length that fits the board best"};
  return WORDS[kind];
}

const char *sp_batch_rule_words(unsigned rule)
{
  static const char *const WORDS[SP_RULE_COUNT] = {
      "beyond the limits",          "two of three far to one side", "four of five well to one side",
      "eight in a row on one side", "six in a row going one way",   "fourteen in a row going to and fro"};
  for (unsigned i = 0; i < SP_RULE_COUNT; i++)
    if (rule == 1u << i)
      return WORDS[i];
  return "";
}

void sp_batch_say_counts(const sp_batch_tally *t, sp_sentence *s)
{
  if (t->all == 1 && !t->within) {
    sp_say(s, "the one board %s", t->out ? "has a fret out" : t->undecided ? "is undecided" : "could not be used");
    return;
  }
  if (t->out)
    sp_say(s, "%zu of %zu board%s %s a fret out", t->out, t->all, t->all == 1 ? "" : "s", t->out == 1 ? "has" : "have");
  else if (t->undecided || t->unusable)
    sp_say(s, "of %zu board%s none is known to be out, but not all are known to be within", t->all,
           t->all == 1 ? "" : "s");
  else
    sp_say(s, "%s %zu board%s", t->all == 1 ? "the" : "all", t->all, t->all == 1 ? "" : "s");
  if (!t->out && !t->undecided && !t->unusable)
    return;
  sp_say(s, "; %zu within", t->within);
  if (t->undecided)
    sp_say(s, ", %zu undecided", t->undecided);
  if (t->unusable)
    sp_say(s, ", %zu could not be used", t->unusable);
}

void sp_batch_say_point(const sp_chart_point *p, int kind, sp_sentence *s)
{
  sp_say(s, "%s %+.3f mm (limits %+.3f to %+.3f)", sp_batch_chart_words(kind), p->value, p->lower, p->upper);
  for (unsigned r = 0; r < SP_RULE_COUNT; r++)
    if (p->rules & 1u << r)
      sp_say(s, ", %s", sp_batch_rule_words(1u << r));
}

void sp_batch_say_step(const sp_batch_fret *f, sp_sentence *s)
{
  sp_say(s, "it lies %.3f mm (+/- %.3f) nearer the %s than before; look for what was changed then", fabs(f->step_mm),
         2.0 * f->u_step_mm, f->step_mm < 0.0 ? "nut" : "bridge");
}

void sp_batch_say_capability(const sp_batch_group *g, sp_sentence *s)
{
  const sp_capability *c = &g->capability;
  if (!isfinite(c->cpk))
    return;
  sp_say(s, "All frets together, against +/- %.3g mm: Cp %.2f (%.2f to %.2f), Cpk %.2f (%.2f to %.2f). ",
         g->tolerance_mm, c->cp, c->cp_limits.lower, c->cp_limits.upper, c->cpk, c->cpk_limits.lower,
         c->cpk_limits.upper);
  if (c->cpk_limits.lower >= 1.0)
    sp_say(s, "The work keeps the tolerance with room to spare.");
  else if (c->cpk_limits.upper < 1.0)
    sp_say(s, "The work as it is will put frets out of tolerance now and then.");
  else
    sp_say(s, "Too few boards to tell whether the work keeps the tolerance in the long run (Cpk 1 or more).");
}

void sp_batch_say_order(const sp_batch *batch, const sp_batch_group *g, sp_sentence *s)
{
  const size_t count = g->chart[SP_BATCH_CHART_MEAN].count;
  const bool in_time = count && (batch->board[g->charted[0]].sequence || batch->board[g->charted[count - 1]].sequence);
  sp_say(s, "%s", in_time ? "as they were added to the history" : "in order of their names");
}

double sp_batch_gauge_percent(const sp_batch_study *s, double sd)
{
  return 600.0 * sd / (2.0 * s->tolerance_mm);
}

const char *sp_batch_gauge_words(double percent)
{
  return percent < 10.0   ? "Below 10 % of the tolerance a gauge is good (common rule, AIAG)."
         : percent < 30.0 ? "From 10 to 30 % of the tolerance a gauge may serve (common rule, AIAG)."
                          : "Above 30 % of the tolerance a gauge does not serve (common rule, AIAG).";
}

void sp_batch_say_study(const sp_batch_study *s, sp_sentence *into)
{
  sp_say(into, "%zu board%s, %zu pe%s, %zu scans each, %zu frets together", s->design.parts,
         s->design.parts == 1 ? "" : "s", s->design.appraisers, s->design.appraisers == 1 ? "rson" : "ople",
         s->design.trials, s->design.blocks);
}
