/* slotproof/boardfile.h: a board described in a text file, read and written.
 *
 * One property a line, "key = value"; lengths and tolerances as on the command line (layout.h), so "25 1/2 in" is one.
 * '#' at a line's beginning or behind a blank begins a comment. Keys are written in any case, with blanks, hyphens or
 * underscores between their words; all are optional, none twice. A list may go on in lines that begin with a blank.
 *
 *   name            text, for reports and drawings
 *   scale length    nut to theoretical saddle, without compensation
 *   frets           after the nut, 1 to SP_BOARD_MAX_FRETS
 *   divisions       of the octave, 1 to SP_BOARD_MAX_DIVISIONS; or
 *   steps           cents above the open string or ratios to it, from fret 1 on, with blanks or commas between; or
 *   steps file      name of a list of steps (layout.h), from the board file's own folder
 *   scale length bass, scale length treble, spread nut, spread saddle, square fret
 *                   instead of one scale length: see sp_fan; without spreads the two lie at the board's edges
 *   marks           knife, slot or wire: what is on the board
 *   nut             auto, line or end: what places are measured from
 *   zero fret       yes or no: the nut is a zero fret, with a nut behind it
 *   nut behind      how far behind the zero fret that nut stands
 *   nut shift       how much nearer to fret 1 a compensated nut stands
 *   partial frets   frets over a part of the width, as sp_parse_partials reads them
 *   left handed     yes or no: the bass is on the left, looking from the nut to the bridge
 *   tang            width of the fret's tang, the kerf that is wanted
 *   tolerance       a length, cents as 2c, or both with a comma between
 *   nut width, end width, end at, radius, end radius, tang depth, clearance, thickness     see sp_board_shape
 *
 * Read with the inih library: it parts lines, keys, values and comments, and leaves the values to us as text; it is fed
 * line by line, so every complaint names its line.
 */
#ifndef SLOTPROOF_BOARDFILE_H
#define SLOTPROOF_BOARDFILE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include "slotproof/check.h"
#include "slotproof/layout.h"
#include "slotproof/record.h"
#include "slotproof/status.h"

/* An instrument with more frets or finer steps is a slip of the finger. */
enum { SP_BOARD_MAX_FRETS = 200, SP_BOARD_MAX_DIVISIONS = 1200, SP_BOARD_MAX_PARTIALS = 64 };

/* What was not given is NAN, 0, "" or NULL. Owned: free with sp_boardfile_free. */
typedef struct sp_boardfile {
  char name[SP_LAYOUT_NAME];
  double scale_length_mm;
  int32_t frets, divisions;
  sp_steps steps;   /* given, or read from steps_file */
  char *steps_file; /* as written */
  sp_fan fan;
  bool marks_given, nut_given;
  sp_mark_kind marks;
  sp_nut_choice nut;
  bool zero_fret;
  double nut_behind_mm, nut_shift_mm;
  sp_partial partial[SP_BOARD_MAX_PARTIALS];
  size_t partial_count;
  bool left_handed;
  double tang_mm;
  sp_tolerance tolerance;
  sp_board_shape shape;
} sp_boardfile;

void sp_boardfile_init(sp_boardfile *board);
void sp_boardfile_free(sp_boardfile *board);

/* Reads a description; `text` need not end in NUL. `folder` is where a steps file is looked for, "" for the current
 * one; NULL refuses it (text that came from no file). Refused is what cannot be meant: a key that is unknown or stands
 * there twice, a value that does not parse, two keys that exclude each other, one that means nothing without another, a
 * layout or a slot that cannot be. SP_E_DATA with a sentence that begins with "line N: " and says what to do;
 * SP_E_NOINPUT (and the same beginning) if a steps file is not there; SP_E_IO, SP_E_INTERNAL. On failure the board is
 * as initialised. */
sp_status sp_boardfile_parse(const char *text, size_t length, const char *folder, sp_boardfile *board, sp_error *err);
/* The same from a file of at most 1 MB; also SP_E_NOINPUT if the file itself is not there. Sentences do not name it. */
sp_status sp_boardfile_read(const char *path, sp_boardfile *board, sp_error *err);

/* Writes the description, flushes, does not close. What was read from text is read back the same, bit for bit; numbers
 * from elsewhere are kept to 15 digits. `steps_inline` writes the steps themselves in a steps file's place. SP_E_USAGE
 * if a text cannot be written (a name that holds a control character, or a comment's beginning), SP_E_IO. */
sp_status sp_boardfile_write(const sp_boardfile *board, bool steps_inline, FILE *file, sp_error *err);

/* The layout it describes: SP_E_USAGE if scale length or frets are missing, or as sp_layout_equal, sp_layout_steps,
 * sp_layout_shift_nut, sp_layout_zero_fret, sp_layout_set_part.
 * Free with sp_layout_free. */
sp_status sp_boardfile_layout(const sp_boardfile *board, sp_layout *layout, sp_error *err);

/* Name of key number `index`, from 0; NULL beyond the last. */
const char *sp_boardfile_key(size_t index);

/* "auto", "line", "end". */
const char *sp_nut_choice_word(sp_nut_choice nut);

#endif
