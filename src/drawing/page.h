/* One sheet, drawn through cairo. */
#ifndef SLOTPROOF_DRAWING_PAGE_H
#define SLOTPROOF_DRAWING_PAGE_H

#include <cairo.h>

#include "drawing/sheets.h"

/* Where things stand on every sheet of one drawing, mm from its top left corner. */
typedef struct sp_page {
  const sp_layout *layout;
  const sp_slots *slots; /* NULL: width not known */
  const int8_t *row;     /* of each label, see sp_sheets_label_rows */
  double width_mm, height_mm;
  double axis_mm;  /* y of the centre line */
  double label_mm; /* y of the lower end of row 0 */
  double rule_mm;  /* y of the rule's edge */
  double foot_mm;  /* y where the foot begins */
  int rows;
  size_t sheets;
} sp_page;

/* Height that a drawing needs with so many rows of labels. */
double sp_page_height_mm(const sp_layout *layout, const sp_slots *slots, int rows);
/* Sets the places above for a sheet of height_mm, which is at least the height needed. */
void sp_page_arrange(sp_page *page, int rows);
/* Draws sheet `index` (from 0). One unit of `cr` is 1 mm. */
void sp_page_draw(cairo_t *cr, const sp_page *page, const sp_sheet *sheet, size_t index);

#endif
