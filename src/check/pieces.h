/* Inside the check module: one board from several scans. */
#ifndef SP_CHECK_PIECES_H
#define SP_CHECK_PIECES_H

#include "check_internal.h"
#include "slotproof/grain.h"
#include "slotproof/join.h"

/* Least stretch of the board in which two pieces are compared. */
#define PIECES_LEAST_OVERLAP_MM 12.0

/* One scan of the board, measured. Common frame of all: that of the first piece (its x along its own growing u); a
 * piece that lies the other way round is turned into it. */
typedef struct piece {
  const char *path;
  const char *name; /* what warnings call it */
  size_t source;
  uint32_t width_px, height_px;
  sp_marks marks;
  sp_reference reference;
  sp_board_frame frame;            /* as scanned, its map is reference.map */
  bool turned;                     /* against the first piece */
  bool mirrored;                   /* only while it is tried: lines lean the other way than they were read */
  double from_mm, to_mm;           /* the board in the picture, as scanned: x */
  double side_from_mm, side_to_mm; /* and what of its breadth is compared: y */
  double u_aside_mm, u_turn_rad;   /* of its centre line against that of all (pieces_align) */
  sp_face face;                    /* empty once it has been joined on both sides */
  corrected said;                  /* by hand, of this picture */
} piece;

/* How a piece was joined to the one before it. */
typedef struct piece_link {
  sp_join_place place;
  sp_grain_fit wood;
} piece_link;

/* Place of a picture's point in mm, in the common direction but from the piece's own origin. */
sp_point piece_mm(const piece *p, double u_px, double v_px);
/* Back again: a point of the picture. */
sp_point piece_px(const piece *p, sp_point at_mm);
double piece_from_mm(const piece *p);
double piece_to_mm(const piece *p);
/* mm along u for a px of a line's slope du/dv; and by what a line of that slope is off square, rad: positive where it
 * moves toward +x with growing y. Half a turn leaves it as it is. */
double piece_slope_rate(const piece *p, double u_px);
double piece_lean_rad(const piece *p, double u_px, double slope);

/* Middle of a graduation by what it counts as, not by its own reading. */
sp_point piece_graduation_mm(const piece *p, const sp_graduation *g);

/* ---- what tells the place of a piece and not the board (pieces_told.c) ---- */

/* Of a printed strip: a graduation that both show, the one nearest to `near_mm` of the first, in the frames of either;
 * whether its numbers run the other way in the second; and how sure its places are in the two maps. False if there is
 * none. */
typedef struct strip_match {
  sp_point first_mm, second_mm;
  double first_rad, second_rad; /* the strip's direction against the board's */
  bool opposed;
  double u_mm;
} strip_match;
bool pieces_match_strip(const piece *first, const piece *second, double near_mm, strip_match *match);
/* Where the nut is by the frets that this piece's lines are taken for, and whether the bridge lies toward growing x
 * (+1) or the other way; sense 0 where that cannot be told. */
typedef struct piece_frets {
  double nut_x_mm;
  int sense;
} piece_frets;
sp_status piece_find_frets(const piece *p, const sp_check_options *o, piece_frets *frets, sp_error *err);
/* Where the second lies if the strip has not moved; and by the frets of both. */
sp_status pieces_told(const piece *first, const piece *second, const sp_check_options *o,
                      sp_join_told told[SP_JOIN_TOLD], sp_error *err);

/* Opens, reads the scale, finds the lines, draws the face. Warnings go to `record` under the picture's name. A picture
 * without a scale is no error: reference.map.known is false and the record says why. */
sp_status piece_measure(const char *path, const char *name, const sp_check_options *o, piece *p, sp_record *record,
                        sp_error *err);
void piece_free(piece *p);
/* The face once more, from the file. */
sp_status piece_draw_face(piece *p, const sp_check_options *o, sp_error *err);

/* Where the second lies on the first, by marks and wood; turns the second if need be, and measures the wood. */
sp_status piece_place(const piece *first, piece *second, const sp_check_options *o, piece_link *link,
                      sp_join_state *state, sp_error *err);
sp_status piece_fit_wood(const piece *first, const piece *second, double aside_mm, piece_link *link, sp_error *err);

/* The pictures' names in order from the nut, `shift_mm` being where each piece lies in the first one's frame. */
enum { PIECES_ORDER_TEXT = 400 };
sp_status pieces_name_order(const piece *pieces, size_t count, const double *shift_mm, const sp_check_options *o,
                            char text[PIECES_ORDER_TEXT], sp_error *err);

/* What is left in doubt of the board's centre line, in the middle of all pieces. */
typedef struct pieces_axis {
  double u_aside_mm, u_turn_rad;
} pieces_axis;

/* Moves the frames of all pieces, each placed on the one before, onto one centre line; the links with them. */
sp_status pieces_align(piece *pieces, size_t count, piece_link *link, pieces_axis *axis, sp_error *err);

/* Says why the second could not be joined to the one before. */
sp_status pieces_say_why(piece *pieces, size_t count, size_t second, const piece_link *tried, sp_join_state state,
                         const sp_check_options *o, sp_record *record, sp_error *err);

/* Joins what lies in order and judges the whole. */
sp_status pieces_judge(piece *pieces, size_t count, piece_link *link, const sp_check_options *o,
                       sp_record *record, sp_error *err);

/* The record of a board whose pieces could not be joined. */
sp_status pieces_judge_none(const sp_check_options *o, sp_record *record, sp_error *err);

#endif
