/* slotproof/grain.h: the same wood in two pictures.
 *
 * A face is the board's upper side as one scan shows it, drawn anew in millimetres: x along the board's centre line, y
 * to the right of one who looks toward larger x at the face. Two faces of one board differ by a shift, perhaps by half
 * a turn, and by a very small turn; pores, figure and scratches tell it below a pixel. Grain runs along the board, so
 * it tells little about x: what the wood cannot tell is in the uncertainty, which comes from how far patches of wood
 * that have nothing to do with each other disagree.
 *
 * Knows pixels and millimetres, no fret: what is a mark is masked, because all marks look alike and would agree at
 * every place where one lies on another.
 */
#ifndef SLOTPROOF_GRAIN_H
#define SLOTPROOF_GRAIN_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "slotproof/raster.h"
#include "slotproof/reference.h"
#include "slotproof/scene.h"
#include "slotproof/status.h"

/* Spacing of a face's samples, mm: a pixel at 508 dpi. */
#define SP_FACE_PITCH_MM 0.05

/* How a board lies in its picture. Board frame: x along the centre line in the direction of growing u, 0 where it
 * crosses u = 0; y as above. */
typedef struct sp_board_frame {
  sp_along along;
  const sp_scale_map *map; /* not owned; known */
  double tilt_rad;         /* of the centre line against the u axis */
  double origin_u_mm, origin_v_mm;
  double v_sign; /* y grows with v: +1, or against it: -1 */
} sp_board_frame;

/* The frame of a centre line v = at_px + slope u (marks.h), `rate_mm_per_px` being the mean along the board. */
sp_board_frame sp_board_frame_of(const sp_scale_map *map, double at_px, double slope, double rate_mm_per_px);
sp_point sp_board_frame_mm(const sp_board_frame *frame, double u_px, double v_px);

/* One face. Sample (i, j) lies at x = x0_mm + i pitch, y = y0_mm + j pitch. grey: rows of `columns` samples, 0 = masked
 * or not on the board, otherwise 1 (black) .. 65535. Owned: free with sp_face_free. */
typedef struct sp_face {
  double x0_mm, y0_mm;
  int32_t columns, rows;
  uint16_t *grey;
} sp_face;

/* A line that is to be masked: x = x_mm + slope y. */
typedef struct sp_face_mask {
  double x_mm, slope, half_width_mm;
} sp_face_mask;

/* Draws the face between x_from .. x_to and y_from .. y_to; what lies outside the picture stays 0. */
sp_status sp_face_draw(const sp_raster *raster, const sp_board_frame *frame, double x_from_mm, double x_to_mm,
                       double y_from_mm, double y_to_mm, const sp_face_mask *mask, size_t masks, sp_face *face,
                       sp_error *err);
/* Half a turn: x and y change sign. */
void sp_face_turn(sp_face *face);
void sp_face_free(sp_face *face);

/* A place where the second face may lie on the first: x of the first = x of the second + shift_mm, y likewise with
 * aside_mm. */
typedef struct sp_grain_place {
  bool turned; /* the second one by half a turn first */
  double shift_mm, aside_mm;
  double z;        /* correlation of the wood over its scatter at all other places */
  double expected; /* what z would be if all that is no noise in both faces were the same wood */
} sp_grain_place;

enum { SP_GRAIN_PLACES = 6 };

/* The places where the wood correlates best, best first, no two within a millimetre (of one turn); all shifts that
 * leave `least_overlap_mm` in common are tried, and shifts aside up to a millimetre. `count` may be 0. The places of
 * `asked` are rated besides: their aside_mm, z and expected are set, z to NAN where the faces have too little in common
 * there. */
sp_status sp_grain_search(const sp_face *first, const sp_face *second, double least_overlap_mm, sp_grain_place *asked,
                          size_t asked_count, sp_grain_place place[SP_GRAIN_PLACES], size_t *count, sp_error *err);

enum { SP_GRAIN_SLABS = 12 };

/* What the wood says of the shift at one place along the board. */
typedef struct sp_grain_slab {
  double x_mm;       /* in the first face's frame */
  double shift_mm;   /* as in sp_grain_place, here */
  double u_shift_mm; /* of this slab by itself */
  double aside_mm, u_aside_mm;
  size_t patches;
} sp_grain_slab;

typedef struct sp_grain_fit {
  size_t count;
  sp_grain_slab slab[SP_GRAIN_SLABS];
  double overlap_mm; /* of the two faces */
  double scatter;    /* disagreement of the patches over what each stated by itself; u_shift is widened by it */
  double aside_mm, u_aside_mm; /* y of the first less y of the second, by all slabs; NAN where fewer than three serve */
  double turn_rad,
      u_turn_rad; /* what the second frame has to be turned by, from +x toward +y, to lie along the first */
  size_t patches;
  size_t found,
      agreeing; /* patches found again at all; most of them within SP_GRAIN_AGREE_MM of one shift */
} sp_grain_fit;

#define SP_GRAIN_AGREE_MM 0.03

/* Measures at a place found (not turned: turn the face first), within half a millimetre of it. */
sp_status sp_grain_fit_place(const sp_face *first, const sp_face *second, double shift_mm, double aside_mm,
                             sp_grain_fit *fit, sp_error *err);

#endif
