/* Cholesky, eigenvalues and linear fits against NIST StRD (certified to 15 digits), the GUM's example H.3, the
 * NIST/SEMATECH handbook's line-width calibration, matrices whose eigenvalues are known, and GSL as an independent
 * reckoner. */
#include "check_close.h"

#include <gsl/gsl_eigen.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_multifit.h>
#include <gsl/gsl_rng.h>
#include <string.h>

#include "slotproof/numeric.h"

/* Digits that agree: -log10 of the relative error. */
static double digits(double actual, double certified)
{
  const double error = fabs(actual - certified) / fabs(certified);
  return error > 0.0 ? -log10(error) : isnan(error) ? -1.0 : 16.0;
}

/* To the last of the 15 digits that NIST prints: half a unit of it is the rounding of the certified value itself. */
static double half_unit(double certified)
{
  return 0.51 * pow(10.0, floor(log10(fabs(certified))) - 14.0);
}

#define CHECK_CERTIFIED(actual, certified) CHECK_CLOSE(actual, certified, half_unit(certified))
#define CHECK_DIGITS(actual, certified, wanted) CHECK_BELOW((double)(wanted), digits(actual, certified))

/* ---- Cholesky ---- */

/* B B' + n I of random B: well conditioned, positive definite. */
static void random_spd(gsl_rng *rng, size_t n, double *a)
{
  double b[32 * 32];
  for (size_t i = 0; i < n * n; i++)
    b[i] = gsl_rng_uniform(rng) - 0.5;
  for (size_t i = 0; i < n; i++)
    for (size_t j = 0; j < n; j++) {
      a[i * n + j] = i == j ? 0.1 : 0.0;
      for (size_t k = 0; k < n; k++)
        a[i * n + j] += b[i * n + k] * b[j * n + k];
    }
}

static void cholesky_agrees_with_gsl(void **state)
{
  (void)state;
  gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
  for (size_t n = 1; n <= 32; n++) {
    double a[32 * 32], l[32 * 32], reference[32 * 32], inverse[32 * 32], b[32], x[32];
    random_spd(rng, n, a);
    memcpy(l, a, sizeof a);
    memcpy(reference, a, sizeof a);
    for (size_t i = 0; i < n; i++)
      for (size_t j = i + 1; j < n; j++)
        l[i * n + j] = NAN; /* must not be read */
    gsl_matrix_view m = gsl_matrix_view_array(reference, n, n);
    gsl_linalg_cholesky_decomp1(&m.matrix);
    assert_true(sp_cholesky(n, l));
    double log_det = 0.0;
    for (size_t i = 0; i < n; i++) {
      log_det += 2.0 * log(reference[i * n + i]);
      b[i] = x[i] = gsl_rng_uniform(rng);
      for (size_t j = 0; j <= i; j++)
        CHECK_CLOSE(l[i * n + j], reference[i * n + j], 1e-13 * (double)n);
    }
    CHECK_CLOSE(sp_cholesky_log_det(n, l), log_det, 1e-12 * (double)n);
    sp_cholesky_solve(n, l, x);
    sp_cholesky_inverse(n, l, inverse);
    gsl_linalg_cholesky_invert(&m.matrix);
    for (size_t i = 0; i < n; i++) {
      double back = 0.0;
      for (size_t j = 0; j < n; j++) {
        back += a[i * n + j] * x[j];
        CHECK_CLOSE(inverse[i * n + j], reference[i * n + j], 1e-12 * (double)n);
      }
      CHECK_CLOSE(back, b[i], 1e-12 * (double)n);
    }
  }
  gsl_rng_free(rng);
}

/* Worked by hand: [4 2; 2 5] = L L' with L = [2 0; 1 2]; det 16, inverse [5 -2; -2 4]/16. */
static void cholesky_by_hand(void **state)
{
  (void)state;
  double a[4] = {4, -99, 2, 5}, inverse[4], b[2] = {4, 3};
  assert_true(sp_cholesky(2, a));
  CHECK_CLOSE(a[0], 2, 0);
  CHECK_CLOSE(a[1], -99, 0); /* the upper triangle stays */
  CHECK_CLOSE(a[2], 1, 0);
  CHECK_CLOSE(a[3], 2, 0);
  CHECK_CLOSE(sp_cholesky_log_det(2, a), log(16.0), 1e-15);
  sp_cholesky_inverse(2, a, inverse);
  CHECK_CLOSE(inverse[0], 5.0 / 16, 1e-16);
  CHECK_CLOSE(inverse[1], -2.0 / 16, 1e-16);
  CHECK_CLOSE(inverse[2], -2.0 / 16, 1e-16);
  CHECK_CLOSE(inverse[3], 4.0 / 16, 1e-16);
  sp_cholesky_forward(2, a, b);
  CHECK_CLOSE(b[0], 2, 0);
  CHECK_CLOSE(b[1], 0.5, 0);
}

