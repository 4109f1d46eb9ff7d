/* How likely the lines are under a hypothesis of direction, nut and stretch.
 *
 * Every term is a logarithm of a ratio (nats) against the null hypothesis "there is no board, every line is clutter".
 *
 *   line i is fret k   log [ P(seen) f(d) q(s) / lambda(s) ]
 *   fret missing       log P(missing); a whole run at either end of the layout costs as one: part of a board is shown
 *   line unexplained   0 by construction: it forgoes the gain, which is large for a strong line, small for a weak one
 *   board's end        where the end lies against the nut: at it, a little before it, or anywhere
 *
 * q counts what a line leans off the others, too. f is the density of the hand's error d, mm: a core, a shoulder and a
 * tail of a few per cent that reaches out a few mm (a slip of the rule, a misread figure). Of the three the largest is
 * taken instead of the sum: no exponential is needed and the difference is at most log 3. q(s) is how often a mark of
 * the board looks as weak as s; lambda is the density of lines that are no fret, per mm. For strong lines lambda is one
 * a board, stated beforehand: strays are rare. For weak ones it is counted in the picture itself, so that a lone faint
 * line at the right place may be a faint fret, while one of a hundred chatter marks may not.
 *
 * A fret is looked for within 0.4 of the distance to the nearer neighbour, so no line can serve two frets and order
 * is kept whatever is chosen: the best assignment is simply the best line for each fret, and only where the visible
 * run of frets begins and ends needs a recurrence (one pass, like the maximum sub-array).
 *
 * The constants below are priors, common practice without a source: hand errors of a tenth or two, slips now and then.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "match_internal.h"
#include "slotproof/numeric.h"

static const double CORE_MM = 0.15, SHOULDER_MM = 0.4;
static const double CORE_PART = 0.80, SHOULDER_PART = 0.17;
/* Tail: the remaining 0.03 spread over 7 mm, falling by e over TAIL_FALL_MM; nothing is looked for further out. */
static const double LOG_TAIL = -5.45, TAIL_MM = 3.5, TAIL_FALL_MM = 4.0;
static const double REACH_PART = 0.4;
static const double MISSING_COST = 3.0;                   /* nats: P about 0.05 */
static const double RUN_COST = 5.0, RUN_STEP_COST = 0.15; /* nats: a part of the board is shown */
static const double LOOK_SD = 0.45, LOOK_FLOOR = 0.004;   /* log of strength; chance of a mark however faint */
/* Lean of a single line: a square slips by half a degree; one mark in thirty may lean by anything. */
static const double ASKEW_SD_RAD = 0.009, ASKEW_MOST = 3.5;
/* One tool leaves lines of one colour. One of the other is a scratch or a burr more often than a slip of millimetres;
 * where it should be it may be a line all the same. */
static const double ODD_COLOUR_COST = 4.5;
/* A line that is no slot on a board of slots is a pencil's more often than the nut: so much that it is the nut where
 * the hand may have put it, and not where it would be a slip of some millimetres. */
static const double NUT_ONLY_COST = 4.5;
/* Board's end against the nut. */
static const double END_SD_MM = 0.5, END_REACH_MM = 1.6, END_BEYOND_MM = 25.0;
/* The highest log f: a line at its place with no uncertainty of its own. */
static const double LOG_CORE_PEAK = 0.756;
static const double LOG_SQRT_2PI = 0.91893853320467274178;
/* How often a board's end is the nut, and how often there is a line a little inside it. */
static const double LAYOUT_END_PART = 0.45;

static int by_place(const void *a, const void *b)
{
  const double x = ((const sp_model_line *)a)->x, y = ((const sp_model_line *)b)->x;
  return (x > y) - (x < y);
}

double sp_line_strength(const sp_match_line *line)
{
  return line->strength > 0.0 ? fmin(line->strength, 1.0) : 0.0;
}

static double askew_nats(const sp_match_line *line)
{
  const double z = line->askew_rad / ASKEW_SD_RAD;
  return -fmin(0.5 * z * z, ASKEW_MOST);
}

