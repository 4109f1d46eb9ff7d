/* One sheet.
 *
 * What is to be measured is pure black on bare paper, thin, and square to the sheet: a tint would be printed as a
 * pattern of dots that a scan sees. All that is only read is brown. Between the board's far edge and the labels only
 * the thin leaders stand, between its near edge and the rule nothing, so that a scan of the sheet shows a board and a
 * rule beside it and no more lines across.
 */
#include "drawing/page.h"

#include <math.h>
#include <stdio.h>

#include "slotproof/numeric.h"

#define HEAD_MM      36.0 /* top of the sheet to the topmost label */
#define ROW_MM       21.0 /* a row of labels */
#define LEADER_MM    3.0  /* board's far edge to row 0 */
#define RULE_GAP_MM  7.0  /* board's near edge to the rule */
#define RULE_MM      13.0 /* strokes and numerals */
#define FOOT_MM      42.0 /* join letters, bar and words, to the sheet's end */
#define BAR_MM       100.0
#define CROSS_BAR_MM 20.0

/* Widths of lines in mm: a knife line is 0.05 to 0.2 mm wide (common practice, no source). */
#define FRET_LINE_MM   0.15
#define STROKE_LINE_MM 0.15
#define SIDE_LINE_MM   0.25
#define THIN_LINE_MM   0.1

static void black(cairo_t *cr)
{
  cairo_set_source_rgb(cr, 0.0, 0.0, 0.0);
}

static void brown(cairo_t *cr)
{
  cairo_set_source_rgb(cr, 0.36, 0.22, 0.11);
}

/* A line to be measured, across the board's direction: filled, because programs that print pull a stroked line onto
 * whole dots. */
static void upright(cairo_t *cr, double x, double y0, double y1, double width_mm)
{
  cairo_rectangle(cr, x - 0.5 * width_mm, fmin(y0, y1), width_mm, fabs(y1 - y0));
  cairo_fill(cr);
}

static void line(cairo_t *cr, double x0, double y0, double x1, double y1, double width_mm)
{
  cairo_set_line_width(cr, width_mm);
  cairo_move_to(cr, x0, y0);
  cairo_line_to(cr, x1, y1);
  cairo_stroke(cr);
}

/* ---- letters ---------------------------------------------------------------------------------------------------- */

typedef enum face { PLAIN, STRONG, TITLE } face;

static void choose_face(cairo_t *cr, face which, double size_mm)
{
  cairo_select_font_face(cr, which == TITLE ? "serif" : "sans-serif", CAIRO_FONT_SLANT_NORMAL,
                         which == PLAIN ? CAIRO_FONT_WEIGHT_NORMAL : CAIRO_FONT_WEIGHT_BOLD);
  cairo_set_font_size(cr, size_mm);
}

/* `anchor` 0 begins at x, 0.5 is centred on it, 1 ends there; y is the base line. Returns the text's width. */
static double write(cairo_t *cr, double x, double y, double anchor, const char *text)
{
  cairo_text_extents_t size;
  cairo_text_extents(cr, text, &size);
  cairo_move_to(cr, x - anchor * size.x_advance, y);
  cairo_show_text(cr, text);
  return size.x_advance;
}

/* ---- the board -------------------------------------------------------------------------------------------------- */

static double x_of(const sp_sheet *s, double board_mm)
{
  return SP_SHEET_MARGIN_MM + board_mm - s->from_mm;
}

static bool shows(const sp_sheet *s, double board_mm)
{
  return board_mm >= s->from_mm && board_mm <= s->to_mm;
}

/* Toward the bass the sheet's y grows, unless the instrument is left-handed. */
static double lean_on_sheet(const sp_page *p, int32_t fret)
{
  const double slope = sp_layout_slope(p->layout, fret);
  return p->layout->left_handed ? -slope : slope;
}

/* +1 where the bass is on the sheet's lower side: looking from the nut to the bridge it is on the right. */
static double bass_down(const sp_page *p)
{
  return p->layout->left_handed ? -1.0 : 1.0;
}

static bool has_width(const sp_page *p)
{
  return p->slots && !isnan(p->slots->shape.nut_width_mm);
}

static double half_width(const sp_page *p, double board_mm)
{
  return has_width(p) ? 0.5 * sp_board_width_mm(&p->slots->shape, board_mm) : SP_SHEET_HALF_LINE_MM;
}

