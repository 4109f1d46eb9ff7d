/* slotproof/history.h: every board ever checked, in one file (an SQLite database).
 *
 * Each board is one transaction, so the file is sound whatever kills the program, and several runs may write at once:
 * they wait for each other. A board is known by its picture (SHA-256) and the settings; one that is known already keeps
 * its place in time, and its record is brought up to date.
 *
 * The tables may be read by other programs (schema version 1; later versions only add):
 *   pictures(sha256, file, width_px, height_px)
 *   boards(id, identity, name, picture_sha256, settings, version, scale_length_mm, frets, divisions, marks_kind,
 *          verdict, record)                                             id grows with time; record is the JSON
 *   marks(board, fret, state, x_mm, layout_mm, error_mm, error_cents, u_mm, expanded_u_mm, squareness_deg, width_mm,
 *         verdict)                                                      what is not known is NULL
 *   times(board, checked_s)                                            when it was first stored, since 1970; may be
 * missing
 */
#ifndef SLOTPROOF_HISTORY_H
#define SLOTPROOF_HISTORY_H

#include <stddef.h>
#include <stdint.h>

#include "slotproof/hash.h"
#include "slotproof/record.h"
#include "slotproof/status.h"

enum { SP_HISTORY_VERSION = 1, SP_HISTORY_WAIT_MS = 60000 };

typedef struct sp_history sp_history;

/* Opens or makes the file. SP_E_DATA if it is no history, or one of a later version whose tables this one might
 * misread; nothing is changed then. SP_E_CANTCREATE, SP_E_IO. Close with sp_history_close. */
sp_status sp_history_open(const char *path, sp_history **history, sp_error *err);
void sp_history_close(sp_history *history);

/* Stores a board: `text` is the record as it was written, `record` the same, read. */
sp_status sp_history_add(sp_history *history, const char *name, const sp_record *record, const char *text,
                         size_t length, sp_error *err);

/* Every board, the earliest first. What the callback returns ends the walk unless it is SP_OK. */
typedef sp_status (*sp_history_visit)(void *context, const char *name, const char *text, size_t length, sp_error *err);
sp_status sp_history_each(sp_history *history, sp_history_visit visit, void *context, sp_error *err);

/* One board in a line of a list. What is not known is NAN or 0. */
typedef struct sp_history_row {
  const char *name, *verdict, *marks_kind; /* words of the record; valid during the call */
  double scale_length_mm;
  int32_t frets, divisions; /* divisions 0: steps of its own */
  int32_t out, undecided, missing;
  double worst_mm; /* the error that is largest, with its sign, and its fret */
  int32_t worst_fret;
  int64_t checked_s;
} sp_history_row;
typedef sp_status (*sp_history_visit_row)(void *context, const sp_history_row *row, sp_error *err);
/* The latest first, at most `most`; *all is how many there are. */
sp_status sp_history_rows(sp_history *history, size_t most, size_t *all, sp_history_visit_row visit, void *context,
                          sp_error *err);
/* Takes a board out; one that is not there is no error. */
sp_status sp_history_forget(sp_history *history, const char *identity, sp_error *err);

/* What makes two records one board. */
/* What tells the picture or pictures of a record: of one its SHA-256, of several that of their digests in order. "" if
 * one is not known. */
void sp_history_pictures(const sp_record *record, char digest[SP_SHA256_TEXT]);
void sp_history_identity(const sp_record *record, const char *text, size_t length, char identity[SP_SHA256_TEXT]);

#endif