static void cholesky_refuses(void **state)
{
  (void)state;
  double indefinite[4] = {1, 0, 2, 1}, singular[9] = {1, 0, 0, 1, 1, 0, 0.1, 0.1, 1}, nan_inside[4] = {1, 0, NAN, 1};
  double zero[1] = {0}, infinite[1] = {INFINITY}, negative[1] = {-1};
  /* rank 1 up to rounding: 0.1 0.1' with a last bit of noise in the last place */
  double nearly[4] = {0.01, 0, 0.01, 0.01 + 1e-18};
  assert_false(sp_cholesky(2, indefinite));
  assert_false(sp_cholesky(3, singular));
  assert_false(sp_cholesky(2, nan_inside));
  assert_false(sp_cholesky(1, zero));
  assert_false(sp_cholesky(1, infinite));
  assert_false(sp_cholesky(1, negative));
  assert_false(sp_cholesky(2, nearly));
  assert_true(sp_cholesky(0, zero));
}

/* ---- eigenvalues of symmetric matrices ---- */

enum { EIGEN_MOST = 41 };

/* Decomposes a copy of `a` and checks what every decomposition has to be: largest first, orthonormal, a v = d v. */
static void check_eigen(size_t n, const double *a, double *value, double *vector)
{
  double work[EIGEN_MOST * EIGEN_MOST], size = 0.0;
  for (size_t i = 0; i < n * n; i++) {
    work[i] = a[i];
    size = fmax(size, fabs(a[i]));
  }
  assert_true(sp_symmetric_eigen(n, work, value, vector));
  for (size_t j = 0; j < n; j++) {
    if (j > 0)
      CHECK_BELOW(value[j], value[j - 1]);
    for (size_t k = 0; k < n; k++) {
      double dot = 0.0, product = 0.0;
      for (size_t i = 0; i < n; i++) {
        dot += vector[i * n + j] * vector[i * n + k];
        product += a[j * n + i] * vector[i * n + k];
      }
      CHECK_CLOSE(dot, j == k ? 1.0 : 0.0, 1e-14 * (double)n);
      CHECK_CLOSE(product, value[k] * vector[j * n + k], 2e-15 * (double)(n * n) * size);
    }
  }
}

/* Second differences (2 on the diagonal, -1 beside it): eigenvalues 2 - 2 cos(k pi / (n + 1)), eigenvectors
 * sin(j k pi / (n + 1)) (Golub & Van Loan, Matrix Computations, 4th ed., ch. 4.8). */
static void eigen_of_second_differences(void **state)
{
  (void)state;
  for (size_t n = 1; n <= EIGEN_MOST; n += 4) {
    double a[EIGEN_MOST * EIGEN_MOST] = {0}, value[EIGEN_MOST], vector[EIGEN_MOST * EIGEN_MOST];
    for (size_t i = 0; i < n; i++) {
      a[i * n + i] = 2.0;
      if (i > 0)
        a[i * n + i - 1] = a[(i - 1) * n + i] = -1.0;
    }
    check_eigen(n, a, value, vector);
    for (size_t k = 1; k <= n; k++) {
      const double step = (double)k * SP_PI / (double)(n + 1), norm = sqrt(2.0 / (double)(n + 1));
      CHECK_CLOSE(value[n - k], 2.0 - 2.0 * cos(step), 1e-14 * (double)n);
      const double sign = vector[n - k] < 0.0 ? -1.0 : 1.0;
      for (size_t j = 0; j < n; j++)
        CHECK_CLOSE(sign * vector[j * n + n - k], norm * sin((double)(j + 1) * step), 1e-12);
    }
  }
}

