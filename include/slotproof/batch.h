/* slotproof/batch.h: many boards at once: found, checked side by side, and summed up.
 *
 * A batch starts from pictures, which are checked, and from records of earlier checks, which are taken as they are;
 * both end as the same plain structs. Every picture is checked by a process of its own (a picture that brings a check
 * down brings down that board alone) which uses one core and hands back the written record: a board reads the same
 * whether it was checked now, in an earlier run, or on another machine. The result does not depend on how many
 * processes there are, nor on the order in which names were given.
 *
 * Lengths in mm, cents, degrees; what is not known is NAN; u_ is a standard uncertainty (k = 1), expanded_ has k = 2;
 * limits hold with 95 % confidence. Functions may be called from one thread at a time.
 */
#ifndef SLOTPROOF_BATCH_H
#define SLOTPROOF_BATCH_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include "slotproof/check.h"
#include "slotproof/hash.h"
#include "slotproof/history.h"
#include "slotproof/record.h"
#include "slotproof/statistics.h"
#include "slotproof/status.h"

#define SP_BATCH_CONFIDENCE 0.95

/* ---- what there is to do ---- */

typedef struct sp_batch_input {
  char *path;
  const char *name; /* its last part; points into path */
  bool is_record;   /* a record's JSON, not a picture */
  char **piece;     /* of a board scanned in pieces, whose folder `path` is: the pictures in order of name; else NULL */
  size_t pieces;
} sp_batch_input;

/* Owned: free with sp_batch_list_free. */
typedef struct sp_batch_list {
  sp_batch_input *input; /* in order of name, as people count: board2 before board10 */
  size_t count;
} sp_batch_list;

/* Pictures, records (names that end in .json) and folders. A folder stands for the PNG, JPEG, TIFF, WebP and HEIF
 * files right in it; where a record NAME.json with another picture's digest stands beside NAME.png, the latter is its
 * overlay and the record is taken; a folder without pictures stands for its records. What is named twice is taken once.
 * With `pieces` a folder stands for one board, the pictures in it being scans of it in order from the nut; a folder
 * without pictures for the folders in it that hold some.
 * On failure (SP_E_NOINPUT, SP_E_USAGE, SP_E_INTERNAL) *at is the name that would not do. */
sp_status sp_batch_find(char *const *names, size_t count, bool pieces, sp_batch_list *list, const char **at,
                        sp_error *err);
void sp_batch_list_free(sp_batch_list *list);

/* ---- what was found on each board ---- */

typedef struct sp_batch_mark {
  bool found;
  sp_verdict verdict;
  double error_mm, error_cents, expanded_u_mm, expanded_u_cents;
  double u_line_mm;   /* this mark's own: locating the line, reading the rule */
  double u_nut_mm;    /* common to the board: locating the nut */
  double u_shared_mm; /* common to all scans beside the same rule: what the rule may be wrong by, temperature */
  double tolerance_mm;
  double squareness_deg, width_mm;
} sp_batch_mark;

enum { SP_BATCH_NONE = -1 };

/* Fanned frets: as in record.h; all NAN where they are parallel. Boards of two fans are boards of two layouts. */
typedef struct sp_batch_fan {
  double square_fret, bass_scale_mm, treble_scale_mm, spread_nut_mm, spread_saddle_mm;
} sp_batch_fan;

