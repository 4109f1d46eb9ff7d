/* Eigenvalues of a small symmetric matrix by Jacobi's rotations in cyclic order (Golub & Van Loan, Matrix Computations,
 * ch. 8.5): slow for large ones, but small eigenvalues come out as accurately as large ones. */
#include <math.h>
#include <string.h>

#include "slotproof/numeric.h"

enum { MAX_SWEEPS = 30 };

/* Turns rows and columns p and q of `a`, and the columns of `v`, so that a[p][q] becomes 0. */
static void rotate(size_t n, double *a, double *v, size_t p, size_t q)
{
  const double apq = a[p * n + q], theta = (a[q * n + q] - a[p * n + p]) / (2.0 * apq);
  const double t = (theta < 0.0 ? -1.0 : 1.0) / (fabs(theta) + sqrt(1.0 + theta * theta));
  const double c = 1.0 / sqrt(1.0 + t * t), s = t * c;
  for (size_t k = 0; k < n; k++) {
    const double x = a[k * n + p], y = a[k * n + q];
    a[k * n + p] = c * x - s * y;
    a[k * n + q] = s * x + c * y;
  }
  for (size_t k = 0; k < n; k++) {
    const double x = a[p * n + k], y = a[q * n + k];
    a[p * n + k] = c * x - s * y;
    a[q * n + k] = s * x + c * y;
  }
  for (size_t k = 0; k < n; k++) {
    const double x = v[k * n + p], y = v[k * n + q];
    v[k * n + p] = c * x - s * y;
    v[k * n + q] = s * x + c * y;
  }
}

/* Largest first, columns of v alike. */
static void sort_down(size_t n, double *value, double *v)
{
  for (size_t i = 0; i + 1 < n; i++) {
    size_t top = i;
    for (size_t j = i + 1; j < n; j++)
      if (value[j] > value[top])
        top = j;
    if (top == i)
      continue;
    const double swap = value[i];
    value[i] = value[top];
    value[top] = swap;
    for (size_t k = 0; k < n; k++) {
      const double x = v[k * n + i];
      v[k * n + i] = v[k * n + top];
      v[k * n + top] = x;
    }
  }
}

/* Rounding can keep the last rotations from ending where eigenvalues are alike or nothing: no harm is done then. */
static bool nearly_diagonal(size_t n, const double *a, double size)
{
  for (size_t p = 0; p + 1 < n; p++)
    for (size_t q = p + 1; q < n; q++)
      if (!(fabs(a[p * n + q]) <= 1e-13 * size))
        return false;
  return true;
}

bool sp_symmetric_eigen(size_t n, double *a, double *value, double *vector)
{
  double size = 0.0;
  for (size_t i = 0; i < n * n; i++) {
    vector[i] = i % (n + 1) == 0 ? 1.0 : 0.0;
    size += a[i] * a[i];
  }
  if (!isfinite(size))
    return false;
  bool done = false;
  for (int sweep = 0; sweep < MAX_SWEEPS && !done; sweep++) {
    done = true;
    for (size_t p = 0; p + 1 < n; p++)
      for (size_t q = p + 1; q < n; q++)
        /* against both diagonal elements, so that small eigenvalues stay accurate; against the whole for singular ones
         */
        if (fabs(a[p * n + q]) > 1e-15 * sqrt(fabs(a[p * n + p] * a[q * n + q])) + 2e-17 * sqrt(size)) {
          rotate(n, a, vector, p, q);
          done = false;
        }
  }
  for (size_t i = 0; i < n; i++)
    value[i] = a[i * n + i];
  sort_down(n, value, vector);
  return done || nearly_diagonal(n, a, sqrt(size));
}
