/* Which line is which fret: the search's hypotheses are refined, the best is weighed against the best different one,
 * and only what stands clear of its rivals, and of chance, is handed out.
 *
 * Three questions are put to the best hypothesis.
 *   Is it more than chance?  Its score must stay above what clutter of the same density would give, and half of the
 *                            frets it claims to show must be at their places.
 *   Is it the only one?      Equal temperament is similar to itself: shifted by one fret and stretched by 2^(1/12)
 *                            it falls on itself. Only the nut, the ends, the number of lines or a known scale tell
 *                            the two apart. A rival that numbers most lines otherwise must be MARGIN nats worse.
 *   Is it the layout asked?  Another scale length is said only where it explains the lines far better, moves a fret
 *                            visibly and leaves much smaller residuals: a maker's errors may lean by chance.
 */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "match_internal.h"
#include "slotproof/numeric.h"

enum { MAX_FITS = 3 * SP_MATCH_KEEP, REFERENCE_RANK = 4, NEAR_LEAST = 4 };
static const double MARGIN = 5.0;         /* nats: odds of 150 to 1 */
static const double CHANCE_MARGIN = 2.0;  /* nats above clutter, after the Occam factors */
static const double OTHER_MARGIN = 10.0;  /* nats */
static const double OTHER_MOVES_MM = 1.3; /* at the last fret seen: errors that add up on the way reach half of that */
static const double OTHER_SIGMAS = 4.0;   /* of the picture's own scale */
static const double OTHER_RATIO = 6.0;    /* residual variance as asked over that with the scale length free */
static const double SLIP_MM = 0.6;        /* further off: a slip, not the hand */
static const double LEAST_STRETCH = 0.5, MOST_STRETCH = 2.0;
static const double CONTEST_NATS = 3.0;   /* odds of 20 to 1 between two lines for one fret */
static const double STRAY_STRENGTH = 0.5; /* against the median mark */
static const double EDGE_MM = 1.0;        /* a line so near the board's end is the end */

typedef struct fits {
  size_t count, frets;
  sp_fit fit[MAX_FITS];
  ptrdiff_t *lines; /* MAX_FITS rows of frets + 1 */
} fits;

static sp_status fits_init(fits *f, size_t frets, sp_error *err)
{
  memset(f, 0, sizeof *f);
  f->frets = frets;
  f->lines = calloc(MAX_FITS * (frets + 1), sizeof *f->lines);
  if (!f->lines)
    return sp_fail_memory(err);
  for (size_t i = 0; i < MAX_FITS; i++)
    f->fit[i].line = f->lines + i * (frets + 1);
  return SP_OK;
}

static void refine_into(sp_model *m, fits *f, const sp_hypothesis *seed, bool free)
{
  if (f->count == MAX_FITS)
    return;
  sp_fit *fit = &f->fit[f->count];
  sp_refine(m, seed, free, fit);
  f->count += fit->valid;
}

/* Every hypothesis of the lists, as asked and with the stretch free. */
static sp_status propose(sp_model *m, fits *f, sp_error *err)
{
  sp_shortlist list;
  sp_status status = SP_OK;
  const bool known = m->options->scale_known;
  if (known) {
    status = sp_search_fixed(m, &list, err);
    for (size_t i = 0; !status && i < list.count; i++)
      refine_into(m, f, &list.h[i], false);
  }
  if (!status)
    status = sp_search_free(m, known ? LEAST_STRETCH : 0.0, known ? MOST_STRETCH : INFINITY, &list, err);
  for (size_t i = 0; !status && i < list.count; i++) {
    refine_into(m, f, &list.h[i], true);
    if (known && fabs(list.h[i].stretch - 1.0) < 6.0 * m->options->u_relative_scale)
      refine_into(m, f, &list.h[i], false);
  }
  return status;
}

static const sp_fit *best_of(const fits *f, bool free)
{
  const sp_fit *best = NULL;
  for (size_t i = 0; i < f->count; i++)
    if (f->fit[i].valid && f->fit[i].h.free == free && (!best || f->fit[i].h.score > best->h.score))
      best = &f->fit[i];
  return best;
}

