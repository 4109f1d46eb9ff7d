/* Lines and signs with a light rim, so that they read on ebony as on maple.
 *
 * The palette is our own: a mid blue, a strong orange, a dark violet and black. Blue and orange stay apart in every
 * common form of colour blindness, and the four differ in lightness. */
#include "pen.h"

#include <math.h>

const sp_colour SP_INK_WITHIN = {24, 92, 176}, SP_INK_OUT = {226, 98, 8}, SP_INK_UNDECIDED = {112, 34, 118},
                SP_INK_MISSING = {16, 16, 16}, SP_INK_AXIS = {70, 120, 90}, SP_INK_RULE = {24, 92, 176},
                SP_INK_PAPER = {255, 255, 255};

sp_colour sp_ink_of(sp_verdict verdict)
{
  switch (verdict) {
  case SP_WITHIN:
    return SP_INK_WITHIN;
  case SP_OUT:
    return SP_INK_OUT;
  case SP_UNDECIDED:
    return SP_INK_UNDECIDED;
  case SP_MISSING:
    break;
  }
  return SP_INK_MISSING;
}

/* ---- places ----------------------------------------------------------------------------------------------------- */

bool sp_point_known(sp_point p)
{
  return isfinite(p.x) && isfinite(p.y);
}

sp_point sp_point_shifted(sp_point p, sp_point direction, double distance)
{
  return (sp_point){p.x + direction.x * distance, p.y + direction.y * distance};
}

sp_point sp_direction(sp_point a, sp_point b)
{
  const double length = hypot(b.x - a.x, b.y - a.y);
  if (!isfinite(length) || !(length > 0.0))
    return (sp_point){0.0, 0.0};
  return (sp_point){(b.x - a.x) / length, (b.y - a.y) / length};
}

static sp_point on_canvas(const sp_pen *pen, sp_point p)
{
  return (sp_point){(p.x + 0.5) / pen->reduce - 0.5, (p.y + 0.5) / pen->reduce - 0.5};
}

static bool drawable(const sp_pen *pen, sp_point p)
{
  return pen->status == SP_OK && sp_point_known(p) && fabs(p.x) / pen->reduce < 0.9 * SP_CANVAS_REACH_PX &&
         fabs(p.y) / pen->reduce < 0.9 * SP_CANVAS_REACH_PX;
}

static void keep(sp_pen *pen, sp_status status)
{
  if (pen->status == SP_OK)
    pen->status = status;
}

/* ---- lines ------------------------------------------------------------------------------------------------------ */

static void piece(sp_pen *pen, sp_point a, sp_point b, sp_colour ink)
{
  if (pen->status == SP_OK)
    keep(pen, sp_canvas_line(pen->canvas, a, b, pen->stroke_px + 2, SP_INK_PAPER, pen->err));
  if (pen->status == SP_OK)
    keep(pen, sp_canvas_line(pen->canvas, a, b, pen->stroke_px, ink, pen->err));
}

void sp_pen_line(sp_pen *pen, sp_point from, sp_point to, sp_dash dash, sp_colour ink)
{
  if (!drawable(pen, from) || !drawable(pen, to))
    return;
  const sp_point a = on_canvas(pen, from), b = on_canvas(pen, to), d = sp_direction(a, b);
  const double length = hypot(b.x - a.x, b.y - a.y);
  const double drawn = dash == SP_DOTTED ? pen->stroke_px : pen->letter_px,
               pitch = dash == SP_DOTTED ? 0.4 * pen->letter_px + 2.0 : 1.7 * pen->letter_px;
  if (dash == SP_SOLID) {
    piece(pen, a, b, ink);
    return;
  }
  for (double at = 0.0; at < length && pen->status == SP_OK; at += pitch)
    piece(pen, sp_point_shifted(a, d, at), sp_point_shifted(a, d, fmin(at + drawn, length)), ink);
}

void sp_pen_text(sp_pen *pen, const char *text, sp_point centre, double height_px, sp_colour ink)
{
  if (drawable(pen, centre))
    keep(pen, sp_canvas_text(pen->canvas, text, on_canvas(pen, centre), height_px, ink, SP_INK_PAPER, pen->err));
}

