/* slotproof/check.h: the main job as one call: picture -> record.
 *
 * Chains the modules (reading, scene, reference, marks, match, verdict) and holds no method of its own.
 */
#ifndef SLOTPROOF_CHECK_H
#define SLOTPROOF_CHECK_H

#include <stddef.h>

#include "slotproof/corrections.h"
#include "slotproof/layout.h"
#include "slotproof/profile.h"
#include "slotproof/raster.h"
#include "slotproof/reading.h"
#include "slotproof/record.h"
#include "slotproof/status.h"

/* A stroke of the rule and what it reads, by hand. */
typedef struct sp_told_stroke {
  sp_point at_px; /* of the picture that is read */
  double reading_mm;
} sp_told_stroke;

typedef enum sp_nut_choice { SP_NUT_AUTO, SP_NUT_LINE, SP_NUT_END } sp_nut_choice;

/* What the user says of the scale. Fields that were not given are NAN. */
typedef struct sp_reference_options {
  sp_reference_kind kind;    /* SP_REFERENCE_NONE = auto: a rule if there is one, else a strip, else no scale */
  double graduation_mm;      /* --graduation */
  double mpe_mm;             /* --reference-mpe; NAN = default of the kind */
  double strip_length_mm;    /* --strip-length: a check length as measured; NAN = nominal is believed, within 0.5 % */
  double strip_width_mm;     /* --strip-width: that across the sheet */
  double distance_mm;        /* --distance, between the two points below */
  sp_point from_px, to_px;   /* --from, --to */
  const sp_profile *profile; /* of the scanner, with SP_REFERENCE_PROFILE; or of the camera, beside a rule; NULL = none.
                                Not owned */
  const sp_told_stroke *strokes; /* what strokes of the rule read; two or more tell the graduation. Not owned */
  size_t stroke_count;
  /* photographs */
  double height_mm;          /* --reference-height: how much higher than the board's face the reference lies */
  double camera_distance_mm; /* --camera-distance: from the camera to the reference */
  double radius_mm;          /* --radius of the board's face: its edges lie deeper */
  bool straightened;         /* not the user's to say: the picture is a photograph that was made square, so directions
                                are to be told from all that the rule shows */
  const struct sp_strip_tag *tags; /* nor these: a strip's tags as they were seen before that, where they lie now
                                      (strip.h). Not owned; NULL = they are to be sought */
  size_t tag_count;
} sp_reference_options;

/* What a check is at; told when it begins, in this order, some of them never. */
typedef enum sp_check_stage {
  SP_CHECK_READING, /* the picture's file */
  SP_CHECK_SCALE,   /* rule or strip; a photograph is made square */
  SP_CHECK_MARKS,   /* lines on the board */
  SP_CHECK_MATCH,   /* which line is which fret */
  SP_CHECK_JUDGING  /* errors, doubt, findings, advice */
} sp_check_stage;

/* `call` may be NULL. It is called from the thread that checks. */
typedef struct sp_check_progress {
  void (*call)(void *context, sp_check_stage stage);
  void *context;
} sp_check_progress;

typedef struct sp_check_options {
  const sp_layout *layout; /* not owned */
  sp_mark_kind marks;
  sp_nut_choice nut;
  sp_reference_options reference;
  double tolerance_mm, tolerance_cents; /* NAN = not given; both NAN = the default of SP_DEFAULT_TOLERANCE_MM */
  double temperature_c;                 /* of rule and board while scanning; NAN = not given, no correction */
  double kerf_mm;                       /* of the saw cut to come, which is the fret's tang; NAN = not given */
  sp_read_options read;
  const sp_corrections *corrections; /* what was said by hand; NULL = nothing. Not owned */
  char *const *names; /* what warnings call several pictures of one board; NULL = the last part of each path. Not owned */
  sp_check_progress progress;
} sp_check_options;

/* Careful hand work keeps within 0.1 mm (common practice, no source); twice that is where a maker re-cuts. */
#define SP_DEFAULT_TOLERANCE_MM 0.2
/* Default MPE of a steel rule, mm over its length: JIS B 7516 grade 1 up to 500 mm is 0.15 mm, to 1000 mm 0.20 mm. */

void sp_check_options_init(sp_check_options *options);

/* Checks one picture. On SP_OK the record is filled (whatever its verdict); a picture that cannot be decided is SP_OK
 * with verdict SP_UNDECIDED and the reason among the warnings. `raster` may be NULL; otherwise the picture is handed
 * over for drawing (free with sp_raster_free). What came of corrections is in the record; those that lie outside the
 * picture or contradict each other are SP_E_DATA. */
sp_status sp_check_picture(const char *path, const sp_check_options *options, sp_record *record, sp_raster *raster,
                           sp_error *err);

enum { SP_MOST_PIECES = 8 };

/* Checks one board from 2 .. SP_MOST_PIECES overlapping scans in order from the nut (at least 25 mm in common, each laid
 * as it likes, the rule left beside the board or laid anew). Pictures are read one after another; of one that has been
 * measured only its lines and, until the next one is joined, the board's face at SP_FACE_PITCH_MM are kept. Where the
 * pieces cannot be joined beyond doubt the record is undecided and says why. Places in the record are those of each
 * mark's own source. On error `at_fault` is the picture that it is about. */
sp_status sp_check_pieces(const char *const *paths, size_t count, const sp_check_options *options, sp_record *record,
                          size_t *at_fault, sp_error *err);
/* The picture of the whole board as the record places it (see sp_record_drawn), 8 bits, from the same files, which are
 * read one after another. Free with sp_raster_free. */
sp_status sp_check_draw_pieces(const char *const *paths, const sp_record *record, const sp_read_options *read,
                               sp_raster *raster, size_t *at_fault, sp_error *err);

/* Reads only the scale: record->sources, record->reference and warnings are filled. */
sp_status sp_check_reference(const char *path, const sp_reference_options *options, const sp_read_options *read,
                             sp_record *record, sp_raster *raster, sp_error *err);

/* Exit status of a finished check: 0 within, 1 out, 2 undecided. */
int sp_check_exit_status(const sp_record *record);

#endif
