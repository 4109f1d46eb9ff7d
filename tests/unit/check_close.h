/* check_close.h: comparison of reals that fails on NaN.
 *
 * cmocka's own float asserts pass when a value is NaN and add a relative tolerance nobody asked for, so every test of the
 * project compares through these. */
#ifndef CHECK_CLOSE_H
#define CHECK_CLOSE_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

#define CHECK_CLOSE(actual, expected, tolerance) \
  check_close_((double)(actual), (double)(expected), (double)(tolerance), #actual, __FILE__, __LINE__)
#define CHECK_BELOW(actual, limit) check_below_((double)(actual), (double)(limit), #actual, __FILE__, __LINE__)

static inline void check_close_(double actual, double expected, double tolerance, const char *what, const char *file,
                                int line)
{
  if (!(fabs(actual - expected) <= tolerance)) {
    fprintf(stderr, "%s:%d: %s is %.15g, expected %.15g within %.3g\n", file, line, what, actual, expected, tolerance);
    fail();
  }
}

static inline void check_below_(double actual, double limit, const char *what, const char *file, int line)
{
  if (!(actual <= limit)) {
    fprintf(stderr, "%s:%d: %s is %.15g, the limit is %.15g\n", file, line, what, actual, limit);
    fail();
  }
}

#endif
