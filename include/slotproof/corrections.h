/* slotproof/corrections.h: what somebody who looked at the picture says of it, against what the program made of it.
 *
 * A correction names a place and what is there; it never says where exactly. The place of a line stays the program's
 * estimate, and what is not in the picture is not put there. Applied by sp_check_picture (check.h); what came of each
 * stands in the record.
 *
 * As a file: one JSON object, also as part of a record ("schema": "slotproof/record/1"), whose own list can be given
 * back:
 *   { "schema": "slotproof/corrections/1",
 *     "corrections": [ {"kind": "not-a-mark", "at_px": [812.0, 440.5]},
 *                      {"kind": "mark-here",  "at_px": [1630, 452]},
 *                      {"kind": "nut-here",   "at_px": [236, 447]},
 *                      {"kind": "graduation", "at_px": [300, 90],  "reading_mm": 20},
 *                      {"kind": "graduation", "at_px": [1950, 92], "reading_in": 2.5} ] }
 * "source" (0 where it is left out) says in which picture of several, counted as in the record's list; "picture" says
 * so by the picture's name instead. In a record the entries also have "outcome" and "text", which are passed over; any
 * other name is refused.
 */
#ifndef SLOTPROOF_CORRECTIONS_H
#define SLOTPROOF_CORRECTIONS_H

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include "slotproof/raster.h"
#include "slotproof/status.h"

/* Each within SP_CORRECTION_REACH_MM of the place, measured along the board; anywhere across it. */
typedef enum sp_correction_kind {
  SP_CORRECTION_NOT_A_MARK, /* the line nearest to the place is left out before lines are told which fret they are */
  SP_CORRECTION_MARK_HERE,  /* a line is sought here, however faint; one found anyway goes before its neighbours */
  SP_CORRECTION_NUT_HERE,   /* the line, or the board's end, nearest to the place is the nut */
  SP_CORRECTION_GRADUATION, /* the rule's stroke at this place reads reading_mm: two or more tell the graduation */
  SP_CORRECTION_KINDS
} sp_correction_kind;

#define SP_CORRECTION_REACH_MM 1.5
enum { SP_CORRECTIONS_MOST = 1000, SP_CORRECTION_PICTURE = 256 };

typedef struct sp_correction {
  sp_correction_kind kind;
  sp_point at_px;                      /* upright picture as taken, (0,0) at the centre of its top-left pixel; finite */
  double reading_mm;                   /* SP_CORRECTION_GRADUATION; otherwise NAN */
  int32_t source;                      /* which picture, from 0 */
  char picture[SP_CORRECTION_PICTURE]; /* its name in the place of `source`; "" = the number counts */
} sp_correction;

typedef struct sp_corrections {
  sp_correction *list; /* owned */
  size_t count;
} sp_corrections;

typedef enum sp_correction_outcome {
  SP_CORRECTION_APPLIED,
  SP_CORRECTION_ALREADY_SO,    /* the program had it so without being told */
  SP_CORRECTION_NOTHING_THERE, /* there is nothing at the place that could be meant */
  SP_CORRECTION_REFUSED        /* contradicts what is seen, or cannot be done with such a picture */
} sp_correction_outcome;

/* What came of one; in the record. */
typedef struct sp_correction_record {
  sp_correction said;
  sp_correction_outcome outcome;
  char text[240]; /* one sentence for the user, never empty */
} sp_correction_record;

/* `text` of `length` bytes need not end with NUL. Nothing unknown is passed over: another schema, a name, kind or value
 * that does not belong gives SP_E_DATA with a sentence that says which entry, from 1. Free with sp_corrections_free;
 * nothing is owned on error. A record without corrections, or an empty list, is a list of none. */
sp_status sp_corrections_parse(const char *text, size_t length, sp_corrections *corrections, sp_error *err);
/* The same from a file, at most 8 MB: also SP_E_NOINPUT, SP_E_IO. */
sp_status sp_corrections_read(const char *path, sp_corrections *corrections, sp_error *err);
/* Writes the file described above. */
sp_status sp_corrections_write(const sp_corrections *corrections, FILE *file, sp_error *err);
/* Puts one more at the end. */
sp_status sp_corrections_add(sp_corrections *corrections, const sp_correction *correction, sp_error *err);
void sp_corrections_free(sp_corrections *corrections);

/* The words of the file: "not-a-mark" ..., "applied", "already-so", "nothing-there", "refused". */
const char *sp_correction_word(sp_correction_kind kind);
const char *sp_correction_outcome_word(sp_correction_outcome outcome);

#endif
