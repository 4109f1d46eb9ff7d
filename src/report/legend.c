/* The legend: a box with the signs and their words, put where it covers least. */
#include <math.h>

#include "pen.h"

typedef enum entry_kind { ENTRY_VERDICT, ENTRY_LINE, ENTRY_TICK, ENTRY_CROSSED, ENTRY_STAR } entry_kind;

typedef struct entry {
  entry_kind kind;
  sp_verdict verdict;
  sp_dash dash;
  bool scale_only; /* belongs to the drawing of the scale alone, too */
  const char *text;
} entry;

static const entry ENTRIES[] = {
    {ENTRY_VERDICT, SP_WITHIN, SP_SOLID, false, "within tolerance"},
    {ENTRY_VERDICT, SP_OUT, SP_SOLID, false, "out: move it this way"},
    {ENTRY_VERDICT, SP_UNDECIDED, SP_SOLID, false, "undecided"},
    {ENTRY_VERDICT, SP_MISSING, SP_SOLID, false, "missing: should be here"},
    {ENTRY_LINE, SP_MISSING, SP_DOTTED, false, "belongs to no fret"},
    {ENTRY_LINE, SP_WITHIN, SP_DASHED, false, "centre line"},
    {ENTRY_TICK, SP_WITHIN, SP_SOLID, true, "graduation used"},
    {ENTRY_CROSSED, SP_MISSING, SP_SOLID, true, "graduation left out"},
    {ENTRY_STAR, SP_WITHIN, SP_SOLID, false, "said by hand"},
};
enum { ENTRY_COUNT = sizeof ENTRIES / sizeof *ENTRIES };

/* Of the letter height. */
static const double LINE_HEIGHT = 1.9, SIGN_WIDTH = 3.2, MARGIN = 0.9;
/* Part of the picture that the legend may take, each way. */
static const double LARGEST_PART = 0.33;
static const double SMALLEST_LETTER_PX = 7.0;

typedef struct box {
  double letter, width, height; /* canvas px */
  sp_point corner;              /* upper left, canvas px */
} box;

static bool shown(const entry *e, sp_legend_kind what)
{
  return e->scale_only || (what != SP_LEGEND_SCALE && (e->kind != ENTRY_STAR || what == SP_LEGEND_BY_HAND));
}

static void measure_box(sp_pen *pen, sp_legend_kind what, double letter, box *b)
{
  int rows = 0;
  double widest = 0.0;
  for (size_t i = 0; i < ENTRY_COUNT; i++) {
    double width = 0.0;
    if (!shown(&ENTRIES[i], what))
      continue;
    rows++;
    if (pen->status == SP_OK)
      pen->status = sp_canvas_text_width(ENTRIES[i].text, letter, &width, pen->err);
    widest = fmax(widest, width);
  }
  b->letter = letter;
  b->width = widest + letter * (SIGN_WIDTH + 2.0 * MARGIN);
  b->height = letter * (LINE_HEIGHT * rows + MARGIN);
}

/* How many busy places lie in the box or within `margin` of it. */
static size_t covered(const sp_pen *pen, const box *b, double margin, const sp_point *busy, size_t count)
{
  size_t n = 0;
  for (size_t i = 0; i < count; i++) {
    const double x = busy[i].x / pen->reduce - b->corner.x, y = busy[i].y / pen->reduce - b->corner.y;
    n += x > -margin && x < b->width + margin && y > -margin && y < b->height + margin;
  }
  return n;
}

/* Tries a grid of places along the border; corners come first, so that they win a draw. */
static void place_box(const sp_pen *pen, const sp_point *busy, size_t count, box *b)
{
  static const double STEPS[] = {1.0, 0.0, 0.5, 0.25, 0.75}, NEAR = 1.0, WIDE = 12.0; /* margins in letters */
  const double w = sp_canvas_width_px(pen->canvas) - b->width - b->letter,
               h = sp_canvas_height_px(pen->canvas) - b->height - b->letter;
  size_t best = SIZE_MAX;
  sp_point chosen = {0.0, 0.0};
  for (size_t i = 0; i < 5; i++)
    for (size_t j = 0; j < 5; j++) {
      b->corner = (sp_point){0.5 * b->letter + STEPS[i] * w, 0.5 * b->letter + STEPS[j] * h};
      /* what is covered counts first; then, to stay clear of board and rule, what is near */
      const size_t n =
          covered(pen, b, NEAR * b->letter, busy, count) * (count + 1) + covered(pen, b, WIDE * b->letter, busy, count);
      if (n < best) {
        best = n;
        chosen = b->corner;
      }
    }
  b->corner = chosen;
}

