/* Drawings as SVG elements. A frame is a straight map in each direction; everything else is choosing elements. */
#include "slotproof/plot.h"

#include <math.h>
#include <stdio.h>

/* Of a sign's radius. */
static const double TRIANGLE_TIP = 1.2, TRIANGLE_BACK = 0.75, TRIANGLE_HALF = 1.05, CROSS = 0.85;
static const double QUESTION_DROP = 0.5; /* of the radius, from the middle down to the foot of the question mark */
static const double SIGN_WORD_PX = 10.0; /* letters of signs in the style sheet */
/* Between a number and the frame, and a number's middle and its foot, drawing units. */
static const double NUMBER_GAP = 8.0, NUMBER_DROP = 5.0, TICK_ROOM = 26.0;

void sp_plot_open(sp_markup *m, const char *id, double width, double height, const char *title, const char *description)
{
  sp_markup_begin(m, "svg");
  sp_markup_set(m, "xmlns", "http://www.w3.org/2000/svg");
  sp_markup_set(m, "class", "plot");
  sp_markup_setf(m, "viewBox", "0 0 %.6g %.6g", width, height);
  sp_markup_set(m, "role", "img");
  sp_markup_setf(m, "aria-labelledby", "%s-title %s-words", id, id);
  sp_markup_begin(m, "title");
  sp_markup_setf(m, "id", "%s-title", id);
  sp_markup_text(m, title);
  sp_markup_end(m);
  sp_markup_begin(m, "desc");
  sp_markup_setf(m, "id", "%s-words", id);
  sp_markup_text(m, description);
  sp_markup_end(m);
}

void sp_plot_close(sp_markup *m)
{
  sp_markup_end(m);
}

/* ---- the frame -------------------------------------------------------------------------------------------------- */

double sp_plot_x(const sp_plot_frame *f, double x)
{
  return f->left + (x - f->x_least) / (f->x_most - f->x_least) * (f->right - f->left);
}

double sp_plot_y(const sp_plot_frame *f, double y)
{
  return f->bottom - (y - f->y_least) / (f->y_most - f->y_least) * (f->bottom - f->top);
}

static double clipped(double value, double a, double b)
{
  return fmin(fmax(value, fmin(a, b)), fmax(a, b)); /* callers have made sure that value is a number */
}

double sp_plot_step(double range, int most)
{
  if (!(range > 0.0) || !isfinite(range) || most < 1)
    return NAN;
  const double least = range / most, ten = pow(10.0, floor(log10(least)));
  static const double TIMES[] = {1.0, 2.0, 5.0};
  for (size_t i = 0; i < sizeof TIMES / sizeof *TIMES; i++)
    if (TIMES[i] * ten >= least * (1.0 - 1e-9))
      return TIMES[i] * ten;
  return 10.0 * ten;
}

static int decimals_of(double step)
{
  return (int)fmax(0.0, -floor(log10(step) + 1e-9));
}

void sp_plot_axis_y(sp_markup *m, const sp_plot_frame *f, bool plus)
{
  const double step = sp_plot_step(f->y_most - f->y_least, (int)fmax(2.0, (f->bottom - f->top) / TICK_ROOM));
  if (!isfinite(step))
    return;
  for (double i = ceil(f->y_least / step - 1e-9); i * step <= f->y_most + 1e-9 * step; i++) {
    const double y = sp_plot_y(f, i * step);
    char number[40];
    sp_plot_line(m, f->left, y, f->right, y, i == 0.0 ? "zero" : "grid");
    snprintf(number, sizeof number, plus && i > 0.0 ? "+%.*f" : "%.*f", decimals_of(step), i == 0.0 ? 0.0 : i * step);
    sp_plot_words(m, f->left - NUMBER_GAP, y + NUMBER_DROP, SP_PLOT_END, "number", number);
  }
}

/* ---- in data ---------------------------------------------------------------------------------------------------- */

void sp_plot_box(sp_markup *m, const sp_plot_frame *f, double x0, double x1, double y0, double y1,
                 const char *class_name)
{
  const double a = sp_plot_x(f, x0), b = sp_plot_x(f, x1), c = sp_plot_y(f, y0), d = sp_plot_y(f, y1);
  if (!isfinite(a) || !isfinite(b) || !isfinite(c) || !isfinite(d))
    return;
  const double left = clipped(fmin(a, b), f->left, f->right), right = clipped(fmax(a, b), f->left, f->right);
  const double top = clipped(fmin(c, d), f->top, f->bottom), bottom = clipped(fmax(c, d), f->top, f->bottom);
  if (!(right > left) || !(bottom > top))
    return;
  sp_markup_begin(m, "rect");
  sp_markup_set(m, "class", class_name);
  sp_markup_set_number(m, "x", left);
  sp_markup_set_number(m, "y", top);
  sp_markup_set_number(m, "width", right - left);
  sp_markup_set_number(m, "height", bottom - top);
  sp_markup_end_empty(m);
}

void sp_plot_level(sp_markup *m, const sp_plot_frame *f, double y, const char *class_name)
{
  const double at = sp_plot_y(f, y);
  if (at >= f->top && at <= f->bottom)
    sp_plot_line(m, f->left, at, f->right, at, class_name);
}

void sp_plot_upright(sp_markup *m, const sp_plot_frame *f, double x, const char *class_name)
{
  const double at = sp_plot_x(f, x);
  if (at >= f->left && at <= f->right)
    sp_plot_line(m, at, f->top, at, f->bottom, class_name);
}

