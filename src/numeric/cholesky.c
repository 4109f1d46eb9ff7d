/* Cholesky factor of a symmetric positive definite matrix, and what follows from it.
 *
 * Used where the matrix is a sum of squares with a prior or a noise term that keeps it well away from singular. Where a
 * plain least-squares fit is wanted, sp_lsq is the better tool: forming X'X squares the condition number.
 *
 * The factor is backward stable without pivoting (Golub & Van Loan, Matrix Computations, 4.2; Higham, Accuracy and
 * Stability of Numerical Algorithms, ch. 10). A pivot that has lost all its digits is a failure, not a small number:
 * what would be divided by it is rounding.
 */
#include <float.h>
#include <math.h>

#include "slotproof/numeric.h"

enum { LANES = 8 };

/* `from` less the products of long rows, by several running sums, so that one addition need not wait for the other. */
static double remainder_of_long(const double *ri, const double *rj, size_t columns, double from)
{
  double lane[LANES] = {0};
  size_t k = 0;
  for (; k + LANES <= columns; k += LANES)
    for (size_t m = 0; m < LANES; m++)
      lane[m] += ri[k + m] * rj[k + m];
  for (size_t m = 0; m < LANES; m++)
    from -= lane[m];
  for (; k < columns; k++)
    from -= ri[k] * rj[k];
  return from;
}

/* a_ij less the part of the rows left of column `columns`. */
static inline double remainder_at(size_t n, const double *a, size_t i, size_t j, size_t columns)
{
  const double *ri = a + i * n, *rj = a + j * n;
  double sum = ri[j];
  if (columns >= 2 * LANES)
    return remainder_of_long(ri, rj, columns, sum);
  for (size_t k = 0; k < columns; k++)
    sum -= ri[k] * rj[k];
  return sum;
}

/* Most matrices are small, and there are very many of them: where `n` is known when this is compiled, nothing but the
 * arithmetic is left. */
static inline bool factor(size_t n, double *a)
{
  for (size_t j = 0; j < n; j++) {
    const double diagonal = a[j * n + j];
    const double pivot = remainder_at(n, a, j, j, j);
    if (!(pivot > (double)n * DBL_EPSILON * diagonal) || !(pivot > 0.0) || !isfinite(pivot))
      return false;
    const double root = sqrt(pivot);
    a[j * n + j] = root;
    for (size_t i = j + 1; i < n; i++)
      a[i * n + j] = remainder_at(n, a, i, j, j) / root;
  }
  return true;
}

bool sp_cholesky(size_t n, double *a)
{
  switch (n) {
  case 2:
    return factor(2, a);
  case 3:
    return factor(3, a);
  case 4:
    return factor(4, a);
  case 5:
    return factor(5, a);
  default:
    return factor(n, a);
  }
}

static inline void forward(size_t n, const double *l, double *b)
{
  for (size_t i = 0; i < n; i++) {
    double sum = b[i];
    for (size_t k = 0; k < i; k++)
      sum -= l[i * n + k] * b[k];
    b[i] = sum / l[i * n + i];
  }
}

void sp_cholesky_forward(size_t n, const double *l, double *b)
{
  forward(n, l, b);
}

static inline void solve(size_t n, const double *l, double *b)
{
  forward(n, l, b);
  /* by columns of L', so that memory is read in order */
  for (size_t i = n; i-- > 0;) {
    b[i] /= l[i * n + i];
    for (size_t k = 0; k < i; k++)
      b[k] -= l[i * n + k] * b[i];
  }
}

void sp_cholesky_solve(size_t n, const double *l, double *b)
{
  switch (n) {
  case 2:
    solve(2, l, b);
    break;
  case 3:
    solve(3, l, b);
    break;
  case 4:
    solve(4, l, b);
    break;
  case 5:
    solve(5, l, b);
    break;
  default:
    solve(n, l, b);
  }
}

/* Lower triangle of `m` = L^-1. */
static void invert_factor(size_t n, const double *l, double *m)
{
  for (size_t j = 0; j < n; j++) {
    m[j * n + j] = 1.0 / l[j * n + j];
    for (size_t i = j + 1; i < n; i++) {
      double sum = 0.0;
      for (size_t k = j; k < i; k++)
        sum -= l[i * n + k] * m[k * n + j];
      m[i * n + j] = sum / l[i * n + i];
    }
  }
}

void sp_cholesky_inverse(size_t n, const double *l, double *inverse)
{
  invert_factor(n, l, inverse);
  /* inverse_ij = sum over k >= i of M_ki M_kj for i >= j: row i needs rows >= i only, so those above may go */
  for (size_t i = 0; i < n; i++)
    for (size_t j = 0; j <= i; j++) {
      double sum = 0.0;
      for (size_t k = i; k < n; k++)
        sum += inverse[k * n + i] * inverse[k * n + j];
      inverse[j * n + i] = sum; /* the upper triangle is free; the diagonal is the last one read by row i */
    }
  for (size_t i = 0; i < n; i++)
    for (size_t j = 0; j < i; j++)
      inverse[i * n + j] = inverse[j * n + i];
}

double sp_cholesky_log_det(size_t n, const double *l)
{
  double sum = 0.0;
  for (size_t i = 0; i < n; i++)
    sum += log(l[i * n + i]);
  return 2.0 * sum;
}
