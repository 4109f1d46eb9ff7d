/* What pixels do to the direction of a stroke that lies almost along them.
 *
 * A stroke a pixel or two broad is sampled too coarsely: where its middle lies between two columns of pixels, it is
 * read some hundredths of a pixel off to one side, the next time to the other, which is a wave of one cycle a pixel
 * (aliasing; what a sensor lets through beyond half a cycle a pixel comes back as less). A colour sensor has its
 * colours in every other column: half a cycle a pixel. What is drawn anew between pixels adds a little of two. A stroke
 * square to the columns crosses many of them, and all that is nothing; one that leans from them by a fortieth crosses
 * half of one, and is turned, this way or that by where it lies, by some milliradians. What a wave of 1 px would turn
 * each stroke by is known; how large it is, is for the fit to find out.
 */
#include <math.h>

#include "slotproof/numeric.h"
#include "slotproof/reference.h"

/* Cycles a pixel. */
static const double WAVES[SP_PIXEL_WAVES] = {1.0, 0.5, 2.0};
/* More would be no stroke. */
enum { MOST_ROWS = 1000 };

/* The slope, by least squares over its rows, of a wave along a stroke. Strokes are alike on both sides, and pixels,
 * too: one whose middle is a pixel's middle or lies midway is read where it is, so that the wave is a sine. */
static double slope_of_wave(double cycles, double from, double step, int rows)
{
  double sum = 0.0, square = 0.0;
  for (int i = 0; i < rows; i++) {
    const double past = i - 0.5 * (rows - 1);
    sum += past * sin(2.0 * SP_PI * cycles * (from + i * step));
    square += past * past;
  }
  return sum / square;
}

void sp_lean_waves(sp_lean *lean, sp_point from, sp_point to, sp_point along)
{
  const int rows = (int)lround(fmin(lean->length_px, MOST_ROWS));
  const bool upright = fabs(to.y - from.y) > fabs(to.x - from.x);
  const double first = upright ? from.x : from.y, last = upright ? to.x : to.y;
  const double further = (upright ? along.x : along.y) - 0.5 * (first + last);
  for (int k = 0; k < SP_PIXEL_WAVES; k++)
    lean->wave[k] = 0.0;
  if (rows < 2 || !isfinite(first) || !isfinite(last) || !(fabs(further) > 0.0))
    return;
  /* rows have their middles half a row inside the ends */
  const double step = (last - first) / rows;
  for (int k = 0; k < SP_PIXEL_WAVES; k++)
    lean->wave[k] = slope_of_wave(WAVES[k], first + 0.5 * step, step, rows) / further;
}
