/* Which piece of the board goes on which sheet, and where things stand on a sheet. Numbers only; drawn in page.c. */
#ifndef SLOTPROOF_DRAWING_SHEETS_H
#define SLOTPROOF_DRAWING_SHEETS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "slotproof/layout.h"

/* Left free at each side of a sheet: what common printers cannot reach (4 to 7 mm; common practice, no source) and
 * some. */
#define SP_SHEET_MARGIN_MM 12.0
/* Drawn before the nut. */
#define SP_SHEET_LEAD_MM 12.0
/* Drawn beyond the last fret, or the board's end if that is farther. */
#define SP_SHEET_TAIL_MM 8.0
/* Each of two neighbours shows this much of the board beyond their join. */
#define SP_SHEET_BEYOND_JOIN_MM 8.0
/* Half the length of a fret line where no width is known. */
#define SP_SHEET_HALF_LINE_MM 30.0

/* Board places, mm from the nut. */
typedef struct sp_sheet {
  double from_mm, to_mm;                /* what the sheet shows */
  double join_before_mm, join_after_mm; /* NAN at the first and the last sheet */
} sp_sheet;

/* Cuts the board into sheets that show `window_mm` each; joins lie midway between two frets. Free *sheets with free().
 * SP_E_INTERNAL for lack of memory. */
sp_status sp_sheets_cut(const sp_layout *layout, const sp_slots *slots, double window_mm, sp_sheet **sheets,
                        size_t *count, sp_error *err);

/* End of what is drawn, mm from the nut. */
double sp_sheets_end_mm(const sp_layout *layout, const sp_slots *slots);
/* Largest half width of what is drawn. */
double sp_sheets_half_width_mm(const sp_layout *layout, const sp_slots *slots);

enum { SP_LABEL_ROWS = 4 };

/* Which of `rows` rows (1 to SP_LABEL_ROWS; 0 is next to the board) each line's label stands in, so that no two touch;
 * -1 where there is no room at all. `row` has frets + 1 places. Returns the number of rows used. */
int sp_sheets_label_rows(const sp_layout *layout, int rows, int8_t *row);

#endif