/* cos(2 pi (i - j) / n): a stationary wave's covariance, of rank 2, eigenvalues n/2, n/2 and 0 (circulant matrices,
 * ch. 4.8 there). And a matrix of nothing, a 1 x 1, and one with nothing on its diagonal. */
static void eigen_of_singular_matrices(void **state)
{
  (void)state;
  double a[EIGEN_MOST * EIGEN_MOST] = {0}, value[EIGEN_MOST], vector[EIGEN_MOST * EIGEN_MOST];
  const size_t n = EIGEN_MOST;
  check_eigen(n, a, value, vector);
  CHECK_CLOSE(value[0], 0.0, 0.0);
  for (size_t i = 0; i < n; i++)
    for (size_t j = 0; j < n; j++)
      a[i * n + j] = cos(2.0 * SP_PI * ((double)i - (double)j) / (double)n);
  check_eigen(n, a, value, vector);
  for (size_t k = 0; k < n; k++)
    CHECK_CLOSE(value[k], k < 2 ? 0.5 * (double)n : 0.0, 1e-13);
  const double one[1] = {-3.0}, swap[4] = {0.0, 1.0, 1.0, 0.0};
  check_eigen(1, one, value, vector);
  CHECK_CLOSE(value[0], -3.0, 0.0);
  check_eigen(2, swap, value, vector);
  CHECK_CLOSE(value[0], 1.0, 1e-15);
  CHECK_CLOSE(value[1], -1.0, 1e-15);
}

static void eigen_agrees_with_gsl(void **state)
{
  (void)state;
  gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
  for (size_t n = 2; n <= EIGEN_MOST; n += 3) {
    double a[EIGEN_MOST * EIGEN_MOST], copy[EIGEN_MOST * EIGEN_MOST], value[EIGEN_MOST];
    double vector[EIGEN_MOST * EIGEN_MOST], theirs[EIGEN_MOST], their_vector[EIGEN_MOST * EIGEN_MOST];
    for (size_t i = 0; i < n; i++)
      for (size_t j = 0; j <= i; j++)
        a[i * n + j] = a[j * n + i] = gsl_rng_uniform(rng) - 0.4;
    memcpy(copy, a, sizeof a);
    gsl_matrix_view m = gsl_matrix_view_array(copy, n, n), v = gsl_matrix_view_array(their_vector, n, n);
    gsl_vector_view d = gsl_vector_view_array(theirs, n);
    gsl_eigen_symmv_workspace *work = gsl_eigen_symmv_alloc(n);
    assert_int_equal(gsl_eigen_symmv(&m.matrix, &d.vector, &v.matrix, work), 0);
    gsl_eigen_symmv_free(work);
    gsl_eigen_symmv_sort(&d.vector, &v.matrix, GSL_EIGEN_SORT_VAL_DESC);
    check_eigen(n, a, value, vector);
    for (size_t k = 0; k < n; k++) {
      double dot = 0.0;
      for (size_t i = 0; i < n; i++)
        dot += vector[i * n + k] * their_vector[i * n + k];
      CHECK_CLOSE(value[k], theirs[k], 1e-14 * (double)n);
      CHECK_CLOSE(fabs(dot), 1.0, 1e-10);
    }
  }
  gsl_rng_free(rng);
}

/* B' B, the columns of B graded so that eigenvalues go down over 12 powers of ten. GSL's eigenvalues are good to
 * rounding of the largest; those of B' B are also the squares of B's singular values, which one-sided rotations give to
 * nearly all their digits (Demmel & Veselic, SIAM J. Matrix Anal. Appl. 13, 1992). In either order of the columns. */
