/* random.h: the renderer's own generator, so that a seed gives the same picture everywhere.
 *
 * xoshiro256** (D. Blackman, S. Vigna, "Scrambled linear pseudorandom number generators", ACM TOMS 47, 2021), its state
 * filled by splitmix64 from a seed and a stream number: each part of the picture draws from a stream of its own, so
 * switching one part on or off leaves the others as they were. */
#ifndef RENDER_RANDOM_H
#define RENDER_RANDOM_H

#include <stddef.h>
#include <stdint.h>

typedef struct random_source {
  uint64_t state[4];
} random_source;

random_source random_stream(uint64_t seed, uint64_t stream);
uint64_t random_bits(random_source *source);
/* Evenly in [low, high). */
double random_between(random_source *source, double low, double high);
/* 0 .. count - 1. */
int random_below(random_source *source, int count);
/* Normal with mean 0 and standard deviation 1. */
double random_normal(random_source *source);
/* 1 with the given probability, else 0. */
int random_chance(random_source *source, double probability);
/* A hash of a lattice point in [-1, 1], for textures. */
double random_lattice(uint64_t seed, int64_t i, int64_t j);
/* A smooth random curve over count samples step apart: standard deviation about 1, knots spaced by `knot`. */
void random_curve(random_source *source, double step, double knot, size_t count, double *curve);

#endif
