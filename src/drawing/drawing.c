/* Surfaces, sheets and errors; what is drawn is in page.c.
 *
 * cairo writes through a function, so a full disk is noticed where it happens and nothing is held in memory but one
 * sheet. Its unit is the point, 1/72 in; all drawing is in millimetres.
 */
#include "slotproof/drawing.h"

#include <cairo-pdf.h>
#include <cairo-svg.h>
#include <math.h>
#include <stdlib.h>

#include "drawing/page.h"
#include "slotproof/late.h"

#define POINTS_PER_MM (72.0 / 25.4)
/* Bars and words of the foot need this much. */
#define SVG_LEAST_WIDTH_MM 275.0

static cairo_status_t put(void *file, const unsigned char *data, unsigned int length)
{
  return fwrite(data, 1, length, file) == length ? CAIRO_STATUS_SUCCESS : CAIRO_STATUS_WRITE_ERROR;
}

static sp_status outcome_of(cairo_status_t status, FILE *file, sp_error *err)
{
  if (status == CAIRO_STATUS_NO_MEMORY)
    return sp_fail_memory(err);
  if (status == CAIRO_STATUS_WRITE_ERROR || (status == CAIRO_STATUS_SUCCESS && (fflush(file) != 0 || ferror(file))))
    return sp_fail(err, SP_E_IO, "writing the drawing failed; make room on the disk or write elsewhere");
  if (status != CAIRO_STATUS_SUCCESS)
    return sp_fail(err, SP_E_INTERNAL, "the drawing library failed (%s); report this fault",
                   cairo_status_to_string(status));
  return SP_OK;
}

/* Draws all sheets and closes the surface. */
static sp_status draw_all(cairo_surface_t *surface, const sp_page *page, const sp_sheet *sheets, FILE *file,
                          sp_error *err)
{
  cairo_t *cr = cairo_create(surface);
  cairo_font_options_t *letters = cairo_font_options_create();
  cairo_font_options_set_hint_metrics(letters, CAIRO_HINT_METRICS_OFF);
  cairo_font_options_set_hint_style(letters, CAIRO_HINT_STYLE_NONE);
  cairo_set_font_options(cr, letters);
  cairo_font_options_destroy(letters);
  cairo_scale(cr, POINTS_PER_MM, POINTS_PER_MM);
  for (size_t i = 0; i < page->sheets; i++) {
    sp_page_draw(cr, page, &sheets[i], i);
    cairo_show_page(cr);
  }
  cairo_status_t status = cairo_status(cr);
  cairo_destroy(cr);
  cairo_surface_finish(surface);
  if (status == CAIRO_STATUS_SUCCESS)
    status = cairo_surface_status(surface);
  cairo_surface_destroy(surface);
  return outcome_of(status, file, err);
}

static int most_rows(const sp_page *page)
{
  int rows = SP_LABEL_ROWS;
  while (rows > 0 && sp_page_height_mm(page->layout, page->slots, rows) > page->height_mm)
    rows--;
  return rows;
}

/* Cuts, letters, arranges and draws. `open` makes the surface once the page's size is settled. */
typedef cairo_surface_t *(*open_surface)(FILE *file, const sp_page *page);

static sp_status draw(sp_page *page, double window_mm, int rows, open_surface open, FILE *file, sp_error *err)
{
  sp_sheet *sheets = NULL;
  sp_status status = sp_late_library(SP_LATE_CAIRO, err);
  if (status)
    return status;
  int8_t *row = calloc((size_t)page->layout->frets + 1, sizeof *row);
  status =
      row ? sp_sheets_cut(page->layout, page->slots, window_mm, &sheets, &page->sheets, err) : sp_fail_memory(err);
  if (!status) {
    const int used = sp_sheets_label_rows(page->layout, rows, row);
    page->row = row;
    if (isnan(page->height_mm))
      page->height_mm = sp_page_height_mm(page->layout, page->slots, used);
    sp_page_arrange(page, used);
    status = draw_all(open(file, page), page, sheets, file, err);
  }
  free(sheets);
  free(row);
  return status;
}

static cairo_surface_t *open_pdf(FILE *file, const sp_page *page)
{
  cairo_surface_t *surface =
      cairo_pdf_surface_create_for_stream(put, file, page->width_mm * POINTS_PER_MM, page->height_mm * POINTS_PER_MM);
  cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_TITLE, "Fingerboard layout, full size");
  return surface;
}

static sp_page sheet_of(const sp_layout *layout, const sp_slots *slots, sp_paper paper)
{
  sp_page page = {.layout = layout, .slots = slots, .width_mm = 297.0, .height_mm = 210.0};
  if (paper == SP_PAPER_LETTER) {
    page.width_mm = 279.4;
    page.height_mm = 215.9;
  }
  return page;
}

sp_status sp_drawing_fits(const sp_layout *layout, const sp_slots *slots, sp_paper paper, sp_error *err)
{
  const sp_page page = sheet_of(layout, slots, paper);
  if (most_rows(&page) > 0)
    return SP_OK;
  return sp_fail(err, SP_E_USAGE, "a board %g mm wide does not fit across a sheet; draw it as svg",
                 2.0 * sp_sheets_half_width_mm(layout, slots));
}

sp_status sp_drawing_pdf(const sp_layout *layout, const sp_slots *slots, sp_paper paper, FILE *file, sp_error *err)
{
  sp_page page = sheet_of(layout, slots, paper);
  const sp_status status = sp_drawing_fits(layout, slots, paper, err);
  if (status)
    return status;
  return draw(&page, page.width_mm - 2.0 * SP_SHEET_MARGIN_MM, most_rows(&page), open_pdf, file, err);
}

static cairo_surface_t *open_svg(FILE *file, const sp_page *page)
{
  cairo_surface_t *surface =
      cairo_svg_surface_create_for_stream(put, file, page->width_mm * POINTS_PER_MM, page->height_mm * POINTS_PER_MM);
  cairo_svg_surface_set_document_unit(surface, CAIRO_SVG_UNIT_PT);
  return surface;
}

sp_status sp_drawing_svg(const sp_layout *layout, const sp_slots *slots, FILE *file, sp_error *err)
{
  const double window = sp_sheets_end_mm(layout, slots) + SP_SHEET_LEAD_MM;
  sp_page page = {.layout = layout, .slots = slots, .height_mm = NAN};
  page.width_mm = fmax(window + 2.0 * SP_SHEET_MARGIN_MM, SVG_LEAST_WIDTH_MM);
  return draw(&page, page.width_mm - 2.0 * SP_SHEET_MARGIN_MM, SP_LABEL_ROWS, open_svg, file, err);
}
