/* What the files of this folder share. */
#ifndef SLOTPROOF_BATCH_INTERNAL_H
#define SLOTPROOF_BATCH_INTERNAL_H

#include "slotproof/batch.h"
#include "slotproof/writing.h"

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

/* The words of the charts and rules, for programs: "mean", "trend" ... */
const char *sp_batch_chart_word(sp_batch_chart_kind kind);
const char *sp_batch_rule_word(unsigned rule);

/* ---- for reports in words ---- */

typedef struct sp_batch_tally {
  size_t all, within, out, undecided, unusable;
} sp_batch_tally;
/* This run's boards; the history's if there are no others. */
sp_batch_tally sp_batch_count(const sp_batch *batch);

typedef struct sp_batch_ranked {
  const sp_batch_board *board;
  double part;  /* of its tolerance that the worst error takes; -1: none is known */
  size_t index; /* in the batch */
} sp_batch_ranked;
/* The same boards, those that need work first; free *list with free(). */
sp_status sp_batch_worst_first(const sp_batch *batch, sp_batch_ranked **list, size_t *count, sp_error *err);
/* How much of its tolerance (without one: of 1 mm) the error takes. */
double sp_batch_part(const sp_batch_mark *mark);

/* Fewer boards give limits of a standard deviation that a third either way would not surprise. */
enum { SP_BATCH_ENOUGH = 20 };
extern const char SP_BATCH_ALIKE_WORDS[], SP_BATCH_CHANCE_WORDS[], SP_BATCH_FEW_WORDS[];
/* "knife lines", "slots", "fret crowns" */
void sp_batch_say_length(const sp_batch_group *group, sp_sentence *s); /* "scale length 648 mm" */
const char *sp_batch_marks_words(sp_mark_kind kind);
const char *sp_batch_chart_words(int kind);
const char *sp_batch_rule_words(unsigned rule);
void sp_batch_say_counts(const sp_batch_tally *tally, sp_sentence *s);
void sp_batch_say_point(const sp_chart_point *point, int kind, sp_sentence *s);
void sp_batch_say_step(const sp_batch_fret *fret, sp_sentence *s);         /* "it lies ... than before" */
void sp_batch_say_capability(const sp_batch_group *group, sp_sentence *s); /* with its full stops */
void sp_batch_say_order(const sp_batch *batch, const sp_batch_group *group, sp_sentence *s);
void sp_batch_say_study(const sp_batch_study *study, sp_sentence *s);
/* Six standard deviations in per cent of the whole tolerance, and what is commonly held of it. */
double sp_batch_gauge_percent(const sp_batch_study *study, double sd);
const char *sp_batch_gauge_words(double percent);

#endif