static double best_score(const fits *f)
{
  double best = -INFINITY;
  for (size_t i = 0; i < f->count; i++)
    if (f->fit[i].valid)
      best = fmax(best, f->fit[i].h.score);
  return best;
}

/* Median strength of the lines a hypothesis calls frets; NAN if there are none. `strength` is indexed as the input. */
static double median_strength(const sp_fit *fit, size_t frets, const sp_match_line *lines, double *work)
{
  size_t n = 0;
  for (size_t k = 0; k <= frets; k++)
    if (fit->line[k] >= 0)
      work[n++] = sp_line_strength(&lines[fit->line[k]]);
  return sp_median(work, n);
}

/* Now that the best hypothesis tells how strong a mark is: refine those in the running again. */
static sp_status refine_again(sp_model *m, fits *f, const sp_match_line *lines, double *reference, sp_error *err)
{
  const double best = best_score(f);
  double *work = malloc((f->frets + 1) * sizeof *work);
  if (!work)
    return sp_fail_memory(err);
  for (size_t i = 0; i < f->count; i++)
    if (f->fit[i].valid && f->fit[i].h.score >= best) {
      const double median = median_strength(&f->fit[i], f->frets, lines, work);
      *reference = median > 0.0 ? median : *reference;
    }
  free(work);
  sp_model_set_reference(m, *reference);
  for (size_t i = 0; i < f->count; i++) {
    const sp_hypothesis seed = f->fit[i].h;
    if (f->fit[i].valid && seed.score >= best - SP_MATCH_DEPTH)
      sp_refine(m, &seed, seed.free, &f->fit[i]);
    else
      f->fit[i].valid = false;
  }
  return SP_OK;
}

/* ---- rivals ------------------------------------------------------------------------------------------------------ */

static ptrdiff_t fret_of(const sp_fit *fit, size_t frets, ptrdiff_t line)
{
  for (size_t k = 0; k <= frets; k++)
    if (fit->line[k] == line)
      return (ptrdiff_t)k;
  return -1;
}

/* Most lines that are frets in both bear another number, or there are no such lines, or the nut is at the other end. */
static bool different(const sp_fit *a, const sp_fit *b, size_t frets)
{
  size_t common = 0, other = 0;
  if (a->h.mirrored != b->h.mirrored)
    return true;
  for (size_t k = 0; k <= frets; k++) {
    const ptrdiff_t at = a->line[k] >= 0 ? fret_of(b, frets, a->line[k]) : -1;
    common += at >= 0;
    other += at >= 0 && at != (ptrdiff_t)k;
  }
  return common == 0 || 2 * other > common;
}

static const sp_fit *rival_of(const fits *f, const sp_fit *pick)
{
  const sp_fit *rival = NULL;
  for (size_t i = 0; i < f->count; i++)
    if (f->fit[i].valid && (!rival || f->fit[i].h.score > rival->h.score) && different(pick, &f->fit[i], f->frets))
      rival = &f->fit[i];
  return rival;
}

/* ---- another scale length? --------------------------------------------------------------------------------------- */

static double off_mm(const sp_model *m, const sp_hypothesis *h, size_t k, const sp_match_line *line)
{
  const double x = h->mirrored ? -line->position : line->position;
  return x - h->origin - h->stretch * m->layout->position_mm[k];
}

/* Does the other scale length leave much smaller residuals than the asked one? Slips are left out: they fit neither. */
static bool leaves_less(const sp_model *m, const sp_fit *asked, const sp_fit *other, const sp_match_line *lines)
{
  double sum_asked = 0.0, sum_other = 0.0;
  for (size_t k = 0; k <= m->frets; k++) {
    if (other->line[k] < 0)
      continue;
    const double d_other = off_mm(m, &other->h, k, &lines[other->line[k]]);
    const double d_asked = off_mm(m, &asked->h, k, &lines[other->line[k]]);
    if (fabs(d_other) > SLIP_MM)
      continue;
    sum_asked += d_asked * d_asked;
    sum_other += d_other * d_other;
  }
  return sum_asked > OTHER_RATIO * sum_other;
}

