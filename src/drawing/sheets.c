/* Cutting the board into sheets, and rows for the labels.
 *
 * A join midway between two frets touches no line and no label, and the two lines beside it, whose distance is printed
 * there, tell how well the sheets were joined. Of the joins that a sheet can reach the last is taken: fewest sheets.
 * Labels go into the first row whose last label ends before them, which needs the fewest rows (labels are intervals in
 * order of their beginning).
 */
#include "drawing/sheets.h"

#include <math.h>
#include <stdlib.h>

/* A join is taken between frets only if one lies so near the sheet's end: fret 1 of a double bass takes 62 mm. */
#define JOIN_REACH_MM 80.0
/* Breadth of a label: a fret number of up to two, or three digits. */
#define LABEL_MM      5.2
#define LONG_LABEL_MM 7.4

double sp_sheets_end_mm(const sp_layout *l, const sp_slots *p)
{
  double end = l->position_mm[l->frets];
  if (p && p->shape.end_at_mm > end)
    end = p->shape.end_at_mm;
  return end + SP_SHEET_TAIL_MM;
}

double sp_sheets_half_width_mm(const sp_layout *l, const sp_slots *p)
{
  if (!p || isnan(p->shape.nut_width_mm))
    return SP_SHEET_HALF_LINE_MM;
  return 0.5 * fmax(sp_board_width_mm(&p->shape, 0.0), sp_board_width_mm(&p->shape, sp_sheets_end_mm(l, p)));
}

/* The last place midway between two frets that is not beyond `limit`; `limit` itself if there is none near. */
static double join_before(const sp_layout *l, double limit_mm)
{
  double join = limit_mm - JOIN_REACH_MM;
  bool found = false;
  for (int32_t n = 1; n <= l->frets; n++) {
    const double midway = 0.5 * (l->position_mm[n - 1] + l->position_mm[n]);
    if (midway > join && midway <= limit_mm) {
      join = midway;
      found = true;
    }
  }
  return found ? join : limit_mm;
}

sp_status sp_sheets_cut(const sp_layout *l, const sp_slots *p, double window_mm, sp_sheet **sheets, size_t *count,
                        sp_error *err)
{
  const double end = sp_sheets_end_mm(l, p);
  const double least_step = window_mm - JOIN_REACH_MM - 2.0 * SP_SHEET_BEYOND_JOIN_MM;
  const size_t most = (size_t)((end + SP_SHEET_LEAD_MM) / least_step) + 2;
  sp_sheet sheet = {-SP_SHEET_LEAD_MM, 0.0, NAN, NAN};
  *count = 0;
  *sheets = calloc(most, sizeof **sheets);
  if (!*sheets)
    return sp_fail_memory(err);
  for (bool last = false; !last && *count < most;) {
    sheet.to_mm = sheet.from_mm + window_mm;
    last = end <= sheet.to_mm;
    sheet.join_after_mm = last ? NAN : join_before(l, sheet.to_mm - SP_SHEET_BEYOND_JOIN_MM);
    sheet.to_mm = last ? end : sheet.join_after_mm + SP_SHEET_BEYOND_JOIN_MM;
    (*sheets)[(*count)++] = sheet;
    sheet.join_before_mm = sheet.join_after_mm;
    sheet.from_mm = sheet.join_after_mm - SP_SHEET_BEYOND_JOIN_MM;
  }
  return SP_OK;
}

int sp_sheets_label_rows(const sp_layout *l, int rows, int8_t *row)
{
  double end_mm[SP_LABEL_ROWS];
  int used = 0;
  for (int r = 0; r < rows; r++)
    end_mm[r] = -INFINITY;
  for (int32_t n = 0; n <= l->frets; n++) {
    const double half = 0.5 * (n < 100 ? LABEL_MM : LONG_LABEL_MM), x = l->position_mm[n];
    int r = 0;
    while (r < rows && x - half < end_mm[r])
      r++;
    row[n] = (int8_t)(r < rows ? r : -1);
    if (r == rows)
      continue;
    end_mm[r] = x + half;
    used = r + 1 > used ? r + 1 : used;
  }
  return used;
}
