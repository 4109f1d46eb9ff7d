/* slotproof/strip.h: the printed reference strip: its geometry, its drawing, and its points in a picture.
 *
 * A strip is made of pieces, each 254 mm long between its first and last graduation. A piece is rigid; how one lies to
 * the next is never assumed, so pieces may lie end to end, roughly joined, or one on each side of the board.
 *
 * Frame of a piece, nominal millimetres: X along it from graduation 0, Y across it from its upper cut edge, as printed
 * with the writing upright. All places are multiples of 1/60 in, which is a whole number of dots of printers with 300,
 * 360, 600, 720, 1200 ... dots per inch: no graduation is rounded differently from its neighbour.
 *
 *   Y  1.27 ..  6.35   graduations, every 1.27 mm (1/20 in), 201 of them: measured by their middles, because ink
 *                      spreads to both sides alike
 *   Y  7.20, 18.63     two rails, lines along the strip: they show where across the picture the graduations lie
 *   Y  8.47 .. 15.24   square tags (family 36h11 of libapriltag), one every 12.7 mm: which piece, which graduation,
 *                      which way round; the decoder reads no mirrored tag
 *   three of the spaces between tags hold long lines, A, B and C, to be measured with calipers
 */
#ifndef SLOTPROOF_STRIP_H
#define SLOTPROOF_STRIP_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include "slotproof/raster.h"
#include "slotproof/status.h"

#define SP_STRIP_UNIT_MM (25.4 / 60.0)

enum {
  SP_STRIP_GRADUATIONS = 201, /* of a piece, 0 .. 200 */
  SP_STRIP_TAGS = 20,         /* of a piece: tag j has the number SP_STRIP_TAGS * (piece - 1) + j */
  SP_STRIP_PIECES = 29        /* different pieces there are, numbered from 1 */
};

#define SP_STRIP_PITCH_MM      (3.0 * SP_STRIP_UNIT_MM)
#define SP_STRIP_LENGTH_MM     254.0
#define SP_STRIP_BREADTH_MM    (46.0 * SP_STRIP_UNIT_MM)
#define SP_STRIP_LINE_MM       (0.8 * SP_STRIP_UNIT_MM)  /* breadth of graduations, rail and check lines */
#define SP_STRIP_GRADUATED_MM  (9.0 * SP_STRIP_UNIT_MM)  /* Y of the graduations' middles */
#define SP_STRIP_RAIL_MM       (17.0 * SP_STRIP_UNIT_MM) /* Y of the rail beside the graduations, and of the far one */
#define SP_STRIP_FAR_RAIL_MM   (44.0 * SP_STRIP_UNIT_MM)
#define SP_STRIP_TAG_PITCH_MM  12.7
#define SP_STRIP_TAG_MM        (16.0 * SP_STRIP_UNIT_MM) /* side of a tag's black square */
#define SP_STRIP_TAG_CENTRE_MM (28.0 * SP_STRIP_UNIT_MM) /* Y */
#define SP_STRIP_FIRST_TAG_MM  6.35                      /* X of tag 0's middle */
/* Check lengths: A to B fits calipers of 150 mm, A to C a longer instrument; P to Q lies across the uncut sheet. */
#define SP_STRIP_CHECK_MM       139.7
#define SP_STRIP_LONG_CHECK_MM  254.0
#define SP_STRIP_CROSS_CHECK_MM 127.0

/* ---- drawing ---- */

typedef enum sp_strip_paper { SP_STRIP_A4, SP_STRIP_LETTER } sp_strip_paper;
typedef enum sp_strip_format { SP_STRIP_PDF, SP_STRIP_SVG, SP_STRIP_PNG } sp_strip_format;

typedef struct sp_strip_sheet {
  sp_strip_paper paper;
  sp_strip_format format;
  int32_t pieces; /* 1 .. SP_STRIP_PIECES; six go on a page */
  int32_t page;   /* from 1; 0: all pages (PDF only) */
  double dpi;     /* PNG only, 150 .. 1200 */
} sp_strip_sheet;

/* How many times longer than nominal it was printed, from a check length as measured: A to B or A to C, whichever is
 * near (3 %); P to Q. NAN if none is. */
double sp_strip_stretch(double measured_mm);
double sp_strip_cross_stretch(double measured_mm);
/* The nominal check length that is meant, or NAN. */
double sp_strip_check_meant(double measured_mm);

