/* What the files of this folder share. */
#ifndef SLOTPROOF_BATCH_INTERNAL_H
#define SLOTPROOF_BATCH_INTERNAL_H

#include "slotproof/batch.h"

/* A copy in memory of its own; NULL for lack of it. */
char *sp_batch_copy(const char *text);
const char *sp_batch_last_part(const char *path);
/* As people count: board2 before board10. Equal only for equal texts. */
int sp_batch_name_order(const char *a, const char *b);

/* Room for one more board, named and otherwise unknown; NULL for lack of memory. */
sp_batch_board *sp_batch_new_board(sp_batch *batch, const char *name, const char *file);
/* Fills a new board from a record, or leaves it with `trouble`. */
sp_status sp_batch_fill_board(sp_batch_board *board, const sp_record *record, sp_error *err);
sp_status sp_batch_set_trouble(sp_batch_board *board, const sp_error *why, sp_error *err);
#if defined(__GNUC__)
__attribute__((format(printf, 3, 4)))
#endif
sp_status
sp_batch_warn(sp_batch *batch, sp_error *err, const char *format, ...);

bool sp_batch_same_layout(const sp_batch_board *board, const sp_batch_board *other);

/* "knife lines", "slots", "fret crowns" */
const char *sp_batch_marks_words(sp_mark_kind kind);
/* The words of the charts and rules, for programs: "mean", "trend" ... */
const char *sp_batch_chart_word(sp_batch_chart_kind kind);
const char *sp_batch_rule_word(unsigned rule);

#endif
