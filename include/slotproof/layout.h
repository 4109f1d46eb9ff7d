/* slotproof/layout.h: the computed fingerboard, and lengths as makers write them.
 *
 * The string is ideal and speaks from the fret to the theoretical saddle (no compensation): a fret that raises the open
 * string by c cents lies at
 *     position = L (1 - 2^(-c/1200))      from the nut, L being the scale length
 * (inverse proportion of length and frequency: Mersenne's law). Positions run from the nut toward the bridge in mm.
 */
#ifndef SLOTPROOF_LAYOUT_H
#define SLOTPROOF_LAYOUT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include "slotproof/status.h"

/* ---- Lengths and tolerances on the command line ---- */

typedef enum sp_length_sign {
  SP_LENGTH_POSITIVE,     /* > 0 */
  SP_LENGTH_NOT_NEGATIVE, /* 0 allowed */
  SP_LENGTH_SIGNED        /* any */
} sp_length_sign;

/* Reads a length with its unit: mm, cm, in, um (also written with the micro sign). The number is a decimal (648, 25.5),
 * a fraction (1/32) or a whole number and a proper fraction, parted by blanks or a hyphen (25 1/2, 25-1/2). Blanks
 * around number and unit are allowed. No exponent, at most 15 digits. The result is the exact value rounded once: an
 * inch is 25.4 mm exactly (NIST SP 811), so 25.5in is the double nearest 647.7. SP_E_USAGE with one sentence otherwise,
 * *length_mm then NAN. */
sp_status sp_parse_length(const char *text, sp_length_sign sign, double *length_mm, sp_error *err);

/* What was not given is NAN; at least one is not. */
typedef struct sp_tolerance {
  double tolerance_mm, tolerance_cents;
} sp_tolerance;

/* "0.2mm", "2c" or both with a comma between, in any order; each above 0. SP_E_USAGE otherwise, both then NAN. */
sp_status sp_parse_tolerance(const char *text, sp_tolerance *tolerance, sp_error *err);

/* ---- Layouts ---- */

enum { SP_LAYOUT_MAX_FRETS = 1000, SP_LAYOUT_NAME = 64 };
/* Ten octaves: 1/1024 of the string is left. */
#define SP_LAYOUT_MAX_CENTS 12000.0
/* A scale length outside is a slip of the unit. */
#define SP_SCALE_LENGTH_MIN_MM 10.0
#define SP_SCALE_LENGTH_MAX_MM 10000.0

/* Two scale lengths, that of the outermost string on the bass and on the treble side: the frets are then no longer
 * square to the centre line but fanned. What was not given is NAN. */
typedef struct sp_fan {
  double bass_mm, treble_mm;              /* scale lengths, taken along the centre line, as a single one is */
  double spread_nut_mm, spread_saddle_mm; /* between the two strings, across the board; the middle of both is the
                                              centre line */
  double square_fret;                     /* the fret that is square to the centre line: 0 (the nut) to the last, also
                                             between two frets (7.5) */
} sp_fan;

/* No fret lies more askew than this (dx/dy): 35 degrees. */
#define SP_FAN_MOST_SLOPE 0.7

/* The part of the board's width that a fret spans: `begin` to `end` from one long edge, as shares of the width at the
 * fret (0 to 1), or in mm. All zero: it spans the whole width. */
typedef struct sp_width_part {
  bool from_bass; /* counted from the bass edge; otherwise from the treble edge */
  bool in_mm;
  double begin, end; /* 0 <= begin < end; end = 0: the whole width */
} sp_width_part;

/* Owned: free with sp_layout_free. */
typedef struct sp_layout {
  double scale_length_mm;
  int32_t frets;       /* after the nut */
  int32_t divisions;   /* equal divisions of the octave; 0 = a step list */
  double *position_mm; /* frets + 1 values, strictly increasing, from the theoretical nut; [0] is the nut as it stands:
                          nut_shift_mm */
  double *cents;       /* frets + 1 values above the open string; [0] = 0 */
  char name[SP_LAYOUT_NAME]; /* of the board; "" = none */
  bool fanned;               /* `fan` holds; scale_length_mm and position_mm are those of the centre line */
  sp_fan fan;
  bool left_handed;     /* the bass is on the left, looking from the nut to the bridge at the face */
  double nut_shift_mm;  /* of a compensated nut: how much nearer to fret 1 it stands than the frets are computed
                           from; 0 for others */
  bool zero_fret;       /* the nut is a zero fret: a line from which everything counts, with a nut behind it */
  double nut_behind_mm; /* how far behind the zero fret that nut is meant to stand; NAN = not told */
  sp_width_part *part;  /* frets + 1 entries; NULL: every fret spans the whole width */
} sp_layout;