static bool clearly_other(const sp_model *m, const sp_fit *asked, const sp_fit *other, const sp_match_line *lines)
{
  const double change = fabs(other->h.stretch - 1.0);
  if (!(change * m->layout->position_mm[other->last] > OTHER_MOVES_MM) ||
      !(change > OTHER_SIGMAS * m->options->u_relative_scale))
    return false;
  if (!asked)
    return true;
  const double better = other->h.score - asked->h.score;
  if (different(asked, other, m->frets))
    return better > MARGIN;
  return better > OTHER_MARGIN && leaves_less(m, asked, other, lines);
}

/* ---- the answer -------------------------------------------------------------------------------------------------- */

static bool more_than_chance(const sp_fit *fit)
{
  const size_t shown = (size_t)(fit->last - fit->first) + 1, seen = fit->near_count + fit->nut_is_end;
  return seen >= NEAR_LEAST && 2 * seen >= shown && fit->score_even > CHANCE_MARGIN;
}

/* "frets 2 to 8", "the nut to fret 7". */
static void name_run(char *text, size_t size, ptrdiff_t first, ptrdiff_t last, double scale_mm)
{
  const int used = first == 0 ? snprintf(text, size, "the nut and frets 1 to %td", last)
                              : snprintf(text, size, "frets %td to %td", first, last);
  if (used > 0 && (size_t)used < size && isfinite(scale_mm))
    snprintf(text + used, size - (size_t)used, " of a scale length of %.1f mm", scale_mm);
}

static double told_scale(const sp_model *m, const sp_fit *a, const sp_fit *b)
{
  return m->options->scale_known && (a->h.free || b->h.free) ? m->layout->scale_length_mm * a->h.stretch : (double)NAN;
}

/* The frets that the lines common to both would be, in `pick` and in `rival`. */
static void say_ambiguous(const sp_model *m, const sp_fit *pick, const sp_fit *rival, sp_match *match)
{
  ptrdiff_t run[2][2] = {{pick->first, pick->last}, {rival->first, rival->last}};
  char name[2][64];
  ptrdiff_t seen = 0;
  for (size_t k = 0; k <= m->frets; k++) {
    const ptrdiff_t at = pick->line[k] >= 0 ? fret_of(rival, m->frets, pick->line[k]) : -1;
    if (at < 0)
      continue;
    if (seen++ == 0) {
      run[0][0] = (ptrdiff_t)k;
      run[1][0] = at;
    }
    run[0][1] = (ptrdiff_t)k;
    run[1][1] = at;
  }
  if (run[1][0] > run[1][1]) {
    const ptrdiff_t swap = run[1][0];
    run[1][0] = run[1][1];
    run[1][1] = swap;
  }
  name_run(name[0], sizeof name[0], run[0][0], run[0][1], told_scale(m, pick, rival));
  name_run(name[1], sizeof name[1], run[1][0], run[1][1], told_scale(m, rival, pick));
  snprintf(match->reason, sizeof match->reason, "these could be %s or %s%s: show the board's nut end%s", name[0],
           name[1], pick->h.mirrored != rival->h.mirrored ? " from the other end" : "",
           m->options->scale_known ? "" : " or add a rule");
  match->state = SP_MATCH_AMBIGUOUS;
}

static void say_none(sp_match *match, size_t usable)
{
  match->state = SP_MATCH_NONE;
  if (usable < NEAR_LEAST)
    snprintf(match->reason, sizeof match->reason,
             "%zu line%s across the board found, too few to tell which frets they are: show more of the board", usable,
             usable == 1 ? "" : "s");
  else
    snprintf(match->reason, sizeof match->reason,
             "no layout explains the %zu lines found: check scale length, number of frets and divisions, and that the "
             "marks show clearly",
             usable);
}

