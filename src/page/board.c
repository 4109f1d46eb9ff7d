/* The board with its marks, and below it, each under its line, the errors: place, pitch, squareness, kerf.
 *
 * All drawings share one width and one scale along the board, so the eye falls from a line to its numbers. A knife line
 * is not drawn over: strokes stand at its two ends, outside the board. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "page_internal.h"
#include "slotproof/layout.h"

/* Drawing units. */
static const double HEAD = 46.0, FOOT = 40.0, TICK = 9.0, PLOT_TOP = 12.0,
                    WHISKER_FOOT = 3.0;
/* Pixels of the picture in the page for one drawing unit; the tallest picture, drawing units. */
static const double PX_PER_UNIT = 1.7, TALLEST = 620.0;
/* An error beyond so many tolerances is drawn at the edge with its number; else one slip would flatten all the rest. */
static const double MOST_TOLERANCES = 4.0;
static const double ROOM = 1.15; /* above the largest value */

/* ---- the picture ------------------------------------------------------------------------------------------------ */

static double board_height(const sp_sheet *s)
{
  return (SP_SHEET_RIGHT - SP_SHEET_LEFT) * (s->v_most_px - s->v_least_px) / (s->u_most_px - s->u_least_px);
}

static void put_picture(sp_page *page, double height)
{
  const sp_sheet *s = &page->sheet;
  const double units = SP_SHEET_RIGHT - SP_SHEET_LEFT, wide = round(units * PX_PER_UNIT),
               high = fmax(1.0, round(height * PX_PER_UNIT));
  const double step_u = (s->u_most_px - s->u_least_px) / wide, step_v = (s->v_most_px - s->v_least_px) / high;
  const sp_piece piece = {
      .origin_px = sp_sheet_point(s, s->u_least_px + 0.5 * step_u, s->v_least_px + 0.5 * step_v),
      .step_x_px = {step_u * s->along.x, step_u * s->along.y},
      .step_y_px = {step_v * s->across.x, step_v * s->across.y},
      .width_px = (uint32_t)wide,
      .height_px = (uint32_t)high,
  };
  sp_page_image(page, &piece, SP_SHEET_LEFT, HEAD, units, height);
}

static void put_end_strokes(sp_page *page, const sp_plot_frame *f, const sp_mark_record *mark, const sp_place *place)
{
  const sp_sheet *s = &page->sheet;
  const double xa = sp_plot_x(f, sp_sheet_u_px(s, place->a_px)), ya = sp_plot_y(f, sp_sheet_v_px(s, place->a_px));
  const double xb = sp_plot_x(f, sp_sheet_u_px(s, place->b_px)), yb = sp_plot_y(f, sp_sheet_v_px(s, place->b_px));
  const double length = hypot(xb - xa, yb - ya), dx = (xb - xa) / length * TICK, dy = (yb - ya) / length * TICK;
  char name[40];
  snprintf(name, sizeof name, "mark %s%s", sp_verdict_word(mark->verdict), mark->fret ? "" : " nut");
  if (mark->found) {
    sp_plot_line(page->markup, xa - 0.2 * dx, ya - 0.2 * dy, xa - 1.2 * dx, ya - 1.2 * dy, name);
    sp_plot_line(page->markup, xb + 0.2 * dx, yb + 0.2 * dy, xb + 1.2 * dx, yb + 1.2 * dy, name);
  } else {
    sp_plot_line(page->markup, xa, ya, xb, yb, "should-be");
  }
}

static void put_strays(sp_page *page, const sp_plot_frame *f)
{
  const sp_sheet *s = &page->sheet;
  for (size_t i = 0; i < page->record->stray_count; i++) {
    const sp_stray_record *stray = &page->record->strays[i];
    const double xa = sp_plot_x(f, sp_sheet_u_px(s, stray->end_a_px)),
                 xb = sp_plot_x(f, sp_sheet_u_px(s, stray->end_b_px));
    const double ya = sp_plot_y(f, sp_sheet_v_px(s, stray->end_a_px)),
                 yb = sp_plot_y(f, sp_sheet_v_px(s, stray->end_b_px));
    sp_plot_line(page->markup, xa, ya, xb, yb, "stray");
  }
}