typedef struct sp_batch_board {
  char *name, *file; /* last part; as given. History: the name it was stored under, "" */
  sp_status status;  /* SP_OK, or why there is no record: then `trouble` says it and nothing below holds */
  char *trouble;
  bool reused;       /* the record of an earlier run stood */
  bool from_history; /* not of this run */
  int64_t same_as;   /* index of the board that is counted instead (the same picture), or SP_BATCH_NONE */
  bool repeat;       /* ... because a study says it is another scan of that board */
  int64_t sequence;  /* place in the history; without one, 0 */
  char identity[SP_SHA256_TEXT];
  char sha256[SP_SHA256_TEXT]; /* of the picture; of several: of their digests; "" = not known */
  char version[24];            /* of the program that made the record */
  double scale_length_mm; /* of a fan: on the centre line */
  sp_batch_fan fan;
  int32_t frets, divisions; /* divisions 0 = a list of steps */
  sp_mark_kind marks_kind;
  sp_verdict verdict;
  sp_batch_mark *mark;                    /* frets 0..frets; [0] is the nut */
  double *layout_mm;                      /* frets + 1 */
  size_t within, out, undecided, missing; /* frets, without the nut */
  int32_t worst;                          /* fret with the largest |error| against its tolerance; SP_BATCH_NONE */
  double mean_error_mm;                   /* of the frets found */
  double fit_scale_length_mm;
} sp_batch_board;

/* ---- what the boards of one layout say together ---- */

typedef struct sp_batch_fret {
  int32_t fret;
  double layout_mm, tolerance_mm; /* tolerance: NAN where the boards differ in it */
  sp_spread error;                /* of error_mm over the boards */
  double u_line_mm, u_nut_mm;     /* root mean square over the boards */
  double u_shared_mm;
  double hand_sd_mm; /* scatter with the measuring taken off; 0 where measuring explains all of it */
  sp_interval hand_sd_limits;
  bool systematic; /* the mean is off by more than chance (5 % for all frets of the group together) and rule explain */
  sp_capability capability;
  /* From a certain board on (index; SP_BATCH_NONE) it lies elsewhere than before, by more than chance (5 % for all
   * frets together): positive toward the bridge. */
  int64_t step_board;
  double step_mm, u_step_mm;
  size_t out, undecided, missing;
} sp_batch_fret;

/* Variance components, from the boards on which every fret was found: error = common + fret + board + rest. */
typedef struct sp_batch_components {
  bool known; /* at least three such boards */
  size_t boards;
  double common_mm;  /* mean of all errors: with the next line, what jig, rule and layout do alike each time */
  double jig_sd_mm;  /* of the frets' own systematic errors about it */
  double nut_sd_mm;  /* of the boards' common shifts (the nut's hand error), measuring taken off */
  double hand_sd_mm; /* of the single marks, measuring taken off */
  double line_sd_mm, datum_sd_mm; /* the measuring: of a mark, of the nut (from the records' budgets) */
  double u_shared_mm;             /* largest uncertainty that the rule shares with common and jig */
  sp_interval jig_limits, nut_limits, hand_limits;
} sp_batch_components;

/* Boards in order of time: as they lie in the history, else as they are named. */
typedef enum sp_batch_chart_kind {
  SP_BATCH_CHART_MEAN,       /* mean error of a board, as single values */
  SP_BATCH_CHART_MOVING,     /* its moving range */
  SP_BATCH_CHART_EWMA,       /* its weighted moving average, lambda 0.3: small lasting shifts */
  SP_BATCH_CHART_GROUP_MEAN, /* the same mean against the scatter within boards (X-bar) */
  SP_BATCH_CHART_SCATTER,    /* scatter of a board's frets about the frets' averages (S) */
  SP_BATCH_CHART_LENGTH      /* best-fitting scale length less the one asked for, as single values */
} sp_batch_chart_kind;
enum { SP_BATCH_CHARTS = 6, SP_BATCH_CHART_LEAST = 5 }; /* fewer boards make no chart */

typedef struct sp_batch_group {
  double scale_length_mm;
  sp_batch_fan fan;
  int32_t frets, divisions;
  sp_mark_kind marks_kind;
  size_t *board; /* indices, in order of time; those counted */
  size_t board_count;
  sp_batch_fret *fret; /* frets 1..frets */
  sp_batch_components components;
  sp_capability capability; /* of all frets together, where they share a tolerance in mm */
  double pooled_sd_mm;      /* within frets */
  double tolerance_mm;
  size_t *charted;                 /* boards of the charts, board for board (the moving range begins with the second) */
  sp_chart chart[SP_BATCH_CHARTS]; /* count 0: none */
} sp_batch_group;

