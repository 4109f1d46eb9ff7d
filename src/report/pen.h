/* Drawing primitives of the overlay; private to this folder.
 *
 * Places are px of the PICTURE; sizes (lengths, radii, widths) are px of the CANVAS, so that signs look alike however
 * the picture was reduced. Places that are not known are passed over. The first failure is kept and all later calls do
 * nothing. */
#ifndef SLOTPROOF_PEN_H
#define SLOTPROOF_PEN_H

#include <stdbool.h>

#include "report_internal.h"

typedef struct sp_pen {
  sp_canvas *canvas;
  double reduce;    /* picture px per canvas px */
  double letter_px; /* height of a digit */
  int stroke_px;    /* width of a line */
  sp_status status;
  sp_error *err;
} sp_pen;

/* One colour and form for each thing that is drawn. The colours differ in lightness too, and each form stands without
 * colour. */
extern const sp_colour SP_INK_WITHIN, SP_INK_OUT, SP_INK_UNDECIDED, SP_INK_MISSING, SP_INK_AXIS, SP_INK_RULE,
    SP_INK_PAPER;
sp_colour sp_ink_of(sp_verdict verdict);

bool sp_point_known(sp_point p);
sp_point sp_point_shifted(sp_point p, sp_point direction, double distance);
/* Unit vector from a to b; {0, 0} if they coincide or are unknown. */
sp_point sp_direction(sp_point a, sp_point b);

typedef enum sp_dash { SP_SOLID, SP_DASHED, SP_DOTTED } sp_dash;

void sp_pen_line(sp_pen *pen, sp_point a, sp_point b, sp_dash dash, sp_colour ink);
void sp_pen_text(sp_pen *pen, const char *text, sp_point centre, double height_px, sp_colour ink);
void sp_pen_disc(sp_pen *pen, sp_point centre, double radius_px, sp_colour ink);
/* Tip toward `heading` (a unit vector). */
void sp_pen_triangle(sp_pen *pen, sp_point centre, sp_point heading, double radius_px, sp_colour ink);
void sp_pen_diamond(sp_pen *pen, sp_point centre, double radius_px, sp_colour ink);
void sp_pen_cross(sp_pen *pen, sp_point centre, double radius_px, sp_colour ink);
/* The sign of a verdict. `heading`: the way the mark has to move. */
void sp_pen_sign(sp_pen *pen, sp_verdict verdict, sp_point centre, sp_point heading, double radius_px);

/* A box with every sign and its meaning, in the place where it covers least of `busy`: the scale's alone, the marks'
 * too, and that of marks that somebody pointed at. */
typedef enum sp_legend_kind { SP_LEGEND_SCALE, SP_LEGEND_MARKS, SP_LEGEND_BY_HAND } sp_legend_kind;
void sp_pen_legend(sp_pen *pen, const sp_point *busy, size_t count, sp_legend_kind what);

#endif
