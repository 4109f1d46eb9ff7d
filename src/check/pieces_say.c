/* Why pieces do not join, in words that say what to do.
 *
 * What could be the matter is tried in turn: the pictures are in another order; one is mirrored; the frets say that the
 * two have nothing in common, or too little; or that they should have, and the wood is not the same.
 */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "pieces.h"
#include "slotproof/match.h"
#include "slotproof/verdict.h"

/* Where wood should correlate by less than this, in standard deviations of chance, it tells little either way. */
static const double TELLING_Z = 8.0;
/* Wood that correlates by no more of what it should, at the place that the frets tell, is other wood. */
static const double OTHER_PART = 0.25;

/* ---- another order ----------------------------------------------------------------------------------------------- */

/* One more piece placed on any that has been; its middle along the board goes into `middle`. */
static sp_status place_one(piece *pieces, const bool *placed, size_t j, const sp_check_options *o, const double *shift,
                           double *own_shift, bool *found, size_t count, sp_error *err)
{
  sp_status status = piece_draw_face(&pieces[j], o, err);
  *found = false;
  for (size_t i = 0; !status && !*found && i < count; i++) {
    if (!placed[i] || i == j)
      continue;
    piece_link link;
    sp_join_state state = SP_JOIN_NOTHING;
    status = piece_draw_face(&pieces[i], o, err);
    if (!status)
      status = piece_place(&pieces[i], &pieces[j], o, &link, &state, err);
    sp_face_free(&pieces[i].face);
    if (!status && state == SP_JOIN_OK) {
      *found = true;
      *own_shift = shift[i] + link.place.shift_mm;
    }
  }
  sp_face_free(&pieces[j].face);
  return status;
}

typedef struct stand {
  size_t piece;
  double middle_mm;
} stand;

static int by_place(const void *a, const void *b)
{
  const double x = ((const stand *)a)->middle_mm, y = ((const stand *)b)->middle_mm;
  return x < y ? -1 : x > y;
}

/* Toward growing x (+1) or falling x (-1) from the nut, as most pieces' frets have it; 0 where they do not tell. */
static sp_status sense_of_all(const piece *pieces, size_t count, const sp_check_options *o, int *sense, sp_error *err)
{
  sp_status status = SP_OK;
  *sense = 0;
  for (size_t k = 0; !status && k < count; k++) {
    piece_frets frets;
    status = piece_find_frets(&pieces[k], o, &frets, err);
    *sense += status ? 0 : frets.sense;
  }
  return status;
}

static void write_names(const piece *pieces, const stand *order, size_t count, bool backward, char *text, size_t size)
{
  size_t used = 0;
  text[0] = '\0';
  for (size_t k = 0; k < count && used < size; k++) {
    const piece *p = &pieces[order[backward ? count - 1 - k : k].piece];
    const int n = snprintf(text + used, size - used, "%s%s", k ? ", " : "", p->name);
    used += n > 0 ? (size_t)n : 0;
  }
}

sp_status pieces_name_order(const piece *pieces, size_t count, const double *shift_mm, const sp_check_options *o,
                            char text[PIECES_ORDER_TEXT], sp_error *err)
{
  stand order[SP_MOST_PIECES];
  size_t at = 0;
  int sense = 0;
  const sp_status status = sense_of_all(pieces, count, o, &sense, err);
  for (size_t k = 0; k < count; k++)
    order[k] = (stand){k, shift_mm[k] + 0.5 * (piece_from_mm(&pieces[k]) + piece_to_mm(&pieces[k]))};
  qsort(order, count, sizeof *order, by_place);
  while (order[at].piece != 0) /* if nothing tells, the end that the first picture is nearer to is the nut's */
    at++;
  write_names(pieces, order, count, sense ? sense < 0 : 2 * at >= count, text, PIECES_ORDER_TEXT);
  return status;
}