/* ---- signs ------------------------------------------------------------------------------------------------------ */

static double rim_of(double radius_px)
{
  return fmax(1.0, 0.15 * radius_px);
}

void sp_pen_disc(sp_pen *pen, sp_point centre, double radius_px, sp_colour ink)
{
  if (!drawable(pen, centre))
    return;
  const sp_point c = on_canvas(pen, centre);
  keep(pen, sp_canvas_disc(pen->canvas, c, radius_px + rim_of(radius_px), SP_INK_PAPER, pen->err));
  if (pen->status == SP_OK)
    keep(pen, sp_canvas_disc(pen->canvas, c, radius_px, ink, pen->err));
}

/* Corners at `radius` times (along, aside) of the heading, filled twice: rim and ink. */
static void shape(sp_pen *pen, sp_point centre, sp_point heading, const sp_point *form, size_t count, double radius_px,
                  sp_colour ink)
{
  const sp_point aside = {-heading.y, heading.x};
  if (!drawable(pen, centre))
    return;
  for (int layer = 0; layer < 2 && pen->status == SP_OK; layer++) {
    const double r = layer ? radius_px : radius_px + 1.8 * rim_of(radius_px);
    sp_point corners[SP_CANVAS_MAX_CORNERS];
    for (size_t i = 0; i < count; i++)
      corners[i] =
          sp_point_shifted(sp_point_shifted(on_canvas(pen, centre), heading, r * form[i].x), aside, r * form[i].y);
    keep(pen, sp_canvas_polygon(pen->canvas, corners, count, layer ? ink : SP_INK_PAPER, pen->err));
  }
}

void sp_pen_triangle(sp_pen *pen, sp_point centre, sp_point heading, double radius_px, sp_colour ink)
{
  static const sp_point FORM[] = {{1.1, 0.0}, {-0.6, 0.95}, {-0.6, -0.95}};
  shape(pen, centre, heading, FORM, 3, radius_px, ink);
}

void sp_pen_diamond(sp_pen *pen, sp_point centre, double radius_px, sp_colour ink)
{
  static const sp_point FORM[] = {{1.2, 0.0}, {0.0, 1.2}, {-1.2, 0.0}, {0.0, -1.2}};
  shape(pen, centre, (sp_point){1.0, 0.0}, FORM, 4, radius_px, ink);
}

void sp_pen_cross(sp_pen *pen, sp_point centre, double radius_px, sp_colour ink)
{
  static const double HALF = 0.25; /* half width of an arm */
  static const sp_point FORM[] = {{1.0, HALF},   {HALF, HALF}, {HALF, 1.0},   {-HALF, 1.0},
                                  {-HALF, HALF}, {-1.0, HALF}, {-1.0, -HALF}, {-HALF, -HALF},
                                  {-HALF, -1.0}, {HALF, -1.0}, {HALF, -HALF}, {1.0, -HALF}};
  static const double DIAGONAL = 0.70710678118654752;
  shape(pen, centre, (sp_point){DIAGONAL, DIAGONAL}, FORM, sizeof FORM / sizeof *FORM, radius_px, ink);
}

void sp_pen_sign(sp_pen *pen, sp_verdict verdict, sp_point centre, sp_point heading, double radius_px)
{
  const sp_colour ink = sp_ink_of(verdict);
  switch (verdict) {
  case SP_WITHIN:
    sp_pen_disc(pen, centre, 0.8 * radius_px, ink);
    break;
  case SP_OUT:
    sp_pen_triangle(pen, centre, heading, 1.1 * radius_px, ink);
    break;
  case SP_UNDECIDED:
    sp_pen_diamond(pen, centre, radius_px, ink);
    if (drawable(pen, centre)) /* the ground of the letter is the diamond, so is its rim */
      keep(pen, sp_canvas_text(pen->canvas, "?", on_canvas(pen, centre), fmax(1.1 * radius_px, 2.0), SP_INK_PAPER, ink,
                               pen->err));
    break;
  case SP_MISSING:
    sp_pen_cross(pen, centre, radius_px, ink);
    break;
  }
}
