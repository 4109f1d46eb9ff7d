/* Inside the check module. */
#ifndef SP_CHECK_INTERNAL_H
#define SP_CHECK_INTERNAL_H

#include "slotproof/check.h"
#include "slotproof/marks.h"
#include "slotproof/photo.h"
#include "slotproof/reference.h"
#include "slotproof/scene.h"

/* One picture as opened: its pixels, and its scale. */
typedef struct opened_picture {
  sp_raster picture; /* as the file holds it, upright */
  sp_picture_info info;
  bool calibrated;   /* the photograph's lens is known by a profile */
  bool straightened; /* a photograph: scene and reference are those of photo.straight */
  sp_photo photo;
  sp_raster painted; /* with the print of strips painted over, where there are any */
  sp_scene scene;
  sp_reference reference;
} opened_picture;

/* The picture, its strips, its scale: the first half of both commands. */
sp_status check_open(const char *path, const sp_reference_options *options, const sp_read_options *read,
                     sp_record *record, opened_picture *open, sp_error *err);
/* Hands the picture over to `out` if `keep`. */
void check_close(opened_picture *open, sp_raster *out, bool keep);

/* The raster that was measured. */
const sp_raster *check_measured(const opened_picture *open);

/* Photographs: the camera's distance from the rule's plane as fitted, mm; NAN where there is no scale. */
double check_distance_mm(const opened_picture *open);
/* A photograph with a printed strip in it, made square by the strip. No strip is no error: found is false. */
sp_status check_straighten_by_strip(const sp_raster *picture, double focal_35mm, const sp_photo_lens *lens,
                                    sp_photo *photo, sp_error *err);

/* Photographs: what is square to the rule, from its strokes and the lines; then the lines as they would lie if it were
 * everywhere square, and at the height of the board's face. */
sp_status check_square_lines(opened_picture *open, const sp_reference_options *options, bool fanned, sp_marks *marks,
                             sp_error *err);
/* Photographs: the record's places back in the picture, and how it was taken. */
void check_place_in_picture(const opened_picture *open, const sp_reference_options *options, sp_record *record);
/* Photographs: what the user should know of them. */
sp_status check_warn_photo(const opened_picture *open, const sp_reference_options *options, double blur_px,
                           sp_record *record, sp_error *err);

#endif