/* Equal divisions of the octave. SP_E_USAGE with a sentence if 1 <= frets <= SP_LAYOUT_MAX_FRETS, divisions >= 1, the
 * limits of the scale length or SP_LAYOUT_MAX_CENTS do not hold; SP_E_INTERNAL for lack of memory. On failure the
 * layout is all zero. */
sp_status sp_layout_equal(double scale_length_mm, int32_t frets, int32_t divisions, sp_layout *layout, sp_error *err);
/* Given steps: cents[0] belongs to fret 1. Uses the first `frets` of `count`; 0 < cents[0] < cents[1] < ... */
sp_status sp_layout_steps(double scale_length_mm, int32_t frets, const double *cents, size_t count, sp_layout *layout,
                          sp_error *err);
void sp_layout_free(sp_layout *layout);

/* A compensated nut: it stands shift_mm nearer to fret 1 (its first space is that much shorter), while the frets stay
 * where they are computed from the theoretical nut, L from the theoretical saddle. SP_E_USAGE unless it stays before
 * fret 1, by no more than SP_NUT_SHIFT_MOST_MM either way. */
#define SP_NUT_SHIFT_MOST_MM 5.0
sp_status sp_layout_shift_nut(sp_layout *layout, double shift_mm, sp_error *err);
/* A zero fret, with the nut behind_mm behind it (NAN = not told). SP_E_USAGE if the nut is shifted, or behind_mm is not
 * above 0 and at most SP_NUT_BEHIND_MOST_MM. */
#define SP_NUT_BEHIND_MOST_MM 30.0
sp_status sp_layout_zero_fret(sp_layout *layout, double behind_mm, sp_error *err);
/* Fret `fret` (1..frets) spans a part of the width only. SP_E_USAGE if there is no such fret, or no such part. */
sp_status sp_layout_set_part(sp_layout *layout, int32_t fret, sp_width_part part, sp_error *err);
/* Does this fret span a part of the width only? */
bool sp_layout_is_partial(const sp_layout *layout, int32_t fret);
/* That part from the bass edge, mm, for a board so wide there: 0 to width for a whole fret, cut at the edges. */
void sp_layout_part_mm(const sp_layout *layout, int32_t fret, double width_mm, double *begin_mm, double *end_mm);
/* The smallest share of the width that a partial fret spans, for a board about so wide; 1 if there is none. */
double sp_layout_least_part(const sp_layout *layout, double width_mm);

/* Reads partial frets as makers write them, "7 treble 40%", "13 bass 12.5mm", "6 treble 20% to 60%", with commas
 * between: fret, the edge that is counted from, how far it reaches, or from where to where. At most `room`; SP_E_USAGE
 * with one sentence otherwise. */
typedef struct sp_partial {
  int32_t fret;
  sp_width_part part;
} sp_partial;
sp_status sp_parse_partials(const char *text, size_t room, sp_partial *partials, size_t *count, sp_error *err);

/* A step as a ratio of frequencies to the open string: 3/2 is the fifth. 0/0: it was given in cents. */
typedef struct sp_ratio {
  uint32_t numerator, denominator;
} sp_ratio;

/* A list of steps as read from text. Owned: free with sp_steps_free. */
typedef struct sp_steps {
  double *cents; /* [0] belongs to fret 1 */
  size_t count;
  sp_ratio *ratio; /* as written, one a step */
} sp_steps;

/* Reads one step: cents above the open string (701.955, 701.955c) or a ratio of whole numbers up to 999999 (3/2, which
 * is 1200 log2(3/2) cents). Above the open string, at most SP_LAYOUT_MAX_CENTS. SP_E_USAGE with one sentence otherwise,
 * *cents then NAN. */
