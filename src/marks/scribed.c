/* A scribed nut on a board whose frets are sawn.
 *
 * A knife line is a fifth as broad as a slot: the search for slots passes it over, or the fit takes it for a slot that
 * it is not. So what lies between the outermost slots and the board's ends is searched once more, for knife lines. Only
 * where an end was found: elsewhere the shadow beside the board looks like a line. What is found may be the nut and
 * nothing else.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "fits.h"
#include "slotproof/numeric.h"

/* The first fret of the shortest scale is farther from the nut than this. */
static const double CLEAR_MM = 10.0;
/* An outermost slot so much narrower than usual is a line that was taken for one; what lies nearer is the same. */
static const double NARROW = 0.75, SAME_MM = 0.5;
/* Such a line has no others to be told by, so it has to be sure by itself, and to go across. */
static const double LEAST_SURE = 9.0, LEAST_SHOWN = 0.5;
enum { LEAST_SLOTS = 4, MOST_BEYOND = 12 };

/* What lies beyond the slots: up to `before`, from `after` on; where there is nothing to look for they are -INFINITY
 * and INFINITY. */
typedef struct beyond {
  double before_px, after_px;
  bool narrow[2]; /* the outermost slot may be a line */
} beyond;

static sp_status find_beyond(const sp_marks *marks, double px_per_mm, beyond *b, sp_error *err)
{
  const size_t n = marks->count;
  double *width = malloc(n * sizeof *width);
  if (!width)
    return sp_fail_memory(err);
  for (size_t i = 0; i < n; i++)
    width[i] = marks->marks[i].width_px;
  const double narrow = NARROW * sp_median(width, n), clear = CLEAR_MM * px_per_mm;
  free(width);
  const sp_mark *m = marks->marks;
  b->narrow[0] = m[0].width_px < narrow;
  b->narrow[1] = m[n - 1].width_px < narrow;
  b->before_px = marks->board.end[0].found ? m[b->narrow[0] ? 1 : 0].u_px - clear : -INFINITY;
  b->after_px = marks->board.end[1].found ? m[n - (b->narrow[1] ? 2 : 1)].u_px + clear : INFINITY;
  return SP_OK;
}

/* The most visible ones that lie beyond the slots. */
static size_t keep_beyond(const beyond *b, sp_candidate *c, size_t n)
{
  size_t kept = 0;
  for (size_t i = 0; i < n && kept < MOST_BEYOND; i++)
    if (c[i].u_px < b->before_px || c[i].u_px > b->after_px)
      c[kept++] = c[i];
  return kept;
}

/* A blade leaves a groove with two walls, of which one is lit; its darker part lies beside its middle then, by the same
 * for all lines of a board, but not for slots: so much of the breadth as k = 1. */
static const double LIT_WALL = 0.12;

/* What the slots may be off by alike: the mean over them. */
static double common_to_slots(const sp_marks *marks)
{
  double sum = 0.0, n = 0.0;
  for (size_t i = 0; i < marks->count; i++)
    if (!marks->marks[i].scribed) {
      sum += marks->marks[i].u_common_px;
      n += 1.0;
    }
  return n > 0.0 ? sum / n : 0.0;
}

/* Puts it among the marks, in the place of a slot that is the same line. */
static void put_in(double px_per_mm, const beyond *b, const sp_mark *line, sp_marks *marks)
{
  sp_mark *m = marks->marks, put = *line;
  put.scribed = true;
  put.strength = 1.0;
  /* what light lines are off by alike does not cancel against slots, nor what slots are */
  put.u_u_px = hypot(put.u_u_px, hypot(put.u_common_px, common_to_slots(marks)));
  put.u_u_px = hypot(put.u_u_px, LIT_WALL * put.width_px);
  put.u_common_px = 0.0;
  for (int e = 0; e < 2; e++) {
    const size_t at = e ? marks->count - 1 : 0;
    if (b->narrow[e] && !m[at].scribed && fabs(m[at].u_px - put.u_px) < SAME_MM * px_per_mm) {
      m[at] = put;
      return;
    }
  }
  size_t i = marks->count++;
  for (; i > 0 && m[i - 1].u_px > put.u_px; i--)
    m[i] = m[i - 1];
  m[i] = put;
}

static sp_status put_sure_ones(const sp_marks_options *o, const beyond *b, const sp_marks *lines, sp_marks *marks,
                               sp_error *err)
{
  sp_mark *room = realloc(marks->marks, (marks->count + lines->count + 1) * sizeof *room);
  if (!room)
    return sp_fail_memory(err);
  marks->marks = room;
  for (size_t i = 0; i < lines->count; i++) {
    const sp_mark *m = &lines->marks[i];
    if (m->significance > LEAST_SURE && m->coverage > LEAST_SHOWN && !m->part)
      put_in(o->px_per_mm, b, m, marks);
  }
  return SP_OK;
}

sp_status sp_marks_add_scribed(const sp_scene *scene, const sp_view *view, const sp_marks_options *slots,
                               double group_px, sp_marks *marks, sp_error *err)
{
  beyond b = {-INFINITY, INFINITY, {false, false}};
  if (marks->count < LEAST_SLOTS)
    return SP_OK;
  sp_status status = find_beyond(marks, slots->px_per_mm, &b, err);
  if (status || (isinf(b.before_px) && isinf(b.after_px)))
    return status;
  sp_marks_options o = *slots;
  o.kind = SP_MARK_KNIFE;
  o.least_part = 0.0;
  o.hints = NULL;
  o.hint_count = 0;
  sp_candidate *c = malloc(SP_MOST_CANDIDATES * sizeof *c);
  if (!c)
    return sp_fail_memory(err);
  size_t n = 0;
  sp_marks lines = {.along = marks->along, .board = marks->board, .even = marks->even, .blur_px = marks->blur_px};
  sp_ground ground;
  sp_expectation expect;
  status = sp_marks_search(scene, marks->along, &o, &marks->board, SP_MOST_CANDIDATES, c, &n, err);
  if (!status)
    status = sp_ground_measure(scene, marks->along, &o, &marks->board, c, n, &ground, err);
  n = keep_beyond(&b, c, n);
  if (!status && n)
    status = sp_fits_final(view, c, n, &o, group_px, &ground, &expect, &lines, err);
  if (!status && n)
    status = sp_marks_settle(&o, &lines, err);
  if (!status && n)
    status = put_sure_ones(&o, &b, &lines, marks, err);
  free(lines.marks);
  free(c);
  return status;
}