static void draw_sides(cairo_t *cr, const sp_page *p, const sp_sheet *s)
{
  const double from = s->from_mm;
  black(cr);
  for (int side = -1; side <= 1 && has_width(p); side += 2)
    line(cr, x_of(s, from), p->axis_mm + side * half_width(p, from), x_of(s, s->to_mm),
         p->axis_mm + side * half_width(p, s->to_mm), SIDE_LINE_MM);
  const double chain[] = {9.0, 1.5, 0.6, 1.5};
  cairo_set_dash(cr, chain, 4, 0.0);
  line(cr, x_of(s, s->from_mm), p->axis_mm, x_of(s, s->to_mm), p->axis_mm, THIN_LINE_MM);
  cairo_set_dash(cr, NULL, 0, 0.0);
}

/* What is drawn under a label, such as another one's leader, is taken out there. */
static void write_number(cairo_t *cr, double x, double y, const char *text)
{
  cairo_text_extents_t size;
  cairo_text_extents(cr, text, &size);
  cairo_set_source_rgb(cr, 1.0, 1.0, 1.0);
  cairo_rectangle(cr, x - 0.5 * size.x_advance, y + 0.5, size.x_advance, size.y_bearing - 1.0);
  cairo_fill(cr);
  brown(cr);
  write(cr, x, y, 0.5, text);
}

static void draw_label(cairo_t *cr, const sp_page *p, double x, int32_t fret)
{
  char text[40];
  const double bottom = p->label_mm - ROW_MM * p->row[fret];
  brown(cr);
  snprintf(text, sizeof text, "%.3f", sp_layout_row_at(p->layout, fret).from_nut_mm);
  choose_face(cr, PLAIN, 3.1);
  cairo_save(cr);
  cairo_translate(cr, x, bottom - 0.6);
  cairo_rotate(cr, -0.5 * SP_PI);
  write(cr, 0.0, 1.1, 0.0, text);
  cairo_restore(cr);
  choose_face(cr, STRONG, fret && p->rows == 1 ? 4.0 : 3.2);
  snprintf(text, sizeof text, "%ld", (long)fret);
  write_number(cr, x, bottom - ROW_MM + 4.4, fret ? text : "nut");
}

static void draw_labels(cairo_t *cr, const sp_page *p, const sp_sheet *s)
{
  brown(cr);
  for (int32_t n = 0; n <= p->layout->frets; n++) {
    const double x = x_of(s, p->layout->position_mm[n]);
    if (shows(s, p->layout->position_mm[n]) && p->row[n] > 0)
      line(cr, x, p->label_mm - 1.0, x, p->label_mm - ROW_MM * p->row[n], THIN_LINE_MM);
  }
  for (int32_t n = 0; n <= p->layout->frets; n++)
    if (shows(s, p->layout->position_mm[n]) && p->row[n] >= 0)
      draw_label(cr, p, x_of(s, p->layout->position_mm[n]), n);
}

/* Where the line of a fret meets the board's edge, as y from the centre line; side is +1 or -1. */
static double edge_y(const sp_page *p, int32_t fret, int side)
{
  const double place = p->layout->position_mm[fret], lean = lean_on_sheet(p, fret);
  double y = side * half_width(p, place);
  for (int round = 0; round < 4; round++) /* a board tapers by little: each round is exact to a hundredth of the last */
    y = side * half_width(p, place + lean * y);
  return y;
}

/* A line that leans, filled as an upright one is; its breadth is that across it. */
static void draw_leaning(cairo_t *cr, const sp_page *p, const sp_sheet *s, int32_t fret)
{
  const double lean = lean_on_sheet(p, fret), half = 0.5 * FRET_LINE_MM * hypot(1.0, lean);
  const double x = x_of(s, p->layout->position_mm[fret]);
  const double low = edge_y(p, fret, -1), high = edge_y(p, fret, 1);
  double begin, end;
  sp_layout_part_mm(p->layout, fret, high - low, &begin, &end);
  const double lo = bass_down(p) > 0.0 ? high - end : low + begin, hi = bass_down(p) > 0.0 ? high - begin : low + end;
  cairo_move_to(cr, x + lean * lo - half, p->axis_mm + lo);
  cairo_line_to(cr, x + lean * lo + half, p->axis_mm + lo);
  cairo_line_to(cr, x + lean * hi + half, p->axis_mm + hi);
  cairo_line_to(cr, x + lean * hi - half, p->axis_mm + hi);
  cairo_close_path(cr);
  cairo_fill(cr);
}

