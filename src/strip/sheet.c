/* The strip on paper, through cairo.
 *
 * One drawing serves PDF, SVG and PNG; its unit is the millimetre. Everything that is measured lies on multiples of
 * 1/60 in from the page's corner. Pages lie on their side, six pieces on each; what to do stands above them. Dates are
 * left out of the PDF, so that equal requests give equal bytes. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <cairo-pdf.h>
#include <cairo-svg.h>
#include <cairo.h>
#include <png.h>

#include "slotproof/late.h"

#include "strip_internal.h"

static const double MM_PER_POINT = 25.4 / 72.0;
/* From piece to piece, and where the first one's upper edge lies: whole units. */
static const double PIECE_STEP_MM = 52.0 * SP_STRIP_UNIT_MM, FIRST_PIECE_MM = 165.0 * SP_STRIP_UNIT_MM;
/* Pieces are cut one pitch beyond their outermost graduations. */
static const double CUT_BEYOND_MM = SP_STRIP_PITCH_MM;
static const double LETTER_MM = 3.4, SMALL_LETTER_MM = 1.5;

typedef struct page_size {
  double width_mm, height_mm, left_mm; /* left: X = 0 of every piece; whole units */
} page_size;

static page_size size_of(sp_strip_paper paper)
{
  if (paper == SP_STRIP_LETTER)
    return (page_size){279.4, 215.9, 30.0 * SP_STRIP_UNIT_MM};
  return (page_size){297.0, 210.0, 51.0 * SP_STRIP_UNIT_MM};
}

/* ---- strokes and letters ---------------------------------------------------------------------------------------- */

static void box(cairo_t *c, double x, double y, double w, double h)
{
  cairo_rectangle(c, x, y, w, h);
  cairo_fill(c);
}

static void upright(cairo_t *c, double x, double y0, double y1)
{
  box(c, x - 0.5 * SP_STRIP_LINE_MM, y0, SP_STRIP_LINE_MM, y1 - y0);
}

static void level(cairo_t *c, double x0, double x1, double y)
{
  box(c, x0, y - 0.5 * SP_STRIP_LINE_MM, x1 - x0, SP_STRIP_LINE_MM);
}

static void text(cairo_t *c, double x, double y, double size_mm, const char *words)
{
  cairo_set_font_size(c, size_mm);
  cairo_move_to(c, x, y);
  cairo_show_text(c, words);
}

static sp_status draw_tag(cairo_t *c, int32_t number, double x, double y, sp_error *err)
{
  bool black[SP_TAG_CELLS][SP_TAG_CELLS] = {{false}};
  const double cell = SP_STRIP_TAG_MM / SP_TAG_CELLS;
  const sp_status status = sp_strip_pattern(number, black, err);
  for (int32_t row = 0; !status && row < SP_TAG_CELLS; row++)
    for (int32_t column = 0; column < SP_TAG_CELLS; column++)
      if (black[row][column])
        cairo_rectangle(c, x + column * cell, y + row * cell, cell, cell);
  cairo_fill(c); /* in one go, so that no hair of paper shows between neighbours */
  return status;
}

/* ---- one piece -------------------------------------------------------------------------------------------------- */

static void draw_graduations(cairo_t *c, double left, double top)
{
  for (int32_t k = 0; k < SP_STRIP_GRADUATIONS; k++)
    upright(c, left + k * SP_STRIP_PITCH_MM, top + 3.0 * SP_STRIP_UNIT_MM, top + 15.0 * SP_STRIP_UNIT_MM);
  const double from = left - 0.5 * SP_STRIP_PITCH_MM, to = left + SP_STRIP_LENGTH_MM + 0.5 * SP_STRIP_PITCH_MM;
  level(c, from, to, top + SP_STRIP_RAIL_MM);
  level(c, from, to, top + SP_STRIP_FAR_RAIL_MM);
}

static void draw_check_lines(cairo_t *c, double left, double top)
{
  static const struct {
    const char *name;
    double x_mm, name_mm;
  } LINES[] = {{"A", 0.0, 0.9}, {"B", SP_STRIP_CHECK_MM, 0.9}, {"C", SP_STRIP_LONG_CHECK_MM, -2.6}};
  for (size_t i = 0; i < 3; i++) {
    const double x = left + LINES[i].x_mm;
    upright(c, x, top + 20.0 * SP_STRIP_UNIT_MM, top + 41.0 * SP_STRIP_UNIT_MM);
    text(c, x + LINES[i].name_mm, top + 41.0 * SP_STRIP_UNIT_MM, 2.4, LINES[i].name);
  }
}

