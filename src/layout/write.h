/* What the files that write a layout share. */
#ifndef SLOTPROOF_LAYOUT_WRITE_H
#define SLOTPROOF_LAYOUT_WRITE_H

#include <stdio.h>

#include "slotproof/layout.h"

/* The second table of the text: slots, in words and figures. */
void sp_write_slots_text(const sp_layout *layout, const sp_slots *slots, FILE *file);

#endif
