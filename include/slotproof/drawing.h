/* slotproof/drawing.h: the computed layout drawn 1:1, to lay beside a board or to stick on.
 *
 * Every sheet carries the nut and the fret lines square to the centre line, each with its number and its distance from
 * the nut; the outline, where the board's width is known; a rule of whole millimetres from the nut along the near side,
 * so that a scan of the print can be measured by `check`; a bar to hold calipers to, because only that proves the size
 * of a print (lines and rule grow together); and, if the board needs more than one sheet, marks to join them by.
 *
 * Lines are placed to 1/256 pt = 0.0014 mm (cairo's paths are fixed-point). What the printer makes of it is another
 * matter. Lengths in mm; on a sheet x runs to the right, which is from nut to bridge, y down.
 *
 * Both functions write to `file` and flush it, do not close it: SP_E_IO if a write fails (disk full), SP_E_INTERNAL for
 * lack of memory or a fault of the drawing library, SP_E_USAGE if the board is too wide for the sheet. `slots` may be
 * NULL: lines are then drawn 60 mm long, without an outline.
 */
#ifndef SLOTPROOF_DRAWING_H
#define SLOTPROOF_DRAWING_H

#include <stdio.h>

#include "slotproof/layout.h"
#include "slotproof/status.h"

/* ISO 216 A4: 210 x 297 mm; ANSI/ASME Y14.1 A (US letter): 8 1/2 x 11 in. Both are used lengthwise. */
typedef enum sp_paper { SP_PAPER_A4, SP_PAPER_LETTER } sp_paper;

/* SP_E_USAGE with a sentence if the board is too wide for a sheet. */
sp_status sp_drawing_fits(const sp_layout *layout, const sp_slots *slots, sp_paper paper, sp_error *err);
/* As many sheets as the board needs, one a page. */
sp_status sp_drawing_pdf(const sp_layout *layout, const sp_slots *slots, sp_paper paper, FILE *file, sp_error *err);

/* One sheet as long as the board, for a plotter, a laser or a drawing program: the format has no pages. */
sp_status sp_drawing_svg(const sp_layout *layout, const sp_slots *slots, FILE *file, sp_error *err);

#endif