static void draw_cuts(cairo_t *c, double left, double top)
{
  const double x[2] = {left - CUT_BEYOND_MM, left + SP_STRIP_LENGTH_MM + CUT_BEYOND_MM};
  const double y[2] = {top, top + SP_STRIP_BREADTH_MM};
  cairo_set_line_width(c, 0.1);
  for (size_t i = 0; i < 4; i++) { /* outside the piece, so that no trace of a cut line stays on it */
    const double out_x = i & 1 ? 1.0 : -1.0, out_y = i & 2 ? 1.0 : -1.0;
    cairo_move_to(c, x[i & 1] + out_x * 0.6, y[i >> 1]);
    cairo_line_to(c, x[i & 1] + out_x * 3.0, y[i >> 1]);
    cairo_move_to(c, x[i & 1], y[i >> 1] + out_y * 0.3);
    cairo_line_to(c, x[i & 1], y[i >> 1] + out_y * 1.1);
  }
  cairo_stroke(c);
}

static sp_status draw_piece(cairo_t *c, int32_t piece, double left, double top, sp_error *err)
{
  sp_status status = SP_OK;
  draw_graduations(c, left, top);
  for (int32_t j = 0; !status && j < SP_STRIP_TAGS; j++) {
    char label[32];
    const double middle = left + SP_STRIP_FIRST_TAG_MM + j * SP_STRIP_TAG_PITCH_MM;
    status = draw_tag(c, SP_STRIP_TAGS * (piece - 1) + j, middle - 0.5 * SP_STRIP_TAG_MM,
                      top + SP_STRIP_TAG_CENTRE_MM - 0.5 * SP_STRIP_TAG_MM, err);
    snprintf(label, sizeof label, "%d / %d", piece, j + 1);
    text(c, middle - 2.2, top + 41.2 * SP_STRIP_UNIT_MM, SMALL_LETTER_MM, label);
  }
  draw_check_lines(c, left, top);
  draw_cuts(c, left, top);
  return status;
}

/* ---- a page ----------------------------------------------------------------------------------------------------- */

static void draw_words(cairo_t *c, const page_size *size, int32_t page, int32_t pages)
{
  static const char *const LINES[] = {
      "1. Print at 100 % (\"actual size\"): no \"fit to page\", no scaling. One side, plain matt paper, best quality.",
      "2. Let the sheet lie for an hour: paper comes warm and dry out of the printer and grows as it takes up "
      "moisture.",
      "3. Across the uncut sheet measure P to Q with calipers (127.00 mm if all is right): it goes into --strip-width.",
      "4. Cut along the corner ticks. Keep clear of the knife's edge, cut away from the hand, along a steel rule.",
      "5. Glue each piece flat on something stiff (glass, aluminium, a lath of hard wood), without stretching it.",
      "6. When dry, measure A to B (139.70 mm) or, better, A to C (254.00 mm), left edge of line to left edge of line,",
      "    three times, and give the mean as --strip-length. Paper moves with the weather: measure again now and then.",
      "7. Lay one piece beside the board, print toward glass or camera, or different pieces on both sides or end to "
      "end.",
  };
  char title[120];
  cairo_select_font_face(c, "sans-serif", CAIRO_FONT_SLANT_NORMAL, CAIRO_FONT_WEIGHT_NORMAL);
  snprintf(title, sizeof title, "slotproof reference strip, page %d of %d", page, pages);
  text(c, size->left_mm, 15.0, 4.6, title);
  for (size_t i = 0; i < sizeof LINES / sizeof *LINES; i++)
    text(c, size->left_mm, 23.0 + 5.2 * (double)i, LETTER_MM, LINES[i]);
}