static void copy_lines(sp_model *m, const sp_match_line *lines, size_t count)
{
  for (size_t i = 0; i < count; i++) {
    if (!isfinite(lines[i].position))
      continue;
    sp_model_line *l = &m->line[0][m->count++];
    l->x = lines[i].position;
    l->u = lines[i].u_position > 0.0 && isfinite(lines[i].u_position) ? lines[i].u_position : 0.0;
    l->strength = sp_line_strength(&lines[i]);
    l->part = lines[i].part;
    l->nut_only = lines[i].nut_only;
    l->askew =
        askew_nats(&lines[i]) - (l->nut_only ? NUT_ONLY_COST : 0.0) - (lines[i].odd_colour ? ODD_COLOUR_COST : 0.0);
    l->id = i;
  }
  qsort(m->line[0], m->count, sizeof *m->line[0], by_place);
  for (size_t i = 0; i < m->count; i++) {
    m->line[1][m->count - 1 - i] = m->line[0][i];
    m->line[1][m->count - 1 - i].x = -m->line[0][i].x;
  }
}

/* The board between its ends, or what the lines span and one spacing more. */
static double extent_of(const sp_model *m)
{
  const sp_match_options *o = m->options;
  if (m->count < 2)
    return 0.0;
  const double n = (double)m->count, span = m->line[0][m->count - 1].x - m->line[0][0].x;
  const double whole = o->has_end[0] && o->has_end[1] ? o->end_position[1] - o->end_position[0] : 0.0;
  return fmax(whole, span * n / (n - 1.0));
}

static void set_reach(sp_model *m)
{
  const double *p = m->layout->position_mm;
  for (size_t k = 0; k <= m->frets; k++) {
    double nearer = INFINITY;
    if (k > 0)
      nearer = p[k] - p[k - 1];
    if (k < m->frets)
      nearer = fmin(nearer, p[k + 1] - p[k]);
    m->reach_mm[k] = fmin(REACH_PART * nearer, TAIL_MM);
  }
}

sp_status sp_model_init(sp_model *m, const sp_match_line *lines, size_t count, const sp_layout *layout,
                        const sp_match_options *options, sp_error *err)
{
  memset(m, 0, sizeof *m);
  m->layout = layout;
  m->options = options;
  m->frets = (size_t)layout->frets;
  m->line[0] = calloc(count + 1, sizeof *m->line[0]);
  m->line[1] = calloc(count + 1, sizeof *m->line[1]);
  m->reach_mm = calloc(m->frets + 1, sizeof *m->reach_mm);
  m->assigned = calloc(m->frets + 1, sizeof *m->assigned);
  if (!m->line[0] || !m->line[1] || !m->reach_mm || !m->assigned) {
    sp_model_free(m);
    return sp_fail_memory(err);
  }
  copy_lines(m, lines, count);
  m->extent = extent_of(m);
  set_reach(m);
  sp_model_set_unit(m, options->scale_known ? 1.0 : 0.0);
  return SP_OK;
}

void sp_model_free(sp_model *m)
{
  free(m->line[0]);
  free(m->line[1]);
  free(m->reach_mm);
  free(m->assigned);
  memset(m, 0, sizeof *m);
}

static int stronger_first(const void *a, const void *b)
{
  const double x = *(const double *)a, y = *(const double *)b;
  return (x < y) - (x > y);
}

double sp_model_strong(const sp_model *m, size_t rank)
{
  double strongest[8] = {0.0};
  const size_t room = sizeof strongest / sizeof *strongest;
  for (size_t i = 0; i < m->count; i++) {
    if (m->line[0][i].strength > strongest[room - 1])
      strongest[room - 1] = m->line[0][i].strength;
    qsort(strongest, room, sizeof *strongest, stronger_first);
  }
  while (rank > 0 && strongest[rank] <= 0.0)
    rank--;
  return strongest[rank] > 0.0 ? strongest[rank] : 1.0;
}

/* How many lines look alike within 0.15 of the reference strength. */
static size_t lookalikes(const sp_model *m, double strength, double reference)
{
  size_t n = 0;
  for (size_t i = 0; i < m->count; i++)
    n += fabs(m->line[0][i].strength - strength) <= 0.15 * reference;
  return n;
}

void sp_model_set_reference(sp_model *m, double reference)
{
  m->base_most = -INFINITY;
  for (size_t i = 0; i < m->count; i++) {
    sp_model_line *l = &m->line[0][i];
    const double ratio = fmax(l->strength / reference, 1e-3);
    const double z = ratio < 1.0 ? log(ratio) / LOOK_SD : 0.0;
    const double look = log(exp(-0.5 * z * z) + LOOK_FLOOR) + l->askew;
    /* Weak lines are counted in full, those like a mark not at all: most of these are marks. */
    const double part = fmin(1.0, fmax(0.0, (0.8 - ratio) / 0.3));
    const double alike = (double)lookalikes(m, l->strength, reference);
    l->base = look - log(1.0 + part * alike);
    l->base_even = look - log(1.0 + alike);
    m->base_most = fmax(m->base_most, l->base);
    m->line[1][m->count - 1 - i].base = l->base;
    m->line[1][m->count - 1 - i].base_even = l->base_even;
  }
}

