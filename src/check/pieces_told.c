/* What tells where a piece of the board lies, but not that it is of the same board: a printed strip, and the frets.
 *
 * A strip's tags say which graduation of which piece is which. So, if the strip has lain still beside the board, one graduation
 * that both scans show says where one lies on the other, with no whole steps to be told; and the wood need only confirm
 * it. Whether it has lain still is judged as that of a rule is. The frets that the lines of a piece are taken for say the
 * same to a millimetre: where two pieces overlap by so little that they share one mark, wood is compared there.
 */
#include <math.h>
#include <stdlib.h>

#include "pieces.h"
#include "slotproof/match.h"
#include "slotproof/numeric.h"
#include "slotproof/verdict.h"

/* How well a strip, and frets marked by hand, tell a place (mm). */
static const double STRIP_TELLS_MM = 0.3, FRETS_TELL_MM = 1.0;

/* A strip of paper that is fastened beside a board creeps, curls and swells by this while both are lifted and laid down
 * again (mm; a judgement). */
static const double PAPER_CREEP_MM = 0.01;

/* One graduation as it lies in a piece. */
typedef struct place {
  const sp_graduation *g;
  sp_point at_mm;
} place;

static const sp_graduation *same_in(const piece *p, const sp_graduation *as)
{
  const sp_reference_record *r = &p->reference.record;
  for (size_t i = 0; i < r->graduation_count; i++) {
    const sp_graduation *g = &r->graduations[i];
    if (g->used && g->strip_piece == as->strip_piece && g->strip_number == as->strip_number)
      return g;
  }
  return NULL;
}

/* +1 where the numbers of a strip's piece grow with x, -1 where they fall, 0 where too few show to tell; and its
 * direction against the board's: each piece of a strip has its own. */
static int sense_of(const piece *p, int32_t strip_piece, double *angle_rad)
{
  const sp_reference_record *r = &p->reference.record;
  const sp_graduation *least = NULL, *most = NULL;
  for (size_t i = 0; i < r->graduation_count; i++) {
    const sp_graduation *g = &r->graduations[i];
    if (!g->used || g->strip_piece != strip_piece)
      continue;
    least = !least || g->strip_number < least->strip_number ? g : least;
    most = !most || g->strip_number > most->strip_number ? g : most;
  }
  if (!least || most->strip_number <= least->strip_number)
    return 0;
  const sp_point a = piece_graduation_mm(p, least), b = piece_graduation_mm(p, most);
  *angle_rad = atan((b.y - a.y) / (b.x - a.x));
  return b.x > a.x ? 1 : -1;
}

/* The graduation nearest to a place of the first that the second shows, too. */
static bool nearest_common(const piece *first, const piece *second, double near_mm, place *a, place *c)
{
  const sp_reference_record *r = &first->reference.record;
  bool found = false;
  for (size_t i = 0; i < r->graduation_count; i++) {
    const sp_graduation *g = &r->graduations[i];
    if (!g->used || g->strip_piece < 1)
      continue;
    const sp_point at = piece_graduation_mm(first, g);
    if (found && fabs(at.x - near_mm) >= fabs(a->at_mm.x - near_mm))
      continue;
    const sp_graduation *other = same_in(second, g);
    if (!other)
      continue;
    *a = (place){g, at};
    *c = (place){other, piece_graduation_mm(second, other)};
    found = true;
  }
  return found;
}

/* Doubt of where a graduation lies in the map's own frame: where a strip's further pieces lie is part of the fit. */
static double place_u(const piece *p, const sp_graduation *g)
{
  const double u = p->frame.along == SP_ALONG_X ? g->at_px.x : g->at_px.y;
  return sqrt(fmax(0.0, sp_scale_map_place_covariance_mm2(&p->reference.map, u, u)));
}

bool pieces_match_strip(const piece *first, const piece *second, double near_mm, strip_match *match)
{
  place a, c;
  if (!nearest_common(first, second, near_mm, &a, &c))
    return false;
  double angle[2];
  const int sense_a = sense_of(first, a.g->strip_piece, &angle[0]);
  const int sense_c = sense_of(second, c.g->strip_piece, &angle[1]);
  if (!sense_a || !sense_c)
    return false;
  *match = (strip_match){a.at_mm, c.at_mm, angle[0], angle[1], sense_a != sense_c,
                         hypot(PAPER_CREEP_MM, hypot(place_u(first, a.g), place_u(second, c.g)))};
  return true;
}

static sp_join_told told_by_strip(const piece *first, const piece *second)
{
  strip_match m;
  if (!pieces_match_strip(first, second, piece_to_mm(first), &m))
    return (sp_join_told){.known = false};
  const double sign = m.opposed ? -1.0 : 1.0; /* then the board lies the other way round */
  const bool same_side = m.first_mm.y * sign * m.second_mm.y > 0.0; /* on the other side it was laid anew */
  return (sp_join_told){same_side, m.opposed, m.first_mm.x - sign * m.second_mm.x, STRIP_TELLS_MM};
}

/* ---- the frets --------------------------------------------------------------------------------------------------- */

sp_status piece_find_frets(const piece *p, const sp_check_options *o, piece_frets *frets, sp_error *err)
{
  sp_match_options options;
  sp_match match = {0};
  sp_match_line *lines = calloc(p->marks.count + 1, sizeof *lines);
  *frets = (piece_frets){NAN, 0};
  if (!lines)
    return sp_fail_memory(err);
  sp_status status = sp_verdict_match_input(&p->reference, &p->marks, lines, &options, err);
  options.nut_may_be_line = o->nut != SP_NUT_END;
  options.nut_may_be_end = o->nut != SP_NUT_LINE && !o->layout->zero_fret && check_nut_is_square(o->layout);
  if (!status)
    status = sp_match_lines(lines, p->marks.count, o->layout, &options, &match, err);
  if (!status && match.state == SP_MATCH_OK) {
    const sp_lengthwise *c = &p->marks.board.centre;
    const double beyond = sp_verdict_place(&p->reference, &p->marks, 0.0) - match.nut_position; /* of u = 0, along u */
    frets->sense = (int)match.direction * (p->turned ? -1 : 1);
    frets->nut_x_mm = piece_mm(p, 0.0, c->at_px).x - (p->turned ? -beyond : beyond);
  }
  if (!status)
    sp_match_free(&match);
  free(lines);
  return status;
}

static sp_join_told told_by_frets(const piece_frets *a, const piece_frets *b)
{
  if (!a->sense || !b->sense)
    return (sp_join_told){.known = false};
  const bool turned = a->sense != b->sense;
  return (sp_join_told){true, turned, a->nut_x_mm - (turned ? -b->nut_x_mm : b->nut_x_mm), FRETS_TELL_MM};
}

sp_status pieces_told(const piece *first, const piece *second, const sp_check_options *o,
                      sp_join_told told[SP_JOIN_TOLD], sp_error *err)
{
  piece_frets a = {0}, b = {0};
  sp_status status = piece_find_frets(first, o, &a, err);
  if (!status)
    status = piece_find_frets(second, o, &b, err);
  told[0] = told_by_strip(first, second);
  told[1] = told_by_frets(&a, &b);
  return status;
}
