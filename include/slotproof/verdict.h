/* slotproof/verdict.h: from lines in pixels to errors in millimetres and cents, their uncertainty, and a decision.
 *
 * Uncertainty after JCGM 100 (GUM): every input with its standard uncertainty, correlations kept. What mark and datum
 * share (the map's offset, a common stretch of what lies between) cancels in their difference; the covariance of the
 * scale map is used for exactly that. Decision after ISO 14253-1 / JCGM 106 with a guard band of the expanded
 * uncertainty (k = 2): within only if |error| + U <= tolerance, out only if |error| - U > tolerance, otherwise
 * undecided.
 */
#ifndef SLOTPROOF_VERDICT_H
#define SLOTPROOF_VERDICT_H

#include "slotproof/layout.h"
#include "slotproof/marks.h"
#include "slotproof/match.h"
#include "slotproof/record.h"
#include "slotproof/reference.h"
#include "slotproof/status.h"

typedef struct sp_verdict_options {
  double tolerance_mm, tolerance_cents; /* NAN = not asked for */
  double temperature_c;                 /* NAN = not known: no correction and no term for it */
} sp_verdict_options;

/* Places of the marks along the board's centre line in mm from an arbitrary origin, in order of u (or px if the map is
 * not known): what match needs. `lines` holds marks->count entries. */
sp_status sp_verdict_match_input(const sp_reference *reference, const sp_marks *marks, sp_match_line *lines,
                                 sp_match_options *options, sp_error *err);

/* What an unevenness across the picture, which nothing in it shows, may move the middle between two sides by that lie
 * half_mm from it, mm (standard uncertainty). */
double sp_uneven_across_mm(double half_mm);

/* Place of any u along the centre line in the frame of those lines. */
double sp_verdict_place(const sp_reference *reference, const sp_marks *marks, double u_px);

/* What a line of slope du/dv leans off square to the centre line there, rad: positive where it moves toward
 * larger u with growing v. */
double sp_verdict_lean(const sp_reference *reference, const sp_marks *marks, double u_px, double slope);

/* Fills the record's marks, strays, datum, fit, findings and verdict. `record` is initialised and keeps what it has. */
sp_status sp_verdict_decide(const sp_layout *layout, const sp_reference *reference, const sp_marks *marks,
                            const sp_match *match, const sp_verdict_options *options, sp_record *record, sp_error *err);

#endif