static void mark_strays(const sp_model *m, double reference, const sp_match_line *lines, sp_match *match)
{
  const sp_match_options *o = m->options;
  const double edge = EDGE_MM / (o->scale_known ? 1.0 : match->mm_per_unit);
  for (size_t i = 0; i < m->count; i++) {
    const size_t id = m->line[0][i].id;
    match->is_stray[id] = !lines[id].nut_only && sp_line_strength(&lines[id]) >= STRAY_STRENGTH * reference;
    for (int e = 0; e < 2; e++)
      if (o->has_end[e] && fabs(lines[id].position - o->end_position[e]) < edge)
        match->is_stray[id] = false;
  }
  for (size_t k = 0; k <= m->frets; k++)
    if (match->line_of_fret[k] >= 0)
      match->is_stray[match->line_of_fret[k]] = false;
}

/* Behind a zero fret stands the nut. Where it is to be found was told, or it is the first line there is: its face. */
static void find_nut_behind(const sp_model *m, const sp_fit *pick, sp_match *match)
{
  const double told = m->layout->nut_behind_mm, unit = sp_model_unit(m, &pick->h), nut = sp_model_nut(m, &pick->h);
  const sp_model_line *l = m->line[pick->h.mirrored];
  double best = INFINITY;
  for (size_t i = 0; i < m->count; i++) {
    const double behind_mm = (nut - l[i].x) * unit, off = isnan(told) ? behind_mm : fabs(behind_mm - told);
    if (!(behind_mm >= SP_NUT_BEHIND_LEAST_MM && behind_mm <= SP_NUT_BEHIND_MOST_MM))
      continue;
    const bool serves = match->is_stray[l[i].id] && (isnan(told) || off <= SP_NUT_BEHIND_REACH_MM);
    match->is_stray[l[i].id] = false;
    if (serves && off < best) {
      best = off;
      match->nut_behind = (ptrdiff_t)l[i].id;
    }
  }
}

/* Frets for which an unused line would do about as well as the one chosen. */
static void mark_contested(const sp_model *m, const sp_fit *pick, sp_match *match)
{
  const sp_model_line *l = m->line[pick->h.mirrored];
  for (size_t k = 0; k <= m->frets; k++) {
    double chosen = INFINITY, other = -INFINITY;
    for (size_t i = 0; i < m->count && pick->line[k] >= 0; i++) {
      const double gain = sp_model_gain(m, &pick->h, k, &l[i]);
      if ((ptrdiff_t)l[i].id == pick->line[k])
        chosen = gain;
      else if (fret_of(pick, m->frets, (ptrdiff_t)l[i].id) < 0)
        other = fmax(other, gain);
    }
    match->is_contested[k] = chosen - other < CONTEST_NATS;
  }
}

static void hand_out(const sp_model *m, const sp_fit *pick, const sp_fit *unasked, double reference,
                     const sp_match_line *lines, sp_match *match)
{
  const bool known = m->options->scale_known;
  match->direction = pick->h.mirrored ? -1 : 1;
  match->nut_position = pick->h.mirrored ? -sp_model_nut(m, &pick->h) : sp_model_nut(m, &pick->h);
  match->mm_per_unit = known ? 1.0 : 1.0 / pick->h.stretch;
  if (known)
    match->scale_length_mm = m->layout->scale_length_mm * (unasked ? unasked->h.stretch : pick->h.stretch);
  match->nut_is_end = pick->nut_is_end;
  match->nut_end = pick->h.mirrored ? 1 : 0;
  match->nut_end_assumed = pick->nut_is_end && m->options->nut_may_be_line && !m->options->nut_told;
  memcpy(match->line_of_fret, pick->line, (m->frets + 1) * sizeof *match->line_of_fret);
  mark_strays(m, reference, lines, match);
  if (m->layout->zero_fret)
    find_nut_behind(m, pick, match);
  mark_contested(m, pick, match);
}

/* The best hypothesis that numbers the lines like `pick` and leaves the stretch free; NULL if there is none. */
static const sp_fit *freed(const fits *f, const sp_fit *pick)
{
  const sp_fit *best = NULL;
  for (size_t i = 0; i < f->count; i++)
    if (f->fit[i].valid && f->fit[i].h.free && (!best || f->fit[i].h.score > best->h.score) &&
        !different(pick, &f->fit[i], f->frets))
      best = &f->fit[i];
  return best;
}

