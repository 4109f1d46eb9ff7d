/* png_rows.h (internal): the pixels of an ordinary PNG, row after row, quicker than libpng hands them over.
 *
 * For files without interlacing, whose samples need no more than to be unpacked and unfiltered. Whatever is odd about a
 * file, a wrong check sum or an end too soon included, ends the reading without a word: then the file is libpng's, from
 * its start, to be read or to be complained of. */
#ifndef SLOTPROOF_READING_PNG_ROWS_H
#define SLOTPROOF_READING_PNG_ROWS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "source.h"

typedef struct sp_png_rows sp_png_rows;

/* `data` is where the first IDAT chunk's data begins. Rows of row_bytes (without the filter's number), pixels of
 * pixel_bytes (1 to 8). NULL if that cannot be done. Free with sp_png_rows_close. */
sp_png_rows *sp_png_rows_open(sp_source *source, uint64_t data, size_t row_bytes, uint32_t pixel_bytes, uint32_t rows);
/* The next row, samples as stored (16 bits: the higher byte first), which lasts until the one after the next is asked
 * for; NULL if something is wrong. */
const uint8_t *sp_png_rows_next(sp_png_rows *rows);
/* After the last row: the packed data end here, and up to the end of the picture nothing comes that matters to it. */
bool sp_png_rows_end(sp_png_rows *rows);
void sp_png_rows_close(sp_png_rows *rows);

#endif
