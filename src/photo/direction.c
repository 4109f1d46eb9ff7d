/* Which way things lie in the picture.
 *
 * Board, rule, lines and graduations all run along or across one direction, so the directions of the picture's steepest
 * edges, taken modulo a right angle, heap up there. Every place counts by its contrast, cut off so that one glaring
 * edge does not outvote a hundred graduations.
 */
#include <math.h>
#include <string.h>

#include "photo_internal.h"
#include "slotproof/numeric.h"

enum { BINS = 360, STEP = 2 }; /* a quarter of a degree */

/* Gradient of Scharr's 3 x 3 kernel, whose direction is right to a few tenths of a degree, in 255 greys. */
static void gradient_u8(const uint8_t *p, size_t w, double *gx, double *gy)
{
  const int a = p[0], b = p[1], c = p[2], d = p[w], e = p[w + 2], f = p[2 * w], g = p[2 * w + 1], h = p[2 * w + 2];
  *gx = 3 * (c - a + h - f) + 10 * (e - d);
  *gy = 3 * (f - a + h - c) + 10 * (g - b);
}

static void gradient_u16(const uint16_t *p, size_t w, double *gx, double *gy)
{
  const int a = p[0], b = p[1], c = p[2], d = p[w], e = p[w + 2], f = p[2 * w], g = p[2 * w + 1], h = p[2 * w + 2];
  *gx = (3 * (c - a + h - f) + 10 * (e - d)) / 257.0;
  *gy = (3 * (f - a + h - c) + 10 * (g - b)) / 257.0;
}

/* At pixel i, which has neighbours all round. */
static void gradient(const sp_raster *r, size_t i, double *gx, double *gy)
{
  const size_t corner = i - r->width_px - 1;
  if (r->u8)
    gradient_u8(r->u8 + corner, r->width_px, gx, gy);
  else
    gradient_u16(r->u16 + corner, r->width_px, gx, gy);
}

enum { CELLS = 4096 };

/* The bin of an angle between 0 and a right angle by y / (x + y), which grows with it: a table is far quicker than the
 * arc tangent, and a cell is an eighth of a bin at the most. */
static void fill_bins(uint16_t bin[CELLS + 1])
{
  for (int i = 0; i < CELLS; i++) {
    const double t = (i + 0.5) / CELLS;
    bin[i] = (uint16_t)(atan2(t, 1.0 - t) / (0.5 * SP_PI) * BINS);
  }
  bin[CELLS] = 0; /* a right angle itself */
}

/* The direction modulo a right angle, as its cell. */
static size_t cell_of(double gx, double gy)
{
  const bool odd = (gx < 0.0) != (gy < 0.0); /* second and fourth quadrant: turned back by a right angle */
  const double x = odd ? fabs(gy) : fabs(gx), y = odd ? fabs(gx) : fabs(gy);
  return (size_t)(y / (x + y) * CELLS);
}

static void add_up(const sp_raster *picture, double histogram[BINS])
{
  const double least = 16.0 * 4.0, most = 16.0 * 24.0; /* of 255 greys a pixel */
  uint16_t bin[CELLS + 1];
  fill_bins(bin);
  memset(histogram, 0, BINS * sizeof *histogram);
  for (uint32_t y = 1; y + 1 < picture->height_px; y += STEP)
    for (uint32_t x = 1; x + 1 < picture->width_px; x += STEP) {
      double gx, gy;
      gradient(picture, (size_t)y * picture->width_px + x, &gx, &gy);
      const double square = gx * gx + gy * gy;
      if (square < least * least)
        continue;
      const double size = sqrt(square);
      histogram[bin[cell_of(gx, gy)]] += size < most ? size : most;
    }
}

/* Mean over a degree and a half: perspective and lens spread parallels that far and more. */
static void smooth(const double in[BINS], double out[BINS])
{
  enum { REACH = 4 };
  for (int i = 0; i < BINS; i++) {
    out[i] = 0.0;
    for (int d = -REACH; d <= REACH; d++)
      out[i] += in[(i + d + BINS) % BINS] * (REACH + 1 - (d < 0 ? -d : d));
  }
}

/* The least that lies between bin i and the nearest that holds more, on the way -1 or 1; of all if none does. */
static double valley(const double histogram[BINS], int i, int way)
{
  double least = histogram[i];
  for (int d = 1; d < BINS; d++) {
    const double here = histogram[(i + way * d + BINS) % BINS];
    if (here > histogram[i])
      break;
    least = fmin(least, here);
  }
  return least;
}

/* By how much each bin stands out of the higher of the valleys that part it from fuller ones; 0 on a slope. What a
 * cutting mat's grid or a bench's grain heaps up may be so broad that any part of it is more than board and rule are,
 * but those stand alone. */
static void stand_out(const double histogram[BINS], double out[BINS])
{
  for (int i = 0; i < BINS; i++)
    out[i] = histogram[i] - fmax(valley(histogram, i, -1), valley(histogram, i, 1));
}

size_t photo_directions(const sp_raster *picture, double direction_rad[PHOTO_DIRECTIONS])
{
  enum { APART = 16 }; /* four degrees between one direction and the next */
  double raw[BINS], histogram[BINS], standing[BINS];
  size_t count = 0;
  add_up(picture, raw);
  smooth(raw, histogram);
  stand_out(histogram, standing);
  while (count < PHOTO_DIRECTIONS) {
    int top = 0;
    for (int i = 1; i < BINS; i++)
      if (standing[i] > standing[top])
        top = i;
    if (!(standing[top] > 0.0))
      break;
    const double angle = (top + 0.5) / BINS * 0.5 * SP_PI;
    direction_rad[count++] = angle > 0.25 * SP_PI ? angle - 0.5 * SP_PI : angle;
    for (int d = -APART; d <= APART; d++)
      standing[(top + d + BINS) % BINS] = 0.0;
  }
  return count;
}
