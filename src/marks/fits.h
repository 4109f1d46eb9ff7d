/* Inside the marks module: the candidates of a board and what their fits give. */
#ifndef SP_MARKS_FITS_H
#define SP_MARKS_FITS_H

#include "marks_internal.h"

enum { SP_MOST_CANDIDATES = 400 };
/* What the wood does by itself elsewhere on the board (planing chatter, above all) is no line: a mark is so many times
 * as significant. */
#define SP_LEAST_SIGNIFICANCE 4.5

/* What one burred line says of its burr, for both kinds: flat-topped, falling. */
typedef struct sp_burr_ballot {
  double cost[2], burr[2], width, height;
  double lesser; /* of the two sides' heights, against the higher one */
  int side;
} sp_burr_ballot;

/* One fit, for the workers: what goes in and what comes out. */
typedef struct sp_fit_job {
  sp_candidate candidate, seen;   /* seen: as the search saw it */
  size_t whole;                   /* of a part: the job that tries it as a whole fret */
  bool wanted, good, voted, ever; /* ever: good in this pass or an earlier one, with `found` */
  bool beside;                    /* another mark lies beside it */
  bool cancelled;                 /* a burr may cancel its area */
  sp_effort effort;
  sp_mark mark, found;
  double blur;
  sp_burr_ballot ballot;
  sp_status status;
  sp_error err;
} sp_fit_job;

typedef struct sp_fits {
  const sp_board *board; /* for partial frets */
  const sp_view *view;
  const sp_marks_options *o;
  const sp_expectation *expect;
  const sp_ground *ground;
  double min_coverage;
  sp_fit_job *job;
} sp_fits;

/* Fits all that are wanted, at the same time. */
sp_status sp_fits_run(sp_fits *fits, size_t count, sp_error *err);
/* v of the board's sides at u. */
void sp_fits_within_board(const sp_board *board, double u_px, double *v0_px, double *v1_px);
/* Does u lie beyond one of the ends that were found, or within `clear_px` of it? */
bool sp_fits_beyond_ends(const sp_board *board, double u_px, double clear_px);
/* What lies nearer to a mark than this is the same. */
double sp_fits_same_px(const sp_marks_options *options);
/* Where a line crosses the centre line. */
void sp_fits_cross_centre(const sp_board *board, double u_px, double slope, double v_ref_px, double *u_out_px,
                          double *v_out_px);

/* Height times length: how much a candidate shows. */
double sp_candidate_reach(const sp_candidate *candidate);

/* Leaves out what is far fainter than the better ones; the most visible come first. Returns how many are left. */
size_t sp_candidates_drop_faint(sp_candidate *candidates, size_t count);
/* Adds candidates that waves have hidden; the others stay in order. At most `room` in all (waves.c). */
sp_status sp_marks_search_hidden(const sp_scene *fine, const sp_marks_options *options, const sp_marks *marks,
                                 const sp_ground *ground, size_t room, sp_candidate *candidates, size_t *count,
                                 sp_error *err);

/* All candidates within the board, into marks->marks; `expect` as it is in the end. A partial fret may be longer by
 * group_px than it was seen. */
sp_status sp_fits_final(const sp_view *view, const sp_candidate *candidates, size_t count,
                        const sp_marks_options *options, double group_px, const sp_ground *ground,
                        sp_expectation *expect, sp_marks *marks, sp_error *err);

/* Adds the knife lines that lie beside unexplained ones (beside.c). */
sp_status sp_fits_look_beside(sp_fits *fits, size_t count, sp_marks *marks, sp_error *err);
/* May there be a slot beside the candidate of one job, of the same colour and much as visible? */
bool sp_fits_slot_beside(const sp_fits *fits, size_t count, size_t which);
/* Adds slots that lie beside others, and fits both together (two_slots.c). */
sp_status sp_fits_separate_slots(const sp_fits *fits, sp_marks *marks, sp_error *err);

/* Is this a mark of the kind sought? `beside`: another one is known to lie beside it. */
bool sp_marks_looks_like(const sp_line_fit *fit, const sp_mark *mark, double min_coverage, bool beside,
                         double px_per_mm, bool ground_measured);
/* The same for a cut whose burr cancels it, so that its area shows little: both together do. */
bool sp_marks_shows_with_burr(const sp_line_fit *fit, const sp_mark *mark, double min_coverage, double px_per_mm);
/* Contrast times the part of the line it shows along. */
double sp_mark_visibility(const sp_mark *mark);
/* Its cross-section leaves nothing over. */
bool sp_mark_is_well_explained(const sp_mark *mark);
/* How well a mark explains its place, against others of it. */
double sp_mark_explained(const sp_mark *mark);
/* Slope of a mark less that of the board's lines there, square to it or as its fan has it. */
double sp_mark_off_square(const sp_marks_options *options, const sp_board *board, const sp_mark *mark);
/* How far a mark runs as the board's lines do, square to it or as its fan has it: 1 exactly so, 0 not at all. */
double sp_mark_squareness(const sp_marks_options *options, const sp_board *board, const sp_mark *mark);
/* The colour of the better explained and squarer marks: light? */
bool sp_marks_mostly_light(const sp_marks_options *options, const sp_marks *marks);

/* Puts the marks in order and leaves out what is none beside the others (settle.c). */
sp_status sp_marks_settle(const sp_marks_options *options, sp_marks *marks, sp_error *err);

#endif