sp_status sp_parse_step(const char *text, double *cents, sp_ratio *ratio, sp_error *err);
/* Appends a step to a list; SP_E_USAGE if it is not above the last one or there are SP_LAYOUT_MAX_FRETS already. */
sp_status sp_steps_add(sp_steps *steps, double cents, sp_ratio ratio, sp_error *err);

/* Step list: cents above the open string, one a line, a decimal number as 701.955 (a trailing c is allowed), or a ratio
 * as 3/2; blank lines and everything after '#' are skipped; lines end in LF or CR LF; a UTF-8 byte order mark is
 * skipped. The open string itself (0) is not listed. SP_E_DATA with the line number otherwise. `text` need not end in
 * NUL. */
sp_status sp_steps_parse(const char *text, size_t length, sp_steps *steps, sp_error *err);
/* The same from a file (at most 1 MB): also SP_E_NOINPUT, SP_E_IO. Sentences do not name the file. */
sp_status sp_steps_read(const char *path, sp_steps *steps, sp_error *err);
void sp_steps_free(sp_steps *steps);

/* ---- Cents and millimetres ---- */

/* L (1 - 2^(-cents/1200)), without cancellation for small steps. */
double sp_position_mm(double scale_length_mm, double cents);
/* Cents above the open string of a string stopped at position_mm; NAN unless position < L. */
double sp_cents_at(double scale_length_mm, double position_mm);
/* 1200 log2((L - layout)/(L - measured)): how much sharper the note is than it should be; positive where measured is
 * nearer the bridge. NAN if a value is not finite or the scale length does not exceed both places. */
double sp_error_cents(double scale_length_mm, double layout_mm, double measured_mm);
/* Linear rate of the same at position_mm: (1200/ln 2)/(L - position) cents per mm. NAN unless position < L. */
double sp_cents_per_mm(double scale_length_mm, double position_mm);

/* Everything the tables say of one fret. */
typedef struct sp_layout_row {
  int32_t fret;
  double cents;              /* above the open string */
  double from_nut_mm;        /* from the nut as it stands: what is laid off on the wood */
  double layout_mm;          /* from the theoretical nut: as position_mm; the same unless the nut is shifted */
  double from_previous_mm;   /* from the fret before (the nut, for fret 1); NAN for the nut */
  double to_saddle_mm;       /* L - layout: the speaking length */
  double cents_per_mm;       /* linear rate */
  double cents_per_tenth_mm; /* exact: cents sharp with the fret 0.1 mm too near the bridge; NAN if less is left */
} sp_layout_row;

/* `fret` in 0..frets, else all NAN. */
sp_layout_row sp_layout_row_at(const sp_layout *layout, int32_t fret);

/* ---- Off the centre line ---- */

/* Reads a fret that may lie between two: 0, 7, 7.5; SP_E_USAGE with one sentence otherwise, *fret then NAN. */
sp_status sp_parse_fret(const char *text, double *fret, sp_error *err);
void sp_fan_init(sp_fan *fan);
/* True if anything at all is given. */
bool sp_fan_given(const sp_fan *fan);
/* Fans out a layout: its cents stay, its lengths become those of the fan. SP_E_USAGE with one sentence (it names the
 * program's options) if something is missing or cannot be, the layout is then freed. */
sp_status sp_layout_fan(const sp_fan *fan, sp_layout *layout, sp_error *err);

/* Where the line of a fret lies `bass_mm` off the centre line (positive toward the bass), from the nut's place on the
 * centre line; NAN for a fret there is not. */
double sp_layout_line_mm(const sp_layout *layout, int32_t fret, double bass_mm);
/* What is left from there to the theoretical saddle, along the centre line. */
double sp_layout_speaking_mm(const sp_layout *layout, int32_t fret, double bass_mm);
/* Scale length of a string that crosses the line of a fret there. */
double sp_layout_string_mm(const sp_layout *layout, int32_t fret, double bass_mm);
/* Slope of the line: by how much it gains on the bridge for each mm toward the bass. 0 = square. */
double sp_layout_slope(const sp_layout *layout, int32_t fret);
/* The same as an angle, in the frame of records: positive where the end on the right, seen from the nut, is nearer the
 * bridge. */
double sp_layout_angle_deg(const sp_layout *layout, int32_t fret);

/* ---- Slots: the board as wood ---- */

