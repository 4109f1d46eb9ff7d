/* Inside the marks module: coarse search, fine fit, board outline. */
#ifndef SP_MARKS_INTERNAL_H
#define SP_MARKS_INTERNAL_H

#include "slotproof/marks.h"

/* What is expected of a line's cross-section before it is looked at, px: from the kind of mark, the rule's strokes and,
 * once the lines have been seen, from each other (one hand, one knife, one picture). */
typedef struct sp_expectation {
  double blur_px, blur_sd_log;        /* Gaussian blur and how well it is known (sd of its logarithm) */
  double width_px, width_sd_log;      /* of the cut; sd 1e9 = nothing known */
  double burr_px[2], burr_sd_log;     /* breadth of a burr, flat-topped and falling */
  double usual_px;                    /* what cut and burr are broad together before a line is seen */
  double burr_height, burr_height_sd; /* against the cut's depth */
  bool no_burr;                       /* the board's lines have none: where one seems to show it is chance */
  bool burr_open;                     /* some lines show one, too few to believe it */
  bool burr_expected;                 /* the board's lines have burrs, on the whole */
  bool burr_outshines;         /* of this line nothing but a burr is conspicuous, beside a cut of the other colour */
  bool shaded;                 /* a light line's ridges are dark */
  bool burr_kind_known, flank; /* the burrs of this board are flat-topped or fall off exponentially */
} sp_expectation;

sp_expectation sp_expect(sp_mark_kind kind, double px_per_mm, double blur_px, double blur_sd_log);

/* Cut and burr together are hardly broader than the blur: their places cannot be told apart well. */
bool sp_shape_is_coarse(const sp_expectation *expect);

/* A line as the coarse search sees it: u(v) = u_px + slope (v - v_px), seen between v0 and v1. */
typedef struct sp_candidate {
  double u_px, v_px, slope, v0_px, v1_px;
  bool part;     /* perhaps a partial fret: v0 and v1 are near its ends */
  int cut_sign;  /* the cut is darker (-1) or lighter (1) than the wood, whatever shows more; 0 = as it shows */
  int burr_side; /* to begin with, a burr as expected lies left (-1) or right (1) of it; 0 = none */
  bool shaded;   /* light, and what lies along it is dark */
  const sp_board *within; /* what lies beyond its ends is left out; NULL: not known */
  const struct sp_neighbour *neighbour; /* another mark in the window, which is taken out; NULL: none is known */
  double score;  /* summed, normalised response */
  double height; /* grey against the wood, negative = darker */
} sp_candidate;

/* Middle of what shows of a line. */
sp_point sp_line_middle(const sp_mark *line);
/* dv/du of the board as its lines tell it: square to them on the whole, or where they are fanned through their middles.
 */
double sp_lines_direction(const sp_marks_options *options, const sp_mark *lines, size_t count);
/* How the slopes of fanned lines change along the board: `trend_at` and `trend` of the options. */
void sp_lines_trend(const sp_mark *lines, size_t count, sp_marks_options *options);
/* Width of the strips in which lines that lean may be searched. */
uint32_t sp_lean_strip_px(const sp_marks_options *options, uint32_t usual_px);

/* Half of a line's window along u, at most, px. */
enum { SP_WINDOW_MOST_PX = 60 };

/* What to multiply the grey of 2 half_px + 1 places by for the height of a line in their middle, whatever waves the
 * wood makes behind it. */
typedef struct sp_kernel {
  int32_t half_px;
  float weight[2 * SP_WINDOW_MOST_PX + 1];
} sp_kernel;

/* "Middle less either side", px: the middle, space on both sides that is left out, the sides. */
typedef struct sp_line_filter {
  int32_t core, gap, flank;
  const sp_kernel *kernel; /* instead of these; NULL: none */
} sp_line_filter;

sp_line_filter sp_line_filter_for(sp_mark_kind kind, double px_per_mm);

/* Lines across, the strongest first, at most `room`; within the board where that is known already (NULL: anywhere). */
sp_status sp_marks_search(const sp_scene *scene, sp_along along, const sp_marks_options *options, const sp_board *board,
                          size_t room, sp_candidate *candidates, size_t *count, sp_error *err);
