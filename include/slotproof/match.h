/* slotproof/match.h: which line is which fret.
 *
 * Input: places of line-like marks along the board in one common frame (mm when a scale is known, any unit
 * otherwise), in no known direction and from no known origin, some missing, some belonging to no fret. Output: an
 * assignment to the computed layout, or a reason why there is none. The nut need not be among the lines. Nothing is
 * guessed: where two assignments explain the lines about equally well the result is SP_MATCH_AMBIGUOUS.
 *
 * Method: likelihood, see src/match/model.c for the terms and src/match/match.c for the decision. Tested on random
 * boards (tests/unit/test_match.c) with hand errors of 0.03 to 0.3 mm, up to three lines missing, three misplaced by
 * up to 3 mm, four strays, 60 weak lines or chatter every 2 mm, 12 to 31 divisions: no fret bore a wrong number in
 * any of them. A stray nearer to the computed place than the fret's own line is taken for the fret; is_contested
 * tells where that may be so. Of 10,000 sets of random lines 4 were taken for boards. About 2 ms of processor time
 * for 40 lines and 24 frets.
 */
#ifndef SLOTPROOF_MATCH_H
#define SLOTPROOF_MATCH_H

#include <stdbool.h>
#include <stddef.h>

#include "slotproof/layout.h"
#include "slotproof/status.h"

/* One candidate. */
typedef struct sp_match_line {
  double position;   /* along the board, arbitrary origin and direction */
  double u_position; /* standard uncertainty of the line alone */
  double strength;   /* 0..1: how much it looks like a mark of the kind sought (contrast times coverage, scaled) */
  bool part;         /* it spans too little of the width to be anything but a partial fret */
  double askew_rad;  /* what it leans off square and off most other lines, the lesser of both; 0 where not known */
  bool odd_colour;   /* light where most lines are dark, or dark where they are light */
  bool nut_only;     /* it may be the nut or nothing: a knife line on a board of slots */
} sp_match_line;

typedef struct sp_match_options {
  bool scale_known;        /* positions are mm; false: any unit */
  double u_relative_scale; /* relative standard uncertainty of the scale, where known (rule: about 1e-4) */
  bool has_end[2];         /* the board's squared ends, at smaller and larger position */
  double end_position[2];
  bool nut_may_be_line, nut_may_be_end;
  bool
      nut_told; /* somebody says where the nut is: what does not put it near there, within a slip of the hand, is out */
  double told_position;
} sp_match_options;

typedef enum sp_match_state {
  SP_MATCH_OK,
  SP_MATCH_OTHER_SCALE, /* the lines clearly follow another scale length: see scale_length_mm. Only where that moves
                         * the last fret seen by more than 1.3 mm (and the scale by four times its uncertainty), and
                         * most of the residuals go; what is less is OK, the maker's errors lean */
  SP_MATCH_AMBIGUOUS,   /* two assignments explain the lines about equally well */
  SP_MATCH_NONE         /* too few lines, or no assignment explains them */
} sp_match_state;

typedef struct sp_match {
  sp_match_state state;
  int direction;          /* +1: position grows from the nut toward the bridge; -1: the other way; 0: no assignment */
  double nut_position;    /* fitted place of the nut as it stands, same frame as the lines; NAN without an assignment */
  double mm_per_unit;     /* fitted (NAN without an assignment); 1 when the scale is known */
  double scale_length_mm; /* of the best-fitting layout with these numbers (scale known), else NAN */
  bool nut_is_end;        /* the datum is the board's squared end */
  int nut_end;            /* which of the two, if so */
  bool nut_end_assumed;   /* so it was found; nobody has said so */
  ptrdiff_t nut_behind;   /* layouts with a zero fret: the line of the nut behind it, -1 if none shows. What else lies
                             there is no stray either */
  ptrdiff_t *line_of_fret; /* frets + 1 entries; -1 = missing. Entry 0: nut line, -1 if the nut is the end or unseen */
  bool *is_stray;          /* one per line: looks like a mark, is no fret. A weak line that fits nowhere is neither */
  bool *is_contested;      /* frets + 1 entries: a line not chosen would do there about as well as the one chosen */
  double margin;           /* log-likelihood (nats) by which the assignment beats the best different one */
  char reason[240];        /* one sentence for the user when the state is not SP_MATCH_OK; empty otherwise */
} sp_match;

/* Where a nut may stand behind a zero fret whose distance from it was not told, mm; and how far it may lie from where
 * it was told to be. */
#define SP_NUT_BEHIND_LEAST_MM 0.8
#define SP_NUT_BEHIND_REACH_MM 2.5

/* Matches `count` lines, in any order, to the layout. Lines whose position is not finite are left out. AMBIGUOUS and
 * NONE come with no assignment: every line_of_fret is -1, nothing is a stray. Hand-laid lines are told from chance from
 * five with the nut among them, from seven without it; with no scale seven with the nut (all frets before them seen).
 * SP_E_INTERNAL on lack of memory only: "no match" is a state, not an error. On success `match` is the
 * caller's to free with sp_match_free. */
sp_status sp_match_lines(const sp_match_line *lines, size_t count, const sp_layout *layout,
                         const sp_match_options *options, sp_match *match, sp_error *err);
void sp_match_free(sp_match *match);

/* Which of several edges across the board is the nut's face, once the frets have told where the nut belongs. An edge
 * serves if it lies within SP_NUT_REACH_MM of that place. Two that would do about equally well are no answer, and
 * neither is one whose own place is in such doubt that the frets compared with each other are better off without it. */
#define SP_NUT_REACH_MM 1.6
typedef struct sp_match_place {
  double position, u_position; /* in the frame of the lines; standard uncertainty */
} sp_match_place;

typedef enum sp_nut_state { SP_NUT_FOUND, SP_NUT_UNSEEN, SP_NUT_UNCLEAR, SP_NUT_UNTOLD } sp_nut_state;
/* nut: where the frets put it. *chosen is set for SP_NUT_FOUND and SP_NUT_UNTOLD. */
sp_nut_state sp_match_nut(sp_match_place nut, double mm_per_unit, const sp_match_place *edge, size_t count,
                          size_t *chosen);

#endif
