/* slotproof/cross.h: what a mark looks like across: grey against the distance from its place.
 *
 * For the eye, and for who wants to fit a line himself: nothing is decided by it. Read from the picture as taken, along
 * the straight line between the mark's ends; in a photograph the lens bends that line by a part of a pixel.
 */
#ifndef SLOTPROOF_CROSS_H
#define SLOTPROOF_CROSS_H

#include <stddef.h>
#include <stdio.h>

#include "slotproof/raster.h"
#include "slotproof/record.h"
#include "slotproof/status.h"

typedef struct sp_cross_section {
  size_t count;      /* 0: the mark is missing, there is no scale, or too little of it is in the picture */
  double *offset_mm; /* from the mark's place, square to the mark, positive toward the bridge; rising, 0 among them */
  double *grey;      /* mean along the mark, 0 black to 1 white; finite */
} sp_cross_section;

/* How far to both sides, and the steps, a half of a pixel, that it is read in. */
#define SP_CROSS_HALF_MM 1.5
#define SP_CROSS_STEP_PX 0.5

/* Across the line from a to b: `ahead_px` is any place on that side of it where offsets are positive. SP_E_INTERNAL for
 * lack of memory only. Free with sp_cross_section_free. */
sp_status sp_cross_section_between(const sp_raster *raster, sp_point a_px, sp_point b_px, sp_point ahead_px,
                                   double px_per_mm, sp_cross_section *section, sp_error *err);
/* The same of mark `index` of the record that was made of this picture. */
sp_status sp_cross_section_of(const sp_record *record, const sp_raster *raster, size_t index, sp_cross_section *section,
                              sp_error *err);
void sp_cross_section_free(sp_cross_section *section);

/* All of them as JSON: {"schema": "slotproof/profiles/1", "version", "marks": [{"fret", "offset_mm": [...], "grey":
 * [...]}]}, in the order of the record; both lists are empty where count would be 0. Flushes. */
sp_status sp_cross_write(const sp_record *record, const sp_raster *raster, FILE *file, sp_error *err);

#endif
