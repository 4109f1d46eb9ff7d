/* Photographs of a flat chessboard through the renderer's pinhole and lens, with edges in closed form. */
#ifndef CHESSBOARD_H
#define CHESSBOARD_H

#include "render.h"

typedef struct chessboard {
  int columns, rows; /* squares, one more than inner corners either way */
  double square_mm;
} chessboard;

/* How the camera stands: it looks at a place of the board (mm from its middle) from `distance_mm`, tilted about the
 * picture's axes and then rolled. */
typedef struct chessboard_view {
  double tilt_x_deg, tilt_y_deg, roll_deg, aim_x_mm, aim_y_mm, distance_mm;
} chessboard_view;

/* `lens` gives f, centre and distortion; blur and noise as in the renderer (px; part of full scale). False for lack of
 * memory. Free with render_image_free. */
bool chessboard_draw(const chessboard *board, const render_camera *lens, const chessboard_view *view, int width_px,
                     int height_px, double psf_px, double noise, uint64_t seed, render_image *image);

#endif
