/* slotproof/record.h: everything one check has found out. The last arrow of the data flow: verdict -> record -> report.
 *
 * Lengths in mm, angles in degrees, pixels with (0,0) at the centre of the top-left pixel of the upright picture.
 * Board frame: x from the nut toward the bridge along the centre line; y across it, to the right when one looks from
 * nut to bridge with the board face up. A value that is unknown or does not apply is NAN here and null in the written
 * record; it is never 0.
 */
#ifndef SLOTPROOF_RECORD_H
#define SLOTPROOF_RECORD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "slotproof/corrections.h"
#include "slotproof/raster.h"
#include "slotproof/status.h"

typedef enum sp_verdict { SP_WITHIN, SP_OUT, SP_UNDECIDED, SP_MISSING } sp_verdict;
typedef enum sp_mark_kind { SP_MARK_KNIFE, SP_MARK_SLOT, SP_MARK_WIRE } sp_mark_kind;
typedef enum sp_datum_kind { SP_DATUM_LINE, SP_DATUM_END, SP_DATUM_FIT } sp_datum_kind;
typedef enum sp_reference_kind {
  SP_REFERENCE_NONE,
  SP_REFERENCE_RULE,
  SP_REFERENCE_STRIP,
  SP_REFERENCE_PROFILE,
  SP_REFERENCE_DISTANCE,
  SP_REFERENCE_DPI
} sp_reference_kind;

/* One graduation of the rule as it was read; kept for the overlay and for who wants to plot the residuals. */
typedef struct sp_graduation {
  int32_t index;      /* counted from the first one used; the interval between indices is graduation_mm */
  sp_point at_px;     /* middle of its stroke */
  double residual_mm; /* reading minus fitted map */
  bool used;          /* false: thrown out as damaged */
  size_t source;      /* the picture it is in */
  int32_t strip_piece, strip_number; /* of a printed strip: which piece, and which of its graduations; a rule's: 0, 0 */
} sp_graduation;

/* How the scale was read. */
enum { SP_RECORD_PROFILE_TEXT = 120 };

typedef struct sp_reference_record {
  sp_reference_kind kind;
  double graduation_mm;
  bool graduation_told; /* by the user; otherwise worked out from the picture */
  size_t graduations_used;
  double px_per_mm;        /* mean over the span, along the board */
  double px_per_mm_across; /* across it, where known, else NAN */
  double fit_rms_mm;       /* of the graduations about the fitted map */
  double span_mm;
  double mpe_mm; /* over the span; NAN if there is no reference */
  sp_point first_px, last_px;
  double skew_deg;        /* of the rule against the image axis */
  double carriage_rms_mm; /* size of the unevenness that the map has straightened */
  size_t strip_pieces;    /* of a printed strip, as used */
  double strip_stretch;   /* how many times longer than drawn it was printed, as measured; NAN: not told */
  char profile[SP_RECORD_PROFILE_TEXT]; /* file name of the device's profile that was used; "" = none was */
  sp_graduation *graduations;
  size_t graduation_count;
} sp_reference_record;

/* How a photograph was taken, as worked out from the rule in it. All NAN (and `known` false) for scans. */
typedef struct sp_camera_record {
  bool known;
  double tilt_deg;     /* of the camera's axis against square to the board */
  double distance_mm;  /* from the board's face; NAN where no scale was read */
  double focal_px;     /* as fitted */
  double distortion;   /* k1 */
  double fit_rms_px;   /* of the rule's strokes about the camera model */
  size_t edge_strokes; /* of the rule's other edge, that told with the first what is square; 0: one edge alone */
} sp_camera_record;

/* What to do about one mark. */
typedef enum sp_action {
  SP_ACTION_NONE,         /* nothing can be said */
  SP_ACTION_LEAVE,        /* within */
  SP_ACTION_CHECK,        /* undecided: measure again or by hand */
  SP_ACTION_RECUT,        /* a fresh knife line; the saw will take the old one away */
  SP_ACTION_RECUT_BESIDE, /* a fresh knife line; the old one will show beside the kerf, and can mislead the saw */
  SP_ACTION_FILL,         /* a slot: fill with wood, trim and saw anew */
  SP_ACTION_DRESS,        /* a fret: its crown can be filed over to the right place */
  SP_ACTION_REFRET        /* a fret: draw it, fill its slot, saw anew and fret again */
} sp_action;

