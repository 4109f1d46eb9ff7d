/* slotproof/advice.h: what to do about each mark, and whether moving nut or saddle would do instead.
 *
 * Numbers only: works on a judged record. With the nut moved by s toward the bridge and the saddle by t away from the
 * nut (mm), a scale length L and a fret whose place is p, the error e of that fret becomes
 *   e - s (1 - p/L) - t p/L
 * because nut, saddle and computed places go together and the frets stay where they are. The smallest set of re-cuts is
 * found for s alone, t alone and both, by trying every place where a fret enters or leaves its tolerance (the count of
 * frets within it changes nowhere else); among equals the least squares of what stays within is taken.
 */
#ifndef SLOTPROOF_ADVICE_H
#define SLOTPROOF_ADVICE_H

#include "slotproof/layout.h"
#include "slotproof/record.h"
#include "slotproof/status.h"

/* Kerf for a fret tang where none is told: 0.023 in (common practice, no source). */
#define SP_DEFAULT_KERF_MM 0.584

/* What a slot may be off by before it is worth a word (common practice, no source): a kerf that differs by less from
 * one end to the other, or from the tang, is taken up by pressing and glue; a straight tang follows a middle line as
 * far as this off straight. Said only if it holds beyond twice the standard uncertainty: SP_SLOT_WIDENS   |widening_mm|
 *   SP_SLOT_UNEVEN   kerf_most_mm - kerf_least_mm, where it does not simply widen
 *   SP_SLOT_WANDERS  |wander_worst_mm|
 *   SP_SLOT_TIGHT    a tang that was told less kerf_least_mm
 *   SP_SLOT_LOOSE    kerf_most_mm less a tang that was told */
#define SP_SLOT_WORTH_MM 0.05

/* Sets each mark's action and troubles and the record's remedies. `kerf_mm` is the saw cut to come (knife lines), NAN =
 * not told. */
sp_status sp_advice_add(const sp_layout *layout, double kerf_mm, sp_record *record, sp_error *err);

/* Tolerance of one mark in mm: the tighter of both that were given. */
double sp_advice_tolerance_mm(const sp_record *record, const sp_mark_record *mark);

#endif
