/* Is the fan that was asked for the one on the board?
 *
 * Places on the centre line are the same whichever side the bass is on, so a fan laid out the wrong way round, a board
 * of a left-handed instrument, or square lines where fanned ones were meant, match the layout as well as the right one
 * does. The angles tell. They are compared with the computed ones, with those mirrored, and with square, by the median
 * of what is left: a hand is off by a tenth of a degree, a fan by degrees.
 */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "findings_internal.h"
#include "slotproof/numeric.h"

/* Lines of a fan so flat cannot be told from square ones by a hand's errors. */
static const double LEAST_FAN_DEG = 1.0;
/* What fits leaves less than this part of what the asked-for fan leaves. */
static const double CLEARLY = 0.3;
enum { FEWEST = 5 };

typedef struct angles {
  double *asked, *mirrored, *square, *computed;
  size_t n;
} angles;

static void collect(const sp_record *r, angles *a)
{
  for (size_t i = 0; i < r->mark_count; i++) {
    const sp_mark_record *m = &r->marks[i];
    if (!m->found || !isfinite(m->angle_deg) || !isfinite(m->layout_angle_deg))
      continue;
    a->asked[a->n] = fabs(m->angle_deg - m->layout_angle_deg);
    a->mirrored[a->n] = fabs(m->angle_deg + m->layout_angle_deg);
    a->square[a->n] = fabs(m->angle_deg);
    a->computed[a->n++] = fabs(m->layout_angle_deg);
  }
}

static sp_status say(const angles *a, sp_record *r, sp_error *err)
{
  const double asked = sp_median(a->asked, a->n), mirrored = sp_median(a->mirrored, a->n);
  const double square = sp_median(a->square, a->n);
  if (!(sp_median(a->computed, a->n) > LEAST_FAN_DEG) || !(fmin(mirrored, square) < CLEARLY * asked))
    return SP_OK;
  sp_finding f = {.value = asked, .u_value = NAN, .unit = "deg", .strength = NAN};
  if (mirrored < square) {
    snprintf(f.kind, sizeof f.kind, "fan-mirrored");
    snprintf(
        f.text, sizeof f.text,
        "the frets are fanned the other way round than asked for: %s, or have bass and treble scale length changed "
        "places? Find out before anything is cut; the errors at the edges mean nothing until then",
        r->left_handed ? "is the board that of a right-handed instrument (leave out --left-handed)"
                       : "is the board that of a left-handed instrument (say --left-handed)");
  } else {
    snprintf(f.kind, sizeof f.kind, "fan-missing");
    snprintf(f.text, sizeof f.text,
             "the lines are square to the board, not fanned as asked for; check which board this is before anything is "
             "cut");
  }
  return sp_record_add_finding(r, &f, err);
}

sp_status sp_findings_of_fan(sp_record *record, sp_error *err)
{
  if (isnan(record->square_fret))
    return SP_OK;
  const size_t room = record->mark_count + 1;
  double *work = malloc(4 * room * sizeof *work);
  if (!work)
    return sp_fail_memory(err);
  angles a = {work, work + room, work + 2 * room, work + 3 * room, 0};
  collect(record, &a);
  const sp_status status = a.n >= FEWEST ? say(&a, record, err) : SP_OK;
  free(work);
  return status;
}
