/* Where one piece lies on the one before it: by the marks that both show, by what is told of rule or strip, and by the
 * wood, which has the last word. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "pieces.h"

/* The marks in the common direction, by rising x; `x` holds four values a mark and is what `list` points into. */
static bool list_marks(const piece *p, double **own, sp_join_marks *list)
{
  const size_t n = p->marks.count;
  double *x = malloc((4 * n + 1) * sizeof *x), *strength = x + n, *lean = strength + n, *u_lean = lean + n;
  const sp_scale_map *map = &p->reference.map;
  *own = x;
  if (!x)
    return false;
  for (size_t i = 0; i < n; i++) {
    const sp_mark *m = &p->marks.marks[i];
    const size_t at = p->turned ? n - 1 - i : i;
    x[at] = piece_mm(p, m->u_px, m->v_px).x;
    strength[at] = m->strength;
    const double rate = piece_slope_rate(p, m->u_px) / map->across_mm_per_px;
    lean[at] = (p->mirrored ? -1.0 : 1.0) * piece_lean_rad(p, m->u_px, m->slope);
    const double aspect = (2.0 * p->frame.tilt_rad - lean[at]) * map->u_across_relative;
    u_lean[at] = hypot(m->u_slope * rate, hypot(p->marks.board.centre.u_slope, aspect));
  }
  *list = (sp_join_marks){n, x, strength, lean, u_lean, piece_from_mm(p), piece_to_mm(p)};
  return true;
}

/* Guesses with what the wood says of them, what is told, and the wood's own best places. */
static sp_status collect_places(const piece *first, const piece *second, const sp_join_marks *a, const sp_join_marks *b,
                                const sp_join_told *told, sp_join_place *place, double *aside, size_t *count,
                                sp_error *err)
{
  sp_grain_place asked[SP_JOIN_GUESSES + SP_JOIN_TOLD], own[SP_GRAIN_PLACES];
  size_t found = 0, guesses = sp_join_guess(a, b, PIECES_LEAST_OVERLAP_MM, place);
  guesses += sp_join_guess_told(a, b, told, PIECES_LEAST_OVERLAP_MM, place + guesses);
  for (size_t i = 0; i < guesses; i++)
    asked[i] = (sp_grain_place){place[i].turned, place[i].shift_mm, 0.0, NAN, NAN};
  const sp_status status =
      sp_grain_search(&first->face, &second->face, PIECES_LEAST_OVERLAP_MM, asked, guesses, own, &found, err);
  for (size_t i = 0; i < guesses; i++) {
    place[i].z = asked[i].z;
    place[i].expected = asked[i].expected;
    aside[i] = asked[i].aside_mm;
  }
  *count = guesses;
  for (size_t i = 0; !status && i < found; i++) {
    place[*count] = (sp_join_place){
        .turned = own[i].turned, .shift_mm = own[i].shift_mm, .z = own[i].z, .expected = own[i].expected};
    aside[(*count)++] = own[i].aside_mm;
  }
  return status;
}

sp_status piece_fit_wood(const piece *first, const piece *second, double aside_mm, piece_link *link, sp_error *err)
{
  return sp_grain_fit_place(&first->face, &second->face, link->place.shift_mm, aside_mm, &link->wood, err);
}

sp_status piece_place(const piece *first, piece *second, const sp_check_options *o, piece_link *link,
                      sp_join_state *state, sp_error *err)
{
  sp_join_marks a = {0}, b = {0};
  double *own_a = NULL, *own_b = NULL;
  sp_join_place place[SP_JOIN_GUESSES + SP_JOIN_TOLD + SP_GRAIN_PLACES];
  double aside[SP_JOIN_GUESSES + SP_JOIN_TOLD + SP_GRAIN_PLACES];
  sp_join_told told[SP_JOIN_TOLD];
  size_t count = 0, chosen = 0;
  memset(link, 0, sizeof *link);
  sp_status status = list_marks(first, &own_a, &a) && list_marks(second, &own_b, &b) ? SP_OK : sp_fail_memory(err);
  if (!status)
    status = pieces_told(first, second, o, told, err);
  if (!status)
    status = collect_places(first, second, &a, &b, told, place, aside, &count, err);
  if (!status)
    *state = sp_join_choose(&a, &b, told, place, count, &chosen);
  if (!status && count)
    link->place = place[chosen];
  if (!status && *state == SP_JOIN_OK) {
    if (link->place.turned) {
      second->turned = !second->turned;
      sp_face_turn(&second->face);
    }
    status = piece_fit_wood(first, second, isfinite(aside[chosen]) ? aside[chosen] : 0.0, link, err);
    if (!status && !sp_join_confirm(&link->place, link->wood.found, link->wood.agreeing))
      *state = SP_JOIN_NOTHING;
  }
  free(own_a);
  free(own_b);
  return status;
}