/* Pieces for a strip of this length, or 0 if there are not so many. */
int32_t sp_strip_pieces_for(double length_mm);
int32_t sp_strip_pages(int32_t pieces);
/* Draws pages at 1:1. The same request gives the same bytes with one version of cairo and one set of fonts. */
sp_status sp_strip_draw(const sp_strip_sheet *sheet, FILE *file, sp_error *err);

/* ---- points in a picture ---- */

/* Graduations are measured along and across; of a point of the far rail (number: the graduation it lies opposite) only
 * the place across is measured, the one along comes from the tags; tag centres are the decoder's. */
typedef enum sp_strip_point_kind { SP_STRIP_GRADUATION, SP_STRIP_FAR_RAIL, SP_STRIP_TAG_CENTRE } sp_strip_point_kind;

/* One identified point. */
typedef struct sp_strip_point {
  double x_px, y_px;          /* in the picture; project's pixel convention */
  double X_mm, Y_mm;          /* in the piece's frame, nominal */
  double sd_px, sd_across_px; /* standard deviations along X and across */
  sp_point along;             /* of a graduation: a unit vector along it, toward larger Y */
  double half_px, u_lean;     /* and how far either side of the point it was seen; sd of its direction, rad */
  int32_t piece;              /* from 1 */
  sp_strip_point_kind kind;
  int32_t number; /* of the graduation, 0 .. 200, or of the tag within its piece */
} sp_strip_point;

/* One piece as seen. */
typedef struct sp_strip_piece {
  int32_t piece;
  size_t tags, graduations;
  double blur_px;     /* Gaussian blur on its lines (sd; the pixel comes on top); NAN unknown */
  double blur_sd_log; /* standard deviation of its logarithm */
  double line_mm;     /* breadth of its lines; more than nominal: the ink has spread */
  double paper;       /* grey of the paper, raster counts */
  double rails_px;    /* mean distance of the two rails; NAN unknown */
  sp_point
      corner_px[4]; /* of the paper: nominal (0,0), far end, far end lower, lower, a pitch beyond the graduations */
} sp_strip_piece;

/* A tag seen. Corners in the order of the tag's own frame, as printed: lower left, lower right, upper right, upper
 * left.
 */
typedef struct sp_strip_tag {
  int32_t number;
  sp_point corner_px[4], centre_px;
  double sd_px; /* of the centre */
} sp_strip_tag;

typedef struct sp_strip_sight {
  sp_strip_tag *tags; /* in the order of their numbers */

  sp_strip_piece piece[SP_STRIP_PIECES];
  size_t piece_count;
  sp_strip_point *points; /* piece after piece, by X; graduations, then the far rail, then tag centres */
  size_t point_count;
  size_t tags_seen; /* of the family, whatever their number */
  bool mirrored;    /* tags show in the picture's mirror image only; nothing was measured */
  int32_t twice;    /* number of a piece of which two copies lie in the picture, else 0: nothing was measured of it */
} sp_strip_sight;

typedef enum sp_strip_effort { SP_STRIP_GLANCE, SP_STRIP_CLOSER, SP_STRIP_LOOK, SP_STRIP_SEARCH } sp_strip_effort;

/* Finds every piece in the picture, whichever way it lies, and measures it. Works in pictures with perspective, too:
 * each graduation is predicted from the tags next to it (a plane's projection) and fitted in the pixels themselves.
 *   SP_STRIP_GLANCE   looks closer only if a coarse look shows a tag: what a picture without a strip should cost
 *   SP_STRIP_CLOSER   looks closely at once, but only where much black and white lies together
 *   SP_STRIP_LOOK     for when a strip is expected
 *   SP_STRIP_SEARCH   the same, and if no tag shows, the mirror image as well
 * Not finding any is no error: piece_count is 0. A piece needs three tags. Free with sp_strip_sight_free.
 * On rendered scans a graduation's middle is good to a fiftieth of a pixel. */
sp_status sp_strip_look(const sp_raster *raster, sp_strip_effort effort, sp_strip_sight *sight, sp_error *err);
/* The same where it is known which tags the picture shows, and where: those of a picture that was drawn anew need not
 * be sought a second time. In the order of their numbers. */
sp_status sp_strip_look_by_tags(const sp_raster *raster, const sp_strip_tag *tags, size_t count, sp_strip_sight *sight,
                                sp_error *err);
void sp_strip_sight_free(sp_strip_sight *sight);

#endif
