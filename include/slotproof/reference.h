/* slotproof/reference.h: millimetres from pixels.
 *
 * A scanner's carriage does not travel evenly and its optics do not draw evenly, but on a flatbed each of the two
 * distortions is a function of ONE image coordinate: all pixels of a row were taken at one place of the carriage, all
 * pixels of a column by one place of the sensor. So the picture is straightened axis by axis first, U_mm = f(u_px)
 * along the board, f from the rule's graduations, V_mm = s v_px    across it, s a constant, and plane geometry is done
 * after, in (U, V).
 */
#ifndef SLOTPROOF_REFERENCE_H
#define SLOTPROOF_REFERENCE_H

#include <stdbool.h>
#include <stddef.h>

#include "slotproof/check.h"
#include "slotproof/profile.h"
#include "slotproof/record.h"
#include "slotproof/scene.h"
#include "slotproof/status.h"

/* f as a straight line plus a sum of harmonics whose sizes have a Gaussian prior (a Gaussian process of reduced rank:
 * A. Solin, S. Sarkka, "Hilbert space methods for reduced-rank Gaussian process regression", Stat. Comput. 30, 2020).
 * Outside the span of the graduations the prior takes over, so the uncertainty grows by itself. */
typedef struct sp_scale_map {
  bool known; /* false: no scale; U is in pixels then */
  sp_along along;
  size_t terms;              /* 2 + number of harmonics */
  double *weights;           /* terms */
  double *covariance;        /* terms x terms, row-major, mm^2 */
  double centre_px, half_px; /* the harmonics vanish at centre -+ half */
  double first_px, last_px;  /* span of what was read */
  double across_mm_per_px;   /* s */
  double u_across_relative;  /* relative standard uncertainty of s */
  double wave_sd_mm;         /* prior size of the unevenness, as fitted */
  double noise_mm;           /* scatter of one graduation about the map */
  /* A board joined from several pictures is measured in a picture that there is not: U is exact there, and what the
   * pictures leave in doubt stands in a table instead of `covariance`. NULL elsewhere; owned. */
  size_t places;
  double *place_px;              /* by rising u */
  double *place_covariance_mm2;  /* places x places */
} sp_scale_map;

double sp_scale_map_along_mm(const sp_scale_map *map, double u_px);
/* dU/du at u, mm per px. */
double sp_scale_map_rate(const sp_scale_map *map, double u_px);
/* Mean rate over what was read, mm per px: of an even picture; and that picture's u less u. */
double sp_scale_map_even_rate(const sp_scale_map *map);
double sp_scale_map_uneven_px(const sp_scale_map *map, double u_px);
/* Covariance of f(a) - f(b), f(c) - f(b) in mm^2: what matters for two marks measured from one datum. */
double sp_scale_map_covariance_mm2(const sp_scale_map *map, double a_px, double b_px, double c_px);
/* Covariance of f(a) and f(c) themselves in mm^2: against the rule's own graduations. */
double sp_scale_map_place_covariance_mm2(const sp_scale_map *map, double a_px, double c_px);
/* The u at which the map reads along_mm, beyond the picture's ends too. */
double sp_scale_map_place_px(const sp_scale_map *map, double along_mm);
/* The map of a constant scale (stated dpi, or a known distance): mm per px and its relative standard uncertainty. */
sp_status sp_scale_map_constant(sp_along along, double mm_per_px, double u_relative, double length_px,
                                sp_scale_map *map, sp_error *err);
/* The map of a calibrated axis, `across` being the other one (not known: NULL). Its covariance holds what the profile
 * leaves in doubt: the scale from scan to scan, and an unevenness that did not repeat. */
sp_status sp_scale_map_profile(sp_along along, const sp_profile_axis *axis, const sp_profile_axis *across,
                               double length_px, sp_scale_map *map, sp_error *err);
/* Fits the map: u_px[i] lies at U_mm[i], weight w[i] in 0..1. `length_px` is the picture's extent along u. */
sp_status sp_scale_map_fit(sp_along along, size_t count, const double *u_px, const double *along_mm,
                           const double *weight, double length_px, sp_scale_map *map, sp_error *err);
/* Readings of one body or several, each rigid, whose places to one another are not known (pieces of a printed strip):
 * u_px[i] lies at along_mm[i] in the frame of body[i], 0 .. bodies - 1. `body` may be NULL for one. Neighbouring
 * entries are neighbouring graduations, by rising u within a body. */
typedef struct sp_scale_readings {
  size_t count;
  const double *u_px, *along_mm, *weight;
  const size_t *body;
  size_t bodies;
} sp_scale_readings;

/* Fits one map and where each body lies: U_mm = along_mm - offset_mm[body], the first one's being 0. What their places
 * leave open is in the map's covariance. `offset_mm` holds `bodies` values, or is NULL. */
sp_status sp_scale_map_fit_bodies(sp_along along, const sp_scale_readings *readings, double length_px,
                                  sp_scale_map *map, double *offset_mm, sp_error *err);
void sp_scale_map_free(sp_scale_map *map);

