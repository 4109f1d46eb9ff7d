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

static void add_up(const sp_raster *picture, double histogram[BINS])
{
  const double least = 16.0 * 4.0, most = 16.0 * 24.0; /* of 255 greys a pixel */
  memset(histogram, 0, BINS * sizeof *histogram);
  for (uint32_t y = 1; y + 1 < picture->height_px; y += STEP)
    for (uint32_t x = 1; x + 1 < picture->width_px; x += STEP) {
      double gx, gy;
      gradient(picture, (size_t)y * picture->width_px + x, &gx, &gy);
      const double square = gx * gx + gy * gy;
      if (square < least * least)
        continue;
      const double size = sqrt(square);
      double turn = atan2(gy, gx) / (0.5 * SP_PI);
      turn -= floor(turn);
      histogram[(size_t)(turn * BINS) % BINS] += size < most ? size : most;
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

enum { APART = 16 }; /* four degrees between one direction and the next */

/* No bin within half of that holds more: the slope of a higher heap is no heap. */
static bool is_heap(const double histogram[BINS], int i)
{
  for (int d = -APART / 2; d <= APART / 2; d++)
    if (histogram[(i + d + BINS) % BINS] > histogram[i])
      return false;
  return true;
}

/* The fullest bin that is left, of heaps or of all; -1: none is. */
static int fullest(const double histogram[BINS], const bool heap[BINS], bool heaps_only)
{
  int top = -1;
  for (int i = 0; i < BINS; i++)
    if (histogram[i] > 0.0 && (heap[i] || !heaps_only) && (top < 0 || histogram[i] > histogram[top]))
      top = i;
  return top;
}

/* Heaps first: what a cutting mat's grid or a cloth's weave heaps up may be so broad that its slopes alone are more
 * than the board and the rule. */
size_t photo_directions(const sp_raster *picture, double direction_rad[PHOTO_DIRECTIONS])
{
  double raw[BINS], histogram[BINS];
  bool heap[BINS];
  size_t count = 0;
  add_up(picture, raw);
  smooth(raw, histogram);
  for (int i = 0; i < BINS; i++)
    heap[i] = is_heap(histogram, i);
  while (count < PHOTO_DIRECTIONS) {
    int top = fullest(histogram, heap, true);
    if (top < 0)
      top = fullest(histogram, heap, false);
    if (top < 0)
      break;
    const double angle = (top + 0.5) / BINS * 0.5 * SP_PI;
    direction_rad[count++] = angle > 0.25 * SP_PI ? angle - 0.5 * SP_PI : angle;
    for (int d = -APART; d <= APART; d++)
      histogram[(top + d + BINS) % BINS] = 0.0;
  }
  return count;
}