/* The same among waves as strong as the lines; needs the board. */
sp_status sp_marks_search_waves(const sp_scene *scene, sp_along along, const sp_marks_options *options,
                                const sp_board *board, const sp_kernel *kernel, size_t room, sp_candidate *candidates,
                                size_t *count, sp_error *err);

/* The blurred profile of a mark across its width, on a table: value at offset x from its place, and the derivatives
 * that the fit needs, at SP_PROFILE_STEPS places a pixel. What lies a whole pixel apart stands side by side, because
 * the pixels of a row ask for that: table[phase * SP_PROFILE_LENGTH + px]. The last phase is the first of the next
 * pixel. */
enum {
  SP_PROFILE_STEPS = 32,
  SP_PROFILE_REACH = 64,
  SP_PROFILE_LENGTH = 2 * SP_PROFILE_REACH + 1,
  SP_PROFILE_SIZE = (SP_PROFILE_STEPS + 1) * SP_PROFILE_LENGTH
};
typedef struct sp_profile {
  float value[SP_PROFILE_SIZE];
  float left[SP_PROFILE_SIZE];  /* d value / d place of the left wall */
  float right[SP_PROFILE_SIZE]; /* d value / d place of the right wall */
} sp_profile;

/* A mark that lies in another's window: its cross-section about u = place + slope (v - v_px), grey for a height of 1;
 * and its heights along v, each of `step_px` from first_px on. */
enum { SP_NEIGHBOUR_PIECES = 512 };
typedef struct sp_neighbour {
  double place_px, slope, v_px, first_px, step_px;
  double height[SP_NEIGHBOUR_PIECES];
  size_t pieces;
  sp_profile profile;
} sp_neighbour;

/* What a line's cross-section looks like, in px. Heights are relative to the cut. */
typedef struct sp_shape {
  double width_px, blur_px;
  double burr_height[2]; /* left, right: opposite sign to the cut, 0 = none */
  double burr_width_px[2];
  bool flank;  /* the burr falls off exponentially (burr_width_px is its 1/e length) */
  double tilt; /* a slot's bottom is lit from one side: deeper by this part of the depth at the right wall */
} sp_shape;

/* exp(-x / length) for x > 0, blurred by a Gaussian. */
double sp_blurred_flank(double x, double length, double blur);

double sp_shape_value(const sp_shape *shape, double x);
void sp_profile_fill(const sp_shape *shape, sp_profile *profile);
/* Linear between the table's places; 0 beyond it. */
double sp_profile_at(const float *table, double x);
/* The same at x, x + 1, .. x + n - 1. */
void sp_profile_row(const float *table, double x, int32_t n, double *out);

/* One piece of a line: the mean of a few rows, along u. */
typedef struct sp_piece {
  double v_px;        /* middle of the rows */
  int32_t first_u;    /* u of value[0] */
  const float *value; /* window values */
  double height;      /* of the mark here, signed, grey */
  double smooth_height;
  double level;                 /* of the wood here */
  double bend_px;               /* of the picture against even pixels, to be added to the straight line */
  double ahead[2];              /* slots: where a wall that wanders is looked for, beside its straight line, px */
  double shift[2], variance[2]; /* of left and right wall (slot) or both alike (knife) against the line, px, px^2 */
  double covariance;            /* of the two walls */
  /* shift times height, variance times height^2 over that of the noise */
  double unit_shift[2], unit_variance[2], unit_covariance;
  double weight[2]; /* robust weight, 0..1 */
  double noise;     /* sd of the residuals, grey */
  bool usable, present;
} sp_piece;

/* All pieces of a line laid over each other, on a grid finer than a pixel; the cut's height scaled to 1. */
enum {
  SP_STACK_PER_PX = 3,
  SP_STACK_HALF_PX = SP_WINDOW_MOST_PX,
  SP_STACK_MAX = 2 * SP_STACK_HALF_PX * SP_STACK_PER_PX + 1
};
typedef struct sp_stack {
  size_t count;
  bool light;    /* the mark is lighter than the wood */
  bool clipped;  /* values at full scale were left out */
  double noise;  /* standard deviation of a value of weight 1 */
  double height; /* of the cut, grey, before it was scaled to 1; signed */
  double x[SP_STACK_MAX], y[SP_STACK_MAX], weight[SP_STACK_MAX];
} sp_stack;