/* A leaning line may lie on two sheets; each shows its part. */
static bool line_shows(const sp_page *p, const sp_sheet *s, int32_t fret)
{
  const double place = p->layout->position_mm[fret], lean = lean_on_sheet(p, fret);
  const double a = place + lean * edge_y(p, fret, -1), b = place + lean * edge_y(p, fret, 1);
  return fmax(a, b) >= s->from_mm && fmin(a, b) <= s->to_mm;
}

static void draw_fan(cairo_t *cr, const sp_page *p, const sp_sheet *s)
{
  cairo_save(cr);
  cairo_rectangle(cr, x_of(s, s->from_mm), 0.0, s->to_mm - s->from_mm, p->height_mm);
  cairo_clip(cr);
  for (int32_t n = 0; n <= p->layout->frets; n++)
    if (line_shows(p, s, n))
      draw_leaning(cr, p, s, n);
  cairo_restore(cr);
}

static void draw_frets(cairo_t *cr, const sp_page *p, const sp_sheet *s)
{
  black(cr);
  if (p->layout->fanned) {
    draw_fan(cr, p, s);
    return;
  }
  for (int32_t n = 0; n <= p->layout->frets; n++) {
    const double place = p->layout->position_mm[n], half = half_width(p, place), down = bass_down(p);
    double begin, end;
    sp_layout_part_mm(p->layout, n, 2.0 * half, &begin, &end);
    const double a = p->axis_mm + down * (half - end), b = p->axis_mm + down * (half - begin);
    if (shows(s, place))
      upright(cr, x_of(s, place), fmin(a, b), fmax(a, b), FRET_LINE_MM);
  }
}

/* Where the two sides of the board are not alike they are named. */
static void name_sides(cairo_t *cr, const sp_page *p, const sp_sheet *s)
{
  bool alike = !p->layout->fanned;
  for (int32_t n = 0; n <= p->layout->frets && alike; n++)
    alike = !sp_layout_is_partial(p->layout, n);
  if (alike)
    return;
  choose_face(cr, PLAIN, 3.0);
  brown(cr);
  const double half = half_width(p, s->from_mm), down = bass_down(p), x = x_of(s, s->from_mm) + 2.0;
  write(cr, x, p->axis_mm + half + 3.8, 0.0, down > 0.0 ? "bass" : "treble");
  write(cr, x, p->axis_mm - half - 1.6, 0.0, down > 0.0 ? "treble" : "bass");
}

/* ---- the rule --------------------------------------------------------------------------------------------------- */

static double stroke_length(long mm)
{
  return mm % 10 == 0 ? 7.0 : mm % 5 == 0 ? 5.3 : 3.6; /* tens, fives, ones: as on workshop rules */
}

static void draw_rule(cairo_t *cr, const sp_page *p, const sp_sheet *s)
{
  char text[32];
  black(cr);
  line(cr, x_of(s, s->from_mm), p->rule_mm, x_of(s, s->to_mm), p->rule_mm, THIN_LINE_MM);
  choose_face(cr, PLAIN, 3.0);
  const double nut = p->layout->position_mm[0];
  for (long mm = (long)ceil(s->from_mm - nut); (double)mm + nut <= s->to_mm; mm++) {
    const double x = x_of(s, (double)mm + nut);
    black(cr);
    upright(cr, x, p->rule_mm + 0.6, p->rule_mm + 0.6 + stroke_length(mm), STROKE_LINE_MM);
    if (mm < 0 || mm % 10 != 0)
      continue;
    snprintf(text, sizeof text, "%ld", mm);
    brown(cr);
    write(cr, x, p->rule_mm + 11.4, 0.5, text);
  }
}

/* ---- joins ------------------------------------------------------------------------------------------------------ */

static void draw_cross(cairo_t *cr, double x, double y)
{
  line(cr, x - 4.0, y, x + 4.0, y, STROKE_LINE_MM);
  line(cr, x, y - 4.0, x, y + 4.0, STROKE_LINE_MM);
  cairo_set_line_width(cr, STROKE_LINE_MM);
  cairo_arc(cr, x, y, 2.2, 0.0, 2.0 * SP_PI);
  cairo_stroke(cr);
}