static void eigen_of_a_graded_matrix(void **state)
{
  (void)state;
  enum { N = 7 };
  gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
  for (int round = 0; round < 40; round++) {
    double b[N * N], a[N * N], copy[N * N], value[N], vector[N * N], theirs[N], singular[N], q[N * N], left[N * N];
    for (size_t i = 0; i < N; i++)
      for (size_t j = 0; j < N; j++)
        b[i * N + j] = pow(10.0, round % 2 ? -(double)j : (double)j - (N - 1)) *
                       ((i == j ? 1.0 : 0.0) + 0.6 * (gsl_rng_uniform(rng) - 0.5));
    for (size_t i = 0; i < N; i++)
      for (size_t j = 0; j < N; j++) {
        a[i * N + j] = 0.0;
        for (size_t k = 0; k < N; k++)
          a[i * N + j] += b[k * N + i] * b[k * N + j];
      }
    memcpy(copy, a, sizeof a);
    memcpy(left, b, sizeof b);
    gsl_matrix_view m = gsl_matrix_view_array(copy, N, N), v = gsl_matrix_view_array(q, N, N);
    gsl_matrix_view u = gsl_matrix_view_array(left, N, N);
    gsl_vector_view d = gsl_vector_view_array(theirs, N), s = gsl_vector_view_array(singular, N);
    gsl_eigen_symmv_workspace *work = gsl_eigen_symmv_alloc(N);
    assert_int_equal(gsl_eigen_symmv(&m.matrix, &d.vector, &v.matrix, work), 0);
    gsl_eigen_symmv_free(work);
    gsl_eigen_symmv_sort(&d.vector, &v.matrix, GSL_EIGEN_SORT_VAL_DESC);
    assert_int_equal(gsl_linalg_SV_decomp_jacobi(&u.matrix, &v.matrix, &s.vector), 0);
    check_eigen(N, a, value, vector);
    CHECK_BELOW(value[N - 1] / value[0], 1e-11); /* graded indeed */
    for (size_t k = 0; k < N; k++) {
      CHECK_CLOSE(value[k], theirs[k], 1e-14 * value[0]);
      CHECK_CLOSE(value[k] / (singular[k] * singular[k]), 1.0, 1e-10);
    }
  }
  gsl_rng_free(rng);
}

static void eigen_refuses(void **state)
{
  (void)state;
  double value[3], vector[9];
  const double bad[] = {NAN, INFINITY, -INFINITY};
  for (int k = 0; k < 3; k++)
    for (size_t at = 0; at < 9; at++) {
      double a[9] = {2, 1, 0, 1, 2, 1, 0, 1, 2};
      a[at] = bad[k];
      assert_false(sp_symmetric_eigen(3, a, value, vector));
    }
}

/* ---- linear least squares ---- */

/* NIST StRD, Linear Regression, Norris (Norris, J., calibration of ozone monitors). Certified to 15 digits. */
static const double NORRIS[36][2] = {
    {.2, .1},       {337.4, 338.8}, {118.2, 118.1}, {884.6, 888},   {10.1, 9.2},    {226.5, 228.1},
    {666.3, 668.5}, {996.3, 998.5}, {448.6, 449.1}, {777, 778.9},   {558.2, 559.2}, {.4, .3},
    {.6, .1},       {775.5, 778.1}, {666.9, 668.8}, {338, 339.3},   {447.5, 448.9}, {11.6, 10.8},
    {556, 557.7},   {228.1, 228.3}, {995.8, 998},   {887.6, 888.8}, {120.2, 119.6}, {.3, .3},
    {.3, .6},       {556.8, 557.6}, {339.1, 339.3}, {887.2, 888},   {999, 998.5},   {779, 778.9},
    {11.1, 10.2},   {118.3, 117.6}, {229.2, 228.9}, {669.1, 668.4}, {448.9, 449.2}, {.5, .2}};
enum { NORRIS_N = 36 };

static void norris(void **state)
{
  (void)state;
  double x[NORRIS_N * 2], y[NORRIS_N], beta[2], cov[4], s;
  sp_error err = {0};
  for (size_t i = 0; i < NORRIS_N; i++) {
    x[2 * i] = 1.0;
    x[2 * i + 1] = NORRIS[i][0];
    y[i] = NORRIS[i][1];
  }
  assert_int_equal(sp_lsq(NORRIS_N, 2, x, y, NULL, beta, cov, &s, true, &err), SP_OK);
  /* rounding the decimal data to binary moves the exact answer from the certified -0.262323073774029 to this (in
   * rational arithmetic), and the standard deviations in the 14th digit */
  CHECK_CLOSE(beta[0], -0.26232307377402675, 2e-16);
  CHECK_CLOSE(beta[0], -0.262323073774029, 3e-15);
  CHECK_CERTIFIED(beta[1], 1.00211681802045);
  CHECK_CLOSE(sqrt(cov[0]), 0.23281823430115481, 2e-16);
  CHECK_DIGITS(sqrt(cov[0]), 0.232818234301152, 13.5);
  CHECK_DIGITS(sqrt(cov[3]), 0.429796848199937e-3, 13.5);
  CHECK_CLOSE(s, 0.88479639614438133, 4e-16);
  CHECK_DIGITS(s, 0.884796396144373, 13.5);
}

