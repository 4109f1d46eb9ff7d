/* slotproof/page.h: a finished record as one HTML file, to be read at the bench and pinned to the wall.
 *
 * The file is whole in itself: pictures are data: addresses, drawings are SVG, there is no script and nothing is
 * fetched. It follows the reader's light or dark screen, prints on A4 and Letter, and is XML as well as HTML. Order:
 * the verdict, what to do, the board's picture with its marks and the errors below each, close-ups of every mark that
 * is out, undecided or missing, the table, what the errors have in common, how the scale was read, where the doubt
 * comes from.
 *
 * As every report it computes nothing: all numbers are the record's. Places in the pictures are for the eye, good to a
 * line's width. Close-ups are cut from the picture itself, light and dark stretched.
 */
#ifndef SLOTPROOF_PAGE_H
#define SLOTPROOF_PAGE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

#include "slotproof/markup.h"
#include "slotproof/raster.h"
#include "slotproof/record.h"
#include "slotproof/status.h"

/* The raster is the one the record was made from, and is only read. Writes and flushes the file but does not close it:
 * SP_E_IO if a write fails, SP_E_INTERNAL for lack of memory. A file of a 35 Mpx scan is below 1.5 MB. */
sp_status sp_page_check(const sp_record *record, const sp_raster *raster, FILE *file, sp_error *err);

/* ---- for a live page, in which a mark can be picked ----------------------------------------------------------------
 *
 * The same words and drawings without the pictures, as one <div> of sections that is XML by itself: verdict, what to
 * do, plots, table, remarks, method. What belongs to one mark carries its number as data-fret. Errors as above. */
sp_status sp_page_parts(const sp_record *record, const sp_raster *raster, FILE *file, sp_error *err);
/* One mark as a <figure>: the close-up, and below it the profile across the line. SP_E_DATA if it has no place in the
 * picture, which sp_page_has_mark tells beforehand; so has a stray while no mark has. */
sp_status sp_page_mark(const sp_record *record, const sp_raster *raster, size_t index, FILE *file, sp_error *err);
sp_status sp_page_stray(const sp_record *record, const sp_raster *raster, size_t index, FILE *file, sp_error *err);
bool sp_page_has_mark(const sp_record *record, const sp_raster *raster, size_t index);
/* The style sheet of all pages. The caller looks after write errors. */
void sp_page_style(FILE *file);

/* ---- parts that any page of the program is made of ---- */

/* Document type, head with title and style sheet, the beginning of the body; and their ends, with the program's name
 * and version at the foot. */
void sp_page_open(sp_markup *markup, const char *title);
void sp_page_close(sp_markup *markup);
/* On paper only: lines to write on, for what it is of, the date and the name. */
void sp_page_by_hand(sp_markup *markup, const char *what);
/* A section with its heading; `id` is unique in the page. */
void sp_page_section(sp_markup *markup, const char *id, const char *heading);
void sp_page_section_end(sp_markup *markup);
/* Begins a part that may be broader than a small screen and then moves sideways by itself; keys reach it, too. Ends
 * with sp_markup_end. */
void sp_page_wide(sp_markup *markup, const char *label);
/* A table in such a part, up to the first row; `unit` of a head may be NULL. Rows are <tr> with a <th scope="row">
 * first.
 */
typedef struct sp_page_head {
  const char *title, *unit;
} sp_page_head;
void sp_page_table_open(sp_markup *markup, const char *id, const char *label, const char *caption,
                        const sp_page_head *heads, size_t count);
void sp_page_table_close(sp_markup *markup);
/* A drawing of its own that holds the sign alone, as high as a letter of the text about it. */
void sp_page_sign(sp_markup *markup, sp_verdict verdict, double heading);
/* A cell with a number, or "-" where it is not known. `plus`: positive ones carry their sign; what rounds to zero
 * carries none. */
void sp_page_number_cell(sp_markup *markup, double value, int decimals, bool plus);

#endif