static sp_point on_picture(const sp_pen *pen, double x, double y)
{
  return (sp_point){(x + 0.5) * pen->reduce - 0.5, (y + 0.5) * pen->reduce - 0.5};
}

static void draw_entry(sp_pen *pen, const entry *e, const box *b, double y)
{
  const double left = b->corner.x + MARGIN * b->letter, middle = left + 1.1 * b->letter;
  const sp_point centre = on_picture(pen, middle, y);
  const sp_point from = on_picture(pen, left, y), to = on_picture(pen, left + 2.2 * b->letter, y);
  double width = 0.0;
  switch (e->kind) {
  case ENTRY_VERDICT:
    sp_pen_sign(pen, e->verdict, centre, (sp_point){1.0, 0.0}, 0.6 * b->letter);
    break;
  case ENTRY_LINE:
    sp_pen_line(pen, from, to, e->dash, e->dash == SP_DASHED ? SP_INK_AXIS : SP_INK_MISSING);
    break;
  case ENTRY_TICK:
    sp_pen_line(pen, on_picture(pen, middle, y - 0.4 * b->letter), on_picture(pen, middle, y + 0.4 * b->letter),
                SP_SOLID, SP_INK_RULE);
    break;
  case ENTRY_CROSSED:
    sp_pen_cross(pen, centre, 0.4 * b->letter, SP_INK_OUT);
    break;
  case ENTRY_STAR:
    sp_pen_text(pen, "*", centre, b->letter, SP_INK_MISSING);
    break;
  }
  if (pen->status == SP_OK)
    pen->status = sp_canvas_text_width(e->text, b->letter, &width, pen->err);
  sp_pen_text(pen, e->text,
              on_picture(pen, left + (SIGN_WIDTH - MARGIN) * b->letter + MARGIN * b->letter + 0.5 * width, y),
              b->letter, SP_INK_MISSING);
}

static void draw_ground(sp_pen *pen, const box *b)
{
  const double x0 = b->corner.x, y0 = b->corner.y, x1 = x0 + b->width, y1 = y0 + b->height,
               t = fmax(1.0, b->letter / 12.0);
  const sp_point frame[] = {{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}};
  const sp_point paper[] = {{x0 + t, y0 + t}, {x1 - t, y0 + t}, {x1 - t, y1 - t}, {x0 + t, y1 - t}};
  if (pen->status == SP_OK)
    pen->status = sp_canvas_polygon(pen->canvas, frame, 4, SP_INK_MISSING, pen->err);
  if (pen->status == SP_OK)
    pen->status = sp_canvas_polygon(pen->canvas, paper, 4, SP_INK_PAPER, pen->err);
}

void sp_pen_legend(sp_pen *pen, const sp_point *busy, size_t count, sp_legend_kind what)
{
  const double width = sp_canvas_width_px(pen->canvas), height = sp_canvas_height_px(pen->canvas);
  box b = {.letter = 0.0};
  measure_box(pen, what, pen->letter_px, &b);
  const double fit = fmin(LARGEST_PART * width / b.width, LARGEST_PART * height / b.height);
  if (fit < 1.0)
    measure_box(pen, what, fmax(SMALLEST_LETTER_PX, fit * pen->letter_px), &b);
  if (pen->status || b.width > 0.8 * width || b.height > 0.8 * height) /* no legend rather than no picture */
    return;
  place_box(pen, busy, count, &b);
  draw_ground(pen, &b);
  double y = b.corner.y + 0.5 * b.letter * (MARGIN + LINE_HEIGHT);
  for (size_t i = 0; i < ENTRY_COUNT; i++)
    if (shown(&ENTRIES[i], what)) {
      draw_entry(pen, &ENTRIES[i], &b, y);
      y += LINE_HEIGHT * b.letter;
    }
}
