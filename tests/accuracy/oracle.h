/* oracle.h: the shift of one line by an estimator that is told everything else. */
#ifndef ORACLE_H
#define ORACLE_H

#include <stdbool.h>

#include "profile.h"
#include "render.h"

/* A rendered board as the estimator sees it. Nothing is owned but the places of columns and rows. */
typedef struct oracle_board {
  const render_image *image;
  const render_truth *truth;
  const profile_table *table;
  double *x_mm, *y_mm; /* of each column and row, on the glass */
} oracle_board;

/* One line of it, from the truth. */
typedef struct oracle_line {
  const oracle_board *on;
  const render_mark *mark;
  render_point centre_mm, along, across; /* the line's middle on the glass; units along it and, across, toward the bridge */
  profile_blur blur;
  double half_mm, height; /* half of the window; nominal height, counts */
  bool height_known;      /* false: the truth does not tell the depth along the line */
  bool even;              /* nothing but noise disturbs the line */
} oracle_line;

/* false if memory runs out; free in every case. */
bool oracle_board_open(const render_image *image, const render_truth *truth, const profile_table *table,
                       oracle_board *board);
void oracle_board_free(oracle_board *board);

oracle_line oracle_line_of(const oracle_board *on, const render_mark *mark);

/* Shift of the line against the truth, mm toward the bridge, and the standard deviation that the pixels' noise alone gives
 * it. false if there is nothing to measure. */
bool oracle_find_shift(const oracle_line *line, double *shift_mm, double *u_mm);

#endif
