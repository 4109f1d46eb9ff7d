/* Inside the check module. */
#ifndef SP_CHECK_INTERNAL_H
#define SP_CHECK_INTERNAL_H

#include "slotproof/check.h"
#include "slotproof/marks.h"
#include "slotproof/match.h"
#include "slotproof/photo.h"
#include "slotproof/reference.h"
#include "slotproof/scene.h"
#include "slotproof/strip.h"

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
                     const sp_check_progress *progress, sp_record *record, opened_picture *open, sp_error *err);
/* `progress` may be NULL. */
void check_tell(const sp_check_progress *progress, sp_check_stage stage);
/* Of a photograph, what was cut away when it was straightened, drawn after all, and the scale read there. */
sp_status check_draw_whole(opened_picture *open, const sp_reference_options *options, sp_record *record, sp_error *err);
/* Hands the picture over to `out` if `keep`. */
void check_close(opened_picture *open, sp_raster *out, bool keep);

/* The raster that was measured. */
const sp_raster *check_measured(const opened_picture *open);

/* Photographs: the camera's distance from the rule's plane as fitted, mm; NAN where there is no scale. */
double check_distance_mm(const opened_picture *open);
/* A photograph with a printed strip in it, made square by the strip. No strip is no error: found is false. What was
 * seen of it in the picture as taken is the caller's to free. */
sp_status check_straighten_by_strip(const sp_raster *picture, double focal_35mm, const sp_photo_lens *lens,
                                    const sp_reference_options *options, sp_photo *photo, sp_strip_sight *sight,
                                    sp_error *err);

/* Photographs: what is square to the rule, from its strokes and the lines; then the lines as they would lie if it were
 * everywhere square, and at the height of the board's face. */
sp_status check_square_lines(opened_picture *open, const sp_reference_options *options, bool fanned, sp_marks *marks,
                             sp_error *err);
/* Photographs: the record's places back in the picture, and how it was taken. */
void check_place_in_picture(const opened_picture *open, const sp_reference_options *options, sp_record *record);
/* Photographs: what the user should know of them. */
sp_status check_warn_photo(const opened_picture *open, const sp_reference_options *options, double blur_px,
                           sp_record *record, sp_error *err);

/* ---- what was said by hand (corrected.c) ------------------------------------------------------------------------
 */

typedef enum told_nut { NUT_UNTOLD, NUT_AT_LINE, NUT_AT_END, NUT_AT_EDGE } told_nut;

/* One check's corrections on their way: places, the lines they mean, what came of them. All zero: nothing was said. */
typedef struct corrected {
  size_t count;
  sp_correction_record *done; /* as many, in the order they were given */
  size_t *entry;              /* which of the list each is: of several pictures each has its own */
  sp_point *at_px;            /* in the raster that was measured */
  ptrdiff_t *line;            /* which mark is meant, -1 none; once corrected_find is through */
  int32_t *fret;              /* which fret that became, -1 none */
  bool *chosen;               /* and whether only because it was pointed at */
  bool *added;                /* whether the line was found only then */
  sp_marks_hint *hints;
  size_t hint_count;
  sp_told_stroke *strokes; /* in the picture as taken */
  size_t stroke_count;
  told_nut nut;
  size_t nut_index;      /* line, end (0, 1) or edge */
  size_t nut_entry;      /* the correction that says so */
  bool *rival;           /* per mark: so near the told nut that it would be another one */
  bool nut_contradicted; /* the lines do not go with it */
  bool nut_found_anyway;
  bool placed; /* it could be told which line is which fret */
} corrected;

/* The list with every picture that was named in words told by its number. SP_E_DATA for one that is not among them.
 * `names` may be NULL. Free with sp_corrections_free. */
sp_status corrected_name_sources(const sp_corrections *said, const char *const *paths, char *const *names, size_t count,
                                 sp_corrections *named, sp_error *err);
/* What was said of one picture, or (EVERY_SOURCE) of all, and what strokes of the rule read. */
enum { EVERY_SOURCE = -1 };
sp_status corrected_begin(const sp_corrections *said, int32_t source, corrected *c, sp_error *err);
void corrected_free(corrected *c);
/* Places in the raster that was measured, and hints for the search. SP_E_DATA if one lies outside the picture. */
sp_status corrected_place(const opened_picture *open, corrected *c, sp_error *err);
/* Finds out which lines are meant; SP_E_DATA if two contradict each other. */
sp_status corrected_find(const sp_marks_options *options, const sp_marks *marks, corrected *c, sp_error *err);
/* Leaves out what is no mark; SP_E_DATA if something else was said of the same line. */
sp_status corrected_leave_out(sp_marks *marks, corrected *c, sp_error *err);
/* What was said of one of several pictures, into what was said of the board: the line, end or edge that it means is
 * number `index` of the joined board's (-1: none of them). */
sp_status corrected_take_over(const corrected *part, size_t at, told_nut what, ptrdiff_t index, corrected *whole,
                              sp_error *err);
/* The same where there is no joined board. */
void corrected_note_unused(const corrected *part, corrected *whole);
/* Before the match: what is pointed at counts in full, the nut is where it was told. `lines` as many as marks. */
sp_status corrected_guide(const sp_marks *marks, const sp_layout *layout, sp_match_line *lines,
                          sp_match_options *options, corrected *c, sp_error *err);
/* After it: what was told goes before what was found likely. */
void corrected_settle(const sp_marks *marks, const sp_layout *layout, const sp_match_line *lines,
                      const sp_match_options *options, corrected *c, sp_match *match);
/* What came of the strokes that were read by hand. */
void corrected_note_strokes(const sp_reference *reference, corrected *c);
/* Into the record: what came of each, and which marks were touched. */
sp_status corrected_note(corrected *c, sp_record *record, sp_error *err);

/* ---- steps of a check, for one picture and for several ----------------------------------------------------------- */

/* Ends are squared: where the computed nut is not, none of them is it. */
bool check_nut_is_square(const sp_layout *layout);
/* Fans that cannot be measured: SP_E_USAGE. */
sp_status check_refuse_fan(const sp_check_options *o, sp_error *err);
/* What is asked, into the record. */
void check_set_task(const sp_check_options *o, sp_record *record);
/* A picture's name without its folder. */
const char *check_last_part(const char *path);
/* The lines of one opened picture, those that are no marks left out unless it is one of several; the record's reference
 * changes if a photograph has to be drawn again. */
sp_status check_find_marks(opened_picture *open, const sp_check_options *o, bool of_several, sp_marks *marks,
                           corrected *said, sp_record *record, sp_error *err);
/* Lines to verdict and advice. */
sp_status check_judge(const sp_check_options *o, const sp_reference *reference, sp_marks *marks, double stated_dpi,
                      corrected *said, sp_record *record, sp_error *err);
/* Warnings: of a picture's quality; that another kind of mark may be meant. */
sp_status check_warn_marks(const opened_picture *open, const sp_marks *marks, sp_record *record, sp_error *err);
sp_status check_warn_kind(sp_mark_kind kind, sp_record *record, sp_error *err);

#endif