/* Does everything hang together, only otherwise? Pieces before `second` do already. */
static sp_status try_orders(piece *pieces, size_t count, const sp_check_options *o, char order[PIECES_ORDER_TEXT],
                            bool *found, sp_error *err)
{
  bool placed[SP_MOST_PIECES] = {true};
  double shift[SP_MOST_PIECES] = {0.0};
  size_t left = count - 1;
  bool more = true;
  *found = false;
  for (size_t k = 0; k < count; k++)
    if (!pieces[k].reference.map.known || !pieces[k].marks.count)
      return SP_OK;
  while (left && more) {
    more = false;
    for (size_t j = 1; j < count; j++) {
      bool here = false;
      if (placed[j])
        continue;
      const sp_status status = place_one(pieces, placed, j, o, shift, &shift[j], &here, count, err);
      if (status)
        return status;
      if (here) {
        placed[j] = more = true;
        left--;
      }
    }
  }
  *found = left == 0;
  return *found ? pieces_name_order(pieces, count, shift, o, order, err) : SP_OK;
}

/* ---- mirrored ---------------------------------------------------------------------------------------------------- */

static void mirror_face(sp_face *face)
{
  const size_t w = (size_t)face->columns;
  for (int32_t j = 0; j < face->rows / 2; j++)
    for (size_t i = 0; i < w; i++) {
      uint16_t *a = &face->grey[(size_t)j * w + i], *b = &face->grey[(size_t)(face->rows - 1 - j) * w + i];
      const uint16_t kept = *a;
      *a = *b;
      *b = kept;
    }
  face->y0_mm = -(face->y0_mm + (face->rows - 1) * SP_FACE_PITCH_MM);
}

static sp_status try_mirrored(piece *first, piece *second, const sp_check_options *o, bool *found, sp_error *err)
{
  piece_link link;
  sp_join_state state = SP_JOIN_NOTHING;
  sp_status status = piece_draw_face(first, o, err);
  if (!status)
    status = piece_draw_face(second, o, err);
  if (!status) {
    mirror_face(&second->face);
    second->mirrored = true;
    status = piece_place(first, second, o, &link, &state, err);
  }
  second->mirrored = false;
  sp_face_free(&first->face);
  sp_face_free(&second->face);
  *found = !status && state == SP_JOIN_OK && link.place.z > 6.0; /* marks alone look alike in a mirror */
  return status;
}

/* ---- by the frets ------------------------------------------------------------------------------------------------ */

/* Which part of the board a piece shows, mm from the nut, told by its frets alone. */
static sp_status span_by_frets(const piece *p, const sp_check_options *o, double *from_mm, double *to_mm, sp_error *err)
{
  piece_frets frets;
  const sp_status status = piece_find_frets(p, o, &frets, err);
  *from_mm = *to_mm = NAN;
  if (!status && frets.sense) {
    const double a = frets.sense * (piece_from_mm(p) - frets.nut_x_mm);
    const double b = frets.sense * (piece_to_mm(p) - frets.nut_x_mm);
    *from_mm = fmin(a, b);
    *to_mm = fmax(a, b);
  }
  return status;
}

/* An order that the frets of all pieces tell, if it is neither the given one nor that from behind. */
static sp_status order_by_frets(const piece *pieces, size_t count, const sp_check_options *o,
                                char order[PIECES_ORDER_TEXT], bool *found, sp_error *err)
{
  stand stands[SP_MOST_PIECES];
  bool forward = true, backward = true;
  *found = false;
  for (size_t k = 0; k < count; k++) {
    double from, to;
    if (!pieces[k].reference.map.known || !pieces[k].marks.count)
      return SP_OK;
    const sp_status status = span_by_frets(&pieces[k], o, &from, &to, err);
    if (status || !isfinite(from))
      return status;
    stands[k] = (stand){k, 0.5 * (from + to)};
  }
  qsort(stands, count, sizeof *stands, by_place);
  for (size_t k = 0; k < count; k++) {
    forward = forward && stands[k].piece == k;
    backward = backward && stands[k].piece == count - 1 - k;
  }
  *found = !forward && !backward;
  write_names(pieces, stands, count, false, order, PIECES_ORDER_TEXT);
  return SP_OK;
}

