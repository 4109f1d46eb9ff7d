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

/* Lower triangle of the Cholesky factor of the errors' covariance: measurement, hand and, common to all, the nut. l is
 * n x n. false if it is not positive definite. */
bool sp_hand_factor(const sp_errors *errors, sp_hand hand, double sd_mm, double nut_mm, double *l);

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

/* ---- which kind (evidence.c) ---- */

typedef enum sp_pattern { SP_STRETCH, SP_STEP, SP_SINGLE, SP_EIGHTEEN, SP_WALK, SP_OFFSET, SP_PATTERNS } sp_pattern;

/* A step has at least so many marks on either side. */
enum { SP_LEAST_SIDE = 3 };

/* Logarithms of marginal likelihoods, less what all have in common; -HUGE_VAL where a kind was not tried. */
typedef struct sp_evidence {
  double log_none; /* hand error alone */
  double log[SP_PATTERNS];
} sp_evidence;

/* `columns`: the stretch's, n steps', n single marks', each of n values. `without_eighteen`: the errors less what the
 * rule of 18 gives, or NULL: not tried. */
sp_status sp_evidence_of(const sp_errors *errors, const double *columns, const double *without_eighteen,
                         sp_evidence *evidence, sp_error *err);

/* Several patterns at once: their columns (count x n), the sizes found, and what it costs that their places were
 * searched for and that there are several. */
typedef struct sp_set {
  size_t count;
  const double *column, *size_mm;
  double log_places;
} sp_set;

sp_status sp_evidence_of_set(const sp_errors *errors, const sp_set *set, double *log_evidence, sp_error *err);

/* -log10, at most 99. */
double sp_strength_of(double chance);
/* "hardly by chance" and its kin. */
const char *sp_strength_word(double strength);

/* ---- the search (findings.c) and its words (say.c) ---- */

enum { SP_MOST_ROUNDS = 4, SP_MOST_RIVALS = 3 };
/* Careful hand work errs by less than this (common practice, no source): less is not worth a word. */
#define SP_WORTH_A_WORD_MM    0.1
#define SP_WORTH_LAST_FRET_MM 0.15
/* The nut is one mark of the same hand, so all frets may be shifted by its error alone: chance below which they are
 * not.
 */
#define SP_NUT_CHANCE 2e-3

typedef struct sp_chosen {
  sp_pattern what;
  size_t place; /* SP_STEP: index of the first mark beyond; SP_SINGLE: of the mark */
  double strength;
  double size_mm, u_size_mm; /* of the column; NAN where there is none */
} sp_chosen;

typedef struct sp_search {
  const sp_layout *layout;
  const sp_record *record;
  sp_errors errors;    /* the rule of 18's share is taken out of y once it has been chosen */
  double *eighteen_mm; /* what it gives at each mark */
  double *base;        /* p columns; [0] is the common shift */
  double *further;     /* columns to try: the stretch, n steps, n singles */
  sp_peak *peak;
  size_t p;
  sp_hand hand;
  sp_chosen chosen[SP_MOST_ROUNDS];
  size_t count;
  double set_penalty; /* of the patterns chosen: for their places, and for being several */
  sp_evidence evidence;
  sp_chosen rival[SP_MOST_RIVALS]; /* kinds that explain the errors about as well, the best first; none: it is clear */
  size_t rivals;
  double sd_mm; /* of the hand, about all that was chosen */
  double shift_mm, u_shift_mm, shift_strength;
  bool shifted; /* beyond what the nut's own hand error would do, and worth a word */
} sp_search;

const sp_chosen *sp_find_chosen(const sp_search *search, sp_pattern what);

/* Adds what the search has found. */
sp_status sp_say_findings(const sp_search *search, sp_record *record, sp_error *err);

/* Fanned frets: whether they are fanned as asked for. Adds at most one finding. */
sp_status sp_findings_of_fan(sp_record *record, sp_error *err);
/* Patterns of the lines' squareness. */
sp_status sp_findings_of_squareness(sp_record *record, sp_error *err);

#endif