static void norris_as_a_line(void **state)
{
  (void)state;
  double x[NORRIS_N], y[NORRIS_N];
  sp_error err = {0};
  sp_straight line;
  for (size_t i = 0; i < NORRIS_N; i++) {
    x[i] = NORRIS[i][0];
    y[i] = NORRIS[i][1];
  }
  assert_int_equal(sp_straight_fit(NORRIS_N, x, y, NULL, NAN, &line, &err), SP_OK);
  CHECK_DIGITS(line.a, -0.262323073774029, 12.5);
  CHECK_DIGITS(line.b, 1.00211681802045, 14.0);
  CHECK_DIGITS(line.u_a, 0.232818234301152, 13.0);
  CHECK_DIGITS(line.u_b, 0.429796848199937e-3, 13.0);
  CHECK_DIGITS(line.s, 0.884796396144373, 13.0);
  assert_int_equal(line.n, NORRIS_N);
}

/* NIST StRD NoInt1: a line through the origin. */
static void no_intercept(void **state)
{
  (void)state;
  double x[11], y[11], beta, cov, s;
  sp_error err = {0};
  for (size_t i = 0; i < 11; i++) {
    x[i] = 60.0 + (double)i;
    y[i] = 130.0 + (double)i;
  }
  assert_int_equal(sp_lsq(11, 1, x, y, NULL, &beta, &cov, &s, true, &err), SP_OK);
  CHECK_CERTIFIED(beta, 2.07438016528926);
  CHECK_CERTIFIED(sqrt(cov), 0.0165289256198347);
  CHECK_CERTIFIED(s, 3.56753034006338);
}

/* NIST StRD Wampler1 and Wampler2: y = sum x^k and sum (x/10)^k for x = 0..20, degree 5, so the answer is known exactly
 * (all 1; 10^-k). Built to break normal equations: the condition number of X is about 1e6. */
static void wampler(void **state)
{
  (void)state;
  for (int which = 1; which <= 2; which++) {
    double x[21 * 6], y[21], beta[6];
    sp_error err = {0};
    const double step = which == 1 ? 1.0 : 0.1;
    for (size_t i = 0; i < 21; i++) {
      y[i] = 0.0;
      for (size_t k = 0; k < 6; k++) {
        x[6 * i + k] = pow((double)i, (double)k);
        y[i] += pow(step * (double)i, (double)k);
      }
    }
    assert_int_equal(sp_lsq(21, 6, x, y, NULL, beta, NULL, NULL, true, &err), SP_OK);
    for (size_t k = 0; k < 6; k++)
      CHECK_DIGITS(beta[k], pow(step, (double)k), which == 1 ? 12.0 : 11.0);
  }
}

static void lsq_agrees_with_gsl(void **state)
{
  (void)state;
  enum { N = 40, P = 5 };
  gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
  gsl_multifit_linear_workspace *work = gsl_multifit_linear_alloc(N, P);
  for (int round = 0; round < 50; round++) {
    double x[N * P], y[N], w[N], beta[P], cov[P * P], s, chi2;
    double reference_beta[P], reference_cov[P * P];
    sp_error err = {0};
    for (size_t i = 0; i < N; i++) {
      for (size_t j = 0; j < P; j++)
        x[i * P + j] = pow(10.0, (double)j) * (gsl_rng_uniform(rng) - 0.3);
      y[i] = 3.0 * gsl_rng_uniform(rng) + x[i * P + 2];
      w[i] = 0.1 + gsl_rng_uniform(rng);
    }
    gsl_matrix_view mx = gsl_matrix_view_array(x, N, P), mc = gsl_matrix_view_array(reference_cov, P, P);
    gsl_vector_view vy = gsl_vector_view_array(y, N), vw = gsl_vector_view_array(w, N);
    gsl_vector_view vb = gsl_vector_view_array(reference_beta, P);
    gsl_multifit_wlinear(&mx.matrix, &vw.vector, &vy.vector, &vb.vector, &mc.matrix, &chi2, work);
    assert_int_equal(sp_lsq(N, P, x, y, w, beta, cov, &s, false, &err), SP_OK);
    CHECK_CLOSE(s, sqrt(chi2 / (N - P)), 1e-12);
    for (size_t j = 0; j < P; j++) {
      CHECK_CLOSE(beta[j] / reference_beta[j], 1.0, 1e-10);
      for (size_t k = 0; k < P; k++) {
        const double size = sqrt(reference_cov[j * P + j] * reference_cov[k * P + k]);
        CHECK_CLOSE((cov[j * P + k] - reference_cov[j * P + k]) / size, 0.0, 1e-11);
        CHECK_CLOSE(cov[j * P + k], cov[k * P + j], 0.0);
      }
    }
    assert_int_equal(sp_lsq(N, P, x, y, w, beta, cov, &s, true, &err), SP_OK);
    CHECK_CLOSE(cov[0] / (reference_cov[0] * s * s), 1.0, 1e-11);
  }
  gsl_multifit_linear_free(work);
  gsl_rng_free(rng);
}

