/* test_match_board.h: random boards with known numbering, for the tests of matching.
 *
 * Places are reckoned here from the frequency ratio, not by the library: a fret that divides the octave by d lies at
 * L (1 - 2^(-k/d)) from the nut. Generator: xorshift64* (Vigna, ACM Trans. Math. Softw. 42(4), 2016; constants from
 * memory), normal deviates by Box and Muller (Ann. Math. Stat. 29, 1958). */
#ifndef TEST_MATCH_BOARD_H
#define TEST_MATCH_BOARD_H

#include "check_close.h"

#include <stdlib.h>
#include <string.h>

#include "slotproof/match.h"

#define BOARD_PI 3.14159265358979323846
enum { BOARD_LINES = 400, BOARD_STRAY = -1 };

typedef struct rng {
  uint64_t state;
} rng;

static inline double uniform(rng *r)
{
  r->state ^= r->state >> 12;
  r->state ^= r->state << 25;
  r->state ^= r->state >> 27;
  return ((double)((r->state * UINT64_C(2685821657736338717)) >> 11) + 0.5) / 9007199254740992.0;
}

static inline double between(rng *r, double low, double high)
{
  return low + (high - low) * uniform(r);
}

static inline int pick(rng *r, int low, int high)
{
  return low + (int)(uniform(r) * (high - low + 1));
}

static inline double normal(rng *r)
{
  const double radius = sqrt(-2.0 * log(uniform(r)));
  return radius * cos(2.0 * BOARD_PI * uniform(r));
}

typedef enum board_nut {
  NUT_LINE,     /* a line, no end known */
  NUT_LINE_END, /* a line, the board goes on 3 to 15 mm behind it */
  NUT_END,      /* the squared end, within 0.5 mm */
  NUT_LOST,     /* the line is missing, the board goes on 3 to 15 mm behind */
  NUT_ABSENT    /* not on the piece at all */
} board_nut;

/* What the maker did and the picture shows. Zero = none. */
typedef struct board {
  double cut_mm, asked_mm; /* scale lengths */
  int frets, divisions;    /* as asked */
  int first, last;         /* frets on the piece; last 0 = frets */
  board_nut nut;
  bool unit_unknown;
  int missing, lost_first, lost_last, misplaced, strays, weak;
  bool chatter;
  double hand_mm, stretch;
  double step_mm;    /* errors that add up from fret to fret: laid out one from the other */
  double end_off_mm; /* of NUT_END: the end lies within this of the nut; 0 = 0.5 */
  double u_relative_scale, picture_stretch;
} board;

typedef struct scene {
  size_t count;
  sp_match_line line[BOARD_LINES];
  int truth[BOARD_LINES]; /* fret, or BOARD_STRAY */
  bool misplaced[BOARD_LINES];
  double first_mm, last_mm;
  int direction;
  sp_match_options options;
} scene;

static inline double place_mm(const board *b, int k)
{
  return b->cut_mm * (1.0 - exp2(-(double)k / b->divisions));
}

static inline void put(scene *s, double x_mm, double strength, int truth, bool misplaced)
{
  assert_true(s->count < BOARD_LINES);
  s->line[s->count] = (sp_match_line){.position = x_mm, .u_position = 0.01, .strength = strength};
  s->truth[s->count] = truth;
  s->misplaced[s->count++] = misplaced;
}

static inline void choose(rng *r, int count, int low, int high, bool *chosen)
{
  for (int i = 0; i < count; i++)
    chosen[pick(r, low, high)] = true;
}

static inline void put_frets(rng *r, const board *b, scene *s)
{
  bool missing[128] = {false}, misplaced[128] = {false};
  const int last = b->last ? b->last : b->frets;
  double walk_mm = 0.0;
  choose(r, b->missing, b->first + 1, last - 1, missing);
  choose(r, b->misplaced, b->first > 0 ? b->first : 1, last, misplaced);
  for (int k = b->first; k <= last; k++) {
    walk_mm += b->step_mm * normal(r);
    if ((k == 0 && (b->nut == NUT_END || b->nut == NUT_LOST || b->nut == NUT_ABSENT)) || missing[k] ||
        (k > 0 && k <= b->lost_first) || k > last - b->lost_last)
      continue;
    double x = place_mm(b, k) * (b->stretch > 0.0 ? b->stretch : 1.0) + b->hand_mm * normal(r) + walk_mm;
    if (misplaced[k]) {
      const double room = 0.35 * (place_mm(b, k + 1) - place_mm(b, k));
      x += fmin(between(r, 0.7, 3.0), room) * (uniform(r) < 0.5 ? -1.0 : 1.0);
    }
    put(s, x, between(r, 0.55, 1.0), k, misplaced[k]);
  }
}