void sp_model_set_unit(sp_model *m, double mm_per_unit)
{
  const double sd[2] = {CORE_MM, SHOULDER_MM}, part[2] = {CORE_PART, SHOULDER_PART};
  for (int side = 0; side < 2; side++)
    for (size_t i = 0; i < m->count; i++) {
      sp_model_line *l = &m->line[side][i];
      const double u_mm = l->u * mm_per_unit;
      for (int c = 0; c < 2; c++) {
        const double var = sd[c] * sd[c] + u_mm * u_mm;
        l->inverse_var[c] = 1.0 / var;
        l->log_peak[c] = log(part[c]) - LOG_SQRT_2PI - 0.5 * log(var);
      }
    }
}

double sp_model_nut(const sp_model *m, const sp_hypothesis *h)
{
  return h->origin + h->stretch * m->layout->position_mm[0];
}

bool sp_model_suits(const sp_model *m, const sp_model_line *l, size_t k)
{
  if (l->nut_only && k > 0)
    return false;
  return !l->part || sp_layout_is_partial(m->layout, (int32_t)k);
}

double sp_model_unit(const sp_model *m, const sp_hypothesis *h)
{
  return m->options->scale_known ? 1.0 : 1.0 / h->stretch;
}

/* fmax costs a call, and nothing here is NAN. */
static inline double larger(double a, double b)
{
  return a > b ? a : b;
}

/* log f(d), 1/mm. */
static double hand_error(const sp_model_line *l, double d_mm)
{
  const double square = d_mm * d_mm;
  const double core = l->log_peak[0] - 0.5 * square * l->inverse_var[0];
  const double shoulder = l->log_peak[1] - 0.5 * square * l->inverse_var[1];
  const double tail = LOG_TAIL - fabs(d_mm) / TAIL_FALL_MM;
  return larger(larger(core, shoulder), tail);
}

double sp_model_gain(const sp_model *m, const sp_hypothesis *h, size_t k, const sp_model_line *l)
{
  const double d = l->x - h->origin - h->stretch * m->layout->position_mm[k], unit = sp_model_unit(m, h);
  if (!sp_model_suits(m, l, k))
    return -INFINITY;
  return fabs(d) <= h->stretch * m->reach_mm[k] ? l->base + log(m->extent * unit) + hand_error(l, d * unit) : -INFINITY;
}

static double run_cost(size_t missing)
{
  const double each = MISSING_COST * (double)missing;
  const double run = RUN_COST + RUN_STEP_COST * (double)missing;
  return each < run ? each : run;
}

/* Gains of the nut's states from the place of the board's end; all 0 where no end is known. */
typedef struct nut_terms {
  double line, end, unseen;
} nut_terms;

static nut_terms nut_terms_of(const sp_model *m, const sp_hypothesis *h, double unit, double log_extent)
{
  const int e = h->mirrored ? 1 : 0;
  const sp_match_options *o = m->options;
  nut_terms t = {0.0, -INFINITY, 0.0};
  if (!o->has_end[e])
    return t;
  const double place = h->mirrored ? -o->end_position[e] : o->end_position[e];
  const double beyond_mm = (sp_model_nut(m, h) - place) * unit; /* > 0: the board goes on behind the nut */
  const double half = log(LAYOUT_END_PART) + log_extent;
  if (o->nut_may_be_end && fabs(beyond_mm) <= END_REACH_MM) {
    const double z = beyond_mm / END_SD_MM;
    t.end = half + fmax(log(0.9 / END_SD_MM) - LOG_SQRT_2PI - 0.5 * z * z, log(0.1 / (2.0 * END_REACH_MM)));
  }
  if (beyond_mm > END_BEYOND_MM)
    t.line = log(0.1);
  else if (beyond_mm >= -0.5)
    t.line = half + log(0.9 / END_BEYOND_MM);
  else
    t.line = log(0.02);
  t.unseen = beyond_mm >= -0.5 ? t.line : log(0.1);
  return t;
}

/* The best line within reach of fret k; *p is where the previous fret's window began. */
static double best_line(const sp_model *m, const sp_hypothesis *h, size_t k, double unit, double extra, size_t *p,
                        ptrdiff_t *chosen)
{
  const sp_model_line *l = m->line[h->mirrored];
  const double at = h->origin + h->stretch * m->layout->position_mm[k], reach = h->stretch * m->reach_mm[k];
  double best = -INFINITY;
  *chosen = -1;
  while (*p < m->count && l[*p].x < at - reach)
    (*p)++;
  for (size_t i = *p; i < m->count && l[i].x <= at + reach; i++) {
    const double gain = l[i].base + extra + hand_error(&l[i], (l[i].x - at) * unit);
    if (gain > best && sp_model_suits(m, &l[i], k)) {
      best = gain;
      *chosen = (ptrdiff_t)i;
    }
  }
  return best;
}

