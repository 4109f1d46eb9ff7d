/* The cross-section of what is cut, printed or graduated, as a camera or scanner shows it. */
#include <math.h>

#include "slotproof/numeric.h"

static const double INV_SQRT2 = 0.70710678118654752;
/* Gauss and Legendre's two points of a pixel: 1 / (2 sqrt(3)). */
static const double PIXEL_POINT = 0.28867513459481288;

static double point_box(double x, double width, double blur)
{
  const double s = INV_SQRT2 / blur;
  return 0.5 * (erf((x + 0.5 * width) * s) - erf((x - 0.5 * width) * s));
}

double sp_blurred_box(double x, double width, double blur)
{
  return 0.5 * (point_box(x - PIXEL_POINT, width, blur) + point_box(x + PIXEL_POINT, width, blur));
}
