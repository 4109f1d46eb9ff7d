/* slotproof/findings.h: what the errors of a board have in common, and how its maker may have come by them.
 *
 * Works on the record alone. Each pattern is a statistical model of the errors and is held against "random hand error":
 * every mark off by an independent normal amount of unknown size, beside the measurement's own covariance (line: each
 * for itself; map: alike for near marks; rule and temperature: in proportion to the distance; nut: common to all). The
 * nut is a mark like any other, so its own hand error shifts all errors alike: the common shift is fitted throughout
 * and judged last.
 *
 *   kind                value, unit                                         found on 95 % of boards from
 *   offset              mm, all frets shifted toward the bridge by          0.25 mm (0.30 mm if the nut has hand error)
 *   half-kerf           mm, the same where it is half the slots' width      slots 0.58 mm wide
 *   other-scale-length  mm, the scale length that the marks follow          0.6 mm at the last fret
 *   second-datum        mm, shift of the frets beyond some fret             0.30 mm
 *   misread             mm, shift of one mark by a likely misreading        0.5 mm; 1/64 in: 20 frets or more
 *   rule-of-18          mm, what that rule gives at the last fret measured  any board
 *   stepped-off         mm, sd of one step; u_value NAN                     0.05 mm a step and 48 frets; see below
 *   square-off          degrees, mean squareness of all lines               0.3 degrees
 *   crooked             degrees, one line against the mean of the rest      0.8 degrees; 14 frets or more
 *
 * Hand error of 0.05 mm and 0.1 degrees (sd), boards of 10 to 24 frets unless said. Steps wander, and some wander
 * little: likelihoods tell 87 % of boards of 24 frets that were stepped off, 7 in 10 of 18 frets, a third of 12;
 * another 6, 10 and 16 % are taken for something else, mostly for another scale length a few tenths of a millimetre
 * off. Of boards with hand error alone (sd 0.02 to 0.08 mm) 0.5 % get a finding, 0.9 % if the nut has hand error too.
 * All simulated: tests/unit/test_findings.c.
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