/* ---- the gauge's own study ---- */

typedef struct sp_batch_study {
  bool known;
  sp_gauge_design design; /* blocks: frets found in every picture */
  sp_gauge all;           /* frets together */
  int32_t *fret;          /* blocks of them ... */
  sp_gauge *each;         /* ... and each by itself */
  double tolerance_mm;    /* NAN where they differ */
} sp_batch_study;

/* ---- the whole ---- */

/* Owned: zero-initialise, free with sp_batch_free. */
typedef struct sp_batch {
  sp_batch_board *board; /* this run's, then those of the history, if any */
  size_t board_count;
  sp_batch_group *group; /* in order of scale length, frets, divisions, kind of mark */
  size_t group_count;
  sp_batch_study study;
  char **warning;
  size_t warning_count;
} sp_batch;

void sp_batch_free(sp_batch *batch);

typedef struct sp_batch_options {
  const sp_check_options *check;
  const char *settings; /* the options in words: a finished record serves again only if they are the same */
  const char *results;  /* folder for the records, made if it is missing; NULL = none are kept */
  bool overlays;
  size_t workers;      /* processes; 0 = one a core */
  sp_history *history; /* NULL = none */
  /* Told after each board, in the order of the list: how far it is, and how many were checked afresh. May be NULL. */
  void (*progress)(void *context, size_t done, size_t fresh, size_t all, const sp_batch_board *board);
  void *context;
} sp_batch_options;

/* Checks the pictures and reads the records of `list`, in order, into batch->board; pictures and records that do not
 * serve become boards with `trouble`. Records go into the folder as NAME.json, overlays as NAME.png, each whole or not
 * at all; a record there is used again where picture (by SHA-256), settings and program version are the same. Each
 * board goes into the history in the order of the list.
 * SP_E_USAGE if two pictures would share a record's name; SP_E_CANTCREATE, SP_E_IO if results cannot be written (*at
 * is the file). SIGINT and SIGTERM end the run after the boards in work: *stopped is the signal, else 0, and those not
 * begun are left out of the batch. */
sp_status sp_batch_run(const sp_batch_list *list, const sp_batch_options *options, sp_batch *batch, int *stopped,
                       const char **at, sp_error *err);

/* Adds the boards of the history that are not in the batch: all of them, or if the batch has any, those of layouts it
 * has. Then sum up. */
sp_status sp_batch_add_history(sp_batch *batch, sp_history *history, sp_error *err);

/* One board from a record: what sp_batch_run does for each. */
sp_status sp_batch_add_record(sp_batch *batch, const char *file, const sp_record *record, sp_error *err);

/* Groups, statistics, charts; call once, when all boards are there. */
sp_status sp_batch_sum_up(sp_batch *batch, sp_error *err);

/* A study: csv with the columns file, part, appraiser, trial; every part by every appraiser equally often. `file` is
 * the picture's or record's name as in the batch. SP_E_DATA with the line number. */
sp_status sp_batch_read_study(const char *path, sp_batch *batch, sp_error *err);

/* 0 all within; 1 a board of this run is out; 2 otherwise (undecided, a mark missing, a picture that does not serve).
 */
int sp_batch_exit_status(const sp_batch *batch);

/* ---- told ---- */

/* As in report.h: flushed, not closed. Text: worst boards first, at most 100 columns but for file names. JSON: schema
 * slotproof/batch/1. CSV: RFC 4180, one row a mark. */
sp_status sp_batch_text(const sp_batch *batch, FILE *file, sp_error *err);
sp_status sp_batch_json(const sp_batch *batch, FILE *file, sp_error *err);
sp_status sp_batch_csv(const sp_batch *batch, FILE *file, sp_error *err);
/* One page, whole in itself, as page.h describes: verdict, what to do, the boards worst first; then the map of all
 * errors, frets, causes, control charts, study. */
sp_status sp_batch_html(const sp_batch *batch, FILE *file, sp_error *err);

#endif
