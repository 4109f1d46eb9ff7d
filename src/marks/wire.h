/* Inside the marks module: frets. Found by wire_search.c, their feet measured by wire_foot.c, put together by wire.c.
 */
#ifndef SP_WIRE_H
#define SP_WIRE_H

#include "marks_internal.h"

/* Frets are 1.5 to 3 mm broad (common practice, no source); everything below is sized after that. */
#define SP_WIRE_LEAST_MM 1.2
#define SP_WIRE_MOST_MM  3.4

/* A fret, or what looks like one: u(v) = u_px + slope (v - centre line). All frets of a board are one wire under one
 * lamp, so u_px of each is the same place of the section, whichever that is: only the common section tells where in it
 * the middle is. */
typedef struct sp_wire_seen {
  double u_px, slope;
  double alike;  /* correlation with the common section, 0..1 */
  double height; /* against the common section, about 1 */
  bool part;     /* seen over a part of the breadth only: a partial fret, or nothing */
} sp_wire_seen;

enum { SP_WIRE_MOST = 64 };

/* The section that all frets of a board share, as the median over the board's breadth and over the frets shows it. */
typedef struct sp_wire_section {
  int32_t half_px; /* value[0] is at -half_px of sp_wire_seen.u_px */
  float *value;    /* 2 half_px + 1 greys */
  size_t count;    /* of frets it was made from */
  double px_per_mm;
} sp_wire_section;

/* The board, from lines across it: a fret shows several (its feet, its highlight). *count = 0 where there is none. */
sp_status sp_wire_board(const sp_scene *scene, sp_along along, const sp_marks_options *options, sp_board *board,
                        size_t *lines, sp_error *err);

/* Frets on a known board. Free section->value. lively: all places where something lies across the board, to a
 * millimetre; at most SP_WIRE_MOST, as of seen. */
sp_status sp_wire_search(const sp_scene *scene, sp_along along, const sp_marks_options *options, const sp_board *board,
                         sp_wire_seen *seen, size_t *count, sp_wire_section *section, sp_wire_seen *lively,
                         size_t *lively_count, sp_error *err);

/* How far across the picture a fret reaches, and which part of that shows. */
void sp_wire_extent(const sp_scene *scene, sp_along along, const sp_marks_options *options, const sp_board *board,
                    const sp_wire_seen *seen, const sp_wire_section *section, double *v_a_px, double *v_b_px,
                    double *coverage);

/* A fret's line: u(v) = u_px + slope (v - v_px), v from v_a to v_b. */
typedef struct sp_wire_line {
  double u_px, v_px, slope, v_a_px, v_b_px;
} sp_wire_line;

/* How much of the wood's own pattern is left at each place of the section: 1 on wood, less in shadow, 0 on metal.
 * Index 0 is at -half_px of sp_wire_line.u_px; [0] by the wood at smaller u, [1] by that at larger u. Free value. */
typedef struct sp_wire_grain {
  int32_t half_px;
  size_t frets[2]; /* that have grain beside them */
  float *value, *gain[2], *u_gain[2];
} sp_wire_grain;

sp_status sp_wire_grain_read(const sp_view *view, const sp_wire_line *lines, size_t count, double px_per_mm,
                             sp_wire_grain *grain, sp_error *err);

/* Where in the section the wood ends by its grain; false where that does not show beyond doubt. blur_px: what the
 * section's blur may be. *u_px is the scatter's; a dark joint counts as metal for the half of its darkness. */
bool sp_wire_grain_foot(const sp_wire_grain *grain, const sp_wire_section *section, int side, const double *blur_px,
                        size_t blurs, double *foot_px, double *u_px);

/* Where the section's two feet may be, px from sp_wire_seen.u_px: pairs of sharp changes of the grey as far apart as a
 * fret's feet, the farthest apart first, for shadows end softly and what is sharp within is metal. At most
 * SP_WIRE_PAIRS; returns how many. blur_px: of the section. */
typedef struct sp_wire_pair {
  double foot_px[2];
  double doubt_px[2]; /* what each leaves open of the middle, standard: it may be a shadow's end, or a highlight's */
} sp_wire_pair;

enum { SP_WIRE_PAIRS = 10 };
size_t sp_wire_feet(const sp_wire_section *section, double blur_px, sp_wire_pair pairs[SP_WIRE_PAIRS]);

