/* slotproof/plot.h: drawings from numbers alone, as SVG in the midst of a page.
 *
 * Knows neither record nor picture. Colours, dashes and letter sizes belong to the style sheet (sp_page_style of
 * page.h), which follows the reader's light or dark screen and the printer; here things only get a class. Texts stay
 * texts: they can be searched, copied and read aloud.
 *
 * Places in DRAWING UNITS have (0,0) at the upper left, y down. A frame maps data to them, straight, y of the data up.
 * What is not finite is not drawn; what lies outside the frame is cut off at its edge.
 */
#ifndef SLOTPROOF_PLOT_H
#define SLOTPROOF_PLOT_H

#include <stdbool.h>
#include <stddef.h>

#include "slotproof/markup.h"
#include "slotproof/record.h"

/* Begins and ends the drawing. `id` is unique in the page; title and description are what a screen reader says. */
void sp_plot_open(sp_markup *markup, const char *id, double width, double height, const char *title,
                  const char *description);
void sp_plot_close(sp_markup *markup);

typedef struct sp_plot_frame {
  double left, right, top, bottom; /* drawing units; left < right, top < bottom */
  double x_least, x_most;          /* data at left and right */
  double y_least, y_most;          /* data at bottom and top */
} sp_plot_frame;

/* Drawing units of a place in the data; NAN stays NAN. */
double sp_plot_x(const sp_plot_frame *frame, double x);
double sp_plot_y(const sp_plot_frame *frame, double y);

/* The smallest of 1, 2, 5 times a power of ten that cuts `range` into at most `most` parts. */
double sp_plot_step(double range, int most);

/* Lines at round values with their numbers on the left; zero drawn stronger. `plus`: numbers above zero carry their
 * sign. */
void sp_plot_axis_y(sp_markup *markup, const sp_plot_frame *frame, bool plus);

/* In data: an area, a level line across, an upright line, a polyline (broken where a value is unknown), and the range
 * y - half to y + half with its end strokes. */
void sp_plot_box(sp_markup *markup, const sp_plot_frame *frame, double x0, double x1, double y0, double y1,
                 const char *class_name);
void sp_plot_level(sp_markup *markup, const sp_plot_frame *frame, double y, const char *class_name);
void sp_plot_upright(sp_markup *markup, const sp_plot_frame *frame, double x, const char *class_name);
void sp_plot_polyline(sp_markup *markup, const sp_plot_frame *frame, const double *x, const double *y, size_t count,
                      const char *class_name);
void sp_plot_whisker(sp_markup *markup, const sp_plot_frame *frame, double x, double y, double half, double foot,
                     const char *class_name);

/* In drawing units. */
void sp_plot_dot(sp_markup *markup, double x, double y, double radius, const char *class_name);
void sp_plot_line(sp_markup *markup, double x0, double y0, double x1, double y1, const char *class_name);
typedef enum sp_plot_anchor { SP_PLOT_START, SP_PLOT_MIDDLE, SP_PLOT_END } sp_plot_anchor;
void sp_plot_words(sp_markup *markup, double x, double y, sp_plot_anchor anchor, const char *class_name,
                   const char *text);
/* The sign of a verdict, as in the overlay of report.h: disc, triangle with its tip the way to move (`heading` < 0: to
 * the left), diamond with a question mark, cross. */
void sp_plot_sign(sp_markup *markup, sp_verdict verdict, double x, double y, double radius, double heading);

#endif