/* Lengths in mm, NAN = not given. Everything is meant square to the centre line. */
typedef struct sp_board_shape {
  double nut_width_mm;  /* across the board at the nut; alone: the same all along */
  double end_width_mm;  /* at end_at_mm; from the nut on, and beyond, the width changes evenly */
  double end_at_mm;     /* from the nut: where end width and end radius hold; NAN = at the last fret */
  double radius_mm;     /* of the rounded face at the nut; alone: the same all along; NAN = a flat face */
  double end_radius_mm; /* at end_at_mm; between, it changes evenly along the centre line, as on a cone */
  double tang_depth_mm; /* of the fret wire, from the underside of its crown */
  double clearance_mm;  /* how much deeper the slot is; NAN = 0 */
  double thickness_mm;  /* of the finished board at its middle */
} sp_board_shape;

void sp_board_shape_init(sp_board_shape *shape);
/* True if anything at all is given. */
bool sp_board_shape_given(const sp_board_shape *shape);

/* Height of the arc over its chord: r - sqrt(r^2 - (w/2)^2), the smaller root of (w/2)^2 = s (2r - s) (Euclid, Elements
 * III.35), computed without cancellation. NAN unless radius >= width/2 >= 0 and radius > 0. */
double sp_sagitta_mm(double radius_mm, double width_mm);

/* One slot; what was not given or does not follow from it is NAN. */
typedef struct sp_slot {
  double length_mm;      /* edge to edge: the board's width there; of a partial fret, its part of it */
  double radius_mm;      /* of the face */
  double sagitta_mm;     /* how far the middle of the face stands above its edges; 0 on a flat board */
  double depth_mm;       /* under the face: tang depth and clearance */
  double straight_mm;    /* depth at the middle of a straight cut that is depth_mm deep at the edges: depth + sagitta */
  double left_middle_mm; /* wood under a slot that follows the face, at the middle of the board ... */
  double left_edge_mm;   /* ... and at its edges; under a straight cut this much is left everywhere */
} sp_slot;

/* Less wood than this under a slot is warned of: a judgement, no source. */
#define SP_LITTLE_WOOD_MM 1.5

/* Owned: free with sp_slots_free. */
typedef struct sp_slots {
  sp_board_shape shape; /* end_at_mm and clearance_mm filled in where something follows from them */
  int32_t frets;
  sp_slot *slot;        /* frets + 1; [0] is at the nut */
  double least_left_mm; /* smallest left_edge_mm of frets 1..frets; NAN without a thickness */
  int32_t least_left_fret;
  bool narrows; /* the board is narrower at its end than at the nut */
} sp_slots;

/* SP_E_USAGE with one sentence (it names the program's options) if a value needs another that is missing, or cannot be:
 * not above 0, an end before fret 1 or beyond the saddle, a width that is used up before the last fret or above the
 * scale length, a radius below half the width, no wood left under a slot. Then, and for lack of memory, *slots is all
 * zero. */
sp_status sp_slots_plan(const sp_layout *layout, const sp_board_shape *shape, sp_slots *slots, sp_error *err);
/* Width at a place from the nut (before it where negative); NAN if no width was given. */
double sp_board_width_mm(const sp_board_shape *shape, double x_mm);
void sp_slots_free(sp_slots *slots);

/* ---- Output ---- */

typedef enum sp_layout_format {
  SP_LAYOUT_TEXT, /* a table for the bench, mm to 0.001 */
  SP_LAYOUT_CSV,  /* RFC 4180: CR LF, a header row that names units, one row a fret from 0; mm to 1e-6 */
  SP_LAYOUT_JSON  /* {"schema": "slotproof/layout/1", ...}, see src/layout/write.c; mm to 1e-9 */
} sp_layout_format;

/* `slots` may be NULL: the text then has no second table, the CSV no columns of the slots, the JSON "board" and "slots"
 * null. Writes to `file` and flushes it, does not close it. SP_E_IO if a write fails (disk full), SP_E_INTERNAL. */
sp_status sp_layout_write(const sp_layout *layout, const sp_slots *slots, sp_layout_format format, FILE *file,
                          sp_error *err);

enum { SP_SLOTS_WARNING_MAX = 240 };
/* Sentence number `index` of what the plan warns of, into `text`; false if there are fewer. */
bool sp_slots_warning(const sp_slots *slots, int index, char text[static SP_SLOTS_WARNING_MAX]);

#endif