static void decide(const sp_model *m, const fits *f, double reference, const sp_match_line *lines, sp_match *match)
{
  const sp_fit *asked = best_of(f, false), *other = best_of(f, true), *pick = asked;
  if (!m->options->scale_known || (other && clearly_other(m, asked, other, lines)))
    pick = other;
  if (!pick || !more_than_chance(pick)) {
    say_none(match, m->count);
    return;
  }
  /* The numbering is weighed whatever its stretch: a board that shrank a little is numbered no less surely. */
  const sp_fit *rival = rival_of(f, pick), *free_pick = freed(f, pick);
  const double score = free_pick ? fmax(pick->h.score, free_pick->h.score) : pick->h.score;
  match->margin = rival ? score - rival->h.score : score;
  if (!(match->margin >= MARGIN)) {
    if (rival)
      say_ambiguous(m, pick, rival, match);
    else
      say_none(match, m->count);
    return;
  }
  match->state = m->options->scale_known && pick->h.free ? SP_MATCH_OTHER_SCALE : SP_MATCH_OK;
  hand_out(m, pick, free_pick, reference, lines, match);
  if (match->state == SP_MATCH_OTHER_SCALE)
    snprintf(match->reason, sizeof match->reason,
             "the lines follow a scale length of %.1f mm, not %.1f mm: check which board it is and the picture's scale",
             match->scale_length_mm, m->layout->scale_length_mm);
}

static sp_status match_init(sp_match *match, size_t count, size_t frets, const sp_match_options *options, sp_error *err)
{
  memset(match, 0, sizeof *match);
  match->state = SP_MATCH_NONE;
  match->nut_position = NAN;
  match->nut_behind = -1;
  match->scale_length_mm = NAN;
  match->mm_per_unit = options->scale_known ? 1.0 : (double)NAN;
  match->line_of_fret = calloc(frets + 1, sizeof *match->line_of_fret);
  match->is_stray = calloc(count + 1, sizeof *match->is_stray);
  match->is_contested = calloc(frets + 1, sizeof *match->is_contested);
  if (!match->line_of_fret || !match->is_stray || !match->is_contested) {
    sp_match_free(match);
    return sp_fail_memory(err);
  }
  for (size_t k = 0; k <= frets; k++)
    match->line_of_fret[k] = -1;
  return SP_OK;
}

static sp_status run(sp_model *m, fits *f, const sp_match_line *lines, sp_match *match, sp_error *err)
{
  double reference = sp_model_strong(m, REFERENCE_RANK);
  sp_model_set_reference(m, reference);
  sp_status status = propose(m, f, err);
  if (!status && f->count)
    status = refine_again(m, f, lines, &reference, err);
  if (!status)
    decide(m, f, reference, lines, match);
  return status;
}

sp_status sp_match_lines(const sp_match_line *lines, size_t count, const sp_layout *layout,
                         const sp_match_options *options, sp_match *match, sp_error *err)
{
  sp_model model;
  sp_status status = match_init(match, count, (size_t)layout->frets, options, err);
  if (status)
    return status;
  status = sp_model_init(&model, lines, count, layout, options, err);
  if (!status && (model.count < 3 || !(model.extent > 0.0))) {
    say_none(match, model.count);
  } else if (!status) {
    fits *f = malloc(sizeof *f);
    status = f ? fits_init(f, (size_t)layout->frets, err) : sp_fail_memory(err);
    if (!status)
      status = run(&model, f, lines, match, err);
    if (f)
      free(f->lines);
    free(f);
  }
  sp_model_free(&model);
  if (status)
    sp_match_free(match);
  return status;
}

void sp_match_free(sp_match *match)
{
  free(match->line_of_fret);
  free(match->is_stray);
  free(match->is_contested);
  match->line_of_fret = NULL;
  match->is_stray = match->is_contested = NULL;
}