/* P and Q stand left of the pieces, where no cut takes them away before they have been measured. */
static void draw_cross_check(cairo_t *c, const page_size *size)
{
  const double x0 = size->left_mm - 17.0 * SP_STRIP_UNIT_MM, x1 = x0 + 7.0 * SP_STRIP_UNIT_MM,
               y = FIRST_PIECE_MM - 6.0 * SP_STRIP_UNIT_MM;
  level(c, x0, x1, y);
  level(c, x0, x1, y + SP_STRIP_CROSS_CHECK_MM);
  text(c, x0, y - 1.0, 2.4, "P");
  text(c, x0, y + SP_STRIP_CROSS_CHECK_MM + 3.0, 2.4, "Q");
}

static sp_status draw_page(cairo_t *c, const sp_strip_sheet *sheet, int32_t page, sp_error *err)
{
  const page_size size = size_of(sheet->paper);
  const int32_t first = SP_PIECES_A_PAGE * (page - 1) + 1;
  sp_status status = SP_OK;
  cairo_set_source_rgb(c, 1.0, 1.0, 1.0);
  cairo_paint(c);
  cairo_set_source_rgb(c, 0.0, 0.0, 0.0);
  draw_words(c, &size, page, sp_strip_pages(sheet->pieces));
  draw_cross_check(c, &size);
  for (int32_t i = 0; !status && i < SP_PIECES_A_PAGE && first + i <= sheet->pieces; i++)
    status = draw_piece(c, first + i, size.left_mm, FIRST_PIECE_MM + i * PIECE_STEP_MM, err);
  return status;
}

/* ---- files ------------------------------------------------------------------------------------------------------ */

static cairo_status_t put(void *closure, const unsigned char *data, unsigned int length)
{
  return fwrite(data, 1, length, closure) == length ? CAIRO_STATUS_SUCCESS : CAIRO_STATUS_WRITE_ERROR;
}

static sp_status complain(cairo_status_t status, sp_error *err)
{
  if (status == CAIRO_STATUS_NO_MEMORY)
    return sp_fail_memory(err);
  if (status == CAIRO_STATUS_WRITE_ERROR)
    return sp_fail(err, SP_E_IO, "writing failed; make room on the disk or write elsewhere");
  return sp_fail(err, SP_E_INTERNAL, "the sheet could not be drawn (%s); report this fault",
                 cairo_status_to_string(status));
}

static sp_status draw_pages(cairo_surface_t *surface, double per_mm, const sp_strip_sheet *sheet, sp_error *err)
{
  const int32_t pages = sp_strip_pages(sheet->pieces);
  cairo_t *c = cairo_create(surface);
  sp_status status = SP_OK;
  for (int32_t page = sheet->page ? sheet->page : 1; !status && page <= (sheet->page ? sheet->page : pages); page++) {
    cairo_save(c);
    cairo_scale(c, per_mm, per_mm);
    status = draw_page(c, sheet, page, err);
    cairo_restore(c);
    cairo_show_page(c);
  }
  const cairo_status_t drawn = cairo_status(c);
  cairo_destroy(c);
  return status ? status : drawn ? complain(drawn, err) : SP_OK;
}

static sp_status draw_vectors(const sp_strip_sheet *sheet, FILE *file, sp_error *err)
{
  const page_size size = size_of(sheet->paper);
  const double w = size.width_mm / MM_PER_POINT, h = size.height_mm / MM_PER_POINT;
  const bool pdf = sheet->format == SP_STRIP_PDF;
  cairo_surface_t *surface =
      pdf ? cairo_pdf_surface_create_for_stream(put, file, w, h) : cairo_svg_surface_create_for_stream(put, file, w, h);
  if (pdf) {
    cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_TITLE, "slotproof reference strip");
    cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_CREATE_DATE, "2000-01-01T00:00:00Z");
  } else {
    cairo_svg_surface_set_document_unit(surface, CAIRO_SVG_UNIT_PT);
  }
  sp_status status = draw_pages(surface, 1.0 / MM_PER_POINT, sheet, err);
  cairo_surface_finish(surface);
  const cairo_status_t written = cairo_surface_status(surface);
  cairo_surface_destroy(surface);
  if (!status && written)
    status = complain(written, err);
  if (!status && fflush(file) != 0)
    status = complain(CAIRO_STATUS_WRITE_ERROR, err);
  return status;
}

static void give_up(png_structp png, png_const_charp message)
{
  (void)message;
  png_longjmp(png, 1);
}

static void ignore_warning(png_structp png, png_const_charp message)
{
  (void)png;
  (void)message;
}

