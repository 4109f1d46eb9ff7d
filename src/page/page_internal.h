/* What the parts of the page share; private to this folder. */
#ifndef SP_PAGE_INTERNAL_H
#define SP_PAGE_INTERNAL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "report/report_internal.h"
#include "slotproof/markup.h"
#include "slotproof/page.h"
#include "slotproof/plot.h"
#include "slotproof/record.h"

/* How the board lies in the picture, for drawing. u: px along the centre line from the datum toward the bridge; v: px
 * across, to the right of one who looks that way. `known` is false if no mark was told to be a fret. */
typedef struct sp_sheet {
  bool known;
  sp_point origin_px, along, across;                   /* unit vectors */
  double u_least_px, u_most_px, v_least_px, v_most_px; /* the part of the picture that is shown */
  double px_per_mm;   /* from the scale; without one from the computed places, which is for drawing only */
  double narrowest;   /* distance of neighbouring frets, drawing units */
  double sign_radius; /* drawing units: as large as the narrowest fret allows */
} sp_sheet;

typedef struct sp_page {
  sp_markup *markup;
  const sp_record *record;
  const sp_raster *raster;
  sp_sheet sheet;
  bool live;        /* for a screen where marks can be picked: what belongs to one says so (data-fret) */
  sp_status status; /* of cutting and encoding pictures: the first failure */
  sp_error *err;
} sp_page;

/* All drawings along the board are this wide, with the board between these margins, so that one stands above another.
 */
#define SP_SHEET_WIDTH 1000.0
#define SP_SHEET_LEFT  62.0
#define SP_SHEET_RIGHT 988.0

/* One mark's ends and middle in the picture; for a missing one where it should be. False if that is not known. */
typedef struct sp_place {
  sp_point a_px, b_px, centre_px;
} sp_place;
bool sp_place_of(const sp_record *record, size_t index, sp_place *place);
void sp_sheet_of(const sp_record *record, const sp_raster *raster, sp_sheet *sheet);
double sp_sheet_u_px(const sp_sheet *sheet, sp_point p);
double sp_sheet_v_px(const sp_sheet *sheet, sp_point p);
sp_point sp_sheet_point(const sp_sheet *sheet, double u_px, double v_px);
/* A frame over the sheet's width whose x is u, in px. */
sp_plot_frame sp_sheet_frame(const sp_sheet *sheet, double top, double bottom, double y_least, double y_most);

/* The tighter of both tolerances at a mark's place, for drawing; NAN if there is none. */
double sp_page_limit_mm(const sp_record *record, const sp_mark_record *mark);

/* The piece with its corner (middle of its first pixel) and steps, px of the picture, as an <image> of the drawing at
 * x, y, width, height in drawing units. `stretch`: from the darkest to the lightest it holds. */
typedef struct sp_piece {
  sp_point origin_px, step_x_px, step_y_px;
  uint32_t width_px, height_px;
  bool stretch;
} sp_piece;
void sp_page_image(sp_page *page, const sp_piece *piece, double x, double y, double width, double height);

/* What belongs to one mark, for a live page; nothing otherwise. In a plot: an element that holds what follows, with a
 * transparent ground over the fret's breadth to be picked by, up to sp_page_at_end. */
void sp_page_name_mark(sp_page *page, const sp_mark_record *mark);
void sp_page_at(sp_page *page, size_t index, const sp_plot_frame *frame);
void sp_page_at_end(sp_page *page);

/* Where a mark stands in a drawing over the sheet's width (NAN: not known), and its place in the picture. */
double sp_page_x_of(const sp_page *page, size_t index, sp_place *place);
/* From halfway to the mark before to halfway to the one behind, px of the sheet. False if its place is not known. */
bool sp_page_breadth_of(const sp_page *page, size_t index, double *from, double *to);
/* Fret numbers along a row of a drawing, each where there is room for it; smaller where the frets stand close. */
void sp_page_fret_numbers(sp_page *page, double y);

/* Marks of one verdict, the nut too. */
size_t sp_count_marks(const sp_record *record, sp_verdict verdict);
/* "3" or "nut". */
const char *sp_short_name(int32_t fret, char into[static 24]);

extern const char *const SP_PAGE_STYLE[]; /* lines of the style sheet, NULL at the end */

/* Sections, in their order. Each leaves itself out if it has nothing to say. */
void sp_page_verdict(sp_page *page);
void sp_page_to_do(sp_page *page);
void sp_page_board(sp_page *page);
void sp_page_plots(sp_page *page); /* those of the board's section alone */
void sp_page_close_ups(sp_page *page);
void sp_page_table(sp_page *page);
void sp_page_remarks(sp_page *page);
void sp_page_method(sp_page *page);
void sp_page_strokes(sp_page *page); /* parts of the method */
void sp_page_budget(sp_page *page);

#endif