static void put_reference(sp_page *page, const sp_plot_frame *f)
{
  const sp_sheet *s = &page->sheet;
  const sp_reference_record *r = &page->record->reference;
  const double x0 = sp_plot_x(f, sp_sheet_u_px(s, r->first_px)), x1 = sp_plot_x(f, sp_sheet_u_px(s, r->last_px));
  const double y0 = sp_plot_y(f, sp_sheet_v_px(s, r->first_px)), y1 = sp_plot_y(f, sp_sheet_v_px(s, r->last_px));
  if (!(fmin(y0, y1) >= f->top && fmax(y0, y1) <= f->bottom))
    return;
  sp_plot_line(page->markup, fmin(fmax(x0, f->left), f->right), y0, fmin(fmax(x1, f->left), f->right), y1,
               "scale-read");
}

/* A length to compare with by eye. */
static void put_scale_bar(sp_page *page, double y)
{
  const sp_sheet *s = &page->sheet;
  if (!isfinite(page->record->reference.px_per_mm))
    return;
  const double span_mm = (s->u_most_px - s->u_least_px) / s->px_per_mm, bar_mm = sp_plot_step(span_mm, 8);
  const double units = bar_mm / span_mm * (SP_SHEET_RIGHT - SP_SHEET_LEFT);
  char text[40];
  snprintf(text, sizeof text, "%.6g mm", bar_mm);
  sp_plot_line(page->markup, SP_SHEET_RIGHT - units, y, SP_SHEET_RIGHT, y, "bar");
  sp_plot_line(page->markup, SP_SHEET_RIGHT - units, y - 4.0, SP_SHEET_RIGHT - units, y + 4.0, "bar");
  sp_plot_line(page->markup, SP_SHEET_RIGHT, y - 4.0, SP_SHEET_RIGHT, y + 4.0, "bar");
  sp_plot_words(page->markup, SP_SHEET_RIGHT - units - 8.0, y + 4.5, SP_PLOT_END, "number", text);
}

static void put_board_drawing(sp_page *page)
{
  sp_markup *m = page->markup;
  const double height = fmin(board_height(&page->sheet), TALLEST);
  sp_plot_frame f = sp_sheet_frame(&page->sheet, HEAD, HEAD + height, page->sheet.v_most_px, page->sheet.v_least_px);
  sp_plot_open(m, "picture", SP_SHEET_WIDTH, HEAD + height + FOOT, "The board as it was scanned, nut on the left",
               "Each mark with its fret number and the sign of its verdict above it.");
  put_picture(page, height);
  sp_plot_line(m, f.left, sp_plot_y(&f, 0.0), f.right,
               sp_plot_y(&f, sp_sheet_v_px(&page->sheet, sp_sheet_point(&page->sheet, page->sheet.u_most_px, 0.0))),
               "centre");
  put_reference(page, &f);
  put_strays(page, &f);
  for (size_t i = 0; i < page->record->mark_count; i++) {
    const sp_mark_record *mark = &page->record->marks[i];
    sp_place place;
    const double x = sp_page_x_of(page, i, &place);
    if (!isfinite(x))
      continue;
    put_end_strokes(page, &f, mark, &place);
    if (mark->fret)
      sp_plot_sign(m, mark->verdict, x, HEAD - 13.0, page->sheet.sign_radius, -mark->error_mm);
  }
  sp_page_fret_numbers(page, 18.0);
  sp_plot_words(m, SP_SHEET_LEFT, HEAD + height + 23.0, SP_PLOT_START, "unit",
                "nut on the left, bridge to the right \xe2\x86\x92");
  put_scale_bar(page, HEAD + height + 18.0);
  sp_plot_close(m);
}

/* ---- the plots -------------------------------------------------------------------------------------------------- */

