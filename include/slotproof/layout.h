/* slotproof/layout.h: the computed fingerboard, and lengths as makers write them.
 *
 * The string is ideal and speaks from the fret to the theoretical saddle (no compensation): a fret that raises the open
 * string by c cents lies at
 *     position = L (1 - 2^(-c/1200))      from the nut, L being the scale length
 * (inverse proportion of length and frequency: Mersenne's law). Positions run from the nut toward the bridge in mm.
 */
#ifndef SLOTPROOF_LAYOUT_H
#define SLOTPROOF_LAYOUT_H

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

enum { SP_LAYOUT_MAX_FRETS = 1000 };
/* Ten octaves: 1/1024 of the string is left. */
#define SP_LAYOUT_MAX_CENTS 12000.0
/* A scale length outside is a slip of the unit. */
#define SP_SCALE_LENGTH_MIN_MM 10.0
#define SP_SCALE_LENGTH_MAX_MM 10000.0

/* Owned: free with sp_layout_free. */
typedef struct sp_layout {
  double scale_length_mm;
  int32_t frets;       /* after the nut */
  int32_t divisions;   /* equal divisions of the octave; 0 = a step list */
  double *position_mm; /* frets + 1 values, strictly increasing; [0] is the nut: 0 */
  double *cents;       /* frets + 1 values above the open string; [0] = 0 */
} sp_layout;

/* Equal divisions of the octave. SP_E_USAGE with a sentence if 1 <= frets <= SP_LAYOUT_MAX_FRETS, divisions >= 1, the
 * limits of the scale length or SP_LAYOUT_MAX_CENTS do not hold; SP_E_INTERNAL for lack of memory. On failure the
 * layout is all zero. */
sp_status sp_layout_equal(double scale_length_mm, int32_t frets, int32_t divisions, sp_layout *layout, sp_error *err);
/* Given steps: cents[0] belongs to fret 1. Uses the first `frets` of `count`; 0 < cents[0] < cents[1] < ... */
sp_status sp_layout_steps(double scale_length_mm, int32_t frets, const double *cents, size_t count, sp_layout *layout,
                          sp_error *err);
void sp_layout_free(sp_layout *layout);

/* A list of steps as read from text. Owned: free with sp_steps_free. */
typedef struct sp_steps {
  double *cents; /* [0] belongs to fret 1 */
  size_t count;
} sp_steps;

/* Step list: cents above the open string, one a line, a decimal number as 701.955 (a trailing c is allowed); blank
 * lines and everything after '#' are skipped; lines end in LF or CR LF; a UTF-8 byte order mark is skipped. The open
 * string itself (0) is not listed. SP_E_DATA with the line number otherwise. `text` need not end in NUL. */
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
  double cents; /* above the open string */
  double from_nut_mm;
  double from_previous_mm;   /* from the fret before (the nut, for fret 1); NAN for the nut */
  double to_saddle_mm;       /* L - from_nut: the speaking length */
  double cents_per_mm;       /* linear rate */
  double cents_per_tenth_mm; /* exact: cents sharp with the fret 0.1 mm too near the bridge; NAN if less is left */
} sp_layout_row;

/* `fret` in 0..frets, else all NAN. */
sp_layout_row sp_layout_row_at(const sp_layout *layout, int32_t fret);

/* ---- Output ---- */

typedef enum sp_layout_format {
  SP_LAYOUT_TEXT, /* a table for the bench, mm to 0.001 */
  SP_LAYOUT_CSV,  /* RFC 4180: CR LF, a header row that names units, one row a fret from 0; mm to 1e-6 */
  SP_LAYOUT_JSON  /* {"schema": "slotproof/layout/1", ...}, see src/layout/write.c; mm to 1e-9 */
} sp_layout_format;

/* Writes to `file` and flushes it, does not close it. SP_E_IO if a write fails (disk full), SP_E_INTERNAL. */
sp_status sp_layout_write(const sp_layout *layout, sp_layout_format format, FILE *file, sp_error *err);

#endif