/* Ways round cutting: the nut moved, the saddle moved, both. */
enum { SP_REMEDIES = 3 };
typedef struct sp_remedy {
  bool helps;               /* saves at least one cut */
  double nut_mm, saddle_mm; /* nut toward the bridge, saddle away from the nut */
  size_t recuts;            /* frets still to be cut again */
} sp_remedy;

/* Standard uncertainties (k = 1) of one mark's error, in mm, by origin; shared parts have cancelled already. */
typedef struct sp_budget {
  double line_mm;        /* locating the line */
  double map_mm;         /* reading the rule: pixel to mm, mark against datum */
  double datum_mm;       /* locating the nut */
  double rule_mm;        /* the rule's own MPE, rectangular */
  double temperature_mm; /* NAN if no temperature was given */
} sp_budget;

/* What is worth a word about one slot, each beyond its doubt: see advice.h. */
enum { SP_SLOT_WIDENS = 1, SP_SLOT_UNEVEN = 2, SP_SLOT_WANDERS = 4, SP_SLOT_TIGHT = 8, SP_SLOT_LOOSE = 16 };

/* How the saw went along one slot, from windows of 3 mm along it; chips of a wall are left out. All NAN where the mark
 * is no slot, too little of it shows or there is no scale. u: standard uncertainty (k = 1). */
typedef struct sp_slot_record {
  bool known;
  double kerf_a_mm, kerf_b_mm, u_kerf_end_mm; /* at end a and end b, by a straight line along each wall */
  double widening_mm, u_widening_mm;          /* kerf_b less kerf_a: walls that are not parallel */
  double kerf_least_mm, kerf_most_mm;         /* of one window */
  double u_kerf_window_mm;                    /* of one window's kerf */
  double kerf_sd_mm, u_kerf_sd_mm;            /* of the kerf along the slot; the measurement's own scatter taken off */
  double wander_mm, u_wander_mm;              /* rms distance of the slot's middle line from straight, likewise */
  double wander_worst_mm, u_wander_worst_mm;  /* the farthest window, positive toward the bridge */
  sp_point wander_worst_px;                   /* and where it is */
  double wall_squareness_deg[2];              /* as squareness_deg: of the wall toward the nut, toward the bridge */
  double u_wall_squareness_deg[2];
  unsigned troubles; /* SP_SLOT_ bits */
} sp_slot_record;

/* A fret that spans a part of the board's width only. From the bass edge, mm; NAN where that does not show. */
typedef struct sp_part_record {
  bool is_part;            /* by the layout */
  double begin_mm, end_mm; /* as seen: where it ends toward the bass and toward the treble */
  double layout_begin_mm, layout_end_mm;
} sp_part_record;

/* The nut behind a zero fret. */
typedef struct sp_nut_behind_record {
  bool known;
  bool is_end;                 /* the board's squared end: no line shows there */
  double behind_mm, u_mm;      /* from the zero fret, on the centre line; NAN without a scale */
  sp_point end_a_px, end_b_px; /* as a mark's */
} sp_nut_behind_record;

/* What somebody has said of one mark (corrections.h); where it lies is the program's word all the same. */
typedef enum sp_by_hand {
  SP_BY_HAND_NO,
  SP_BY_HAND_ADDED,  /* sought because it was pointed at: the program by itself had not seen it */
  SP_BY_HAND_CHOSEN, /* pointed at, and so taken for this fret, which the program by itself had not */
  SP_BY_HAND_NUT     /* said to be the nut */
} sp_by_hand;

/* Where a mark meets one long edge of the board. Lengths in the board frame: x from the datum on the centre line, so a
 * nut that is askew has errors of its own at the edges. u is standard (k = 1), expanded k = 2, both of error_mm. */