/* Weight 0 is the same as leaving out; weight 2 the same as giving twice (but for the count). */
static void weights_mean_what_they_say(void **state)
{
  (void)state;
  const double x[] = {1, 0, 1, 1, 1, 2, 1, 3, 1, 4}, y[] = {1, 3, 4, 900, 8}, w[] = {1, 2, 1, 0, 1};
  const double plain_x[] = {1, 0, 1, 1, 1, 1, 1, 2, 1, 4}, plain_y[] = {1, 3, 3, 4, 8};
  double beta[2], plain[2], cov[4], plain_cov[4], s;
  sp_error err = {0};
  assert_int_equal(sp_lsq(5, 2, x, y, w, beta, cov, &s, false, &err), SP_OK);
  assert_int_equal(sp_lsq(5, 2, plain_x, plain_y, NULL, plain, plain_cov, NULL, false, &err), SP_OK);
  for (int k = 0; k < 2; k++)
    CHECK_CLOSE(beta[k], plain[k], 1e-14);
  for (int k = 0; k < 4; k++)
    CHECK_CLOSE(cov[k], plain_cov[k], 1e-14);
}

static void lsq_refuses(void **state)
{
  (void)state;
  const double x[] = {1, 2, 1, 3, 1, 4}, same[] = {1, 2, 1, 2, 1, 2}, y[] = {1, 2, 3};
  const double bad_y[] = {1, NAN, 3}, bad_w[] = {1, -1, 1}, no_w[] = {1, 0, 0}, bad_x[] = {1, 2, 1, INFINITY, 1, 4};
  double beta[2] = {7, 7}, cov[4] = {7, 7, 7, 7}, s = 7;
  sp_error err = {0};
  assert_int_equal(sp_lsq(1, 2, x, y, NULL, beta, cov, &s, true, &err), SP_E_DATA);
  assert_true(isnan(beta[0]) && isnan(beta[1]) && isnan(cov[0]) && isnan(cov[3]) && isnan(s));
  assert_non_null(strstr(err.text, "too few"));
  assert_int_equal(sp_lsq(2, 2, x, y, NULL, beta, cov, &s, true, &err), SP_E_DATA); /* no residuals to scale by */
  assert_int_equal(sp_lsq(2, 2, x, y, NULL, beta, cov, &s, false, &err), SP_OK);
  assert_true(isnan(s));
  CHECK_CLOSE(beta[1], 1.0, 1e-14);
  assert_int_equal(sp_lsq(3, 2, same, y, NULL, beta, NULL, NULL, true, &err), SP_E_DATA);
  assert_non_null(strstr(err.text, "not determined"));
  assert_true(isnan(beta[0]));
  assert_int_equal(sp_lsq(3, 2, x, bad_y, NULL, beta, NULL, NULL, true, &err), SP_E_DATA);
  assert_non_null(strstr(err.text, "observation 2"));
  assert_int_equal(sp_lsq(3, 2, bad_x, y, NULL, beta, NULL, NULL, true, &err), SP_E_DATA);
  assert_int_equal(sp_lsq(3, 2, x, y, bad_w, beta, NULL, NULL, true, &err), SP_E_DATA);
  assert_int_equal(sp_lsq(3, 2, x, y, no_w, beta, NULL, NULL, true, &err), SP_E_DATA);
  assert_int_equal(sp_lsq(3, 0, x, y, NULL, beta, NULL, NULL, true, &err), SP_E_DATA);
}

