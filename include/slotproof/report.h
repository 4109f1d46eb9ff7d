/* slotproof/report.h: a finished record as text for the bench, JSON, CSV, or drawn into the picture.
 *
 * Reports compute nothing: they choose, order and word what the record holds. A value the record does not know (NAN) is
 * written as "-" in text, null in JSON, an empty field in CSV; never as 0.
 *
 * Texts from outside (file names, warnings) are made harmless first: bytes that are not UTF-8 and control characters
 * become U+FFFD, so a file name can neither break the JSON nor steer the terminal.
 *
 * Functions that take a FILE* write and flush it but do not close it: SP_E_IO if a write fails (disk full),
 * SP_E_INTERNAL for lack of memory. `err` may be NULL.
 */
#ifndef SLOTPROOF_REPORT_H
#define SLOTPROOF_REPORT_H

#include <stdbool.h>
#include <stdio.h>

#include "slotproof/raster.h"
#include "slotproof/record.h"
#include "slotproof/status.h"
#include "slotproof/writing.h"

/* ---- one check ---- */

/* For the bench: verdict first, then what to cut again and which way, then the table, the scale, the warnings. At most
 * 100 columns wide, but for file names. */
sp_status sp_report_text(const sp_record *record, FILE *file, sp_error *err);

/* One JSON object, schema "slotproof/record/1". Lengths in mm to 1e-7, cents to 1e-6, angles in degrees to 1e-6, places
 * in px to 1e-4. Beside the fields every record/1 has stand: version, marks_kind, tolerance_default, axis, outline_px,
 * and in each mark centre_px, u_squareness_deg, u_width_mm, contrast, coverage, recut_mm (signed, positive toward the
 * bridge) and budget (standard uncertainties by origin). */
sp_status sp_report_json(const sp_record *record, FILE *file, sp_error *err);

/* RFC 4180: CR LF, a header row that names the units, one row a mark from the nut on; the decimal sign is a point. */
sp_status sp_report_csv(const sp_record *record, FILE *file, sp_error *err);

/* ---- the scale alone: sources, reference and warnings of the record ---- */

sp_status sp_report_reference_text(const sp_record *record, FILE *file, sp_error *err);
/* Schema "slotproof/reference/1"; its reference has the fields of record/1 and every graduation that was read. */
sp_status sp_report_reference_json(const sp_record *record, FILE *file, sp_error *err);

/* ---- drawn into the picture ---- */

/* Larger pictures are drawn scaled down by the smallest whole factor that gets below this. */
#define SP_OVERLAY_MAX_PIXELS 60000000.0

/* A PNG, 8-bit RGB, of the picture with every mark drawn in. Two thin lines flank the mark, so that the cut stays
 * visible; beyond its end stand the fret number and a sign that says the verdict without colour:
 *   disc      within
 *   triangle  out; its tip shows the way to move the mark
 *   diamond   undecided, with a question mark
 *   cross     missing, at the end of a dashed line where the mark should be
 * Stray lines are flanked by dots. Further the centre line, the graduations that were used as ticks, those thrown out
 * as crosses, a legend. Pixels away from what is drawn keep the picture's grey. The raster is the one the record was
 * made from. */
sp_status sp_report_overlay(const sp_record *record, const sp_raster *raster, FILE *file, sp_error *err);
sp_status sp_report_reference_overlay(const sp_record *record, const sp_raster *raster, FILE *file, sp_error *err);

/* ---- files that appear whole or not at all ---- */

/* Opened beside its final place under a name of its own and moved there when it is complete. Something that is not an
 * ordinary file (a pipe, a device) is written in place. Zero-initialise; all fields belong to the functions below but
 * `file`. */
typedef struct sp_whole_file {
  FILE *file;      /* write here; do not close */
  char *path;      /* final place, symbolic links followed */
  char *temporary; /* NULL: written in place */
  bool closed;     /* finished: complete under the temporary name */
} sp_whole_file;

/* SP_E_CANTCREATE if `path` is a folder or its folder may not be written to. An existing file keeps its permissions. */
sp_status sp_whole_file_open(const char *path, sp_whole_file *whole, sp_error *err);
/* Writes everything out to the disk and closes; the final place is not touched yet. SP_E_IO if that fails: abandon
 * then. */
sp_status sp_whole_file_finish(sp_whole_file *whole, sp_error *err);
/* Moves the finished file to its place and frees. On failure (SP_E_CANTCREATE) nothing is left behind. */
sp_status sp_whole_file_publish(sp_whole_file *whole, sp_error *err);
/* Removes the temporary file and frees. Harmless on a zero-initialised or published one. */
void sp_whole_file_abandon(sp_whole_file *whole);

/* True if both names lead to one file, or would if it existed (same name in the same folder). */
bool sp_same_file(const char *a, const char *b);

#endif
