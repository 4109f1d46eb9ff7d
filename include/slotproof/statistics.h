/* slotproof/statistics.h: what many measured values say together. Numbers only: knows no board, no file, no unit.
 *
 * Confidence is that of a two-sided interval, 0 < confidence < 1, usually 0.95. What cannot be told (too few values, a
 * value that is not finite) is NAN, never 0. Nothing prints or keeps state. Sources of the formulas stand beside each;
 * "e-Handbook" is NIST/SEMATECH, e-Handbook of Statistical Methods.
 */
#ifndef SLOTPROOF_STATISTICS_H
#define SLOTPROOF_STATISTICS_H

#include <stdbool.h>
#include <stddef.h>

#include "slotproof/status.h"

typedef struct sp_interval {
  double lower, upper;
} sp_interval;

/* ---- mean and spread of normal values (e-Handbook 1.3.5.2, 7.2.3.1) ---- */

typedef struct sp_spread {
  size_t n;
  double mean, sd;                    /* sd: n - 1 in the denominator; NAN for n < 2 */
  sp_interval mean_limits, sd_limits; /* Student's t; chi-squared */
} sp_spread;

sp_spread sp_spread_of(const double *x, size_t n, double confidence);

/* Limits of a standard deviation with nu > 0 degrees of freedom. */
sp_interval sp_sd_limits(double sd, double nu, double confidence);

/* ---- capability (e-Handbook 6.1.6): how the spread fits between two limits ---- */

typedef struct sp_capability {
  double cp, cpk;                    /* (upper - lower)/6 sd; the nearer limit's distance from the mean / 3 sd */
  sp_interval cp_limits, cpk_limits; /* chi-squared; normal approximation there, good from about 25 values */
} sp_capability;

/* `nu` degrees of freedom of sd, `n` values behind the mean (they differ where an sd is pooled). All NAN unless
 * lower < upper and sd > 0. */
sp_capability sp_capability_of(double mean, double sd, double n, double nu, double lower, double upper,
                               double confidence);

/* ---- control charts (Shewhart; constants as in ISO 7870-2 and ASTM MNL 7, here worked out, not tabled) ---- */

/* For normal samples of n values: the mean and standard deviation of range / sigma (d2, d3) and of sd / sigma (c4, 1),
 * and the factors for three-sigma limits made of them. All NAN unless 2 <= n <= 1000. */
typedef struct sp_chart_factors {
  double c4, d2, d3;
  double A2, A3;         /* of a mean: from the mean range, from the mean sd */
  double B3, B4, D3, D4; /* of an sd, of a range; never below 0 */
} sp_chart_factors;

sp_chart_factors sp_chart_factors_of(size_t n);
double sp_chart_c4(double n);

/* Signals of one point, as bits. The rules of e-Handbook 6.3.2 (Western Electric, Statistical Quality Control Handbook,
 * 1956, and two on trends); each names the last point of its pattern. */
enum {
  SP_RULE_BEYOND = 1,      /* beyond a control limit (3 sigma) */
  SP_RULE_TWO_OF_3 = 2,    /* this and another of the last 3 beyond 2 sigma on one side */
  SP_RULE_FOUR_OF_5 = 4,   /* this and three others of the last 5 beyond 1 sigma on one side */
  SP_RULE_EIGHT = 8,       /* 8 in a row on one side of the centre line */
  SP_RULE_TREND = 16,      /* 6 in a row going up, or down */
  SP_RULE_ALTERNATING = 32 /* 14 in a row going up and down by turns */
};
enum { SP_RULE_COUNT = 6 };

typedef struct sp_chart_point {
  double value, centre, lower, upper; /* lower and upper: control limits */
  double sigma;                       /* of the point, for the zones */
  unsigned rules;
} sp_chart_point;

/* Owned: free with sp_chart_free. */
typedef struct sp_chart {
  sp_chart_point *point;
  size_t count;
} sp_chart;

void sp_chart_free(sp_chart *chart);
/* Single values: sigma = mean moving range of two / d2 (e-Handbook 6.3.2.2). The moving range's chart has count - 1
 * points and only rule SP_RULE_BEYOND. SP_E_DATA for fewer than 2 values or one that is not finite. */
sp_status sp_chart_individuals(const double *x, size_t count, sp_chart *chart, sp_error *err);
sp_status sp_chart_moving_range(const double *x, size_t count, sp_chart *chart, sp_error *err);
/* Means and standard deviations of groups of n[i] >= 2 values, sigma from the mean of sd/c4 weighted by n - 1; limits
 * follow each group's n (e-Handbook 6.3.2.1). The chart of the sd has only rule SP_RULE_BEYOND. */
sp_status sp_chart_xbar(const double *mean, const double *sd, const size_t *n, size_t count, sp_chart *chart,
                        sp_error *err);
