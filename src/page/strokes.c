/* How well the rule's strokes fit the scale that was read from them: the residual of each, under its place on the
 * board. A waviness that is left, a damaged stretch or a wrong count would show here. */
#include <math.h>

#include "page_internal.h"

/* Drawing units. */
static const double TOP = 12.0, HEIGHT = 110.0, DOT = 1.6, CROSS = 3.5;
static const double ROOM = 1.2;
/* So few tell nothing. */
enum { FEWEST = 5 };

static double largest_residual_mm(const sp_reference_record *r)
{
  double most = 0.0;
  for (size_t i = 0; i < r->graduation_count; i++)
    if (r->graduations[i].used)
      most = fmax(most, fabs(r->graduations[i].residual_mm)); /* fmax passes over NAN */
  return most;
}

static void put_stroke(sp_page *page, const sp_plot_frame *f, const sp_graduation *g)
{
  const double x = sp_plot_x(f, sp_sheet_u_px(&page->sheet, g->at_px));
  if (!(x >= f->left && x <= f->right))
    return;
  if (g->used)
    sp_plot_dot(page->markup, x, sp_plot_y(f, g->residual_mm), DOT, "dot");
  else
    sp_plot_sign(page->markup, SP_MISSING, x, f->bottom - CROSS, CROSS, 1.0);
}

void sp_page_strokes(sp_page *page)
{
  sp_markup *m = page->markup;
  const sp_reference_record *r = &page->record->reference;
  const double most = largest_residual_mm(r);
  if (!page->sheet.known || r->graduations_used < FEWEST || !(most > 0.0))
    return;
  const sp_plot_frame f = sp_sheet_frame(&page->sheet, TOP, TOP + HEIGHT, -ROOM * most, ROOM * most);
  sp_page_wide(m, "The strokes of the rule");
  sp_markup_begin(m, "figure");
  sp_markup_put(m, "figcaption", NULL,
                r->graduation_count > r->graduations_used
                    ? "The rule's strokes against the scale read from them, mm (cross: left out)"
                    : "The rule's strokes against the scale read from them, mm");
  sp_plot_open(m, "strokes", SP_SHEET_WIDTH, TOP + HEIGHT + 26.0, "The rule's strokes against the scale, mm",
               "How far each stroke beside the board lies from where the scale puts it.");
  sp_plot_axis_y(m, &f, true);
  for (size_t i = 0; i < r->graduation_count; i++)
    put_stroke(page, &f, &r->graduations[i]);
  sp_page_fret_numbers(page, TOP + HEIGHT + 18.0);
  sp_plot_close(m);
  sp_markup_end(m);
  sp_markup_end(m);
}
