/* slotproof/intonation.h: why a fretted instrument sounds out of tune. Numbers only: no file, no wording.
 *
 * Frame: x in mm from the record's datum along the centre line, + toward the bridge. Cents are against the computed
 * layout's own steps (equal temperament where it has 12 divisions), + is sharp. Strings are counted from 0 here (string
 * 1 of the reports is [0]). What is not known is NAN.
 *
 * The model of one note, string i stopped at fret k (k = 0: open), N the place of the nut's face, S that of the
 * string's contact on the saddle, x the fret, K = 1200 / ln 2: cents = tuning_i + [K ln((S - N)/(S - x)) - step_k] +
 * stiffness_i,k + factor * stretch_i,k       (k >= 1) cents = tuning_i (k = 0) The bracket parts exactly into frets   K
 * ln((S - c)/(S - x))               c: the computed place of the fret nut     K ln((S - N)/S) saddle  K ln(S/(S - c)) -
 * step_k            0 where S is the scale length Stiffness: ends held fast (clamped), f = n f0 sqrt(1 + B n^2) (1 +
 * (2/pi) sqrt B + (4/pi^2) B), B = pi^3 E d^4/(64 T L^2) (Fletcher & Rossing, The Physics of Musical Instruments), d
 * being the core's diameter. A string held less firmly gives less. To first order it is a constant length added at each
 * stopped note, so readings can never tell it from the saddle's place. Stretch: straight from nut to fret top to
 * saddle; strain e, 600 log2(1 + (E A/T) e) for the tension and the slope of the sounding part. A finger that presses
 * deep, or string beyond nut and saddle that yields too, is the factor.
 */
#ifndef SLOTPROOF_INTONATION_H
#define SLOTPROOF_INTONATION_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "slotproof/status.h"

enum { SP_MAX_STRINGS = 24, SP_MAX_READINGS = 5000 };

/* Cents per unit of ln(frequency): 1200 / ln 2. */
#define SP_CENTS_PER_NEPER 1731.2340490667561

/* ---- one string ---- */

typedef struct sp_string {
  double saddle_mm;        /* place of its contact on the saddle; needed */
  double note_hz;          /* open; the rest may be NAN */
  double diameter_mm;      /* whole string */
  double unit_weight_kg_m; /* NAN: from diameter and density */
  double core_diameter_mm; /* what bends and stretches; NAN: the whole string */
  double young_gpa, density_kg_m3;
  double height_12_mm;  /* over the fret tops at half the scale length (fret 12 of twelve divisions) */
  double nut_height_mm; /* over the plane of the fret tops, at the nut; NAN: 0 */
} sp_string;

/* Everything NAN. */
void sp_string_init(sp_string *string);
/* rho pi d^2/4 unless the unit weight is given. */
double sp_string_mass_kg_m(const sp_string *string);
/* mu (2 L f)^2: Mersenne's law. */
double sp_string_tension_n(const sp_string *string, double length_mm);
/* E A / T of the core: by what part of itself the tension grows for a strain of 1. */
double sp_string_stretch_ratio(const sp_string *string, double tension_n);
/* B for a sounding length. */
double sp_string_inharmonicity(const sp_string *string, double tension_n, double length_mm);
/* How sharp clamped ends make the first partial, from B. */
double sp_stiffness_cents(double b);
/* Strain of a string from (0, nut_height) to (length, saddle_height) that is pressed to height 0 at `fret_mm`. */
double sp_fretting_strain(double length_mm, double fret_mm, double nut_height_mm, double saddle_height_mm);
/* 600 log2(1 + ratio strain). */
double sp_stretch_cents(double ratio, double strain);
/* How flat a length sounds for sloping by `rise_mm` over `run_mm`: <= 0. */
double sp_slope_cents(double run_mm, double rise_mm);

/* ---- the instrument ---- */

typedef struct sp_fret_place {
  double x_mm;      /* NAN: not measured */
  double layout_mm; /* computed */
  double u_mm;      /* standard uncertainty of x_mm, the datum's share included */
} sp_fret_place;

typedef struct sp_instrument {
  double scale_length_mm;
  double nut_mm;             /* N */
  double datum_u_mm;         /* shared by all frets */
  const sp_fret_place *fret; /* [0] is the nut and is not used; not owned */
  int32_t frets;             /* after the nut */
  size_t strings;
  sp_string string[SP_MAX_STRINGS];
} sp_instrument;

typedef struct sp_intonation_reading {
  size_t string;
  int32_t fret; /* 0 = open */
  double cents;
  double u_cents; /* standard uncertainty, > 0 */
} sp_intonation_reading;

/* ---- the diagnosis ---- */

