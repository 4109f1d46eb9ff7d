/* What the writers share; private to this folder. */
#ifndef SLOTPROOF_REPORT_INTERNAL_H
#define SLOTPROOF_REPORT_INTERNAL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include "slotproof/bridge.h"
#include "slotproof/record.h"
#include "slotproof/report.h"
#include "slotproof/status.h"
#include "slotproof/writing.h"

/* The picture as a PNG, 8-bit RGB. Flushes. */
sp_status sp_write_png(const sp_canvas *canvas, FILE *file, sp_error *err);

/* How many of frets 1..N carry this verdict; the nut is not counted. */
size_t sp_count_frets(const sp_record *record, sp_verdict verdict);

/* Text report, in its parts. Each writes whole paragraphs and leaves write errors to the final flush. */
void sp_text_headline(const sp_record *record, FILE *file);
void sp_text_actions(const sp_record *record, FILE *file);
void sp_text_table(const sp_record *record, FILE *file);
void sp_text_by_hand(const sp_record *record, FILE *file);
/* A number of the tables, a blank before it; "-" where it is not known. */
void sp_text_cell(double value, int width, int decimals, bool sign, FILE *file);
/* Lines that lie out at an edge of the board though not in the middle; and all edges in a table, where it is needed. */
void sp_text_out_at_edge(const sp_record *record, FILE *file);
void sp_text_edges(const sp_record *record, FILE *file);
sp_status sp_text_list(const char *title, char *const *lines, size_t count, FILE *file, sp_error *err);
/* "fret 7", or "the nut" for 0. The text lives in `into`. */
const char *sp_fret_name(int32_t fret, char into[static 24]);

/* What a maker calls what was measured, what he does to what is out, what has to come before it (or NULL), and the
 * cautions. */
typedef struct sp_trade_words {
  const char *mark, *again, *group, *remedy, *no_fret, *first, *care;
} sp_trade_words;
const sp_trade_words *sp_trade_words_for(const sp_record *record);

/* Sentences without a final full stop, for every report in words; nothing is said of what is not known. */
void sp_tolerance_words(const sp_record *record, char *into, size_t size); /* "0.2 mm and 2 cents" */
void sp_say_counts(const sp_record *record, sp_sentence *s); /* how many frets are out, missing, undecided, within */
void sp_say_undecided(const sp_mark_record *m, sp_sentence *s);
/* "mostly for the mark, which is faint or frayed (...)": where most of the doubt comes from, and what would lessen it.
 */
const char *sp_largest_doubt(const sp_budget *budget);
void sp_say_missing(const sp_record *record, const sp_mark_record *m, sp_sentence *s);
void sp_say_remedy(const sp_record *record, int which, sp_sentence *s); /* one that helps; with its full stop */
void sp_say_stray(const sp_stray_record *stray, sp_sentence *s);
void sp_say_layout(const sp_record *record, sp_sentence *s);
void sp_say_datum(const sp_record *record, sp_sentence *s);
void sp_say_parts(const sp_record *record, sp_sentence *s);
void sp_say_camera(const sp_record *record, sp_sentence *s); /* photographs: how taken; with its full stop */
void sp_say_scale(const sp_record *record, sp_sentence *s);  /* with its full stops */
void sp_say_kerf(const sp_record *record, sp_sentence *s);   /* slots: how broad the saw has cut, against the tang */
void sp_say_slot(const sp_record *record, const sp_mark_record *m, sp_sentence *s); /* in what it does not run true */
void sp_say_before(const sp_record *record, sp_sentence *s); /* slots: against the lines of the earlier record */
void sp_say_fit(const sp_record *record, sp_sentence *s);
void sp_say_joins(const sp_record *record, sp_sentence *s);
void sp_say_correction(const sp_correction_record *correction, sp_sentence *s); /* what was said where; the outcome */
/* "added by hand" ...; NULL for a mark that nobody has touched. */
const char *sp_by_hand_note(const sp_mark_record *mark);
void sp_say_edges(const sp_record *record, sp_sentence *s); /* which line lies farthest off at an edge */
/* A line that is out at an edge and not in the middle: where, and what to do. */
void sp_say_out_at_edge(const sp_record *record, const sp_mark_record *m, sp_sentence *s);
size_t sp_count_out_at_edge(const sp_record *record);
bool sp_edges_need_table(const sp_record *record); /* not all are within there, or the frets are fanned */
extern const char SP_EDGE_TITLE[], SP_EDGES_WORDS[], SP_FAN_WORDS[];
extern const char SP_UNTRUE_WORDS[], SP_TANG_WORDS[], SP_NO_LENGTH_WORDS[], SP_TABLE_WORDS[];

size_t sp_count_found(const sp_record *record);
/* Is there a mark whose error is known in mm? */
bool sp_any_length(const sp_record *record);

/* Where the ends of a mark that was not found should be, by the marks beside it: for drawing, good to a line's width.
 * False if fewer than two marks were found. */
bool sp_missing_place(const sp_record *record, size_t index, sp_point *end_a_px, sp_point *end_b_px);
/* Slots: which of them do not run true. */
void sp_text_slots(const sp_record *record, FILE *file);

/* The finding that the board follows another scale length, or NULL. */
const sp_finding *sp_other_scale(const sp_record *record);

#endif
