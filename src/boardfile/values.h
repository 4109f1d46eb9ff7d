/* Inside the boardfile module: numbers as text that reads back the same. */
#ifndef SP_BOARDFILE_VALUES_H
#define SP_BOARDFILE_VALUES_H

#include <stddef.h>
#include <stdio.h>

#include "slotproof/layout.h"

/* Each writes to `file`, without blanks around. */
void board_write_length(double length_mm, FILE *file);
void board_write_cents(double cents, FILE *file);
void board_write_percent(double share, FILE *file);
void board_write_step(double cents, sp_ratio ratio, FILE *file);

#endif