/* The visible run of frets: begins at a found one, ends at a found one, the frets between found or missing. */
typedef struct visible_run {
  double open;   /* best sum of a run that is still going on */
  size_t begun;  /* the fret it begins at */
  bool with_nut; /* and the nut is seen although the frets between are not */
  double best;   /* best sum of a run with what misses before and behind it */
  size_t first, last;
  bool best_with_nut;
} visible_run;

/* `gain` if fret k is found; `unseen` and `nut`: what the nut brings (nut = -INFINITY where it is not seen). */
static void extend_run(visible_run *r, size_t k, size_t frets, double gain, double unseen, double nut)
{
  const double from_here = k == 0 ? 0.0 : unseen - run_cost(k), from_nut = k == 0 ? -INFINITY : nut - run_cost(k - 1);
  const double start = larger(from_here, from_nut), missed = r->open - MISSING_COST;
  const bool begins = start > r->open;
  const double found = larger(start, r->open) + gain;
  const size_t begun = begins ? k : r->begun;
  const bool with_nut = begins ? from_nut > from_here : r->with_nut;
  const double closed = found - run_cost(frets - k);
  if (closed > r->best) {
    r->best = closed;
    r->first = begun;
    r->last = k;
    r->best_with_nut = with_nut;
  }
  r->open = larger(found, missed);
  if (found >= missed) {
    r->begun = begun;
    r->with_nut = with_nut;
  }
}

/* Keeps what lies in the visible run, and sums the score against plentiful strays. */
static void finish_assignment(const sp_model *m, const sp_hypothesis *h, const visible_run *run, bool nut_end,
                              sp_assignment *a)
{
  const bool nut = run->first == 0 || run->best_with_nut;
  a->first = nut ? 0 : (ptrdiff_t)run->first;
  a->last = (ptrdiff_t)run->last;
  a->nut_is_end = nut && nut_end;
  a->score_even = run->best;
  for (size_t k = 0; k <= m->frets; k++) {
    if (!(k == 0 && nut) && (k < run->first || k > run->last))
      a->line_of_fret[k] = -1;
    if (a->line_of_fret[k] >= 0) {
      const sp_model_line *l = &m->line[h->mirrored][a->line_of_fret[k]];
      a->score_even += l->base_even - l->base;
    }
  }
}

/* The nut lies where somebody says it does, or nobody says anything. */
static bool nut_as_told(const sp_model *m, const sp_hypothesis *h, double unit)
{
  const double told = h->mirrored ? -m->options->told_position : m->options->told_position;
  return !m->options->nut_told || fabs(sp_model_nut(m, h) - told) * unit <= m->reach_mm[0];
}

double sp_model_score(const sp_model *m, const sp_hypothesis *h, double floor, sp_assignment *a)
{
  const double unit = sp_model_unit(m, h), log_extent = log(m->extent * unit);
  const double most = fmax(0.0, m->base_most + log_extent + LOG_CORE_PEAK);
  const nut_terms nut = nut_terms_of(m, h, unit, log_extent);
  visible_run run = {-INFINITY, 0, false, -INFINITY, 0, 0, false};
  double nut_gain = -INFINITY;
  bool nut_end = false;
  size_t p = 0;
  if (!nut_as_told(m, h, unit))
    return -INFINITY;
  for (size_t k = 0; k <= m->frets; k++) {
    ptrdiff_t line;
    double gain = best_line(m, h, k, unit, log_extent, &p, &line);
    if (k == 0) {
      const double as_line = m->options->nut_may_be_line ? gain + nut.line : -INFINITY;
      nut_end = nut.end > as_line;
      nut_gain = gain = fmax(as_line, nut.end);
      line = m->options->nut_may_be_line && !nut_end ? line : -1;
    }
    if (a)
      a->line_of_fret[k] = gain > -MISSING_COST ? line : -1;
    extend_run(&run, k, m->frets, gain, nut.unseen, nut_gain);
    if (larger(larger(run.open, nut.unseen), nut_gain) + most * (double)(m->frets - k) < floor)
      return -INFINITY;
  }
  if (a)
    finish_assignment(m, h, &run, nut_end, a);
  return run.best;
}
