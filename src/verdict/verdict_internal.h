/* Inside the verdict module. */
#ifndef SP_VERDICT_INTERNAL_H
#define SP_VERDICT_INTERNAL_H

#include "slotproof/verdict.h"

/* What all marks of a picture share. */
typedef struct frame {
  const sp_reference *ref;
  const sp_marks *marks;
  bool mm;       /* false: lengths are pixels */
  double rate;   /* mean mm per px along the board */
  double across; /* mm per px across */
  double tilt;   /* angle of the centre line against the u axis, in the straightened plane */
  double cosine;
  double even_rate; /* mm per even px: of slopes; NAN where they are measured in the picture's own */
} frame;

typedef struct datum {
  sp_datum_kind kind;
  double u_px;     /* place in the picture, where there is one */
  double u_u_px;   /* its standard uncertainty, px */
  double place;    /* mm, frame of place_of */
  double u_fit_mm; /* for SP_DATUM_FIT */
  double rival_mm; /* how far off the nut is if it is not this; 0: it is */
  double lean;
} datum;

/* ---- frame.c ---- */

frame verdict_frame_of(const sp_reference *ref, const sp_marks *marks);
/* Millimetres (or px) along the image axis; their rate per px. */
double verdict_along_mm(const frame *f, double u_px);
double verdict_rate_at(const frame *f, double u_px);
/* Place along the centre line, mm (or px), arbitrary origin. */
double verdict_place_of(const frame *f, double u_px);
/* mm per px of a slope's numerator at u: of even pixels where the slopes are measured in those. */
double verdict_slope_rate(const frame *f, double u_px);
/* Cosine of a line's angle against the v axis: what lengths along u have across the line. */
double verdict_across(const frame *f, double u_px, double slope);
/* Lean of a line against square to the centre line, rad: positive where it moves toward +u with growing v. */
double verdict_lean_of(const frame *f, double u_px, double slope);
sp_point verdict_point_on(const frame *f, double u, double v);
/* Sign of the board's y axis against v: y points right when looking from nut to bridge, face up. */
int verdict_y_sign(const frame *f, int direction);
/* Standard uncertainty of a lean, rad: the line's, the centre line's, and that of the pixels' aspect, which turns the
 * line one way and the centre line the other. */
double verdict_u_lean(const frame *f, double u_px, double slope, double u_slope);
/* Ends and middle in the picture, of a line through (u, v) from v_a to v_b. */
void verdict_draw_places(const frame *f, int direction, double u, double v, double slope, double v_a, double v_b,
                         sp_mark_record *mark);

/* ---- budget.c ---- */

/* Standard uncertainty of the datum's place, mm. */
double verdict_datum_u_mm(const frame *f, const datum *d);

double verdict_temperature_factor(const sp_verdict_options *options);
sp_verdict verdict_decide(double error_mm, double expanded_mm, double tolerance_mm);

/* Standard uncertainties for a place x_mm from the datum and y_v_mm off the centre line, y in the direction of v: of
 * the map; of the centre line's place and direction, for a line of this lean that meets it at `place`; of what goes
 * with the distance, rule and temperature (NAN if none was told). */
double verdict_map_u_mm(const frame *f, const datum *d, double u_px, double x_mm, double y_v_mm);
double verdict_axis_u_mm(const frame *f, const datum *d, double lean, double place, double y_v_mm);
double verdict_rule_u_mm(const frame *f, double x_mm);
double verdict_temperature_u_mm(const sp_verdict_options *options, double x_mm);

sp_budget verdict_budget_of(const frame *f, const datum *d, const sp_mark *m, double x_mm,
                            const sp_verdict_options *options);
/* All parts together, k = 1. */
double verdict_combined_u_mm(const sp_budget *budget);
/* At this fret: a length, or cents turned into the shift that makes them, the tighter of the two. */
double verdict_tolerance_mm(const sp_layout *layout, int32_t fret, const sp_verdict_options *options);

/* ---- mark.c ---- */

/* Cents by which a note at this fret is sharp if the fret lies `error_mm` too near the bridge; NAN beyond the bridge.
 */
double verdict_cents_of(const sp_layout *layout, int32_t fret, double error_mm);
/* A mark of which nothing is known yet. */
void verdict_blank_mark(int32_t fret, const sp_layout *layout, sp_mark_record *mark);
/* How far off the line lies that would do as well for this fret, mm; INFINITY: there is none. */
double verdict_rival_mm(const frame *f, const sp_match *match, int32_t fret);
void verdict_judge_mark(const frame *f, const sp_layout *layout, const sp_match *match, const datum *d,
                        const sp_mark *m, const sp_verdict_options *options, sp_mark_record *mark);
void verdict_judge_nut(const frame *f, const sp_layout *layout, const sp_match *match, const datum *d,
                       const sp_verdict_options *options, sp_mark_record *mark);

/* ---- fit.c ---- */

typedef struct best_fit {
  bool known;
  double origin, scale; /* place = origin + direction * scale * (layout / L) */
  double u_origin, u_scale, rms;
} best_fit;

/* How many frets from `from` on have a line. */
size_t verdict_matched(const sp_match *match, int32_t frets, int32_t from);
sp_status verdict_fit_layout(const frame *f, const sp_layout *layout, const sp_match *match, best_fit *fit,
                             sp_error *err);
/* Without a scale: cents against the best-fitting layout. */
void verdict_judge_ratios(const frame *f, const sp_layout *layout, const sp_match *match, const best_fit *fit,
                          sp_record *record);

/* ---- edges.c ---- */

/* A line as it crosses the centre line. */
typedef struct crossing {
  double u_px, v_px, slope, u_u_px, u_slope, cov_u_slope;
  bool is_datum; /* the nut: its place is none of its errors */
} crossing;

/* Fills edges of a mark that was found; leaves them unknown where the board's sides do not show. */
void verdict_edges(const frame *f, const sp_layout *layout, int direction, const datum *d, const crossing *line,
                   const sp_verdict_options *options, sp_mark_record *mark);

#endif
