/* What a careful maker would do next. */
#include "slotproof/advice.h"

#include <math.h>
#include <stdlib.h>

/* Further than this nobody moves a nut or a saddle to save a few slots. */
static const double MOST_NUT_MM = 1.5, MOST_SADDLE_MM = 4.0;
/* Places are compared with the limit with this much slack, so that a fret on it counts as within. */
static const double SLACK_MM = 1e-9;
/* A string leaves a fret where its crown is highest, and that can be filed over by this part of the wire's width
 * without leaving a flank too steep (common practice, no source). */
static const double DRESSED_PART = 0.2;

double sp_advice_tolerance_mm(const sp_record *r, const sp_mark_record *m)
{
  double limit = isfinite(r->tolerance_mm) ? r->tolerance_mm : INFINITY;
  if (isfinite(r->tolerance_cents) && isfinite(m->error_cents) && m->error_mm != 0.0)
    limit = fmin(limit, r->tolerance_cents * fabs(m->error_mm / m->error_cents));
  return limit;
}

/* ---- one mark ------------------------------------------------------------------------------------------------------
 */

/* Does the saw, put where the mark ought to be, take the old line away? */
static bool line_goes(const sp_mark_record *m, double kerf_mm)
{
  const double width = isfinite(m->width_mm) ? m->width_mm : 0.0;
  return fabs(m->error_mm) + 0.5 * width <= 0.5 * kerf_mm;
}

static sp_action action_for(const sp_record *r, const sp_mark_record *m, double kerf_mm)
{
  if (m->fret == 0 || m->verdict == SP_MISSING)
    return SP_ACTION_NONE;
  if (m->verdict == SP_WITHIN)
    return SP_ACTION_LEAVE;
  if (m->verdict == SP_UNDECIDED || !isfinite(m->error_mm))
    return SP_ACTION_CHECK;
  if (r->marks_kind == SP_MARK_WIRE)
    return fabs(m->error_mm) <= DRESSED_PART * m->width_mm ? SP_ACTION_DRESS : SP_ACTION_REFRET;
  if (r->marks_kind == SP_MARK_SLOT)
    return SP_ACTION_FILL;
  return line_goes(m, kerf_mm) ? SP_ACTION_RECUT : SP_ACTION_RECUT_BESIDE;
}

/* ---- nut and saddle ------------------------------------------------------------------------------------------------
 */

typedef struct fret_room {
  double error, room; /* mm; how far the error may lie from 0 */
  double by_nut, by_saddle;
} fret_room;

typedef struct board_room {
  fret_room *fret;
  size_t count;
} board_room;

static double error_after(const fret_room *f, double nut, double saddle)
{
  return f->error - nut * f->by_nut - saddle * f->by_saddle;
}

static bool fits(const fret_room *f, double nut, double saddle)
{
  return fabs(error_after(f, nut, saddle)) <= f->room + SLACK_MM;
}

static size_t count_out(const board_room *b, double nut, double saddle)
{
  size_t out = 0;
  for (size_t i = 0; i < b->count; i++)
    out += !fits(&b->fret[i], nut, saddle);
  return out;
}

static bool allowed(double nut, double saddle)
{
  return fabs(nut) <= MOST_NUT_MM && fabs(saddle) <= MOST_SADDLE_MM;
}

static void consider(const board_room *b, double nut, double saddle, sp_remedy *best)
{
  if (!isfinite(nut) || !isfinite(saddle) || !allowed(nut, saddle))
    return;
  const size_t out = count_out(b, nut, saddle);
  const double size = fabs(nut) + fabs(saddle), before = fabs(best->nut_mm) + fabs(best->saddle_mm);
  if (out < best->recuts || (out == best->recuts && size < before)) {
    best->recuts = out;
    best->nut_mm = nut;
    best->saddle_mm = saddle;
  }
}

