/* slotproof/rule.h: finding a rule in the picture, reading its strokes, telling its graduation.
 *
 * Knows pixels only: what the strokes mean in millimetres is decided in reference. Frames: u along the rule (within a
 * few degrees), v across, see scene.h.
 */
#ifndef SLOTPROOF_RULE_H
#define SLOTPROOF_RULE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "slotproof/scene.h"
#include "slotproof/status.h"

/* A slanted band of the picture in which evenly spaced strokes were seen. */
typedef struct sp_comb {
  sp_along along;
  double period_px;
  double slope;    /* dv/du of the band */
  double v0_px;    /* v of the band's middle at u = 0 */
  double strength; /* summed periodicity; for comparing combs of one picture */
  bool opposite;   /* to read what else would be taken for the gaps between the strokes; found combs are not */
} sp_comb;

enum { SP_MAX_COMBS = 6 };

/* Looks for combs in the strips along both axes; the strongest first. Returns how many. */
sp_status sp_rule_find(const sp_scene *scene, sp_comb combs[SP_MAX_COMBS], size_t *count, sp_error *err);
/* The same along one axis only; the scene need have no strips along the other. */
sp_status sp_rule_find_along(const sp_scene *scene, sp_along along, sp_comb combs[SP_MAX_COMBS / 2], size_t *count,
                             sp_error *err);

/* The same for rules of which few strokes are in sight (fewer than about 110 along the picture's longer side), whose
 * periods escape the search above; slower, and easier to deceive. */
sp_status sp_rule_find_few(const sp_scene *scene, sp_comb combs[SP_MAX_COMBS], size_t *count, sp_error *err);

/* A short stretch of the picture with a period: what bands are made of. (u, v) is its middle. */
typedef struct sp_rule_stretch {
  double u_px, v_px, period_px, weight;
} sp_rule_stretch;

enum { SP_RULE_STRETCHES = 480 };

/* The liveliest stretches of one axis that have a period, whether or not they lie on one straight line with one period:
 * for pictures in which a rule is drawn curved and its graduations unevenly. At most SP_RULE_STRETCHES. */
sp_status sp_rule_stretches(const sp_scene *scene, sp_along along, sp_rule_stretch list[SP_RULE_STRETCHES],
                            size_t *count, sp_error *err);

typedef struct sp_stroke {
  int32_t index; /* number of the graduation, counted along u */
  double u_px;   /* where its middle crosses the line v = base_v0 + slope u */
  /* the stroke by itself, over its own length: its middle, du/dv beyond square to that line, and the standard
   * uncertainties of both from the picture's noise; NAN where it is too short to have a direction */
  double own_u_px, own_v_px, lean;
  double u_own_u_px, u_lean;
  double own_length_px; /* over how much of it, across; 0 where it has no direction */
  double amplitude; /* grey of the stroke against the steel, signed */
  double length_px; /* how far the stroke reaches across from the rule's edge, in px; comparable among strokes */
  double residual_mm;
  bool good;
} sp_stroke;

/* Where the band of strokes lies across, from the length of the strokes in one block along u. */
typedef struct sp_rule_drift {
  double u_px, v_px; /* v of the base line there */
  double weight;     /* 0..1 */
} sp_rule_drift;

/* A rule's strokes as read at full resolution. */
typedef struct sp_rule_reading {
  sp_along along;
  double slope;                  /* dv/du along the rule */
  double base_v0_px;             /* the line on which the strokes were read, at u = 0 */
  double band_v0_px, band_v1_px; /* extent of the strokes across, at u = 0 */
  double period_px;              /* mean */
  double stroke_px, blur_px;     /* the strokes' common width, and the blur of their edges */
  double blur_sd_log;            /* how well that is known (of its logarithm); the width then is wrong the other way */
  bool colour_open;              /* strokes and gaps are so much alike that either may be the other */
  bool lengths_cut;              /* some strokes run on beyond what was read: how long the longest are is not known */
  sp_stroke *strokes;
  size_t count;
  sp_rule_drift *drift; /* in order of u */
  size_t drift_count;
} sp_rule_reading;

/* Reads the strokes of one comb. `comb` need be right only to a few per cent and strips. Too few strokes is no error.
 * Free with sp_rule_reading_free. */
sp_status sp_rule_read(const sp_scene *scene, const sp_comb *comb, sp_rule_reading *reading, sp_error *err);
void sp_rule_reading_free(sp_rule_reading *reading);

typedef enum sp_graduation_kind {
  SP_GRADUATION_MM,
  SP_GRADUATION_HALF_MM,
  SP_GRADUATION_INCH_16,
  SP_GRADUATION_INCH_32,
  SP_GRADUATION_INCH_64,
  SP_GRADUATION_INCH_50,
  SP_GRADUATION_PATTERNS, /* the kinds above differ in the pattern of their strokes; those below look like 1 mm ... */
  SP_GRADUATION_INCH_10 = SP_GRADUATION_PATTERNS,
  SP_GRADUATION_INCH_100,
  SP_GRADUATION_INCH_20, /* ... and this one like 0.5 mm */
  SP_GRADUATION_KINDS
} sp_graduation_kind;

extern const double SP_GRADUATION_MM_OF[SP_GRADUATION_KINDS];
extern const char *const SP_GRADUATION_NAME[SP_GRADUATION_KINDS]; /* "1 mm", "1/64 in" ... */
/* The kind (as int) whose strokes are so far apart; -1: none. */
int sp_graduation_of_mm(double graduation_mm);

/* Evidence for each kind from the pattern of longer strokes: log-likelihood (nats) above "no pattern". */
sp_status sp_rule_pattern(const sp_rule_reading *reading, double evidence[SP_GRADUATION_KINDS], sp_error *err);

/* Whether the longest strokes that a kind would have are longer than the next ones. Fractions of an inch are all alike
 * but for where the inch itself stands, so without that one cannot be told from another of half the spacing. */
typedef enum sp_rule_top {
  SP_RULE_TOP_UNSEEN,   /* too few to tell */
  SP_RULE_TOP_UNLIKELY, /* half of many are not */
  SP_RULE_TOP_ABSENT,   /* not one is, of some */
  SP_RULE_TOP_STANDS_OUT
} sp_rule_top;
sp_status sp_rule_top_level(const sp_rule_reading *reading, sp_graduation_kind kind, sp_rule_top *top, sp_error *err);

#endif
