/* slotproof/findings.h: what the errors of a board have in common, and how its maker may have come by them.
 *
 * Works on the record alone. Each pattern is a statistical model of the errors and is held against "random hand error":
 * every mark off by an independent normal amount of unknown size, beside the measurement's own covariance (line: each
 * for itself; map: alike for near marks; rule and temperature: in proportion to the distance; nut: common to all). The
 * nut is a mark like any other, so its own hand error shifts all errors alike: the common shift is fitted throughout
 * and judged last. Which kind it is, where there is one, is decided by marginal likelihoods.
 *
 *   kind                value, unit                                         named alone on 95 % of boards from
 *   offset              mm, all frets shifted toward the bridge by          0.35 mm
 *   half-kerf           mm, the same where it is half the slots' width      slots 0.58 mm wide
 *   other-scale-length  mm, the scale length that the marks follow          1.0 mm at the last fret; 18 frets or more
 *   second-datum        mm, shift of the frets beyond some fret             0.40 mm
 *   misread             mm, shift of one mark by a likely misreading        0.5 mm; 1/64 in: 20 frets or more
 *   rule-of-18          mm, what that rule gives at the last fret measured  any board
 *   stepped-off         mm, sd of one step; u_value NAN                     48 frets; see below
 *   square-off          degrees, mean squareness of all lines               0.3 degrees
 *   crooked             degrees, one line against the mean of the rest      0.8 degrees; 14 frets or more
 *   fan-mirrored, fan-missing   degrees: how far the lines lean from the fan asked for. Fanned frets only; the first
 *                       wherever it is found, as what else is said of leans would be about another fan
 *   unclear             NAN; `either` lists two or three of these that explain the errors about equally well
 *
 * Hand error of 0.05 mm and 0.1 degrees (sd), the nut's beside, boards of 10 to 24 frets unless said. Smaller faults
 * are named as one of two or three: another scale length of 0.4 mm at the last fret, a step of 0.3 mm are so told on 95
 * %. Steps wander, and some wander little: of boards that were stepped off 85 % of 24 frets, 74 % of 18 and 38 % of 12
 * are named so, another 6, 9 and 16 % as one of two or three, the rest get nothing; something wrong is said of 0 to 2 %.
 * That is near what any test can do: see DEVELOPERS.md, "Findings". Of boards with hand error alone (sd 0.02 to 0.08 mm)
 * 0.5 % get a finding, whether or not the nut has hand error too. All simulated: tests/unit/test_findings.c; table by
 * number of frets in DEVELOPERS.md.
 *
 * `strength` of a finding is -log10 of the chance, with random hand error alone, of a pattern of that kind as marked as
 * this one anywhere on the board: 3 is one board in a thousand; nothing below 2.7 (one in 500) is named. It says that
 * there is a pattern; which cause it has is for the maker to judge, and the texts are worded so.
 */
#ifndef SLOTPROOF_FINDINGS_H
#define SLOTPROOF_FINDINGS_H

#include "slotproof/layout.h"
#include "slotproof/record.h"
#include "slotproof/status.h"

/* Boards with fewer marks of known error, or with more, are not looked at: too little to tell by, too long to reckon.
 */
enum { SP_FINDINGS_MIN_MARKS = 6, SP_FINDINGS_MAX_MARKS = 120 };

/* Adds to record->findings. `layout` is the one that the record's errors are against. A finding "other-scale-length"
 * that stands in the record already is replaced by this one's, or taken out where another pattern explains the errors
 * better. Fails only for lack of memory (SP_E_INTERNAL). */
sp_status sp_findings_add(const sp_layout *layout, sp_record *record, sp_error *err);

#endif