/* Least squares of the errors that fit already; kept if they all still fit. */
static void settle(const board_room *b, bool nut, bool saddle, sp_remedy *best)
{
  double nn = 0.0, ns = 0.0, ss = 0.0, ne = 0.0, se = 0.0;
  for (size_t i = 0; i < b->count; i++) {
    const fret_room *f = &b->fret[i];
    if (!fits(f, best->nut_mm, best->saddle_mm))
      continue;
    const double x = nut ? f->by_nut : 0.0, y = saddle ? f->by_saddle : 0.0;
    nn += x * x;
    ns += x * y;
    ss += y * y;
    ne += x * f->error;
    se += y * f->error;
  }
  const double det = nn * ss - ns * ns;
  double s = 0.0, t = 0.0;
  if (nut && saddle && det > 1e-9 * nn * ss) {
    s = (ss * ne - ns * se) / det;
    t = (nn * se - ns * ne) / det;
  } else if (nut && nn > 0.0) {
    s = ne / nn;
  } else if (saddle && ss > 0.0) {
    t = se / ss;
  }
  if (allowed(s, t) && count_out(b, s, t) == best->recuts) {
    best->nut_mm = s;
    best->saddle_mm = t;
  }
}

/* Where fret i is just within (`end` -1 or +1 of its room), with only one of both moved. */
static void consider_single(const board_room *b, bool nut, bool saddle, sp_remedy *best)
{
  for (size_t i = 0; i < b->count; i++)
    for (int end = -1; end <= 1; end += 2) {
      const fret_room *f = &b->fret[i];
      if (nut)
        consider(b, (f->error - end * f->room) / f->by_nut, 0.0, best);
      if (saddle)
        consider(b, 0.0, (f->error - end * f->room) / f->by_saddle, best);
    }
}

/* Where two frets are just within at once. */
static void consider_pairs(const board_room *b, sp_remedy *best)
{
  for (size_t i = 0; i < b->count; i++)
    for (size_t j = 0; j < i; j++)
      for (int ends = 0; ends < 4; ends++) {
        const fret_room *f = &b->fret[i], *g = &b->fret[j];
        const double x = f->error - (ends & 1 ? 1.0 : -1.0) * f->room, y = g->error - (ends & 2 ? 1.0 : -1.0) * g->room;
        const double det = f->by_nut * g->by_saddle - g->by_nut * f->by_saddle;
        consider(b, (x * g->by_saddle - y * f->by_saddle) / det, (f->by_nut * y - g->by_nut * x) / det, best);
      }
}

static sp_remedy find_remedy(const board_room *b, bool nut, bool saddle)
{
  sp_remedy best = {.recuts = count_out(b, 0.0, 0.0)};
  consider_single(b, nut, saddle, &best);
  if (nut && saddle)
    consider_pairs(b, &best);
  settle(b, nut, saddle, &best);
  return best;
}

/* False if nothing can be said of this mark: its doubt alone fills the tolerance, or it was not measured. */
static bool room_of(const sp_layout *layout, const sp_record *r, const sp_mark_record *m, fret_room *room)
{
  if (m->fret == 0 || !m->found || !isfinite(m->error_mm) || !isfinite(m->expanded_u_mm))
    return false;
  const double share = m->layout_mm / layout->scale_length_mm;
  *room = (fret_room){m->error_mm, sp_advice_tolerance_mm(r, m) - m->expanded_u_mm, 1.0 - share, share};
  return room->room > 0.0;
}

static size_t gather(const sp_layout *layout, const sp_record *r, fret_room *room)
{
  size_t n = 0;
  for (size_t i = 0; i < r->mark_count; i++)
    n += room_of(layout, r, &r->marks[i], &room[n]);
  return n;
}

/* Which frets are still to be cut again. */
static void note_remedy(const sp_layout *layout, int which, sp_record *r)
{
  const sp_remedy *remedy = &r->remedies[which];
  for (size_t i = 0; i < r->mark_count; i++) {
    fret_room room;
    r->marks[i].out_after[which] =
        room_of(layout, r, &r->marks[i], &room) && !fits(&room, remedy->nut_mm, remedy->saddle_mm);
  }
}

static size_t count_frets_out(const sp_record *r)
{
  size_t out = 0;
  for (size_t i = 0; i < r->mark_count; i++)
    out += r->marks[i].fret > 0 && r->marks[i].verdict == SP_OUT;
  return out;
}