/* One quantity of every mark. */
typedef struct quantity {
  const char *id, *title, *words;
  double (*value)(const sp_mark_record *mark);
  double (*half)(const sp_mark_record *mark);                           /* k = 2 */
  double (*limit)(const sp_record *record, const sp_mark_record *mark); /* NULL: it has none */
  int decimals;
  bool about_zero; /* the axis reaches alike to both sides of zero */
  double height;   /* drawing units */
} quantity;

static double error_mm(const sp_mark_record *m)
{
  return m->found && m->fret ? m->error_mm : NAN;
}

static double half_mm(const sp_mark_record *m)
{
  return m->expanded_u_mm;
}

static double error_cents(const sp_mark_record *m)
{
  return m->found && m->fret ? m->error_cents : NAN;
}

static double half_cents(const sp_mark_record *m)
{
  return m->expanded_u_cents;
}

static double squareness(const sp_mark_record *m)
{
  return m->found ? m->squareness_deg : NAN;
}

static double half_squareness(const sp_mark_record *m)
{
  return 2.0 * m->u_squareness_deg;
}

static double width_mm(const sp_mark_record *m)
{
  return m->found && m->fret ? m->width_mm : NAN;
}

static double half_width(const sp_mark_record *m)
{
  return 2.0 * m->u_width_mm;
}

static double limit_mm(const sp_record *r, const sp_mark_record *m)
{
  return m->fret ? sp_page_limit_mm(r, m) : NAN;
}

static double limit_cents(const sp_record *r, const sp_mark_record *m)
{
  return limit_mm(r, m) * sp_cents_per_mm(r->scale_length_mm, m->layout_mm);
}

static const quantity ERROR_MM = {
    .id = "error-mm",
    .title = "Error of place, mm (above zero: too near the bridge)",
    .words = "How far each fret lies from its computed place, with its doubt. The table below holds the numbers.",
    .value = error_mm,
    .half = half_mm,
    .limit = limit_mm,
    .decimals = 2,
    .about_zero = true,
    .height = 190.0,
};
static const quantity ERROR_CENTS = {
    .id = "error-cents",
    .title = "Error of pitch, cents (above zero: sharp)",
    .words = "The same as the pitch it makes. The table below holds the numbers.",
    .value = error_cents,
    .half = half_cents,
    .limit = limit_cents,
    .decimals = 1,
    .about_zero = true,
    .height = 190.0,
};
static const quantity RELATIVE_CENTS = {
    .id = "error-cents",
    .title = "Pitch against the best-fitting layout, cents (above zero: sharp)",
    .words = "How the frets stand to each other; no length is known. The table below holds the numbers.",
    .value = error_cents,
    .half = half_cents,
    .decimals = 1,
    .about_zero = true,
    .height = 190.0,
};
static const quantity SQUARENESS = {
    .id = "squareness",
    .title = "Out of square, degrees",
    .words = "How far each line is from square to the centre line. The table below holds the numbers.",
    .value = squareness,
    .half = half_squareness,
    .about_zero = true,
    .height = 110.0,
};
static const quantity KERF = {
    .id = "kerf",
    .title = "Width of the slots, mm",
    .words = "How broad each slot has been sawn. The table below holds the numbers.",
    .value = width_mm,
    .half = half_width,
    .height = 110.0,
};

static bool has_values(const sp_record *r, const quantity *q)
{
  for (size_t i = 0; i < r->mark_count; i++)
    if (isfinite(q->value(&r->marks[i])))
      return true;
  return false;
}

static void range_about_zero(const sp_record *r, const quantity *q, double *least, double *most)
{
  double reach = 0.0, limit = NAN;
  for (size_t i = 0; i < r->mark_count; i++) {
    const sp_mark_record *m = &r->marks[i];
    const double value = fabs(q->value(m)), half = q->half(m), bound = q->limit ? q->limit(r, m) : NAN;
    reach = fmax(reach, isfinite(half) ? value + half : value); /* fmax passes over NAN */
    limit = fmax(limit, bound);
  }
  if (isfinite(limit))
    reach = fmin(fmax(reach, 1.2 * limit), MOST_TOLERANCES * limit);
  *most = reach > 0.0 ? ROOM * reach : 1.0;
  *least = -*most;
}