sp_status sp_chart_s(const double *sd, const size_t *n, size_t count, sp_chart *chart, sp_error *err);
/* Exponentially weighted moving average from `start`: z = lambda x + (1 - lambda) z, limits of the steady state
 * start +- width sigma sqrt(lambda/(2 - lambda)) (e-Handbook 6.3.2.4); only rule SP_RULE_BEYOND. */
sp_status sp_chart_ewma(const double *x, size_t count, double lambda, double start, double sigma, double width,
                        sp_chart *chart, sp_error *err);
/* Sets the rules of a chart's points from value, centre, sigma and limits. */
void sp_chart_apply_rules(sp_chart *chart);

/* ---- a step ---- */

/* Values in order of time whose mean changes once: the place where Student's t of the two parts (of at least two values
 * each, one sd) is largest. `p` is the chance of so large a t anywhere without a step, by Bonferroni's bound over the
 * places, so at most that. (Likelihood ratio for a change in mean: Worsley, J. Am. Stat. Assoc. 74, 1979, 365.) */
typedef struct sp_step {
  size_t at;    /* index of the first value after the step; 0: fewer than 4 values, or one that is not finite */
  double shift; /* mean after less mean before */
  double u_shift;
  double p;
} sp_step;

sp_step sp_step_find(const double *x, size_t count);

/* ---- variance components ---- */

/* One-way analysis of variance: `groups` groups, group g holding count[g] values one after another in x. */
typedef struct sp_oneway {
  double ss_between, ss_within, df_between, df_within;
  double f, p;      /* p: chance of so large an F where the groups are alike */
  double sd_within; /* residual standard deviation */
  double r_squared;
  double var_between; /* component; may come out below 0, which means none is seen */
} sp_oneway;

sp_status sp_oneway_anova(const double *x, const size_t *count, size_t groups, sp_oneway *result, sp_error *err);

/* A table value[row * columns + column] = mean + row + column + rest, one value a cell, none missing: rows and columns
 * are factors, the rest is what neither explains (Scheffe, The Analysis of Variance, 1959, ch. 4). Components after the
 * expected mean squares; a component below 0 means none is seen. Limits: modified large samples (Graybill & Wang, J.
 * Am. Stat. Assoc. 75, 1980, and Ting et al. 1990), never below 0. */
typedef struct sp_additive {
  size_t rows, columns;
  double ms_rows, ms_columns, ms_rest, df_rows, df_columns, df_rest;
  double var_rows, var_columns, var_rest;
  sp_interval var_rows_limits, var_columns_limits, var_rest_limits;
  double p_rows, p_columns; /* chance of so large a mean square without an effect */
} sp_additive;

sp_status sp_additive_anova(const double *value, size_t rows, size_t columns, double confidence, sp_additive *result,
                            sp_error *err);

/* Limits of c (sigma1^2 - sigma2^2), c > 0, from independent mean squares with nu1, nu2 degrees of freedom. nu2 =
 * INFINITY: ms2 is known. Not cut at 0. */
sp_interval sp_variance_difference_limits(double ms1, double nu1, double ms2, double nu2, double c, double confidence);

/* ---- gauge repeatability and reproducibility (AIAG, Measurement Systems Analysis, 4th ed. 2010, ch. III B) ---- */

/* A study: every appraiser measures every part `trials` times. `blocks` such studies (other characteristics of the same
 * parts) may stand one after another: their sums of squares and degrees of freedom are added.
 * value[((block * parts + part) * appraisers + appraiser) * trials + trial]. */
typedef struct sp_gauge_design {
  size_t blocks, parts, appraisers, trials; /* trials >= 2; parts * appraisers >= 1 */
} sp_gauge_design;

typedef struct sp_gauge_row {
  double ss, df, ms, f, p;
} sp_gauge_row;

/* Standard deviations; NAN where the design cannot tell (one appraiser: no reproducibility; one part: no part
 * variation). A component that comes out below 0 is 0. */
typedef struct sp_gauge_result {
  double ev, av, interaction, grr, pv, tv; /* equipment, appraisers (without interaction), both, parts, total */
  double percent_grr;                      /* of the total variation, 100 grr/tv */
  double ndc;                              /* 1.41 pv/grr, not rounded down */
  sp_interval ev_limits;                   /* NAN for the average-range method */
} sp_gauge_result;

typedef struct sp_gauge {
  sp_gauge_row part, appraiser, interaction, error;
  bool pooled; /* interaction's p above 0.25: counted as error (AIAG) */
  sp_gauge_result anova, range;
} sp_gauge;

/* `range` is the average-range method, over blocks by root mean square; it leaves interaction NAN. SP_E_DATA if the
 * design does not serve or a value is not finite. */
sp_status sp_gauge_study(const double *value, const sp_gauge_design *design, double confidence, sp_gauge *result,
                         sp_error *err);

#endif
