/* slotproof/join.h: one board from several scans. Numbers only: knows no picture and no file.
 *
 * Each piece is a rigid body measured in its own frame: x along the board's centre line from an origin of its own, in
 * the same direction for all (turn first what lies the other way round). What a piece has read (marks, and places where
 * wood was compared) comes with its full covariance, because neighbours share the error of the piece's scale. Evidence
 * of where a piece lies to the next: marks that both show, places of wood that both show, and the rule's graduations
 * where the rule has not moved against the board between the two scans. Whether it has is found out, not believed.
 *
 * One link: with d_i = x_i(first) - x_i(second) for everything that both show and C its covariance, the shift is the
 * generalised least squares mean (1' C^-1 d) / (1' C^-1 1), the closing test chi^2 = (d - shift)' C^-1 (d - shift) with
 * n - 1 degrees of freedom (Aitken 1936). The whole: all true places and all shifts at once, by the same principle.
 */
#ifndef SLOTPROOF_JOIN_H
#define SLOTPROOF_JOIN_H

#include <stdbool.h>
#include <stddef.h>

#include "slotproof/status.h"

/* ---- which place at all --------------------------------------------------------------------------------------------
 */

/* What of a piece is needed to tell where it may lie. */
typedef struct sp_join_marks {
  size_t count;
  const double *x_mm;                  /* by rising x */
  const double *strength;              /* 0..1 */
  const double *lean_rad, *u_lean_rad; /* out of square, and its standard uncertainty; half a turn leaves it as it is */
  double from_mm, to_mm;               /* the part of the board that the picture shows */
} sp_join_marks;

/* A place where the second may lie on the first: x of the first = x of the second + shift_mm, after half a turn (x
 * changes its sign) if `turned`. */
typedef struct sp_join_place {
  bool turned;
  double shift_mm;
  double z;        /* how well the wood agrees there, in standard deviations of chance; NAN: not compared */
  double expected; /* what z would be if it were the same wood */
  size_t pairs;    /* out: marks that lie on each other */
  size_t unpaired; /* out: marks of either in the overlap that have no partner */
  double nats;     /* out: evidence for the place, against chance */
  double told_nats; /* out: the part of it that comes from what tells the place and not the board */
} sp_join_place;

/* Where the second would lie by something that tells the place and not which board it is: a strip with numbered
 * graduations, if it has lain still; the frets that the marks of either were taken for. A place that agrees with it
 * gains, none that does not loses. */
typedef struct sp_join_told {
  bool known, turned;
  double shift_mm, within_mm;
} sp_join_told;
enum { SP_JOIN_TOLD = 2 };

/* Two shifts nearer than this are one. */
#define SP_JOIN_SAME_MM 0.5

enum { SP_JOIN_GUESSES = 40 };

/* Places where at least two marks of each lie on each other: guesses for the wood to be compared at, most pairs first.
 */
size_t sp_join_guess(const sp_join_marks *first, const sp_join_marks *second, double least_overlap_mm,
                     sp_join_place guess[SP_JOIN_GUESSES]);

/* Such places as are told and known, settled on the marks that then lie nearest to each other: how many. */
size_t sp_join_guess_told(const sp_join_marks *first, const sp_join_marks *second,
                          const sp_join_told told[SP_JOIN_TOLD], double least_overlap_mm,
                          sp_join_place guess[SP_JOIN_TOLD]);

typedef enum sp_join_state {
  SP_JOIN_OK,
  SP_JOIN_NOTHING,   /* no place stands out: nothing in common, or another board */
  SP_JOIN_AMBIGUOUS, /* two places do about equally well */
  SP_JOIN_TORN       /* the evidence contradicts itself: closing test */
} sp_join_state;

/* The one place, if there is one, by marks and wood together. `chosen` is its index; `place` is filled and rearranged
 * in no way. `told` may be NULL. SP_JOIN_OK is a proposal: the wood is to be measured there, and then asked for by
 * sp_join_confirm. */
sp_join_state sp_join_choose(const sp_join_marks *first, const sp_join_marks *second,
                             const sp_join_told told[SP_JOIN_TOLD], sp_join_place *place, size_t count,
                             size_t *chosen);
/* Is that beyond doubt, once `found` patches of wood have been found again near the place, `agreeing` of them at one
 * and the same shift? Such as agree by chance are one in sixteen. What was told counts only once the wood
 * agrees. */
bool sp_join_confirm(const sp_join_place *chosen, size_t found, size_t agreeing);

/* ---- how far, and how sure -----------------------------------------------------------------------------------------
 */

typedef struct sp_join_piece {
  size_t marks;                 /* the first entries of x_mm are marks, by rising x ... */
  size_t points;                /* ... then come places of wood; number of all */
  const double *x_mm;           /* points */
  const double *covariance_mm2; /* points x points, row-major, positive definite */
} sp_join_piece;

/* One place of wood seen in both: indices into the x_mm of the two pieces. */
typedef struct sp_join_wood {
  size_t first, second;
} sp_join_wood;

/* What is known of pieces k and k + 1. */
typedef struct sp_join_overlap {
  double shift_mm; /* about, to a quarter of a millimetre: x of k = x of k + 1 plus this */
  const sp_join_wood *wood;
  size_t woods;
  double u_wood_mm;          /* what all of it may be off by alike */
  bool has_rule;             /* both scales were read from a rule with the same graduation */
  double rule_mm, u_rule_mm; /* the shift by the rule, if it has lain still, less or plus any number of steps */
  double step_mm; /* graduation, along the board; of numbered ones: within what a strip laid anew may lie anywhere */
  double rule_turn_rad, u_rule_turn_rad; /* change of its angle against the board */
} sp_join_overlap;

typedef enum sp_join_rule {
  SP_JOIN_RULE_NONE,
  SP_JOIN_RULE_STILL,
  SP_JOIN_RULE_MOVED,
  SP_JOIN_RULE_UNCLEAR
} sp_join_rule;

/* What came of one overlap. */
typedef struct sp_join_link {
  double shift_mm, u_shift_mm;      /* in the whole solution */
  double seen_mm, u_seen_mm;        /* by marks and wood alone */
  size_t shared, woods;             /* marks, places of wood that were used */
  double marks_rms_mm, wood_rms_mm; /* residuals; NAN where there are none */
  double chi2, p;                   /* closing test of marks and wood; NAN with one piece of evidence only */
  size_t freedom;
  double widened; /* by which the overlap's own uncertainty was multiplied, because it closes badly */
  sp_join_rule rule;
  double rule_off_mm, u_rule_off_mm; /* shift by the rule (nearest whole step) less that of marks and wood */
} sp_join_link;

typedef struct sp_join {
  sp_join_state state;
  size_t torn;            /* the link that does not close, if state is SP_JOIN_TORN */
  size_t places;          /* true marks */
  double *x_mm;           /* in the first piece's frame */
  double *covariance_mm2; /* places x places */
  size_t **place_of;      /* [piece][mark of that piece] */
  size_t pieces;
  double *shift_mm;   /* of each piece: x of the first piece's frame = x + shift */
  sp_join_link *link; /* pieces - 1 */
} sp_join;

/* Joins `pieces` >= 2 in order. A contradiction is no error: see state. Free with sp_join_free. SP_E_DATA if a
 * covariance is none; SP_E_INTERNAL without memory. */
sp_status sp_join_solve(const sp_join_piece *piece, size_t pieces, const sp_join_overlap *overlap, sp_join *join,
                        sp_error *err);
void sp_join_free(sp_join *join);

#endif
