/* Measures a check against rendered boards whose truth is known. */
#ifndef ACCURACY_H
#define ACCURACY_H

#include <stdbool.h>
#include <stddef.h>

enum { ACCURACY_MAX = 20000 };

/* Sums over boards. Errors are "measured error_mm less true error_mm", micrometres. */
typedef struct accuracy {
  size_t boards, boards_without_scale, boards_unmatched;
  size_t marks;            /* drawn, frets 1..N */
  size_t found;
  size_t missed;           /* drawn, but not found */
  size_t wrong;            /* found where nothing was drawn, or more than 0.3 mm from the truth */
  size_t strays_drawn, strays_reported;
  size_t falsely_within;   /* true error beyond the tolerance, verdict within */
  size_t covered;          /* |error| <= 1.96 u */
  double worst_um, sum_um2, sum_z2;
  double sum_square_deg2, worst_square_deg;
  double sum_width_mm2, worst_width_mm;
  size_t widths;
  size_t kept;
  size_t edges, edges_covered, edges_kept; /* where lines meet the board's long sides, the nut's included */
  double sum_edge_um2, sum_edge_z2, worst_edge_um, edge_half_width_um[ACCURACY_MAX];
  double error_um[ACCURACY_MAX], half_width_um[ACCURACY_MAX]; /* the first ACCURACY_MAX marks */
} accuracy;

/* Renders board `seed` of the named difficulty at `dpi` (keeping picture and truth as STEM.png/.jpg/.json; an existing
 * pair is used again), checks it with --reference-mpe 0mm and adds the outcome. `verbose` prints what is out of the ordinary.
 * false with a line on stderr if it could not be run at all. */
bool accuracy_add(accuracy *sums, const char *difficulty, unsigned long seed, double dpi, const char *stem, bool verbose);

void accuracy_print(const accuracy *sums, const char *title);

#endif