static sp_status add_remedies(const sp_layout *layout, sp_record *r, sp_error *err)
{
  static const bool NUT[SP_REMEDIES] = {true, false, true}, SADDLE[SP_REMEDIES] = {false, true, true};
  board_room b = {calloc(r->mark_count + 1, sizeof *b.fret), 0};
  if (!b.fret)
    return sp_fail_memory(err);
  b.count = gather(layout, r, b.fret);
  const size_t unfit = count_out(&b, 0.0, 0.0), out = count_frets_out(r);
  const size_t now = out < unfit ? out : unfit; /* what is undecided is not cut again */
  size_t least = now;
  for (int k = 0; k < SP_REMEDIES; k++) {
    r->remedies[k] = find_remedy(&b, NUT[k], SADDLE[k]);
    /* worth a word only if it saves work, and moving both only if it saves more than moving one */
    r->remedies[k].helps = r->remedies[k].recuts < (NUT[k] && SADDLE[k] ? least : now);
    least = r->remedies[k].recuts < least ? r->remedies[k].recuts : least;
    note_remedy(layout, k, r);
  }
  free(b.fret);
  return SP_OK;
}

/* How broad the saw has cut. */
static void measure_kerf(sp_record *r)
{
  double sum = 0.0, square = 0.0;
  size_t n = 0;
  for (size_t i = 0; i < r->mark_count; i++)
    if (r->marks[i].fret > 0 && r->marks[i].found && isfinite(r->marks[i].width_mm)) {
      sum += r->marks[i].width_mm;
      n++;
    }
  r->sawn_mm = n ? sum / (double)n : NAN;
  for (size_t i = 0; i < r->mark_count; i++)
    if (r->marks[i].fret > 0 && r->marks[i].found && isfinite(r->marks[i].width_mm))
      square += pow(r->marks[i].width_mm - r->sawn_mm, 2.0);
  r->sawn_sd_mm = n > 1 ? sqrt(square / (double)(n - 1)) : NAN;
}

/* More than is worth a word, whatever the doubt; false where either is not known. */
static bool beyond_doubt(double mm, double u_mm)
{
  return mm - 2.0 * u_mm > SP_SLOT_WORTH_MM;
}

static unsigned troubles_of(const sp_slot_record *s, double tang_mm)
{
  unsigned troubles = 0;
  const double u_range = sqrt(2.0) * s->u_kerf_window_mm;
  if (!s->known)
    return 0;
  if (beyond_doubt(fabs(s->widening_mm), s->u_widening_mm))
    troubles |= SP_SLOT_WIDENS;
  else if (beyond_doubt(s->kerf_most_mm - s->kerf_least_mm, u_range))
    troubles |= SP_SLOT_UNEVEN;
  if (beyond_doubt(fabs(s->wander_worst_mm), s->u_wander_worst_mm))
    troubles |= SP_SLOT_WANDERS;
  if (beyond_doubt(tang_mm - s->kerf_least_mm, s->u_kerf_window_mm))
    troubles |= SP_SLOT_TIGHT;
  if (beyond_doubt(s->kerf_most_mm - tang_mm, s->u_kerf_window_mm))
    troubles |= SP_SLOT_LOOSE;
  return troubles;
}

sp_status sp_advice_add(const sp_layout *layout, double kerf_mm, sp_record *r, sp_error *err)
{
  const double kerf = isfinite(kerf_mm) ? kerf_mm : SP_DEFAULT_KERF_MM;
  for (size_t i = 0; i < r->mark_count; i++)
    r->marks[i].action = action_for(r, &r->marks[i], kerf);
  r->kerf_mm = kerf;
  r->kerf_told = isfinite(kerf_mm);
  if (r->marks_kind == SP_MARK_SLOT)
    measure_kerf(r);
  for (size_t i = 0; i < r->mark_count; i++)
    if (r->marks[i].fret > 0)
      r->marks[i].slot.troubles = troubles_of(&r->marks[i].slot, kerf_mm);
  /* without a nut in its place there is nothing to move it from */
  if (r->datum == SP_DATUM_FIT || !r->mark_count)
    return SP_OK;
  return add_remedies(layout, r, err);
}