typedef enum sp_part {
  SP_PART_TUNING, /* of the open string */
  SP_PART_FRETS,
  SP_PART_NUT,
  SP_PART_SADDLE, /* its place alone */
  SP_PART_STIFFNESS,
  SP_PART_STRETCH,
  SP_PART_REST, /* reading less all the above; 0 without readings */
  SP_PARTS
} sp_part;

/* Every cure begins with tuning the open strings. */
typedef enum sp_cure {
  SP_CURE_TUNE,
  SP_CURE_FRETS,  /* put where they were computed */
  SP_CURE_NUT,    /* moved, for all strings alike */
  SP_CURE_SADDLE, /* each string's contact moved */
  SP_CURE_NUT_SADDLE,
  SP_CURE_ALL,
  SP_CURES
} sp_cure;

typedef struct sp_estimate {
  bool known;      /* false: not fitted; value is what was assumed, u NAN */
  double value, u; /* standard uncertainty */
} sp_estimate;

typedef struct sp_note {
  size_t string;
  int32_t fret;
  double cents;          /* read, or predicted where nothing was read */
  double part[SP_PARTS]; /* they sum to cents */
  double after[SP_CURES];
} sp_note;

typedef struct sp_cure_result {
  bool possible;      /* false: what would have to be moved cannot be told */
  double rms, worst;  /* cents over the stopped notes; worst by size, signed */
  sp_estimate nut_mm; /* how far to move, + toward the bridge; known = false where it is left alone */
  sp_estimate saddle_mm[SP_MAX_STRINGS];
} sp_cure_result;

/* A value that the readings may determine. */
typedef enum sp_value_kind {
  SP_VALUE_TUNING,
  SP_VALUE_SADDLE,
  SP_VALUE_NUT,
  SP_VALUE_STRETCH,
  SP_VALUE_KINDS
} sp_value_kind;

typedef struct sp_value_name {
  sp_value_kind kind;
  size_t string; /* SP_MAX_STRINGS: of no one string */
} sp_value_name;

/* Two values that the readings tell apart badly (|r| above SP_STRONG_CORRELATION) or not at all (r NAN). */
typedef struct sp_entanglement {
  sp_value_name a, b;
  double correlation;
} sp_entanglement;
#define SP_STRONG_CORRELATION 0.95
enum { SP_MAX_ENTANGLEMENTS = 64 };

typedef struct sp_diagnosis {
  bool from_readings;
  size_t strings;
  sp_note *notes;
  size_t note_count;
  size_t left_out;            /* readings of frets whose place is not known */
  double rms, worst;          /* of all notes; worst by size, signed */
  size_t worst_note;          /* its index */
  double part_rms[SP_PARTS];  /* of that part's own cents */
  double part_left[SP_PARTS]; /* of what is left if that part were nil: parts may counteract, so this can exceed rms */
  sp_estimate nut_mm;         /* nut's contact beyond the place given */
  sp_estimate stretch_factor;
  sp_estimate saddle_mm[SP_MAX_STRINGS]; /* contact beyond the place given */
  sp_estimate tuning_cents[SP_MAX_STRINGS];
  bool stiffness_known[SP_MAX_STRINGS], stretch_known[SP_MAX_STRINGS]; /* string data sufficed */
  size_t degrees_of_freedom;
  double widened; /* factor on the readings' uncertainties: 1, or what their scatter demands (chi-squared test, 1 %) */
  sp_cure_result cure[SP_CURES];
  sp_entanglement tangled[SP_MAX_ENTANGLEMENTS];
  size_t tangled_count;
} sp_diagnosis;

/* With readings: least squares, weighted by their uncertainties, for the tuning of each string, its saddle's place, the
 * nut's place and the stretch factor, each only where the readings determine it (tangled[] names the others; the
 * stretch factor is also left at 1 where its uncertainty exceeds SP_MAX_U_STRETCH). Without (count 0): what nut, frets,
 * saddle and strings do together, for every string and measured fret; a string whose stretch is not known has its
 * saddle taken as right for it, and no move of that is named. The moves of each cure are those that leave the least rms
 * in the notes at hand; they do not need stretch and saddle told apart. Uncertainties hold the readings', the frets'
 * and the datum's; the marks' own are taken as independent of each other. The places given for nut and saddle count as
 * exact: what they are wrong by shows in nut_mm and saddle_mm. SP_E_DATA with a sentence: a place that makes no
 * instrument, no note left, a fit that does not end; SP_E_INTERNAL: memory. Free the result with sp_diagnosis_free; on
 * failure it is empty. */
sp_status sp_diagnose(const sp_instrument *instrument, const sp_intonation_reading *reading, size_t count,
                      sp_diagnosis *diagnosis, sp_error *err);
void sp_diagnosis_free(sp_diagnosis *diagnosis);
#define SP_MAX_U_STRETCH 0.5

#endif