/* ---- straight lines ---- */

/* JCGM 100:2008, H.3: calibration of a thermometer. Reckoned about t0 = 20 C: intercept y1, slope y2. The guide prints
 * y1 -0.1712(29), y2 0.00218(67), r -0.930, s 0.0035, b(30) -0.1494(41); more digits recomputed from its data. */
static void gum_h3(void **state)
{
  (void)state;
  double t[11] = {21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511};
  double b[11] = {171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160}, u;
  sp_error err = {0};
  sp_straight line;
  for (size_t i = 0; i < 11; i++) {
    t[i] -= 20.0;
    b[i] *= -0.001;
  }
  assert_int_equal(sp_straight_fit(11, t, b, NULL, NAN, &line, &err), SP_OK);
  CHECK_CLOSE(line.a, -0.17120379, 1e-8);
  CHECK_CLOSE(line.u_a, 0.0028775978, 1e-10);
  CHECK_CLOSE(line.b, 0.0021826977, 1e-10);
  CHECK_CLOSE(line.u_b, 0.00066793877, 1e-11);
  CHECK_CLOSE(line.cov_ab / line.u_a / line.u_b, -0.93042960, 1e-8);
  CHECK_CLOSE(line.s, 0.0034975640, 1e-10);
  CHECK_CLOSE(line.rss, 1.1009658311e-4, 1e-14);
  CHECK_CLOSE(sp_straight_at(&line, 10.0, &u, NULL), -0.14937681, 1e-8);
  CHECK_CLOSE(u, 0.0041385958, 1e-10);
  const double j[2] = {1.0, 10.0};
  const double c[4] = {line.u_a * line.u_a, line.cov_ab, line.cov_ab, line.u_b * line.u_b};
  CHECK_CLOSE(sp_gum_combined(2, j, c), 0.0041385958, 1e-10); /* the guide's own way, from correlated coefficients */
}

/* Chemical oxygen demand reduction against solids reduction: R. E. Walpole, R. H. Myers, Probability and Statistics for
 * Engineers, as worked in the manual of the GUM Tree Calculator (linear_regression, v1.5.1). */
static void inverse_calibration(void **state)
{
  (void)state;
  const double x[33] = {3,  7,  11, 15, 18, 27, 29, 30, 30, 31, 31, 32, 33, 33, 34, 36, 36,
                        36, 37, 38, 39, 39, 39, 40, 41, 42, 42, 43, 44, 45, 46, 47, 50};
  const double y[33] = {5,  11, 21, 16, 16, 28, 27, 25, 35, 30, 40, 32, 34, 32, 34, 37, 38,
                        34, 36, 38, 37, 36, 45, 39, 41, 40, 44, 37, 44, 46, 46, 49, 51};
  sp_error err = {0};
  sp_straight line;
  double u, u_new;
  assert_int_equal(sp_straight_fit(33, x, y, NULL, NAN, &line, &err), SP_OK);
  CHECK_CLOSE(line.a, 3.8296331976, 1e-10);
  CHECK_CLOSE(line.u_a, 1.7684473273, 1e-10);
  CHECK_CLOSE(line.b, 0.9036432106, 1e-10);
  CHECK_CLOSE(line.u_b, 0.0501189736, 1e-10);
  CHECK_CLOSE(line.cov_ab / line.u_a / line.u_b, -0.9481240709, 1e-10);
  CHECK_CLOSE(sp_straight_at(&line, 21.5, &u, &u_new), 23.2579622250, 1e-10);
  CHECK_CLOSE(u, 0.8216070589, 1e-10);
  CHECK_CLOSE(u_new, 3.3324092580, 1e-10);
  const double mean = (31.4 + 29.3 + 27.1) / 3.0;
  CHECK_CLOSE(sp_straight_inverse(&line, mean, line.s / sqrt(3.0), &u), 28.1494213328, 1e-10);
  CHECK_CLOSE(u, 2.1751408733, 1e-10);
}

/* NIST/SEMATECH e-Handbook 2.3.6.7: line-width calibration, coefficients as published (s from memory, recomputed with
 * it). */
