/* slotproof/diagnosis.h: what goes into a diagnosis and how it is told. Files and words; the numbers are
 * intonation.h's.
 */
#ifndef SLOTPROOF_DIAGNOSIS_H
#define SLOTPROOF_DIAGNOSIS_H

#include <stdio.h>

#include "slotproof/intonation.h"
#include "slotproof/record.h"
#include "slotproof/status.h"

enum { SP_COMPLAINT_MAX_FRETS = SP_EARLIER_MAX_FRETS };

/* What is known about the instrument. Zero-initialise; then sp_complaint_init. The instrument's frets lie in `fret`. */
typedef struct sp_complaint {
  sp_instrument instrument;
  sp_fret_place *fret;
  sp_intonation_reading *reading;
  size_t reading_count;
  bool named[SP_MAX_STRINGS]; /* by the list of strings */
  double datum_mm;            /* place of the record's datum: 0, or the shift of a compensated nut. The instrument's
                                 places count from the theoretical nut; what is told, from the datum */
  double reading_u_cents;     /* where a reading states none */
} sp_complaint;

void sp_complaint_init(sp_complaint *complaint);
void sp_complaint_free(sp_complaint *complaint);

/* After the record is read. One place for each string from the datum, the highest first; a single one for as many
 * strings as there can be: then sp_complaint_keep_named_strings, after the tables are read, keeps those the tables name
 * (at least one). count is 1 to SP_MAX_STRINGS. */
void sp_complaint_set_saddles(sp_complaint *complaint, const double *saddle_mm, size_t count);
void sp_complaint_keep_named_strings(sp_complaint *complaint);

/* All sentences name no file but the line; SP_E_NOINPUT, SP_E_DATA, SP_E_IO, SP_E_INTERNAL. */

/* A record of a check, as sp_earlier_parse reads it; each fret that was found needs a place and its uncertainty. */
sp_status sp_complaint_read_record(const char *path, sp_complaint *complaint, sp_error *err);
sp_status sp_complaint_parse_record(const char *text, size_t length, sp_complaint *complaint, sp_error *err);

/* Comma-separated values after RFC 4180 with a row of column names first, in any order; an empty field is not known.
 * Strings: string (1 is the highest), note_hz, diameter_mm, unit_weight_g_m, core_diameter_mm, young_gpa,
 * density_kg_m3, height_12_mm, nut_height_mm; only `string` is needed. */
sp_status sp_complaint_read_strings(const char *path, sp_complaint *complaint, sp_error *err);
sp_status sp_complaint_parse_strings(const char *text, size_t length, sp_complaint *complaint, sp_error *err);
/* Readings: string, fret (0 is open), cents (+ is sharp); u_cents, optional, is one standard uncertainty. Read the
 * strings first. */
sp_status sp_complaint_read_readings(const char *path, sp_complaint *complaint, sp_error *err);
sp_status sp_complaint_parse_readings(const char *text, size_t length, sp_complaint *complaint, sp_error *err);

/* For the bench, at most 100 columns; and schema "slotproof/diagnosis/1". As in report.h. */
sp_status sp_diagnosis_text(const sp_complaint *complaint, const sp_diagnosis *diagnosis, FILE *file, sp_error *err);
sp_status sp_diagnosis_json(const sp_complaint *complaint, const sp_diagnosis *diagnosis, FILE *file, sp_error *err);

#endif
