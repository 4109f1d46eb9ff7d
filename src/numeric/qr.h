/* numeric/qr.h: Householder QR, shared by the linear and the non-linear fit. */
#ifndef SP_NUMERIC_QR_H
#define SP_NUMERIC_QR_H

#include <stdbool.h>
#include <stddef.h>

/* Column-major: element (i, j) is a[j * rows + i]. Given the matrix; after sp_qr_factor the reflectors are in and below
 * the diagonal, R above it and its diagonal in `diagonal`. Memory belongs to the caller. */
typedef struct sp_qr {
  size_t rows, columns;
  double *a;
  double *diagonal; /* columns */
} sp_qr;

/* rows >= columns. */
void sp_qr_factor(sp_qr *qr);
/* b[rows] = Q' b. */
void sp_qr_apply(const sp_qr *qr, double *b);
/* Solves R x = b[0..columns) in place. No diagonal element may be 0. */
void sp_qr_solve(const sp_qr *qr, double *b);
/* covariance (columns x columns, row-major) = (R'R)^-1; `work` holds columns values. */
void sp_qr_covariance(const sp_qr *qr, double *covariance, double *work);
/* Smallest |R_jj|: for columns of length 1, the least distance of one from the space of those before it. */
double sp_qr_weakest(const sp_qr *qr);

#endif
