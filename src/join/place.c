/* Where a piece may lie on another: the pattern of the marks and the grain of the wood, weighed together.
 *
 * Evidence is counted in nats: against chance at one shift, less ln of the number of shifts there are. Wood: half the
 * square of its deviation. Marks: that one of the second falls within a quarter of a millimetre of one of the first has
 * a chance of about one in forty; the further ones, once the shift is settled by them, agree to a few hundredths, one
 * in two hundred. A mark in the overlap that has no partner speaks against the place.
 */
#include <math.h>
#include <stdlib.h>

#include "slotproof/join.h"

/* Marks belong together if they lie nearer than this once the shift is settled (mm). */
static const double PAIR_MM = 0.25;
/* And lean alike to so many standard uncertainties beyond this (rad: 0.02 degrees). */
static const double LEAN_U = 4.0, LEAN_RAD = 3.5e-4;
/* A shift from a coarse search is this good. */
static const double COARSE_MM = 0.6;
static const double NATS_A_PAIR = 3.7, NATS_CLOSE_PAIR = 5.3, CLOSE_MM = 0.05, NATS_UNPAIRED = 4.0;
/* A mark weaker than this may well show in one scan only; nor does one count that lies at the very end of a picture. */
static const double LEAST_STRENGTH = 0.35, END_MM = 2.5;
/* ln of the shifts there are, about 36000. */
static const double NATS_OF_CHANCE = 10.5, MOST_WOOD_NATS = 120.0;
/* The same wood correlates about as expected (0.9 to 1.3 times on rendered boards); light from another side may change
 * that, but not beyond this part. */
static const double LEAST_OF_EXPECTED = 0.4;
/* The best of all wrong shifts of wood without a figure. */
static const double CHANCE_Z = 4.5;
/* That what was told agrees with a place happens by chance once in a thousand times (a millimetre of half a metre, both ways
 * round)
 * and frets mistaken: so much and no more. */
static const double NATS_TOLD = 6.9;
/* A place must have so much, and so much more than any other, to be looked at closely; then so much. */
static const double LEAST_NATS = -6.0, LEAST_MARGIN = 5.0, LEAST_CONFIRMED_NATS = 8.5;
/* However strong the rest: so many of the patches found again must agree; so many at all where the wood should do so
 * clearly; and no place has more marks without a partner than this beyond those with one. */
static const double LEAST_AGREEING = 0.25, CLEAR_Z = 12.0;
enum { LEAST_CLEAR = 3, MOST_ODD_MARKS = 1 };
static const double NATS_AGREEING = 2.5, NATS_ASTRAY = 1.0, MOST_PATCH_NATS = 40.0;

static double turned_x(const sp_join_marks *m, bool turned, size_t i)
{
  return turned ? -m->x_mm[i] : m->x_mm[i];
}

/* Do two marks lean alike? One cut seen twice does, but for what its waviness and its ends make of it. */
static bool same_lean(const sp_join_marks *a, size_t i, const sp_join_marks *b, size_t k)
{
  const double u = hypot(a->u_lean_rad[i], b->u_lean_rad[k]);
  return fabs(a->lean_rad[i] - b->lean_rad[k]) < LEAN_RAD + LEAN_U * u;
}

/* Distance from a mark of the second, lying at x_mm, to the nearest of the first that it can be; signed: first less
 * second. */
static double nearest(const sp_join_marks *first, const sp_join_marks *second, size_t k, double x_mm)
{
  double best = INFINITY;
  for (size_t i = 0; i < first->count; i++)
    if (fabs(first->x_mm[i] - x_mm) < fabs(best) && same_lean(first, i, second, k))
      best = first->x_mm[i] - x_mm;
  return best;
}

static int by_value(const void *a, const void *b)
{
  const double x = *(const double *)a, y = *(const double *)b;
  return x < y ? -1 : x > y;
}

