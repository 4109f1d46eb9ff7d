/* slotproof/marks.h: the board and the lines across it, in the picture.
 *
 * Knows pixels only (see scene.h for u along, v across); millimetres come after, in verdict. A line is straight in the
 * picture: u(v) = u_px + slope (v - v_px) with (u_px, v_px) its crossing of the board's centre line.
 */
#ifndef SLOTPROOF_MARKS_H
#define SLOTPROOF_MARKS_H

#include <stdbool.h>
#include <stddef.h>

#include "slotproof/record.h"
#include "slotproof/scene.h"
#include "slotproof/status.h"

/* A straight line of the picture running along the board: v(u) = at_px + slope u. */
typedef struct sp_lengthwise {
  double at_px, slope;
  double u_at_px; /* standard uncertainty of v in the middle of the board */
  double u_slope;
} sp_lengthwise;

/* A squared end of the board: u(v) = u_px + slope (v - v_px), (u_px, v_px) on the centre line. */
typedef struct sp_board_end {
  bool found;
  double u_px, v_px, slope, u_u_px, u_slope;
} sp_board_end;

typedef struct sp_board {
  bool edges_found;      /* long edges seen; otherwise `side` are the lines' ends */
  sp_lengthwise side[2]; /* at smaller and larger v */
  sp_lengthwise centre;  /* midway */
  sp_board_end end[2];   /* at smaller and larger u */
} sp_board;

/* How the saw went along one slot, from windows of 3 mm (chips of a wall left out); u = standard uncertainty. On
 * rendered slots of 0.5 to 0.7 mm at 600 dpi, wander 0 to 60 um rms: see tests/end_to_end/test_slots.c. */
typedef struct sp_walls {
  bool known;                              /* false: not a slot, or too little of it shows; all NAN */
  double slope[2], u_slope[2];             /* of the wall at smaller, larger u: du/dv */
  double kerf_end_px[2], u_kerf_end_px;    /* by the straight walls, at v_a_px and v_b_px of the mark */
  double widening_px, u_widening_px;       /* from v_a_px to v_b_px */
  double kerf_least_px, kerf_most_px;      /* of one window */
  double u_kerf_window_px;                 /* of one window's kerf */
  double kerf_sd_px, u_kerf_sd_px;         /* of the kerf along the slot, measurement noise taken off */
  double wander_px, u_wander_px;           /* rms of the middle line about straight, noise taken off */
  double worst_px, u_worst_px, worst_v_px; /* farthest window of the middle line, + toward larger u */
} sp_walls;

typedef struct sp_mark {
  double u_px, v_px;           /* on the centre line */
  double slope;                /* du/dv; u in even pixels if `even` of sp_marks says so */
  double u_u_px, u_slope;      /* standard uncertainties of the line alone, waviness and neighbouring rows included */
  double cov_u_slope;          /* covariance of u_px and slope */
  double u_common_px;          /* what all marks may be off by alike, not in u_u_px: frets, light lines, slots; or 0 */
  double width_px, u_width_px; /* knife line: of its cut; slot: wall to wall; fret: from foot to foot */
  double spread_px;            /* of what shows across it, cut and blur, as a standard deviation */
  double contrast;             /* (mark - wood) / wood, negative = darker */
  double coverage;             /* part of the line's length that shows, 0..1 */
  double v_a_px, v_b_px;       /* extent across */
  double strength;             /* 0..1 against the strongest of the picture: for matching */
  double significance;         /* of the cut's area over what noise and the wood's own waves can do, in sd */
  double misfit;               /* chi-square of the cross-section per value, at least 1 */
  bool part;    /* seen over a part of the width only, and there throughout: a partial fret, or nothing */
  bool burr;    /* a raised burr was seen and modelled */
  bool clipped; /* white where it is brightest: full scale was reached */
  bool by_hand; /* found only because somebody pointed at it */
  bool scribed; /* a knife line on a board of slots: the nut, or nothing */
  bool broad;   /* knife line: far broader than the others; something lies along it, and u_u_px reaches over it */
  double usual_width_px; /* slot far broader than the others, which are so broad: it may be two, and u_u_px reaches to
                            either; otherwise 0 */
  double u_unless_nut_px; /* of an outermost one of those, which is as dark: that doubt, not in u_u_px, as a nut's slot
                             may be broad by design */
  sp_walls walls;
} sp_mark;

typedef struct sp_marks {
  sp_along along;
  sp_board board;
  sp_mark *marks; /* in order of u */
  size_t count;
  sp_board_end *edges; /* frets only: edges across the board beyond the outermost frets, any of which may be the nut's
                          face (found is true); in order of u */
  size_t edge_count;
  bool even;        /* slopes are those in even pixels (sp_marks_options) */
  double blur_px;   /* Gaussian blur of the picture as found on the marks; NAN if unknown */
  char reason[240]; /* why nothing was found, if so */
} sp_marks;

/* A place where somebody says that there is a line. */
typedef struct sp_marks_hint {
  sp_point at_px;
  bool or_end; /* the board's end will do as well */
} sp_marks_hint;

typedef struct sp_marks_options {
  sp_mark_kind kind;
  bool along_known; /* take `along`; otherwise both axes are tried */
  sp_along along;
  double px_per_mm;   /* only to size the filters: within 20 % is good enough */
  double blur_px;     /* Gaussian blur as seen on the rule's strokes; 0 or NAN = not known */
  double blur_sd_log; /* standard deviation of its logarithm */
  bool by_camera;     /* a camera took it: most likely light was blurred, not what was stored of it */
  bool has_rule;      /* leave out what lies in this slanted band */
  double rule_v0_px, rule_v1_px, rule_slope;
  double most_lean; /* fanned frets: lines may lean so far from square to the board, du/dv; 0: they are square to it */
  double (*uneven_px)(const void *context, double u_px); /* an even picture's u less u: lines that lean are straight in
                                                            even pixels only; NULL: none told */
  const void *uneven_context;
  /* between the steps of the search; to be left 0 */
  double trend_at, trend; /* du/dv = trend_at + trend u, of fanned lines */
  int32_t strips_in_one;  /* so many times narrower are the strips than usual */
  double least_part; /* knife lines and slots: the smallest part of the board's width that a partial fret spans; 0 or 1:
                        there is none, and what spans less than three tenths is no line */
  bool scribed_nut;  /* of slots: beyond the outermost ones a knife line may be the nut */
  const sp_marks_hint *hints; /* where to look more closely; not owned. Not for frets */
  size_t hint_count;
} sp_marks_options;

/* Finds the board and every line-like mark across it. Finding none is no error: count is 0 and `reason` says why. About
 * a hint, where no mark lies nearer than SP_HINT_SURE_MM, the most that the fit can see is taken within
 * SP_CORRECTION_REACH_MM, under tests that suit a few places instead of a whole board; the other marks do not change.
 * Free with sp_marks_free. */
#define SP_HINT_SURE_MM 0.5
sp_status sp_marks_find(const sp_scene *scene, const sp_marks_options *options, sp_marks *marks, sp_error *err);
void sp_marks_free(sp_marks *marks);

/* How far the line passes the place, along the board, px. */
double sp_mark_distance_px(sp_along along, double u_px, double v_px, double slope, sp_point at_px);

/* Nothing known. */
void sp_walls_init(sp_walls *walls);

#endif