void sp_plot_polyline(sp_markup *m, const sp_plot_frame *f, const double *x, const double *y, size_t count,
                      const char *class_name)
{
  for (size_t i = 1; i < count; i++) {
    const double a = sp_plot_x(f, x[i - 1]), b = sp_plot_y(f, y[i - 1]), c = sp_plot_x(f, x[i]), d = sp_plot_y(f, y[i]);
    if (isfinite(a) && isfinite(b) && isfinite(c) && isfinite(d))
      sp_plot_line(m, a, clipped(b, f->top, f->bottom), c, clipped(d, f->top, f->bottom), class_name);
  }
}

void sp_plot_whisker(sp_markup *m, const sp_plot_frame *f, double x, double y, double half, double foot,
                     const char *class_name)
{
  const double at = sp_plot_x(f, x), low = sp_plot_y(f, y - half), high = sp_plot_y(f, y + half);
  if (!isfinite(at) || !isfinite(low) || !isfinite(high))
    return;
  sp_plot_line(m, at, clipped(low, f->top, f->bottom), at, clipped(high, f->top, f->bottom), class_name);
  if (low <= f->bottom && low >= f->top)
    sp_plot_line(m, at - foot, low, at + foot, low, class_name);
  if (high >= f->top && high <= f->bottom)
    sp_plot_line(m, at - foot, high, at + foot, high, class_name);
}

/* ---- in drawing units ------------------------------------------------------------------------------------------- */

void sp_plot_line(sp_markup *m, double x0, double y0, double x1, double y1, const char *class_name)
{
  if (!isfinite(x0) || !isfinite(y0) || !isfinite(x1) || !isfinite(y1))
    return;
  sp_markup_begin(m, "line");
  sp_markup_set(m, "class", class_name);
  sp_markup_set_number(m, "x1", x0);
  sp_markup_set_number(m, "y1", y0);
  sp_markup_set_number(m, "x2", x1);
  sp_markup_set_number(m, "y2", y1);
  sp_markup_end_empty(m);
}

void sp_plot_words(sp_markup *m, double x, double y, sp_plot_anchor anchor, const char *class_name, const char *text)
{
  static const char *const ANCHORS[] = {"start", "middle", "end"};
  if (!isfinite(x) || !isfinite(y))
    return;
  sp_markup_begin(m, "text");
  sp_markup_set(m, "class", class_name);
  sp_markup_set_number(m, "x", x);
  sp_markup_set_number(m, "y", y);
  sp_markup_set(m, "text-anchor", ANCHORS[anchor]);
  sp_markup_text(m, text);
  sp_markup_end(m);
}

static void corners(sp_markup *m, const char *class_name, double x, double y, double radius, const double (*form)[2],
                    size_t count)
{
  char path[40 * 16] = "";
  size_t used = 0;
  for (size_t i = 0; i < count && used + 40 < sizeof path; i++)
    used += (size_t)snprintf(path + used, sizeof path - used, "%c%.2f %.2f", i ? 'L' : 'M', x + radius * form[i][0],
                             y + radius * form[i][1]);
  sp_markup_begin(m, "path");
  sp_markup_set(m, "class", class_name);
  sp_markup_setf(m, "d", "%sZ", path);
  sp_markup_end_empty(m);
}

void sp_plot_dot(sp_markup *m, double x, double y, double radius, const char *class_name)
{
  if (!isfinite(x) || !isfinite(y))
    return;
  sp_markup_begin(m, "circle");
  sp_markup_set(m, "class", class_name);
  sp_markup_set_number(m, "cx", x);
  sp_markup_set_number(m, "cy", y);
  sp_markup_set_number(m, "r", radius);
  sp_markup_end_empty(m);
}

static void put_triangle(sp_markup *m, double x, double y, double radius, double side)
{
  const double form[][2] = {
      {side * TRIANGLE_TIP, 0.0}, {-side * TRIANGLE_BACK, TRIANGLE_HALF}, {-side * TRIANGLE_BACK, -TRIANGLE_HALF}};
  corners(m, "sign out", x, y, radius, form, 3);
}

static void put_diamond(sp_markup *m, double x, double y, double radius)
{
  static const double FORM[][2] = {{1.3, 0.0}, {0.0, 1.3}, {-1.3, 0.0}, {0.0, -1.3}};
  corners(m, "sign undecided", x, y, radius, FORM, 4);
  sp_markup_begin(m, "text");
  sp_markup_set(m, "class", "sign-word");
  /* the style sheet's size, scaled: a style of its own would be refused where only style sheets are let in */
  sp_markup_setf(m, "transform", "translate(%.2f %.2f) scale(%.3f)", x, y + QUESTION_DROP * radius,
                 1.5 * radius / SIGN_WORD_PX);
  sp_markup_set(m, "text-anchor", "middle");
  sp_markup_text(m, "?");
  sp_markup_end(m);
}

static void put_cross(sp_markup *m, double x, double y, double radius)
{
  const double r = CROSS * radius;
  sp_markup_begin(m, "path");
  sp_markup_set(m, "class", "sign missing");
  sp_markup_setf(m, "d", "M%.2f %.2fL%.2f %.2fM%.2f %.2fL%.2f %.2f", x - r, y - r, x + r, y + r, x - r, y + r, x + r,
                 y - r);
  sp_markup_setf(m, "stroke-width", "%.1f", 0.5 * radius);
  sp_markup_end_empty(m);
}

void sp_plot_sign(sp_markup *m, sp_verdict verdict, double x, double y, double radius, double heading)
{
  if (!isfinite(x) || !isfinite(y))
    return;
  switch (verdict) {
  case SP_WITHIN:
    sp_plot_dot(m, x, y, radius, "sign within");
    break;
  case SP_OUT:
    put_triangle(m, x, y, radius, heading < 0.0 ? -1.0 : 1.0);
    break;
  case SP_UNDECIDED:
    put_diamond(m, x, y, radius);
    break;
  case SP_MISSING:
    put_cross(m, x, y, radius);
    break;
  }
}