static void line_width_calibration(void **state)
{
  (void)state;
  sp_error err = {0};
  sp_straight line;
  double u;
  assert_int_equal(
      sp_straight_from(0.2357623, 0.9870377, 5.905067e-4, 1.183759e-5, -7.649453e-5, 0.06203654, &line, &err), SP_OK);
  CHECK_CLOSE(line.a, 0.2357623, 1e-15);
  CHECK_CLOSE(line.u_a * line.u_a, 5.905067e-4, 1e-15);
  CHECK_CLOSE(line.cov_ab, -7.649453e-5, 1e-18);
  CHECK_CLOSE(sp_straight_inverse(&line, 4.0, line.s, &u), 3.813672, 1e-6);
  CHECK_CLOSE(u, 0.064298, 1e-6);
  CHECK_CLOSE(sp_straight_inverse(&line, 8.0, line.s, &u), 7.866202, 1e-6);
  CHECK_CLOSE(u, 0.063820, 1e-6);
}

static void known_scatter(void **state)
{
  (void)state;
  /* two points, each known to 0.5: slope (3 - 1)/2, u_b = 0.5 sqrt 2 / 2; middle known to 0.5/sqrt 2 */
  const double x[2] = {0, 2}, y[2] = {1, 3};
  sp_error err = {0};
  sp_straight line;
  double u;
  assert_int_equal(sp_straight_fit(2, x, y, NULL, 0.5, &line, &err), SP_OK);
  CHECK_CLOSE(line.b, 1.0, 1e-16);
  CHECK_CLOSE(line.u_b, 0.25 * sqrt(2.0), 1e-15);
  CHECK_CLOSE(sp_straight_at(&line, 0.0, &u, NULL), 1.0, 1e-15);
  CHECK_CLOSE(u, 0.5, 1e-15); /* the line passes through both points, so it is known at one as well as the point is */
}

static void straight_refuses(void **state)
{
  (void)state;
  const double x[3] = {1, 2, 3}, same[3] = {2, 2, 2}, y[3] = {1, 2, 4}, bad[3] = {1, NAN, 3};
  sp_error err = {0};
  sp_straight line;
  assert_int_equal(sp_straight_fit(2, x, y, NULL, NAN, &line, &err), SP_E_DATA);
  assert_true(isnan(line.b));
  assert_int_equal(sp_straight_fit(3, same, y, NULL, NAN, &line, &err), SP_E_DATA);
  assert_int_equal(sp_straight_fit(3, x, bad, NULL, NAN, &line, &err), SP_E_DATA);
  assert_int_equal(sp_straight_from(0, 1, 1, 1, 1.1, 0, &line, &err), SP_E_DATA); /* correlation above 1 */
  assert_int_equal(sp_straight_from(0, 1, -1, 1, 0, 0, &line, &err), SP_E_DATA);
  const double flat[3] = {5, 5, 5};
  double u;
  assert_int_equal(sp_straight_fit(3, x, flat, NULL, NAN, &line, &err), SP_OK);
  assert_true(isnan(sp_straight_inverse(&line, 5, 0, &u)));
  assert_true(isnan(u));
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(cholesky_agrees_with_gsl),
                                     cmocka_unit_test(cholesky_by_hand),
                                     cmocka_unit_test(cholesky_refuses),
                                     cmocka_unit_test(eigen_of_second_differences),
                                     cmocka_unit_test(eigen_of_singular_matrices),
                                     cmocka_unit_test(eigen_agrees_with_gsl),
                                     cmocka_unit_test(eigen_of_a_graded_matrix),
                                     cmocka_unit_test(eigen_refuses),
                                     cmocka_unit_test(norris),
                                     cmocka_unit_test(norris_as_a_line),
                                     cmocka_unit_test(no_intercept),
                                     cmocka_unit_test(wampler),
                                     cmocka_unit_test(lsq_agrees_with_gsl),
                                     cmocka_unit_test(weights_mean_what_they_say),
                                     cmocka_unit_test(lsq_refuses),
                                     cmocka_unit_test(gum_h3),
                                     cmocka_unit_test(inverse_calibration),
                                     cmocka_unit_test(line_width_calibration),
                                     cmocka_unit_test(known_scatter),
                                     cmocka_unit_test(straight_refuses)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