/* What the wood under and around a line may look like along u, in grey (see ground.c): functions on nodes evenly spaced
 * over the window -half_px .. half_px about the line, each already times its standard deviation, the largest first. */
enum { SP_GROUND_NODES = 41, SP_GROUND_WAVES = 4 };
typedef struct sp_ground {
  double half_px;
  double free_sd; /* of level and tilt: as good as free */
  bool measured;  /* on this board; otherwise a guess, by which nothing is to be judged */
  size_t waves;
  double wave[SP_GROUND_WAVES][SP_GROUND_NODES];
} sp_ground;

/* Half of a line's window along u. */
int32_t sp_window_half_px(sp_mark_kind kind, double px_per_mm);

/* Before the board is known. */
void sp_ground_default(sp_mark_kind kind, double px_per_mm, double full_scale, sp_ground *ground);

/* From the wood between the candidates. */
sp_status sp_ground_measure(const sp_scene *scene, sp_along along, const sp_marks_options *options,
                            const sp_board *board, const sp_candidate *candidates, size_t count, sp_ground *ground,
                            sp_error *err);

/* The value at x of a function given on the nodes. */
double sp_ground_at(const double *nodes, double half_px, double x);

/* Makes the values of one stack independent, of variance 1. */
typedef struct sp_whitening {
  size_t values, count;
  double column[SP_GROUND_WAVES + 2][SP_STACK_MAX], q[SP_GROUND_WAVES + 2][SP_STACK_MAX];
  double shrink[SP_GROUND_WAVES + 2], gain[SP_GROUND_WAVES + 2];
  double wave[SP_GROUND_WAVES + 2][SP_GROUND_NODES];
} sp_whitening;

bool sp_whitening_create(const sp_ground *ground, const sp_stack *stack, sp_whitening *whitening);
/* In place, each of at most SP_WHITEN_COLUMNS columns: x[i * columns + c] belongs to value i of the stack and is
 * divided by that value's noise already. */
enum { SP_WHITEN_COLUMNS = 8 };
void sp_whiten(const sp_whitening *whitening, double *x, size_t columns);
/* The likeliest background on the nodes (level and tilt left out), given what the cross-section leaves of the stack,
 * divided by the noise and not whitened; of the sign of the stack, in grey. */
void sp_whitening_ground(const sp_whitening *whitening, const double *rest, double *nodes);
/* The same behind a mark of known cross-section and unknown height, of either sign: level and tilt left out, in grey as
 * the stack has it. false if it cannot be told. */
bool sp_ground_behind(const sp_ground *ground, const sp_stack *stack, const sp_shape *shape, double *nodes);
/* Standard deviation of the waves, without level and tilt, over the window; grey. */
double sp_ground_sd(const sp_ground *ground);
/* The best linear filter for a line of this cross-section on this ground, in noise of the given deviation (grey). false
 * for lack of memory or of a ground. */
bool sp_ground_kernel(const sp_ground *ground, const sp_shape *shape, double noise, sp_kernel *kernel);

typedef struct sp_shape_fit {
  sp_shape shape;                 /* start in, result out */
  double cost;                    /* chi-square */
  double ground[SP_GROUND_NODES]; /* the wood around, grey */
  double u_place_px; /* of the middle of the cut, from noise, wood, and cut and burr that may be taken for each other */
  double significance; /* of the cut's area over what noise and wood can do, in standard deviations */
  double shown;        /* the same of cut and burr together, whose areas may cancel; 0 without a burr */
  bool burr;
  double cost_of_kind[2],
      burr_of_kind_px[2]; /* best with flat-topped, with falling burrs; INFINITY = none that holds */
} sp_shape_fit;

/* Fits the cross-section; false (shape unchanged) if the stack does not allow it. */
bool sp_shape_fit_stack(const sp_stack *stack, const sp_expectation *expect, const sp_ground *ground,
                        bool look_for_burr, sp_shape_fit *fit);