/* Would the same wood have shown, and does not? */
static bool is_other_wood(const sp_join_place *p)
{
  return p->expected > TELLING_Z &&
         (p->unpaired > p->pairs || (p->told_nats > 0.0 && p->z < OTHER_PART * p->expected));
}

static sp_status say_by_frets(const piece *first, const piece *second, const piece_link *tried,
                              const sp_check_options *o, sp_record *record, sp_error *err)
{
  double a0, a1, b0, b1;
  sp_status status = span_by_frets(first, o, &a0, &a1, err);
  if (!status)
    status = span_by_frets(second, o, &b0, &b1, err);
  if (status)
    return status;
  const double common = fmin(a1, b1) - fmax(a0, b0);
  if (!isfinite(common))
    return sp_record_warn(
        record, err,
        "nothing was found that %s and %s both show: they overlap by too little, or are of different "
        "boards, or one shows the board's other face; let neighbouring pieces overlap by 25 mm or more, "
        "with a mark in it",
        first->name, second->name);
  if (common < 0.0)
    return sp_record_warn(
        record, err,
        "%s and %s do not overlap: by their frets, %.0f mm of the board between them show in neither; "
        "let neighbouring pieces overlap by 25 mm or more",
        first->name, second->name, -common);
  if (common < PIECES_LEAST_OVERLAP_MM + 3.0)
    return sp_record_warn(
        record, err,
        "%s and %s overlap by only %.0f mm, too little to join them; let neighbouring pieces overlap by "
        "25 mm or more",
        first->name, second->name, common);
  if (!is_other_wood(&tried->place))
    return sp_record_warn(
        record, err,
        "%s and %s cannot be joined beyond doubt: by their frets they have %.0f mm in common, but %zu "
        "mark%s and what the wood shows there are too little to go by, or it is not the same board; let "
        "them overlap so far that both show four marks or more",
        first->name, second->name, common, tried->place.pairs, tried->place.pairs == 1 ? "" : "s");
  return sp_record_warn(
      record, err,
      "%s and %s are not pieces of one board: by their frets they should have %.0f mm in common, but "
      "%s not the same; if it is the same board, its other face shows, or it was worked on between the scans",
      first->name, second->name, common,
      tried->place.unpaired > tried->place.pairs ? "the wood and the marks there are" : "the wood there is");
}

sp_status pieces_say_why(piece *pieces, size_t count, size_t second, const piece_link *tried, sp_join_state state,
                         const sp_check_options *o, sp_record *record, sp_error *err)
{
  piece *a = &pieces[second - 1], *b = &pieces[second];
  char order[PIECES_ORDER_TEXT];
  bool found = false;
  sp_status status = SP_OK;
  if (!b->reference.map.known || !b->marks.count)
    return SP_OK;
  if (count > 2)
    status = try_orders(pieces, count, o, order, &found, err);
  if (status)
    return status;
  if (found)
    return sp_record_warn(
        record, err,
        "the pieces are in a wrong order: along the board they lie as %s; name them in order from the "
        "nut",
        order);
  if (state == SP_JOIN_AMBIGUOUS)
    return sp_record_warn(
        record, err,
        "where %s lies on %s cannot be told beyond doubt: more than one place would do; let the pieces "
        "overlap by more, with two marks or more in it",
        b->name, a->name);
  if (count > 2)
    status = order_by_frets(pieces, count, o, order, &found, err);
  if (status)
    return status;
  if (found)
    return sp_record_warn(record, err,
                          "the pieces are in a wrong order: by their frets they lie along the board as %s; name them in "
                          "order from the nut",
                          order);
  status = try_mirrored(a, b, o, &found, err);
  if (status)
    return status;
  if (found)
    return sp_record_warn(record, err, "%s shows the board mirrored; scan it again without mirroring the picture",
                          b->name);
  return say_by_frets(a, b, tried, o, record, err);
}