/* Where the grey along the board changes most, beyond the outermost frets: the nut's face, ends of nut and board. */
typedef struct sp_wire_edge {
  double u_px;
  double size;     /* grey */
  bool rises;      /* the grey grows with u */
  double outer_px; /* of the sharp changes about it the one nearest to the frets: wood begins there at the latest */
  bool sharp;      /* one of them is at u_px; otherwise it is a shadow's end */
  bool soft;       /* nothing about it is sharp */
  bool casts;      /* a light nut's face; what lies between it and outer_px is its shadow */
  double drop;     /* by how much the grey behind it is more than that before it */
  double nut, between, wood; /* greys behind u_px, between it and outer_px, before outer_px */
} sp_wire_edge;

enum { SP_WIRE_EDGES = 24 };
sp_status sp_wire_edges(const sp_scene *scene, sp_along along, const sp_marks_options *options, const sp_board *board,
                        double first_px, double last_px, double blur_px, sp_wire_edge edges[SP_WIRE_EDGES],
                        size_t *count, sp_error *err);

/* ---- one edge across the board --------------------------------------------------------------------------------- */

/* What the section at an edge is made of: see wire_foot.c. */
enum { SP_FOOT_TERMS = 9 };

/* What the other frets of the board say of it, in grey. */
typedef struct sp_foot_prior {
  double mean[SP_FOOT_TERMS], sd[SP_FOOT_TERMS];
} sp_foot_prior;

/* Where a fret's foot meets the wood, or the nut the board: u(v) = u_px + slope (v - v_px), looked at from v0 to v1.
 * The wood lies outward: at larger u for outward = +1. */
typedef struct sp_foot_task {
  double u_px, v_px, slope, v0_px, v1_px;
  int outward;
  double joint_mm;            /* breadth of the joint, 0 = a usual one, < 0: there is none */
  double tone;                /* greys are to be taken to this power before: what makes light of them; 0 = 1 */
  bool flat;                  /* what lies inward is a flat face, not a crown that turns away */
  double inner_mm, outer_mm;  /* how far the window reaches to both sides */
  double reach_mm;            /* how far from the start the edge is looked for */
  double sd_mm;               /* what the start is known to, 0 = no better than that */
  const sp_foot_prior *prior; /* NULL: not known */
} sp_foot_task;

typedef struct sp_foot {
  bool found;
  bool guessed;                        /* no break shows within reach: it lies where the expected section does */
  double u_px, slope;                  /* on v = task.v_px */
  double u_u_px, u_slope, cov_u_slope; /* from the scatter of the pieces along the edge */
  double used;                         /* part of the pieces that agree, 0..1 */
  double term[SP_FOOT_TERMS];          /* the section: [0], [1] are the greys of metal and wood at the foot */
  double misfit;                       /* what the section leaves unexplained, against its contrast */
  double u_break_px;                   /* what the section alone leaves open of the break's place */
  double dip;                          /* how far the joint is darker than both its sides, against the contrast */
} sp_foot;

/* blur_px: of optics and pixel together. Not finding it is no error. */
sp_status sp_wire_foot_fit(const sp_view *view, const sp_foot_task *task, double px_per_mm, double blur_px,
                           sp_foot *foot, sp_error *err);

/* ---- the nut's face: see wire_face.c ---------------------------------------------------------------------------- */

/* What faces look like with this blur (optics_px: without the pixel), for all edges of a picture. NULL: no memory. */
typedef struct sp_wire_face_tables sp_wire_face_tables;
sp_wire_face_tables *sp_wire_face_prepare(double px_per_mm, double optics_px); /* to be freed by free() */

/* Where about the edge that shows the nut ends and the board begins; `toward` is where the frets lie. *u_px: what the
 * section leaves open, standard. *found = false where too little of the edge is in the picture. On drawn nuts of other
 * forms than those tried (chamfers, rounded rims under lamps, joints, shadows; 300 and 600 dpi): rms 31 um. */
sp_status sp_wire_face_find(const sp_view *view, const sp_wire_line *edge, int toward, double px_per_mm,
                            const sp_wire_face_tables *prepared, double *face_px, double *u_px, bool *found,
                            sp_error *err);

#endif