/* How to join, and how to prove it: the distance of the two lines beside the join. */
static void describe_join(const sp_page *p, double join_mm, char text[static 120])
{
  const sp_layout *l = p->layout;
  char before[24] = "nut";
  int32_t after = 1;
  while (after <= l->frets && l->position_mm[after] < join_mm)
    after++;
  if (after > 1)
    snprintf(before, sizeof before, "fret %ld", (long)after - 1);
  if (after > l->frets)
    snprintf(text, 120, "cut here, lay cross on cross");
  else
    snprintf(text, 120, "cut here, lay cross on cross; then %s to fret %ld must be %.3f mm", before, (long)after,
             l->position_mm[after] - l->position_mm[after - 1]);
}

static void draw_join(cairo_t *cr, const sp_page *p, const sp_sheet *s, double join_mm, size_t number)
{
  char letter[16], text[120];
  const double x = x_of(s, join_mm), top = p->label_mm - ROW_MM * p->rows - 5.0, low = p->foot_mm + 5.0;
  const double anchor = join_mm > 0.5 * (s->from_mm + s->to_mm) ? 1.0 : 0.0, aside = anchor > 0.5 ? -5.5 : 5.5;
  const double dashes[] = {2.0, 1.2};
  black(cr);
  draw_cross(cr, x, top);
  draw_cross(cr, x, low);
  brown(cr);
  cairo_set_dash(cr, dashes, 2, 0.0);
  if (p->rows == 1) /* more rows stand too close for a line between them */
    line(cr, x, top + 4.5, x, p->axis_mm - half_width(p, join_mm) - 2.0, THIN_LINE_MM);
  cairo_set_dash(cr, NULL, 0, 0.0);
  snprintf(letter, sizeof letter, "join %c", (char)('A' + (number - 1) % 26));
  choose_face(cr, STRONG, 3.6);
  write(cr, x + aside, low + 0.4, anchor, letter);
  describe_join(p, join_mm, text);
  choose_face(cr, PLAIN, 2.7);
  write(cr, x + aside, low + 4.2, anchor, text);
}

/* ---- head and foot ---------------------------------------------------------------------------------------------- */

static void describe_layout(const sp_page *p, char text[static 200])
{
  const sp_layout *l = p->layout;
  const char *many = l->frets == 1 ? "" : "s";
  int n = l->fanned
              ? snprintf(text, 200, "Scale lengths %.3f mm (bass) and %.3f mm (treble), fret %g square, %ld fret%s, ",
                         l->fan.bass_mm, l->fan.treble_mm, l->fan.square_fret, (long)l->frets, many)
              : snprintf(text, 200, "Scale length %.3f mm (%.4f in), %ld fret%s, ", l->scale_length_mm,
                         l->scale_length_mm / 25.4, (long)l->frets, many);
  if (n < 0 || n >= 200)
    return;
  if (l->divisions > 0)
    snprintf(text + n, 200 - (size_t)n, "%ld equal division%s of the octave", (long)l->divisions,
             l->divisions == 1 ? "" : "s");
  else
    snprintf(text + n, 200 - (size_t)n, "steps as listed");
}

static void describe_width(const sp_page *p, char text[static 200])
{
  if (!has_width(p)) {
    snprintf(text, 200, "No width was given: the lines are 60 mm long.");
    return;
  }
  const sp_board_shape *b = &p->slots->shape;
  if (isnan(b->end_width_mm))
    snprintf(text, 200, "Board %.2f mm wide all along.", b->nut_width_mm);
  else
    snprintf(text, 200, "Board %.2f mm wide at the nut, %.2f mm at %.2f mm from it.", b->nut_width_mm, b->end_width_mm,
             b->end_at_mm);
}

static bool all_lettered(const sp_page *p)
{
  for (int32_t n = 0; n <= p->layout->frets; n++)
    if (p->row[n] < 0)
      return false;
  return true;
}

static void draw_head(cairo_t *cr, const sp_page *p, size_t index)
{
  char text[200];
  const double left = SP_SHEET_MARGIN_MM, right = p->width_mm - SP_SHEET_MARGIN_MM;
  brown(cr);
  choose_face(cr, TITLE, 6.2);
  const double title = write(cr, left, 16.0, 0.0, "Fingerboard, full size");
  choose_face(cr, PLAIN, 3.1);
  describe_layout(p, text);
  write(cr, left + title + 6.0, 16.0, 0.0, text);
  describe_width(p, text);
  write(cr, left, 23.6, 0.0, text);
  if (p->sheets > 1) {
    snprintf(text, sizeof text, "Sheet %zu of %zu", index + 1, p->sheets);
    choose_face(cr, TITLE, 4.2);
    write(cr, right, 23.9, 1.0, text);
  }
  line(cr, left, 18.6, right, 18.6, 0.35);
  line(cr, left, 19.4, right, 19.4, THIN_LINE_MM);
}