static void range_of_values(const sp_record *r, const quantity *q, double *least, double *most)
{
  *least = INFINITY;
  *most = -INFINITY;
  for (size_t i = 0; i < r->mark_count; i++) {
    const double value = q->value(&r->marks[i]), half = q->half(&r->marks[i]);
    *least = fmin(*least, value - (isfinite(half) ? half : 0.0));
    *most = fmax(*most, value + (isfinite(half) ? half : 0.0));
  }
  if (r->kerf_told) {
    *least = fmin(*least, r->kerf_mm);
    *most = fmax(*most, r->kerf_mm);
  }
  const double room = fmax(0.15 * (*most - *least), 0.005);
  *least -= room;
  *most += room;
}

/* What counts as within, over the width of each fret. */
static void put_limits(sp_page *page, const sp_plot_frame *f, const quantity *q)
{
  const sp_record *r = page->record;
  for (size_t i = 0; i < r->mark_count; i++) {
    const double limit = q->limit(r, &r->marks[i]);
    double from, to;
    if (isfinite(limit) && sp_page_breadth_of(page, i, &from, &to))
      sp_plot_box(page->markup, f, from, to, -limit, limit, "tolerance");
  }
}

/* Beside the sign, on the side where there is room; an arrow where the value lies beyond the plot. */
static void put_number(sp_page *page, const sp_plot_frame *f, double value, int decimals, double x, double y,
                       double gap)
{
  const bool right = x < 0.9 * SP_SHEET_RIGHT;
  char number[60];
  snprintf(number, sizeof number, "%+.*f%s", decimals, value,
           value > f->y_most    ? " \xe2\x86\x91"
           : value < f->y_least ? " \xe2\x86\x93"
                                : "");
  sp_plot_words(page->markup, right ? x + gap : x - gap, y + 4.5, right ? SP_PLOT_START : SP_PLOT_END, "value", number);
}

static void put_value(sp_page *page, const sp_plot_frame *f, const quantity *q, const sp_mark_record *mark, double u)
{
  const double value = q->value(mark), radius = fmin(page->sheet.sign_radius, 6.0);
  char name[40];
  if (!isfinite(value))
    return;
  const double y = sp_plot_y(f, fmin(fmax(value, f->y_least), f->y_most)), x = sp_plot_x(f, u);
  snprintf(name, sizeof name, "whisker %s", q->limit ? sp_verdict_word(mark->verdict) : "plain");
  sp_plot_whisker(page->markup, f, u, value, q->half(mark), fmin(WHISKER_FOOT, radius), name);
  if (!q->limit) {
    sp_plot_dot(page->markup, x, y, 0.6 * radius, "dot");
    return;
  }
  sp_plot_sign(page->markup, mark->verdict, x, y, radius, -mark->error_mm);
  if (mark->verdict == SP_OUT)
    put_number(page, f, value, q->decimals, x, y, 2.0 * radius);
}

static void put_plot(sp_page *page, const quantity *q)
{
  sp_markup *m = page->markup;
  const sp_record *r = page->record;
  double least, most;
  if (!has_values(r, q))
    return;
  if (q->about_zero)
    range_about_zero(r, q, &least, &most);
  else
    range_of_values(r, q, &least, &most);
  const sp_plot_frame f = sp_sheet_frame(&page->sheet, PLOT_TOP, PLOT_TOP + q->height, least, most);
  sp_markup_begin(m, "figure");
  sp_markup_put(m, "figcaption", NULL, q->title);
  sp_plot_open(m, q->id, SP_SHEET_WIDTH, PLOT_TOP + q->height + 26.0, q->title, q->words);
  if (q->limit)
    put_limits(page, &f, q);
  sp_plot_axis_y(m, &f, q->about_zero);
  if (!q->about_zero && r->kerf_told)
    sp_plot_level(m, &f, r->kerf_mm, "wanted");
  for (size_t i = 0; i < r->mark_count; i++) {
    sp_place place;
    if (!sp_place_of(r, i, &place))
      continue;
    const double u = sp_sheet_u_px(&page->sheet, place.centre_px);
    sp_page_at(page, i, &f);
    put_value(page, &f, q, &r->marks[i], u);
    if (r->marks[i].verdict == SP_MISSING && q->limit)
      sp_plot_sign(m, SP_MISSING, sp_plot_x(&f, u), sp_plot_y(&f, 0.0), fmin(page->sheet.sign_radius, 6.0), 1.0);
    sp_page_at_end(page);
  }
  sp_page_fret_numbers(page, PLOT_TOP + q->height + 18.0);
  sp_plot_close(m);
  sp_markup_end(m);
}

