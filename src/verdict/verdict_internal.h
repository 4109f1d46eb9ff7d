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
  double lean;
} datum;

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
double verdict_temperature_factor(const sp_verdict_options *options);
sp_verdict verdict_decide(double error_mm, double expanded_mm, double tolerance_mm);

/* Standard uncertainties for a place x_mm from the datum and y_v_mm off the centre line, y in the direction of v: of
 * the map; of the centre line's place and direction, for a line of this lean that meets it at `place`; of what goes
 * with the distance, rule and temperature (NAN if none was told). */
double verdict_map_u_mm(const frame *f, const datum *d, double u_px, double x_mm, double y_v_mm);
double verdict_axis_u_mm(const frame *f, const datum *d, double lean, double place, double y_v_mm);
double verdict_rule_u_mm(const frame *f, double x_mm);
double verdict_temperature_u_mm(const sp_verdict_options *options, double x_mm);

/* A line as it crosses the centre line. */
typedef struct crossing {
  double u_px, v_px, slope, u_u_px, u_slope, cov_u_slope;
  bool is_datum; /* the nut: its place is none of its errors */
} crossing;

/* Fills edges of a mark that was found; leaves them unknown where the board's sides do not show. */
void verdict_edges(const frame *f, const sp_layout *layout, int direction, const datum *d, const crossing *line,
                   const sp_verdict_options *options, sp_mark_record *mark);

#endif
