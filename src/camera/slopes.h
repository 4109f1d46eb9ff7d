/* What the fit needs of the model besides the public functions. */
#ifndef SLOTPROOF_CAMERA_SLOPES_H
#define SLOTPROOF_CAMERA_SLOPES_H

#include <stdbool.h>

#include "slotproof/camera.h"

/* log f (the distance growing with it), centre x and y, k1, k2; turn and shift, three each */
enum { CAMERA_SLOPES = 11, CAMERA_TURNS = 5, CAMERA_SHIFTS = 8 };

/* The derivatives of the rotation's matrix by the rotation vector. */
typedef struct camera_turns {
  double r[3][9];
} camera_turns;

camera_turns camera_turns_of(const sp_camera *camera);

/* As sp_camera_unproject on Z = 0, with the derivatives of X and Y by the camera's parameters. False where there is no
 * such place. */
bool camera_place_and_slopes(const sp_camera_view *view, const camera_turns *turns, sp_point at_px, sp_point *place,
                             double x_slope[CAMERA_SLOPES], double y_slope[CAMERA_SLOPES]);

#endif