/* A printed strip's piece as it lies in the picture: its print is none of the board's lines. */
typedef struct sp_strip_area {
  sp_point corner_px[4]; /* round the paper */
  double paper;          /* its grey, raster counts */
} sp_strip_area;

enum { SP_MOST_STRIP_AREAS = 8 };

/* One stroke of the rule: by how much it leans from square to the rule, as drawn (du/dv). Of a photograph's, also what
 * the pixels may have turned it by (reference/pixel_waves.c), for one px of each of these waves; else 0. */
enum { SP_PIXEL_WAVES = 3 };
typedef struct sp_lean {
  double u_px, lean, u_lean;
  double middle_u_px, middle_v_px, length_px; /* what was read of it; 0 long where that does not matter */
  double wave[SP_PIXEL_WAVES];
} sp_lean;

/* Fills `wave` of a stroke whose places are read a little wrong by how they lie between a picture's pixels. `from` and
 * `to` are the ends, in the picture's px, of what was read of the stroke; `along` is one px further along the rule than
 * its middle. */
void sp_lean_waves(sp_lean *lean, sp_point from, sp_point to, sp_point along);

/* Where a lens has drawn the picture, what is square to the rule on the board may be drawn a little otherwise at either
 * end: du/dv = sum c_i t^i with t = (u - centre) / half. Known only of straightened photographs; a scanner has none. */
enum { SP_SQUARE_TERMS = 4 };
typedef struct sp_square_map {
  bool known;
  double centre_px, half_px;
  double v0_px, slope; /* the line the scale was read on: v = v0 + slope u */
  double coefficient[SP_SQUARE_TERMS];
  double covariance[SP_SQUARE_TERMS * SP_SQUARE_TERMS];
} sp_square_map;

/* du/dv of what is square to the rule at u; 0 if not known. */
double sp_square_map_lean(const sp_square_map *map, double u_px);
/* Variance of lean(a) - lean(b); with b = NAN of lean(a) alone. 0 if not known. */
double sp_square_map_variance(const sp_square_map *map, double a_px, double b_px);
/* Variance of across_a lean(a) - across_b lean(b): of what lies so far from the line the scale was read on. */
double sp_square_map_carried_variance(const sp_square_map *map, double a_px, double across_a, double b_px,
                                      double across_b);

/* What became of what somebody says that strokes of the rule read. */
typedef enum sp_told_strokes {
  SP_TOLD_UNUSED,      /* nothing was said, too little, or there is no rule */
  SP_TOLD_AGREES,      /* the rule's graduation is the same without it */
  SP_TOLD_SETTLED,     /* it settled what the graduation is */
  SP_TOLD_CONTRADICTED /* the rule cannot read so: there is no scale, and `reason` says why */
} sp_told_strokes;

/* What a reading of the reference gives: the map, the record of it, and where the rule lies (so that its own strokes
 * are not taken for lines on the board). */
typedef struct sp_reference {
  sp_scale_map map;
  sp_reference_record record;
  bool has_band; /* a rule was found, whether or not it gives the scale: its strokes lie in v = band_v0 + slope u ..
                    band_v1 + slope u */
  sp_along band_along;
  double band_v0_px, band_v1_px, slope;
  double blur_px;     /* Gaussian blur as seen on the strokes (sd, optics alone: the pixel comes on top); NAN unknown */
  double blur_sd_log; /* standard deviation of its logarithm */
  sp_strip_area area[SP_MOST_STRIP_AREAS];
  size_t area_count;
  bool no_tag; /* a glance for a printed strip showed none of its tags */
  sp_lean *leans; /* of the strokes read, in order of u; owned */
  size_t lean_count;
  /* Photographs: what joins a stroke of the rule's other edge to the same reading on the line that was read, as a lean.
   * Where the two edges' strokes begin is not known, so all have a constant in common. Owned; 0 if there is no other
   * edge. */
  sp_lean *edge_leans;
  size_t edge_lean_count;
  double edge_apart_px;          /* from the one edge to the other, across, on the mean */
  double line_v0_px, line_slope; /* the line they were read on */
  sp_square_map square;
  sp_told_strokes told;
  char reason[240];  /* why there is no scale, if so; one sentence */
  char warning[240]; /* usable, with reservations; empty if none */
} sp_reference;

/* Reads the scale as the options ask. Not finding one is no error: map.known is false and `reason` says why.
 * `stated_dpi` (NAN if none) is a hint only. Free with sp_reference_free. */
sp_status sp_reference_read(const sp_scene *scene, double stated_dpi_x, double stated_dpi_y,
                            const sp_reference_options *options, sp_reference *reference, sp_error *err);
/* Works out `square` of a straightened photograph from the strokes' leans and from the lines on the board: those were
 * squared by one hand, so they share one angle (unknown) and scatter about it (unknown too). `u_px`, `slope` (du/dv)
 * and `u_slope` are the lines'. */
sp_status sp_reference_square(sp_reference *reference, const double *u_px, const double *slope, const double *u_slope,
                              size_t count, sp_error *err);
void sp_reference_free(sp_reference *reference);

#endif
