/* Inside the reference module: finding a rule, reading its strokes, telling its graduation. */
#ifndef SP_REFERENCE_RULE_H
#define SP_REFERENCE_RULE_H

#include <stdbool.h>
#include <stddef.h>

#include "slotproof/reference.h"
#include "slotproof/scene.h"

/* A slanted band of the picture in which evenly spaced strokes were seen. */
typedef struct sp_comb {
  sp_along along;
  double period_px;
  double slope;    /* dv/du of the band */
  double v0_px;    /* v of the band's middle at u = 0 */
  double strength; /* summed periodicity; for comparing combs of one picture */
} sp_comb;

enum { SP_MAX_COMBS = 6 };

/* Looks for combs in the strips along both axes; the strongest first. Returns how many. */
sp_status sp_rule_find(const sp_scene *scene, sp_comb combs[SP_MAX_COMBS], size_t *count, sp_error *err);

typedef struct sp_stroke {
  int32_t index;    /* number of the graduation, counted along u */
  double u_px;      /* where its middle crosses the line v = base_v0 + slope u */
  double amplitude; /* grey of the stroke against the steel, signed */
  double length_px; /* how far the stroke reaches across from the rule's edge, in px; comparable among strokes */
  double residual_mm;
  bool good;
} sp_stroke;

/* A rule's strokes as read at full resolution. */
typedef struct sp_rule_reading {
  sp_along along;
  double slope;                  /* dv/du along the rule */
  double base_v0_px;             /* the line on which the strokes were read, at u = 0 */
  double band_v0_px, band_v1_px; /* extent of the strokes across, at u = 0 */
  double period_px;              /* mean */
  double stroke_px, blur_px;     /* the strokes' common width, and the blur of their edges */
  double blur_sd_log;            /* how well that is known (of its logarithm); the width then is wrong the other way */
  bool lengths_cut;              /* some strokes run on beyond what was read: how long the longest are is not known */
  sp_stroke *strokes;
  size_t count;
} sp_rule_reading;

sp_status sp_rule_read(const sp_scene *scene, const sp_comb *comb, sp_rule_reading *reading, sp_error *err);
void sp_rule_reading_free(sp_rule_reading *reading);

typedef enum sp_graduation_kind {
  SP_GRADUATION_MM,
  SP_GRADUATION_HALF_MM,
  SP_GRADUATION_INCH_32,
  SP_GRADUATION_INCH_64,
  SP_GRADUATION_KINDS
} sp_graduation_kind;

extern const double SP_GRADUATION_MM_OF[SP_GRADUATION_KINDS];

/* Evidence for each kind from the pattern of longer strokes: log-likelihood (nats) above "no pattern". */
sp_status sp_rule_pattern(const sp_rule_reading *reading, double evidence[SP_GRADUATION_KINDS], sp_error *err);

#endif
