#include "random.h"

#include <math.h>

static const double two_pi = 6.283185307179586;

static uint64_t splitmix(uint64_t *state)
{
  *state += UINT64_C(0x9E3779B97F4A7C15);
  uint64_t z = *state;
  z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
  z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
  return z ^ (z >> 31);
}

static uint64_t rotate_left(uint64_t value, int by)
{
  return (value << by) | (value >> (64 - by));
}

random_source random_stream(uint64_t seed, uint64_t stream)
{
  uint64_t mix = seed;
  mix = splitmix(&mix) ^ (stream * UINT64_C(0xD1342543DE82EF95));
  random_source source;
  for (int i = 0; i < 4; i++) {
    source.state[i] = splitmix(&mix);
  }
  return source;
}

uint64_t random_bits(random_source *source)
{
  uint64_t *s = source->state;
  uint64_t result = rotate_left(s[1] * 5, 7) * 9;
  uint64_t shifted = s[1] << 17;
  s[2] ^= s[0];
  s[3] ^= s[1];
  s[1] ^= s[2];
  s[0] ^= s[3];
  s[2] ^= shifted;
  s[3] = rotate_left(s[3], 45);
  return result;
}

/* The upper 53 bits, as a fraction in [0, 1). */
static double random_unit(random_source *source)
{
  return (double)(random_bits(source) >> 11) * 0x1p-53;
}

double random_between(random_source *source, double low, double high)
{
  return low + (high - low) * random_unit(source);
}

int random_below(random_source *source, int count)
{
  return (int)(random_unit(source) * (double)count);
}

double random_normal(random_source *source)
{
  /* Box-Muller, one of the pair; 1 - unit is never 0. */
  double radius = sqrt(-2.0 * log(1.0 - random_unit(source)));
  return radius * cos(two_pi * random_unit(source));
}

int random_chance(random_source *source, double probability)
{
  return random_unit(source) < probability;
}

double random_lattice(uint64_t seed, int64_t i, int64_t j)
{
  uint64_t z = seed ^ ((uint64_t)i * UINT64_C(0x9E3779B97F4A7C15)) ^ ((uint64_t)j * UINT64_C(0xC2B2AE3D27D4EB4F));
  z = (z ^ (z >> 32)) * UINT64_C(0xD6E8FEB86659FD93);
  z = (z ^ (z >> 32)) * UINT64_C(0xD6E8FEB86659FD93);
  z ^= z >> 32;
  return (double)(int64_t)(z >> 11) * 0x1p-52 - 1.0;
}

/* Cubic B-spline over normal knots, scaled to a standard deviation of 1 at the knots (1/6, 4/6, 1/6: sqrt(2) / 2). */
void random_curve(random_source *source, double step, double knot, size_t count, double *curve)
{
  double k[4];
  for (int i = 0; i < 4; i++) {
    k[i] = random_normal(source);
  }
  double at = random_unit(source);
  for (size_t i = 0; i < count; i++) {
    double t = at, s = 1.0 - t;
    double b0 = s * s * s / 6.0, b3 = t * t * t / 6.0;
    double b1 = (3.0 * t * t * t - 6.0 * t * t + 4.0) / 6.0, b2 = 1.0 - b0 - b1 - b3;
    curve[i] = 1.4142135623730951 * (b0 * k[0] + b1 * k[1] + b2 * k[2] + b3 * k[3]);
    at += step / knot;
    while (at >= 1.0) {
      at -= 1.0;
      k[0] = k[1];
      k[1] = k[2];
      k[2] = k[3];
      k[3] = random_normal(source);
    }
  }
}