typedef struct sp_edge_record {
  double x_mm, y_mm;
  double layout_mm;       /* where the computed line meets that edge */
  double scale_length_mm; /* of a string that runs along the edge */
  double error_mm, error_cents;
  double u_mm, expanded_u_mm, expanded_u_cents;
  sp_point at_px;
  sp_verdict verdict; /* as the mark's, with this error */
} sp_edge_record;

/* Looking from the nut to the bridge at the face of a right-handed instrument, the bass is on the right (larger y):
 * whoever plays it has the nut to his left and the bass string uppermost. */
enum { SP_BASS, SP_TREBLE, SP_EDGES };

typedef struct sp_mark_record {
  int32_t fret; /* 0 = the nut */
  bool found;
  double x_mm, layout_mm, error_mm, error_cents;
  double u_mm, expanded_u_mm, expanded_u_cents;
  double squareness_deg, u_squareness_deg; /* angle_deg less layout_angle_deg; u of either */
  double angle_deg, layout_angle_deg; /* against square to the centre line, signed alike; computed: 0 but for fans */
  double width_mm, u_width_mm;
  double contrast;             /* of the mark against the wood, as a fraction of the wood's grey; negative = darker */
  double coverage;             /* part of the line's length that could be measured, 0..1 */
  sp_point end_a_px, end_b_px; /* a: smaller y of the board frame */
  sp_point centre_px;
  size_t source; /* the picture these three are in */
  sp_verdict verdict;
  bool edges_known; /* the board's long sides show, and there is a scale; otherwise `edge` means nothing */
  sp_edge_record edge[SP_EDGES];
  sp_verdict line_verdict; /* of the whole line, edge to edge: out if any of the three errors is; meaningless without
                              edges */
  sp_budget budget;
  double recut_mm; /* how far the mark has to move to be right: -error_mm; NAN if it need not move */
  double from_line_mm, u_from_line_mm; /* slots: how far the saw has left the line of an earlier record, + toward the
                                          bridge; u standard, without what both records share (the same rule) */
  sp_action action;
  bool out_after[SP_REMEDIES]; /* still to be cut again after each of the record's remedies */
  sp_slot_record slot;
  sp_part_record part; /* where it is one, x_mm and error_mm are those of the middle of what shows of it, dropped square
                          on the centre line, instead of where its line would cross that */
  sp_by_hand by_hand;
} sp_mark_record;

typedef struct sp_stray_record {
  double x_mm;
  sp_point end_a_px, end_b_px;
  size_t source; /* the picture they are in */
} sp_stray_record;

typedef struct sp_finding {
  char kind[32];
  char either[3][32]; /* "unclear": the kinds that cannot be told apart, the likelier first; "" behind them */
  char text[600];
  double value, u_value; /* the figure the finding turns on, NAN if none; unit in `unit` */
  char unit[8];
  double strength; /* -log10 of the chance of so marked a pattern by hand error alone (findings.h); NAN: not told */
} sp_finding;

/* Where a picture's pixels lie in the drawing of the whole board: x' = x0 + xx x + xy y, y' = y0 + yx x + yy y. To be
 * drawn by, good to a pixel; all 0 where there is one picture only. */
typedef struct sp_placement {
  double x0, y0, xx, xy, yx, yy;
} sp_placement;

/* How one picture of a board was joined to the next. */
typedef struct sp_join_record {
  size_t first, second;        /* which sources */
  double shift_mm, u_shift_mm; /* along the board, from where the first picture begins to where the second does */
  double turn_deg;             /* what the second picture has to be turned by, clockwise, to lie as the first does */
  double overlap_mm;
  size_t shared_marks, wood_places, wood_patches;
  double marks_rms_mm, wood_rms_mm; /* what they are off by once joined; NAN where there are none */
  double seen_mm, u_seen_mm;        /* the shift by marks and wood alone */
  double chi2, p;                   /* closing test of marks and wood; NAN if there was one piece of evidence only */
  size_t freedom;
  double widened;   /* what the uncertainties of the two were multiplied by, because they close badly */
  const char *rule; /* "still", "moved", "unclear" (not used); "none": no rule */
  double rule_off_mm, u_rule_off_mm; /* the rule's own answer (nearest whole graduation) less that of marks and wood */
} sp_join_record;

