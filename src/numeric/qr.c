/* Householder QR (Golub & Van Loan, Matrix Computations, 5.2; Bjorck, Numerical Methods for Least Squares
 * Problems, 2.3).
 *
 * Columns are expected at length 1 or so: the caller scales, because only he knows what to undo afterwards. Without
 * pivoting: the fits of this program have a dozen columns at most, and dependence is refused instead of worked round.
 */
#include "numeric/qr.h"

#include <math.h>

#include "workers/wide.h"

/* Sum of a[i] b[i]. Eight running sums: the order of additions is the program's to choose, not the compiler's. */
static inline double dot(const double *a, const double *b, size_t n)
{
  enum { LANES = 8 };
  double lane[LANES] = {0}, sum = 0.0;
  size_t i = 0;
  for (; i + LANES <= n; i += LANES)
    for (size_t k = 0; k < LANES; k++)
      lane[k] += a[i + k] * b[i + k];
  for (; i < n; i++)
    sum += a[i] * b[i];
  for (size_t k = 0; k < LANES; k++)
    sum += lane[k];
  return sum;
}

/* Reflects b[j..rows) in the hyperplane to the reflector of column j. */
static inline void reflect(const sp_qr *qr, size_t j, double *restrict b)
{
  const double *restrict v = qr->a + j * qr->rows;
  const double length = -qr->diagonal[j] * v[j]; /* v'v / 2 */
  if (length == 0.0)
    return;
  const double part = dot(v + j, b + j, qr->rows - j) / length;
  for (size_t i = j; i < qr->rows; i++)
    b[i] -= part * v[i];
}

SP_WIDE void sp_qr_factor(sp_qr *qr)
{
  for (size_t j = 0; j < qr->columns; j++) {
    double *v = qr->a + j * qr->rows;
    const double squares = dot(v + j, v + j, qr->rows - j);
    /* away from v[j], so that nothing cancels */
    qr->diagonal[j] = v[j] > 0.0 ? -sqrt(squares) : sqrt(squares);
    v[j] -= qr->diagonal[j];
    for (size_t k = j + 1; k < qr->columns; k++)
      reflect(qr, j, qr->a + k * qr->rows);
  }
}

SP_WIDE void sp_qr_apply(const sp_qr *qr, double *b)
{
  for (size_t j = 0; j < qr->columns; j++)
    reflect(qr, j, b);
}

void sp_qr_solve(const sp_qr *qr, double *b)
{
  for (size_t j = qr->columns; j-- > 0;) {
    b[j] /= qr->diagonal[j];
    for (size_t i = 0; i < j; i++)
      b[i] -= qr->a[j * qr->rows + i] * b[j];
  }
}

void sp_qr_covariance(const sp_qr *qr, double *covariance, double *work)
{
  const size_t p = qr->columns;
  for (size_t j = 0; j < p; j++) {
    /* R' z = e_j, then R x = z: column j of the inverse of R'R */
    for (size_t i = 0; i < p; i++) {
      double sum = i == j ? 1.0 : 0.0;
      for (size_t k = 0; k < i; k++)
        sum -= qr->a[i * qr->rows + k] * work[k];
      work[i] = sum / qr->diagonal[i];
    }
    sp_qr_solve(qr, work);
    for (size_t i = 0; i < p; i++)
      covariance[i * p + j] = work[i];
  }
  for (size_t i = 0; i < p; i++)
    for (size_t j = 0; j < i; j++)
      covariance[i * p + j] = covariance[j * p + i] = 0.5 * (covariance[i * p + j] + covariance[j * p + i]);
}

double sp_qr_weakest(const sp_qr *qr)
{
  double weakest = INFINITY;
  for (size_t j = 0; j < qr->columns; j++) {
    if (isnan(qr->diagonal[j]))
      return NAN;
    weakest = fmin(weakest, fabs(qr->diagonal[j]));
  }
  return weakest;
}