/* Moves the shift so that most marks lie on each other: to the middle of what the nearest of each are off by. */
static void settle(const sp_join_marks *first, const sp_join_marks *second, sp_join_place *p)
{
  double off[64];
  size_t n = 0;
  for (size_t i = 0; i < second->count && n < 64; i++) {
    const double d = nearest(first, second, i, turned_x(second, p->turned, i) + p->shift_mm);
    if (fabs(d) < COARSE_MM)
      off[n++] = d;
  }
  if (!n)
    return;
  qsort(off, n, sizeof *off, by_value);
  p->shift_mm += n % 2 ? off[n / 2] : 0.5 * (off[n / 2 - 1] + off[n / 2]);
}

static void overlap_of(const sp_join_marks *first, const sp_join_marks *second, const sp_join_place *p, double *from,
                       double *to)
{
  const double a = p->turned ? -second->to_mm : second->from_mm, b = p->turned ? -second->from_mm : second->to_mm;
  *from = fmax(first->from_mm, a + p->shift_mm);
  *to = fmin(first->to_mm, b + p->shift_mm);
}

/* Returns how many of the pairs lie close. */
static size_t count_pairs(const sp_join_marks *first, const sp_join_marks *second, sp_join_place *p)
{
  double from, to;
  size_t close = 0;
  overlap_of(first, second, p, &from, &to);
  p->pairs = p->unpaired = 0;
  for (size_t i = 0; i < second->count; i++) {
    const double x = turned_x(second, p->turned, i) + p->shift_mm;
    const double off = fabs(nearest(first, second, i, x));
    close += off < CLOSE_MM;
    if (off < PAIR_MM)
      p->pairs++;
    else if (second->strength[i] >= LEAST_STRENGTH && x > from + END_MM && x < to - END_MM)
      p->unpaired++;
  }
  for (size_t i = 0; i < first->count; i++) {
    const double x = first->x_mm[i];
    bool paired = false;
    for (size_t k = 0; k < second->count && !paired; k++)
      paired = fabs(turned_x(second, p->turned, k) + p->shift_mm - x) < PAIR_MM && same_lean(first, i, second, k);
    if (!paired && first->strength[i] >= LEAST_STRENGTH && x > from + END_MM && x < to - END_MM)
      p->unpaired++;
  }
  return close;
}

static bool same_place(const sp_join_place *a, const sp_join_place *b)
{
  return a->turned == b->turned && fabs(a->shift_mm - b->shift_mm) < SP_JOIN_SAME_MM;
}

/* Wood with a regular figure correlates with itself at many places, and far better than chance has it: what another
 * place reaches is no evidence. */
static double rival_z(const sp_join_place *place, size_t count, const sp_join_place *p)
{
  double best = 0.0;
  for (size_t i = 0; i < count; i++)
    if (!same_place(&place[i], p))
      best = fmax(best, place[i].z);
  return best;
}

static double wood_nats(const sp_join_place *p, double rival)
{
  const double z = p->z / fmax(1.0, rival / CHANCE_Z), lacking = LEAST_OF_EXPECTED * p->expected - p->z;
  double nats = 0.0;
  if (z > 0.0)
    nats += fmin(0.5 * z * z, MOST_WOOD_NATS);
  if (lacking > 0.0) /* wood that is not the same */
    nats -= fmin(0.5 * lacking * lacking, MOST_WOOD_NATS);
  return nats;
}

static bool is_told(const sp_join_told *told, const sp_join_place *p)
{
  for (size_t i = 0; told && i < SP_JOIN_TOLD; i++)
    if (told[i].known && told[i].turned == p->turned && fabs(told[i].shift_mm - p->shift_mm) < told[i].within_mm)
      return true;
  return false;
}

static void rate(const sp_join_marks *first, const sp_join_marks *second, const sp_join_told *told, double rival,
                 sp_join_place *p)
{
  const size_t close = count_pairs(first, second, p);
  p->nats = NATS_A_PAIR * (double)p->pairs - NATS_UNPAIRED * (double)p->unpaired - NATS_OF_CHANCE;
  if (close > 1) /* the first of them has settled the shift */
    p->nats += (NATS_CLOSE_PAIR - NATS_A_PAIR) * ((double)close - 1.0);
  p->told_nats = is_told(told, p) ? NATS_TOLD : 0.0;
  p->nats += wood_nats(p, rival) + p->told_nats;
}