/* ---- the section ------------------------------------------------------------------------------------------------ */

static void put_key(sp_page *page)
{
  static const char *const WORDS[] = {[SP_WITHIN] = "within",
                                      [SP_OUT] = "out, the tip shows the way to move it",
                                      [SP_UNDECIDED] = "undecided",
                                      [SP_MISSING] = "missing, where it should be"};
  sp_markup_begin(page->markup, "ul");
  sp_markup_set(page->markup, "class", "key");
  for (int v = SP_WITHIN; v <= SP_MISSING; v++) {
    if (!sp_count_marks(page->record, (sp_verdict)v))
      continue;
    sp_markup_begin(page->markup, "li");
    sp_page_sign(page->markup, (sp_verdict)v, 1.0);
    sp_markup_text(page->markup, WORDS[v]);
    sp_markup_end(page->markup);
  }
  sp_markup_put(page->markup, "li", "bars", "the doubt (95 %)");
  if (sp_any_length(page->record))
    sp_markup_put(page->markup, "li", "band", "the tolerance");
  if (page->record->stray_count)
    sp_markup_put(page->markup, "li", "dots", "belongs to no fret");
  sp_markup_end(page->markup);
}

/* No mark is known to be a fret: the picture as it is. */
static void put_whole_picture(sp_page *page)
{
  const double w = page->raster->width_px, h = page->raster->height_px;
  const double scale = fmin(SP_SHEET_WIDTH / w, TALLEST / h), step = fmax(1.0 / (scale * PX_PER_UNIT), 1.0);
  const sp_piece piece = {.origin_px = {0.5 * step - 0.5, 0.5 * step - 0.5},
                          .step_x_px = {step, 0.0},
                          .step_y_px = {0.0, step},
                          .width_px = (uint32_t)fmax(1.0, floor(w / step)),
                          .height_px = (uint32_t)fmax(1.0, floor(h / step))};
  sp_page_section(page->markup, "board", "What was scanned");
  sp_markup_begin(page->markup, "figure");
  sp_plot_open(page->markup, "picture", SP_SHEET_WIDTH, scale * h, "The picture as it was scanned",
               "No mark is drawn in.");
  sp_page_image(page, &piece, 0.0, 0.0, scale * w, scale * h);
  sp_plot_close(page->markup);
  sp_markup_end(page->markup);
  sp_page_section_end(page->markup);
}

static void put_plots(sp_page *page)
{
  put_plot(page, &ERROR_MM);
  put_plot(page, sp_any_length(page->record) ? &ERROR_CENTS : &RELATIVE_CENTS);
  put_plot(page, &SQUARENESS);
  if (page->record->marks_kind == SP_MARK_SLOT)
    put_plot(page, &KERF);
}

void sp_page_plots(sp_page *page)
{
  if (!page->sheet.known)
    return;
  sp_page_section(page->markup, "plots", "The errors, fret by fret");
  put_key(page);
  sp_page_wide(page->markup, "The errors of all frets");
  put_plots(page);
  sp_markup_end(page->markup);
  sp_page_section_end(page->markup);
}

void sp_page_board(sp_page *page)
{
  sp_markup *m = page->markup;
  if (!page->sheet.known) {
    put_whole_picture(page);
    return;
  }
  sp_page_section(m, "board", "Where the marks lie");
  put_key(page);
  sp_page_wide(m, "The board and its errors");
  sp_markup_begin(m, "figure");
  put_board_drawing(page);
  sp_markup_end(m);
  put_plots(page);
  sp_markup_end(m);
  sp_page_section_end(m);
}
