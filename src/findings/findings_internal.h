/* Inside the findings module: the likelihood of errors under a model, and the two searches. */
#ifndef SP_FINDINGS_INTERNAL_H
#define SP_FINDINGS_INTERNAL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "slotproof/findings.h"

/* Corrected chance below which a pattern is named; further ones beside the first have to be surer. */
#define SP_NAMED         2e-3
#define SP_NAMED_FURTHER 1e-4

/* The errors of the frets (not the nut) that are known, in order. Owned: sp_errors_free. */
typedef struct sp_errors {
  size_t n;
  int32_t *fret;
  double *x_mm;           /* computed place */
  double *y_mm;           /* error */
  double *covariance_mm2; /* n x n, of the measurement */
} sp_errors;

sp_status sp_errors_of(const sp_record *record, sp_errors *errors, sp_error *err);
void sp_errors_free(sp_errors *errors);

typedef enum sp_hand {
  SP_HAND_FROM_NUT, /* every mark set off from the nut: independent errors of one sd */
  SP_HAND_STEPPED   /* every mark set off from the last: a random walk with steps of one sd */
} sp_hand;

/* Where the likelihood is largest over the hand's sd. */
typedef struct sp_peak {
  double log_likelihood, sd_mm;
} sp_peak;

/* Maximum likelihood of y = columns * beta + noise, for the p columns of `base` (p x n, one column a row) alone:
 * peak[0]; and with each one of `count` further columns added: peak[1..count]. */
sp_status sp_likelihood(const sp_errors *errors, sp_hand hand, size_t p, const double *base, size_t count,
                        const double *further, sp_peak *peak, sp_error *err);

/* beta (p) and its covariance (p x p) at a given sd of the hand. */
sp_status sp_coefficients(const sp_errors *errors, sp_hand hand, double sd_mm, size_t p, const double *base,
                          double *beta, double *covariance, sp_error *err);

/* Chance that a column of no meaning raises the log likelihood by `gain`; p columns with it. Exact where measurement
 * noise is small beside the hand's. */
double sp_chance_of_gain(double gain, size_t n, size_t p);

/* Chance that independent errors look so much more like a walk than like themselves: P(gain in log likelihood >=
 * `gain`), with the p columns of `base` fitted to both. Exact to 1e-6 where measurement noise is small beside the
 * hand's; smaller chances are bounded by exp(-gain). */
sp_status sp_chance_of_walk(const sp_errors *errors, double gain, size_t p, const double *base, double *chance,
                            sp_error *err);

/* P(sum of value_i z_i^2 < 0) for independent standard normal z (Imhof, Biometrika 48, 1961, eq. 3.2), to 1e-7 or so;
 * n >= 4 values of either sign. */
double sp_chance_below_zero(size_t n, const double *value);

/* -log10, at most 99. */
double sp_strength_of(double chance);
/* "hardly by chance" and its kin. */
const char *sp_strength_word(double strength);

/* Patterns of the lines' squareness. */
sp_status sp_findings_of_squareness(sp_record *record, sp_error *err);

#endif
