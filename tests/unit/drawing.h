/* drawing.h: small analytic pictures for the tests of the measuring modules.
 *
 * Everything is a sum of boxes blurred by a Gaussian (the optics) and averaged over the pixel, in closed form, so the
 * truth is known exactly and shares no code with the library or with the renderer.
 * Frames: u along the board, v across (see slotproof/scene.h). Grey in counts of 8 bits; 16-bit pictures hold 257 times
 * as much. */
#ifndef DRAWING_H
#define DRAWING_H

#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include "check_close.h"
#include "slotproof/raster.h"
#include "slotproof/scene.h"

typedef struct drawing {
  int32_t length, breadth; /* px along u and v */
  double *grey;            /* grey[v * length + u] */
} drawing;

static inline drawing drawing_new(int32_t length, int32_t breadth, double level)
{
  drawing d = {length, breadth, malloc((size_t)length * (size_t)breadth * sizeof(double))};
  assert_non_null(d.grey);
  for (int32_t i = 0; i < length * breadth; i++)
    d.grey[i] = level;
  return d;
}

static inline void drawing_free(drawing *d)
{
  free(d->grey);
  d->grey = NULL;
}

/* Integral of the normal distribution function with standard deviation `blur` from -infinity to t. Beyond nine standard
 * deviations it differs from 0 or t by less than 1e-19 blur, and most of a picture lies there. */
static inline double drawn_ramp(double t, double blur)
{
  const double z = t / blur;
  if (fabs(z) > 9.0)
    return fmax(t, 0.0);
  return 0.5 * t * erfc(-z * 0.70710678118654752) + blur * 0.39894228040143268 * exp(-0.5 * z * z);
}

/* A step up at 0, blurred, as a pixel centred on x sees it. */
static inline double drawn_step(double x, double blur)
{
  return drawn_ramp(x + 0.5, blur) - drawn_ramp(x - 0.5, blur);
}

static inline double drawn_box(double x, double width, double blur)
{
  return drawn_step(x + 0.5 * width, blur) - drawn_step(x - 0.5 * width, blur);
}

/* A straight mark across: middle at u = at + slope (v - v_ref), `width` wide, from v_a to v_b. */
typedef struct drawn_mark {
  double at, slope, v_ref, v_a, v_b, width, blur, height;
} drawn_mark;

static inline void draw_mark(drawing *d, const drawn_mark *m)
{
  for (int32_t v = 0; v < d->breadth; v++) {
    const double part = drawn_step(v - m->v_a, m->blur) - drawn_step(v - m->v_b, m->blur);
    if (part < 1e-9)
      continue;
    const double middle = m->at + m->slope * (v - m->v_ref), reach = 0.5 * m->width + 7.0 * m->blur;
    const int32_t lo = (int32_t)fmax(0.0, ceil(middle - reach)),
                  hi = (int32_t)fmin(d->length - 1, floor(middle + reach));
    for (int32_t u = lo; u <= hi; u++)
      d->grey[v * d->length + u] += m->height * part * drawn_box(u - middle, m->width, m->blur);
  }
}

static inline double drawn_lesser(double a, double b)
{
  return a < b ? a : b;
}

/* Adds `height` on the area u_a..u_b, v_a..v_b, its long sides v = v_a + lean u and so on, its ends square to them. */
typedef struct drawn_area {
  double u_a, u_b, v_a, v_b, lean, blur, height;
} drawn_area;

static inline void draw_area(drawing *d, const drawn_area *a)
{
  const double c = 1.0 / sqrt(1.0 + a->lean * a->lean);
  for (int32_t v = 0; v < d->breadth; v++)
    for (int32_t u = 0; u < d->length; u++) {
      const double across = (v - a->lean * u) * c, along = u + a->lean * (v - 0.5 * (a->v_a + a->v_b) - a->lean * u);
      const double dv = drawn_lesser(across - a->v_a * c, a->v_b * c - across);
      const double du = drawn_lesser(along - a->u_a, a->u_b - along);
      if (dv > 6.0 * a->blur && du > 6.0 * a->blur)
        d->grey[v * d->length + u] += a->height;
      else if (dv > -6.0 * a->blur && du > -6.0 * a->blur)
        d->grey[v * d->length + u] += a->height * drawn_step(dv, a->blur) * drawn_step(du, a->blur);
    }
}

/* ---- chance ---- */

/* Linear congruential generator (Knuth's MMIX constants); each test has its own. */
typedef struct chance {
  uint64_t state;
} chance;

static inline double chance_uniform(chance *c)
{
  c->state = c->state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
  return ((double)(c->state >> 11) + 0.5) / 9007199254740992.0;
}

static inline double chance_normal(chance *c)
{
  const double r = sqrt(-2.0 * log(chance_uniform(c)));
  return r * cos(6.283185307179586 * chance_uniform(c));
}

static inline void draw_noise(drawing *d, double sd, chance *c)
{
  const int32_t n = d->length * d->breadth;
  for (int32_t i = 0; i < n; i += 2) { /* Box and Muller give two at a time */
    const double r = sd * sqrt(-2.0 * log(chance_uniform(c))), turn = 6.283185307179586 * chance_uniform(c);
    d->grey[i] += r * cos(turn);
    if (i + 1 < n)
      d->grey[i + 1] += r * sin(turn);
  }
}

/* ---- the picture ---- */

/* `along` says which axis of the picture u becomes. Clipped and rounded as a scanner does. Owned by the caller. */
static inline sp_raster drawing_raster(const drawing *d, sp_along along, int bits)
{
  sp_raster r = {0};
  sp_error err = {0};
  const bool x = along == SP_ALONG_X;
  assert_int_equal(
      sp_raster_create((uint32_t)(x ? d->length : d->breadth), (uint32_t)(x ? d->breadth : d->length), bits, &r, &err),
      SP_OK);
  for (int32_t v = 0; v < d->breadth; v++)
    for (int32_t u = 0; u < d->length; u++) {
      const size_t i = x ? (size_t)v * r.width_px + (size_t)u : (size_t)u * r.width_px + (size_t)v;
      const double drawn = d->grey[v * d->length + u], grey = drawn > 255.0 ? 255.0 : drawn > 0.0 ? drawn : 0.0;
      if (bits == 8)
        r.u8[i] = (uint8_t)lround(grey);
      else
        r.u16[i] = (uint16_t)lround(257.0 * grey);
    }
  return r;
}

#endif