static inline void put_clutter(rng *r, const board *b, scene *s)
{
  const double start = s->first_mm, end = s->last_mm, phase = between(r, 0.0, 2.0);
  for (int i = 0; i < b->strays; i++)
    put(s, between(r, start, end), between(r, 0.5, 1.0), BOARD_STRAY, false);
  for (int i = 0; i < b->weak; i++)
    put(s, between(r, start, end), between(r, 0.03, 0.3), BOARD_STRAY, false);
  for (double x = start + phase; b->chatter && x < end; x += 2.0)
    put(s, x + 0.05 * normal(r), between(r, 0.08, 0.2), BOARD_STRAY, false);
}

/* Puts direction, origin and unit on top. */
static inline void lay_down(rng *r, const board *b, scene *s, double end_mm, bool has_end)
{
  const double origin = between(r, -200.0, 200.0), picture = b->picture_stretch > 0.0 ? b->picture_stretch : 1.0;
  const double unit = b->unit_unknown ? between(r, 3.0, 48.0) : picture; /* 3 to 48 px a mm: 75 to 1200 dpi */
  s->direction = uniform(r) < 0.5 ? 1 : -1;
  for (size_t i = 0; i < s->count; i++) {
    s->line[i].position = unit * (origin + s->direction * s->line[i].position);
    s->line[i].u_position *= unit;
  }
  const double place[2] = {unit * (origin + s->direction * end_mm), unit * (origin + s->direction * s->last_mm)};
  const int nut_end = s->direction > 0 ? 0 : 1;
  s->options.has_end[nut_end] = s->options.has_end[1 - nut_end] = has_end;
  s->options.end_position[nut_end] = place[0];
  s->options.end_position[1 - nut_end] = place[1];
}

static inline void make_scene(rng *r, const board *b, scene *s)
{
  const int last = b->last ? b->last : b->frets;
  memset(s, 0, sizeof *s);
  s->options = (sp_match_options){.scale_known = !b->unit_unknown,
                                  .nut_may_be_line = true,
                                  .nut_may_be_end = true,
                                  .u_relative_scale = b->u_relative_scale};
  double end_mm = -between(r, 3.0, 15.0);
  if (b->nut == NUT_END)
    end_mm = between(r, -1.0, 1.0) * (b->end_off_mm > 0.0 ? b->end_off_mm : 0.5);
  if (b->nut == NUT_ABSENT)
    end_mm = place_mm(b, b->first) - between(r, 2.0, 10.0);
  s->first_mm = end_mm;
  s->last_mm = place_mm(b, last) + between(r, 2.0, 30.0);
  put_frets(r, b, s);
  put_clutter(r, b, s);
  lay_down(r, b, s, end_mm, b->nut == NUT_LINE_END || b->nut == NUT_END || b->nut == NUT_LOST);
}

typedef struct tally {
  int right;       /* the state asked for, every line of a fret there and none elsewhere */
  int refused;     /* AMBIGUOUS or NONE where an assignment was asked for */
  int misnumbered; /* a fret's line bears another number: must never be */
  int state;       /* handed out, numbers right, but another state than asked for */
  int adopted;     /* a line that is no fret stands for one (it happens to lie at the place) */
  int dropped;     /* a fret's line is not used */
  double slowest_s;
} tally;

static inline void judge(const board *b, const scene *s, const sp_match *m, sp_match_state wanted, tally *t)
{
  bool misnumbered = false, adopted = false, dropped = false;
  bool used[BOARD_LINES] = {false};
  if (m->state == SP_MATCH_AMBIGUOUS || m->state == SP_MATCH_NONE) {
    assert_true(m->reason[0] != 0);
    for (int k = 0; k <= b->frets; k++)
      assert_true(m->line_of_fret[k] == -1);
    t->right += wanted == m->state;
    t->refused += wanted != m->state;
    return;
  }
  for (int k = 0; k <= b->frets; k++) {
    const ptrdiff_t at = m->line_of_fret[k];
    if (at < 0)
      continue;
    assert_true((size_t)at < s->count && !used[at]);
    used[at] = true;
    misnumbered |= s->truth[at] != BOARD_STRAY && s->truth[at] != k;
    adopted |= s->truth[at] == BOARD_STRAY;
  }
  misnumbered |= m->direction != s->direction;
  for (size_t i = 0; i < s->count; i++)
    dropped |= s->truth[i] != BOARD_STRAY && !used[i];
  const bool nut_ok = m->nut_is_end == (b->nut == NUT_END);
  t->misnumbered += misnumbered;
  t->adopted += adopted && !misnumbered;
  t->dropped += dropped && !misnumbered;
  t->state += m->state != wanted || !nut_ok;
  t->right += m->state == wanted && nut_ok && !misnumbered && !adopted && !dropped;
}

#endif