static void draw_bar(cairo_t *cr, double x, double y)
{
  black(cr);
  line(cr, x, y, x + BAR_MM, y, THIN_LINE_MM);
  upright(cr, x, y - 3.0, y + 3.0, STROKE_LINE_MM);
  upright(cr, x + BAR_MM, y - 3.0, y + 3.0, STROKE_LINE_MM);
  const double far = x + BAR_MM + 8.0, half = 0.5 * CROSS_BAR_MM;
  line(cr, far, y - half, far, y + half, THIN_LINE_MM);
  line(cr, far - 3.0, y - half, far + 3.0, y - half, STROKE_LINE_MM);
  line(cr, far - 3.0, y + half, far + 3.0, y + half, STROKE_LINE_MM);
  brown(cr);
  choose_face(cr, STRONG, 3.6);
  write(cr, x + 0.5 * BAR_MM, y - 2.0, 0.5, "100.0 mm");
  write(cr, far + 2.0, y + 1.2, 0.0, "20.0 mm");
}

static void draw_words(cairo_t *cr, const sp_page *p, double x, double y)
{
  char share[120];
  const int32_t last = p->layout->frets;
  snprintf(share, sizeof share, "0.1 mm on the bar is %.2f mm at fret %ld. If it is not 100.0 mm long, print again.",
           p->layout->position_mm[last] * 0.1 / BAR_MM, (long)last);
  const char *const lines[] = {share,
                               p->layout->fanned
                                   ? "Numbers are mm from the nut on the centre line; the lines are fanned."
                                   : "Numbers are mm from the nut on the centre line; the lines are square to it.",
                               "Paper moves with damp, and wet glue stretches it: check by eye with this sheet,",
                               "mark the board from the numbers. Knives and saws slip: clamp the work.",
                               "Some frets are too close to be lettered here: their places are in the table."};
  brown(cr);
  choose_face(cr, STRONG, 2.95);
  write(cr, x, y, 0.0, "Print at 100 %, no \u201cfit to page\u201d; then measure the bars with calipers.");
  choose_face(cr, PLAIN, 2.8);
  for (int i = 0; i < (all_lettered(p) ? 4 : 5); i++)
    write(cr, x, y + 4.4 + 3.9 * i, 0.0, lines[i]);
}

/* ---- the whole -------------------------------------------------------------------------------------------------- */

double sp_page_height_mm(const sp_layout *l, const sp_slots *p, int rows)
{
  return HEAD_MM + ROW_MM * rows + LEADER_MM + 2.0 * sp_sheets_half_width_mm(l, p) + RULE_GAP_MM + RULE_MM + FOOT_MM;
}

void sp_page_arrange(sp_page *p, int rows)
{
  const double half = sp_sheets_half_width_mm(p->layout, p->slots);
  const double spare = p->height_mm - sp_page_height_mm(p->layout, p->slots, rows);
  p->rows = rows;
  p->label_mm = HEAD_MM + 0.5 * spare + ROW_MM * rows;
  p->axis_mm = p->label_mm + LEADER_MM + half;
  p->rule_mm = p->axis_mm + half + RULE_GAP_MM;
  p->foot_mm = p->rule_mm + RULE_MM;
}

void sp_page_draw(cairo_t *cr, const sp_page *p, const sp_sheet *s, size_t index)
{
  draw_head(cr, p, index);
  draw_sides(cr, p, s);
  draw_frets(cr, p, s);
  name_sides(cr, p, s);
  draw_labels(cr, p, s);
  draw_rule(cr, p, s);
  if (!isnan(s->join_before_mm))
    draw_join(cr, p, s, s->join_before_mm, index);
  if (!isnan(s->join_after_mm))
    draw_join(cr, p, s, s->join_after_mm, index + 1);
  const double bar = p->height_mm - 22.0;
  draw_bar(cr, SP_SHEET_MARGIN_MM + 0.5, bar);
  draw_words(cr, p, SP_SHEET_MARGIN_MM + BAR_MM + 34.0, bar - 7.0);
}
