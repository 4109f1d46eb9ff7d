/* Inside the match module: the model (how likely are these lines under a hypothesis), the search and the refinement. */
#ifndef SP_MATCH_INTERNAL_H
#define SP_MATCH_INTERNAL_H

#include "slotproof/match.h"

/* One line as the model sees it, x growing from the nut toward the bridge. */
typedef struct sp_model_line {
  double x;         /* place, units of the input */
  double u;         /* its standard uncertainty, the same units */
  bool part;        /* serves partial frets only */
  bool nut_only;    /* serves the nut only */
  double askew;     /* nats that its lean speaks against a mark, 0 or less */
  double strength;  /* against the reference strength of a mark */
  double base;      /* log (chance that a mark looks so / clutter of this look in the whole extent) */
  double base_even; /* the same where strays are as common as lines are: for the test against pure clutter */
  double inverse_var[2], log_peak[2]; /* core and shoulder of the hand error, widened by u; 1/mm^2 and log(1/mm) */
  size_t id;                          /* index in the caller's array */
} sp_model_line;

typedef struct sp_model {
  size_t count;
  sp_model_line *line[2]; /* [0] as the positions grow; [1] mirrored: x = -position */
  double base_most;       /* the largest base of all lines */
  double extent;          /* units: the stretch in which lines can lie */
  const sp_layout *layout;
  const sp_match_options *options;
  size_t frets;        /* after the nut */
  double *reach_mm;    /* frets + 1: how far from its place a fret is looked for, for the layout as asked */
  ptrdiff_t *assigned; /* scratch of refinement, frets + 1 */
} sp_model;

/* A hypothesis: fret k lies at x = origin + stretch * position_mm[k] in the frame of line[mirrored]. */
typedef struct sp_hypothesis {
  bool mirrored;
  bool free;      /* stretch was fitted; false: it follows the scale of the picture */
  double origin;  /* units */
  double stretch; /* units per layout mm */
  double score;   /* nats above "no board: all lines are clutter" */
} sp_hypothesis;

/* A hypothesis after refinement, with the assignment. `line` holds frets + 1 caller's indices, -1 = none. */
typedef struct sp_fit {
  sp_hypothesis h;
  bool valid;
  bool nut_is_end;
  double score_even;     /* nats, with strays as common as lines: the test against pure clutter */
  size_t near_count;     /* lines at their place within what the hand does */
  ptrdiff_t first, last; /* frets */
  ptrdiff_t *line;
} sp_fit;

sp_status sp_model_init(sp_model *model, const sp_match_line *lines, size_t count, const sp_layout *layout,
                        const sp_match_options *options, sp_error *err);
void sp_model_free(sp_model *model);
/* In 0..1 whatever is in the input. */
double sp_line_strength(const sp_match_line *line);
/* The strength of a mark: that of the `rank`-th strongest line, or a given value; sets base of every line. */
double sp_model_strong(const sp_model *model, size_t rank);
void sp_model_set_reference(sp_model *model, double strength);
/* Widens the hand error of every line by its own uncertainty at this many mm per unit (0: leaves it out). */
void sp_model_set_unit(sp_model *model, double mm_per_unit);
/* Where the nut stands: at the origin, unless it is shifted. */
double sp_model_nut(const sp_model *model, const sp_hypothesis *h);
/* May this line be fret k, whatever its place? */
bool sp_model_suits(const sp_model *model, const sp_model_line *line, size_t k);
/* mm of the board per unit under a hypothesis: 1 where the scale is known. */
double sp_model_unit(const sp_model *model, const sp_hypothesis *h);

/* What scoring finds besides the score; line_of_fret holds indices into model->line[mirrored]. */
typedef struct sp_assignment {
  ptrdiff_t *line_of_fret;
  ptrdiff_t first, last;
  bool nut_is_end;
  double score_even;
} sp_assignment;

/* Log-likelihood ratio of the best assignment; `a` may be NULL where only the score is wanted. -INFINITY if there is
 * none or it cannot reach `floor`. */
double sp_model_score(const sp_model *model, const sp_hypothesis *h, double floor, sp_assignment *a);

/* What line l as fret k brings, without regard to the nut's end; -INFINITY out of reach. */
double sp_model_gain(const sp_model *model, const sp_hypothesis *h, size_t k, const sp_model_line *l);

/* The best hypotheses that differ in place, best first; returns how many. Lines that are to propose places come from
 * the strong ones only. */
enum { SP_MATCH_KEEP = 32 };
/* Hypotheses worse than the best by this much, nats, are of no account. */
#define SP_MATCH_DEPTH 60.0
typedef struct sp_shortlist {
  size_t count;
  sp_hypothesis h[SP_MATCH_KEEP];
} sp_shortlist;
sp_status sp_search_fixed(const sp_model *model, sp_shortlist *list, sp_error *err);
sp_status sp_search_free(const sp_model *model, double least_stretch, double most_stretch, sp_shortlist *list,
                         sp_error *err);

/* Robust fit and re-assignment in turns, from a seed. `fit->line` must be allocated. */
void sp_refine(sp_model *model, const sp_hypothesis *seed, bool free, sp_fit *fit);

#endif