/* False if libpng has given up. The resolution goes into the file: a print program that heeds it prints at 1:1. The
 * page is black on white, so of its four bytes a pixel one will do; `row` has room for a row of them. */
static bool encode(png_structp png, png_infop info, cairo_surface_t *surface, double dpi, unsigned char *row,
                   FILE *file)
{
  const unsigned char *data = cairo_image_surface_get_data(surface);
  const int width = cairo_image_surface_get_width(surface), height = cairo_image_surface_get_height(surface);
  const size_t stride = (size_t)cairo_image_surface_get_stride(surface);
  const png_uint_32 per_metre = (png_uint_32)lround(dpi / 0.0254);
  if (setjmp(png_jmpbuf(png)))
    return false;
  png_init_io(png, file);
  png_set_IHDR(png, info, (png_uint_32)width, (png_uint_32)height, 8, PNG_COLOR_TYPE_GRAY, PNG_INTERLACE_NONE,
               PNG_COMPRESSION_TYPE_DEFAULT, PNG_FILTER_TYPE_DEFAULT);
  png_set_pHYs(png, info, per_metre, per_metre, PNG_RESOLUTION_METER);
  png_write_info(png, info);
  for (int y = 0; y < height; y++) {
    for (int x = 0; x < width; x++)
      row[x] = data[(size_t)y * stride + 4 * (size_t)x + 1];
    png_write_row(png, row);
  }
  png_write_end(png, info);
  return true;
}

static sp_status write_png(cairo_surface_t *surface, double dpi, FILE *file, sp_error *err)
{
  unsigned char *row = malloc((size_t)cairo_image_surface_get_width(surface) + 1);
  png_structp png = png_create_write_struct(PNG_LIBPNG_VER_STRING, NULL, give_up, ignore_warning);
  png_infop info = png ? png_create_info_struct(png) : NULL;
  const bool ready = row && info && cairo_image_surface_get_data(surface);
  const bool done = ready && encode(png, info, surface, dpi, row, file);
  png_destroy_write_struct(&png, &info);
  free(row);
  if (!ready)
    return sp_fail_memory(err);
  return done && fflush(file) == 0 ? SP_OK : complain(CAIRO_STATUS_WRITE_ERROR, err);
}

static sp_status draw_pixels(const sp_strip_sheet *sheet, FILE *file, sp_error *err)
{
  const page_size size = size_of(sheet->paper);
  const double per_mm = sheet->dpi / 25.4;
  const int width = (int)lround(size.width_mm * per_mm), height = (int)lround(size.height_mm * per_mm);
  cairo_surface_t *surface = cairo_image_surface_create(CAIRO_FORMAT_RGB24, width, height);
  sp_status status = draw_pages(surface, per_mm, sheet, err);
  cairo_surface_flush(surface);
  if (!status)
    status = write_png(surface, sheet->dpi, file, err);
  cairo_surface_destroy(surface);
  return status;
}

sp_status sp_strip_draw(const sp_strip_sheet *sheet, FILE *file, sp_error *err)
{
  const int32_t pages = sp_strip_pages(sheet->pieces);
  if (sheet->pieces < 1 || sheet->pieces > SP_STRIP_PIECES)
    return sp_fail(err, SP_E_USAGE, "a strip has 1 to %d pieces of 254 mm", SP_STRIP_PIECES);
  if (sheet->page < 0 || sheet->page > pages)
    return sp_fail(err, SP_E_USAGE, "there is no page %d; the strip takes %d", sheet->page, pages);
  if (sheet->format != SP_STRIP_PDF && !sheet->page && pages > 1)
    return sp_fail(err, SP_E_USAGE,
                   "the strip takes %d pages, and this format holds one; name it with --page, or give "
                   "--format pdf",
                   pages);
  if (sheet->format == SP_STRIP_PNG && !(sheet->dpi >= 150.0 && sheet->dpi <= 1200.0))
    return sp_fail(err, SP_E_USAGE, "a picture to print needs 150 to 1200 dots per inch; give --dpi 600");
  const sp_status status = sp_late_library(SP_LATE_CAIRO, err);
  if (status)
    return status;
  if (sheet->format != SP_STRIP_PNG)
    return draw_vectors(sheet, file, err);
  return draw_pixels(sheet, file, err);
}