typedef struct sp_source_record {
  char *file;
  uint32_t width_px, height_px;
  double stated_dpi; /* NAN if the file states none */
  char sha256[65];   /* of the file's bytes (hash.h), in hexadecimal; "" = not taken */
  sp_placement drawn;
} sp_source_record;

typedef struct sp_record {
  sp_source_record *sources;
  size_t source_count;
  double scale_length_mm;
  int32_t frets;
  int32_t divisions;  /* 0 = a step list */
  double square_fret; /* of a fan: the fret that is square to the centre line; NAN: all are */
  double bass_scale_mm, treble_scale_mm, spread_nut_mm, spread_saddle_mm; /* of a fan, as in layout.h; else NAN */
  char board[64];                                                         /* its name; "" = not told */
  double nut_shift_mm; /* of a compensated nut; x_mm and layout_mm count from the theoretical nut, so both are this much
                          at the nut itself. 0 for others */
  bool zero_fret;      /* the datum is a zero fret */
  sp_nut_behind_record nut_behind;
  sp_mark_kind marks_kind;
  bool left_handed; /* the bass is at smaller y */
  sp_reference_record reference;
  sp_camera_record camera;
  sp_datum_kind datum;
  double datum_u_mm;
  double tolerance_mm, tolerance_cents;
  bool tolerance_default;
  sp_mark_record *marks; /* frets 0..frets in order; where the datum is the board's end, fret 0 is that end */
  size_t mark_count;
  sp_stray_record *strays;
  size_t stray_count;
  double fit_scale_length_mm, fit_u_scale_length_mm, fit_offset_mm, fit_residual_rms_mm;
  /* with joins, these lie in the drawing of the whole board (sp_placement) */
  sp_point nut_px, bridgeward_px; /* two points of the centre line, from the nut toward the bridge, for drawing */
  sp_point
      outline_px[4]; /* the board: nut end at smaller y, nut end at larger y, far end at larger, at smaller y; or NAN */
  sp_join_record *joins; /* several pictures: source_count - 1, in order; not all where joining failed */
  size_t join_count;
  sp_finding *findings;
  size_t finding_count;
  double kerf_mm;                /* of the saw cut to come */
  bool kerf_told;                /* by the user */
  bool before_known;             /* an earlier record of the same board was given */
  double saw_mean_mm, saw_sd_mm; /* of from_line_mm over the slots */
  double sawn_mm, sawn_sd_mm;    /* slots: mean kerf as sawn, and its scatter from slot to slot */
  sp_remedy remedies[SP_REMEDIES];
  sp_verdict verdict; /* SP_WITHIN, SP_OUT or SP_UNDECIDED */
  char **warnings;
  size_t warning_count;
  char version[24];                  /* of the program that wrote a record that was read back; "" here and now */
  sp_correction_record *corrections; /* what was said by hand, in that order, and what came of it */
  size_t correction_count;
  char *settings; /* the options a batch was run with, in words of its own; NULL = not kept */
} sp_record;

/* Sets every number to NAN and every list to empty. */
void sp_record_init(sp_record *record);
/* A slot of which nothing is known. */
sp_slot_record sp_slot_unknown(void);
/* Frees the lists and texts and leaves an initialised record. */
void sp_record_free(sp_record *record);
sp_status sp_record_add_source(sp_record *record, const char *file, uint32_t width_px, uint32_t height_px,
                               double stated_dpi, sp_error *err);
