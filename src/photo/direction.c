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
#include "workers/wide.h"

enum { BINS = 360, STEP = 2 }; /* a quarter of a degree */

/* So many places of a row at once. */
enum { RUN = 256 };

/* Gradient of Scharr's 3 x 3 kernel, whose direction is right to a few tenths of a degree, at n places whose upper left
 * neighbours begin at p: sums of greys, 16 a grey and pixel. */
SP_WIDE static void gradients_u8(const uint8_t *restrict p, size_t w, size_t n, float *restrict gx, float *restrict gy)
{
  const uint8_t *restrict q = p + w, *restrict r = p + 2 * w;
  for (size_t i = 0; i < n; i++) {
    gx[i] = (float)(3 * (p[i + 2] - p[i] + r[i + 2] - r[i]) + 10 * (q[i + 2] - q[i]));
    gy[i] = (float)(3 * (r[i] - p[i] + r[i + 2] - p[i + 2]) + 10 * (r[i + 1] - p[i + 1]));
  }
}

/* In 255 greys, too. */
SP_WIDE static void gradients_u16(const uint16_t *restrict p, size_t w, size_t n, float *restrict gx, float *restrict gy)
{
  const uint16_t *restrict q = p + w, *restrict r = p + 2 * w;
  const float scale = 1.0f / 257.0f;
  for (size_t i = 0; i < n; i++) {
    gx[i] = scale * (float)(3 * (p[i + 2] - p[i] + r[i + 2] - r[i]) + 10 * (q[i + 2] - q[i]));
    gy[i] = scale * (float)(3 * (r[i] - p[i] + r[i + 2] - p[i + 2]) + 10 * (r[i + 1] - p[i + 1]));
  }
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

static void add_places(const float *gx, const float *gy, size_t n, const uint16_t bin[CELLS + 1],
                       double histogram[BINS])
{
  const float least = 16.0f * 4.0f, most = 16.0f * 24.0f; /* of 255 greys a pixel */
  for (size_t i = 0; i < n; i += STEP) {
    const float square = gx[i] * gx[i] + gy[i] * gy[i];
    if (square < least * least)
      continue;
    const float size = sqrtf(square);
    histogram[bin[cell_of((double)gx[i], (double)gy[i])]] += (double)(size < most ? size : most);
  }
}

static void add_up(const sp_raster *picture, double histogram[BINS])
{
  const size_t width = picture->width_px;
  uint16_t bin[CELLS + 1];
  float gx[RUN], gy[RUN];
  fill_bins(bin);
  memset(histogram, 0, BINS * sizeof *histogram);
  for (uint32_t y = 1; y + 1 < picture->height_px; y += STEP)
    for (size_t x = 0; x + 2 < width; x += RUN) {
      const size_t corner = (y - 1) * width + x, n = width - 2 - x < RUN ? width - 2 - x : RUN;
      if (picture->u8)
        gradients_u8(picture->u8 + corner, width, n, gx, gy);
      else
        gradients_u16(picture->u16 + corner, width, n, gx, gy);
      add_places(gx, gy, n, bin, histogram);
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