static void keep_guess(sp_join_place guess[SP_JOIN_GUESSES], size_t *count, const sp_join_place *p)
{
  for (size_t i = 0; i < *count; i++)
    if (same_place(&guess[i], p))
      return;
  size_t at = *count;
  while (at > 0 && guess[at - 1].pairs < p->pairs)
    at--;
  if (at >= SP_JOIN_GUESSES)
    return;
  if (*count < SP_JOIN_GUESSES)
    (*count)++;
  for (size_t i = *count - 1; i > at; i--)
    guess[i] = guess[i - 1];
  guess[at] = *p;
}

size_t sp_join_guess(const sp_join_marks *first, const sp_join_marks *second, double least_overlap_mm,
                     sp_join_place guess[SP_JOIN_GUESSES])
{
  size_t count = 0;
  for (int turned = 0; turned < 2; turned++)
    for (size_t i = 0; i < first->count; i++)
      for (size_t k = 0; k < second->count; k++) {
        sp_join_place p = {.turned = turned == 1, .z = NAN};
        double from, to;
        p.shift_mm = first->x_mm[i] - turned_x(second, p.turned, k);
        (void)count_pairs(first, second, &p);
        overlap_of(first, second, &p, &from, &to);
        if (p.pairs >= 2 && to - from >= least_overlap_mm)
          keep_guess(guess, &count, &p);
      }
  return count;
}

size_t sp_join_guess_told(const sp_join_marks *first, const sp_join_marks *second,
                          const sp_join_told told[SP_JOIN_TOLD], double least_overlap_mm,
                          sp_join_place guess[SP_JOIN_TOLD])
{
  size_t count = 0;
  for (size_t i = 0; i < SP_JOIN_TOLD; i++) {
    sp_join_place p = {.turned = told[i].turned, .shift_mm = told[i].shift_mm, .z = NAN};
    double from, to;
    if (!told[i].known)
      continue;
    settle(first, second, &p);
    overlap_of(first, second, &p, &from, &to);
    if (to - from >= least_overlap_mm)
      guess[count++] = p;
  }
  return count;
}

sp_join_state sp_join_choose(const sp_join_marks *first, const sp_join_marks *second,
                             const sp_join_told told[SP_JOIN_TOLD], sp_join_place *place, size_t count, size_t *chosen)
{
  double best = -INFINITY, other = -INFINITY;
  *chosen = 0;
  for (size_t i = 0; i < count; i++)
    settle(first, second, &place[i]);
  for (size_t i = 0; i < count; i++) {
    rate(first, second, told, rival_z(place, count, &place[i]), &place[i]);
    if (place[i].nats > best) {
      best = place[i].nats;
      *chosen = i;
    }
  }
  for (size_t i = 0; i < count; i++)
    if (!same_place(&place[i], &place[*chosen]))
      other = fmax(other, place[i].nats);
  if (!(best >= LEAST_NATS))
    return SP_JOIN_NOTHING;
  return best - fmax(other, 0.0) >= LEAST_MARGIN || best - other >= LEAST_MARGIN ? SP_JOIN_OK : SP_JOIN_AMBIGUOUS;
}

bool sp_join_confirm(const sp_join_place *chosen, size_t found, size_t agreeing)
{
  double nats = chosen->nats - NATS_ASTRAY * (double)(found - agreeing);
  if (agreeing > 1) /* the first has set the shift */
    nats += fmin(NATS_AGREEING * ((double)agreeing - 1.0), MOST_PATCH_NATS);
  if (agreeing < 2 || 2 * agreeing < found)
    nats -= chosen->told_nats;
  if (found > 2 && (double)agreeing < LEAST_AGREEING * (double)found)
    return false;
  if (chosen->expected > CLEAR_Z && agreeing < LEAST_CLEAR)
    return false;
  return nats >= LEAST_CONFIRMED_NATS && chosen->unpaired <= chosen->pairs + MOST_ODD_MARKS;
}