/* A line being fitted. */
typedef struct sp_line_fit {
  sp_mark_kind kind;
  double v_px;               /* where `place` applies */
  double place[2], slope[2]; /* left and right wall; a knife line has both alike +- half its width */
  sp_shape shape, tabled;    /* as fitted; as last written to the table */
  int32_t half_px, usual_px; /* half of the window along u; and if no end of the board is near */
  int32_t rows;              /* rows in a piece */
  sp_piece *pieces;
  size_t count;
  float *values;
  double significance, shown, misfit; /* see sp_shape_fit; chi-square per value, at least 1 */
  double u_shape_px; /* uncertainty of the middle from telling cut and burr apart, a slot's walls from chips */
  double full_scale, px_per_mm;
  const sp_marks_options *o;
  double even_from_px;                        /* where the bend is 0 */
  double height;                              /* typical, signed, grey */
  double ground[SP_GROUND_NODES];             /* the wood around, grey */
  bool ground_tabled;                         /* that is in the table already */
  double cost_of_kind[2], burr_of_kind_px[2]; /* see sp_shape_fit */
  bool burr, clipped;
  int cut_sign; /* see sp_candidate */
  bool part;    /* of a partial fret: the window reaches beyond it, and it ends where it is present no more */
} sp_line_fit;

/* How much is spent on a line: QUICK is enough to outline the board and to tell wood from a line; AGAIN is for one that
 * was fitted before and lies where it should, and only what is expected of it has changed. */
typedef enum sp_effort { SP_EFFORT_FULL, SP_EFFORT_QUICK, SP_EFFORT_AGAIN } sp_effort;

/* Reads the windows of a line between v0 and v1 and fits it. Returns SP_OK with
 * fit->count == 0 where nothing can be fitted. */
sp_status sp_line_fit_run(const sp_view *view, const sp_candidate *candidate, const sp_marks_options *options,
                          const sp_expectation *expect, const sp_ground *ground, sp_effort effort, sp_line_fit *fit,
                          sp_error *err);
void sp_line_fit_free(sp_line_fit *fit);
/* A finished fit as another one's neighbour. */
void sp_line_fit_as_neighbour(const sp_line_fit *fit, sp_neighbour *neighbour);

/* The line's place on v = v_px with covariance, from the pieces of a finished fit. */
void sp_line_fit_result(sp_line_fit *fit, double v_px, sp_mark *mark);

/* By how much a blurred edge lies further into its darker side than where it is, px, if it was light that was blurred
 * and IEC 61966-2-1 (sRGB) is what was stored of it; `dark` and `bright` are its sides as stored, of full scale
 * (edge_curve.c). 0 where they tell nothing. */
double sp_edge_grown_px(double dark, double bright, double blur_px);

/* Frets: the board and all wires across it, seen along one axis (wire.c). */
sp_status sp_wires_find(const sp_scene *scene, sp_along along, const sp_marks_options *options, sp_marks *marks,
                        sp_error *err);
/* The same where they are fanned (wire_fan.c). */
sp_status sp_wires_find_fanned(const sp_scene *scene, sp_along along, const sp_marks_options *options, sp_marks *marks,
                               sp_error *err);
/* How the saw went, from the pieces of a finished fit of a slot; `m` knows its extent; u_slope of each wall, and of the
 * kerf. Where the slot wanders the fit's straight walls are put right (place, slope). false for lack of memory. */
bool sp_line_fit_walls(sp_line_fit *fit, const sp_mark *m, const double u_slope[2], double u_width_px, sp_walls *walls);

/* The kind of mark that a fit may be at all; the caller asks how sure it is. */
bool sp_marks_has_form(const sp_line_fit *fit, const sp_mark *mark, double px_per_mm);

/* Drops what goes on beyond the board's sides (through.c). */
sp_status sp_marks_drop_through(const sp_view *view, const sp_marks_options *options, sp_marks *marks, sp_error *err);

/* Lines that somebody points at (by_hand.c), put among the marks in order; `expect` and `ground` are those of the
 * board's other lines. */
sp_status sp_marks_add_by_hand(const sp_scene *scene, const sp_marks_options *options, const sp_expectation *expect,
                               const sp_ground *ground, sp_marks *marks, sp_error *err);

/* Knife lines beyond the outermost slots, put among these in order (scribed.c). */
sp_status sp_marks_add_scribed(const sp_scene *scene, const sp_view *view, const sp_marks_options *slots,
                               double group_px, sp_marks *marks, sp_error *err);

/* Board outline from the fitted lines and the strips. */
sp_status sp_board_find(const sp_scene *scene, sp_along along, const sp_marks_options *options, const sp_mark *lines,
                        size_t count, sp_board *board, sp_error *err);

#endif