#if defined(__GNUC__)
__attribute__((format(printf, 3, 4)))
#endif
sp_status
sp_record_warn(sp_record *record, sp_error *err, const char *format, ...);
sp_status sp_record_add_correction(sp_record *record, const sp_correction_record *correction, sp_error *err);
sp_status sp_record_add_finding(sp_record *record, const sp_finding *finding, sp_error *err);
sp_status sp_record_add_join(sp_record *record, const sp_join_record *join, sp_error *err);
/* Makes `drawn` (uninitialised) a copy of what drawing needs of the record, with every place moved into the drawing of
 * the whole board by its source's placement. Lists of its own are marks, strays and graduations; all else is borrowed
 * from `record`. Free with sp_record_drawn_free only. */
sp_status sp_record_drawn(const sp_record *record, sp_record *drawn, sp_error *err);
void sp_record_drawn_free(sp_record *drawn);

/* ---- a record read back ---- */

/* Most frets that a record is believed to have. */
enum { SP_EARLIER_MAX_FRETS = 200 };

typedef struct sp_earlier_mark {
  bool found;
  double layout_mm;
  double x_mm, u_mm;                /* NAN: not known, or missing */
  double line_mm, map_mm, datum_mm; /* its budget; NAN: not stated */
} sp_earlier_mark;

/* What other work needs of a record that the JSON report wrote. */
typedef struct sp_earlier {
  double scale_length_mm;                             /* of a fan: on the centre line */
  double square_fret, bass_scale_mm, treble_scale_mm; /* of a fan; NAN: the frets are parallel */
  double datum_u_mm;                                  /* NAN: not known */
  sp_earlier_mark *marks;                             /* fret 0 (the nut) to the last, none left out */
  size_t count;                                       /* at least 2 */
} sp_earlier;

/* Every field is looked at before it is believed: schema "slotproof/record/1", numbers within what a board can have,
 * the nut and 1 to SP_EARLIER_MAX_FRETS frets in order, those found each beyond the one before. `text` of `length`
 * bytes need not end with a NUL. Free with sp_earlier_free; nothing is owned on error. SP_E_DATA with a sentence that
 * names no file, SP_E_INTERNAL for lack of memory; reading also SP_E_NOINPUT, SP_E_IO. */
sp_status sp_earlier_parse(const char *text, size_t length, sp_earlier *earlier, sp_error *err);
sp_status sp_earlier_read(const char *path, sp_earlier *earlier, sp_error *err);
void sp_earlier_free(sp_earlier *earlier);

/* Compares the marks with those of an earlier record of the same board: fills from_line_mm and the saw's mean and
 * scatter. SP_E_DATA with a sentence if it is of another board; then the record is unchanged. */
sp_status sp_record_compare_with(sp_record *record, const sp_earlier *earlier, sp_error *err);
/* The same with the record in a file; errors as sp_earlier_read besides. */
sp_status sp_record_compare_before(sp_record *record, const char *path, sp_error *err);

/* A whole record as the JSON report wrote it, read back into an initialised one; `text` need not end in NUL. Names that
 * are not known are passed over, so records of later versions serve. What only drawing needs (graduations, strays,
 * remedies, places of the board in the picture) is left out. SP_E_DATA with a sentence if it is no record, or one whose
 * numbers cannot be; the record is then as initialised. */
sp_status sp_record_parse(const char *text, size_t length, sp_record *record, sp_error *err);
/* The same from a file, at most SP_RECORD_MAX_BYTES: also SP_E_NOINPUT, SP_E_IO. */
sp_status sp_record_read(const char *path, sp_record *record, sp_error *err);
enum { SP_RECORD_MAX_BYTES = 8 << 20 };

/* The words used in the written record: "within", "knife", "line", "rule" ... */
const char *sp_verdict_word(sp_verdict verdict);
const char *sp_action_word(sp_action action);       /* "leave", "recut" ...; NULL for SP_ACTION_NONE */
const char *sp_slot_trouble_word(unsigned trouble); /* one bit: "widens", "uneven" ...; NULL if it is none */
const char *sp_by_hand_word(sp_by_hand by_hand);    /* "added", "chosen", "nut"; NULL for SP_BY_HAND_NO */
const char *sp_mark_kind_word(sp_mark_kind kind);
const char *sp_datum_word(sp_datum_kind kind);
const char *sp_reference_word(sp_reference_kind kind);

#endif
