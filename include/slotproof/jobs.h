/* slotproof/jobs.h: boards that wait to be measured, are being measured, have been measured.
 *
 * Every picture is decoded and measured in a process of its own, this same program started anew ("slotproof work"),
 * with limits on memory, time, files and what it can reach: a picture made to do harm ends its own job and no other.
 * The job's folder (store.h) is all the two have in common. Runs are numbered: each change of settings or corrections
 * is a new run, and the last good result is shown until the new one stands.
 */
#ifndef SLOTPROOF_JOBS_H
#define SLOTPROOF_JOBS_H

#include <cjson/cJSON.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "slotproof/boardfile.h"
#include "slotproof/check.h"
#include "slotproof/corrections.h"
#include "slotproof/raster.h"
#include "slotproof/record.h"
#include "slotproof/status.h"
#include "slotproof/store.h"

/* ---- what is asked of a board, in the words of the form ------------------------------------------------------------
 *
 * Each field stands for an option of `check`; its value is held against the same rules. "" = not given. */
enum { SP_FIELDS = 16, SP_FIELD_TEXT = 80 };

typedef struct sp_job_settings {
  char value[SP_FIELDS][SP_FIELD_TEXT];
} sp_job_settings;

/* The field's name ("scale_length") and option ("--scale-length"); NULL beyond the last. */
const char *sp_field_name(size_t field);
const char *sp_field_option(size_t field);
/* SP_E_USAGE with a sentence for the user if there is no such field or it cannot mean that. */
sp_status sp_settings_set(sp_job_settings *settings, const char *name, const char *value, sp_error *err);
/* What is missing before a board can be measured, or cannot be so with several pieces of one: SP_E_USAGE, *field its
 * name. `board` is a description that is given beside the form (then what it says need not be said), or NULL. */
sp_status sp_settings_complete(const sp_job_settings *settings, const sp_boardfile *board, size_t pieces,
                               const char **field, sp_error *err);
/* As an object of those given; NULL for lack of memory. And back: unknown names and values are passed over. */
cJSON *sp_settings_tree(const sp_job_settings *settings);
void sp_settings_from_tree(const cJSON *tree, sp_job_settings *settings);

/* Boards that are remembered, in the store's folder `boards`: what the form says of the board, not of the rule, or a
 * description (boardfile.h) in words of its own. An array of {id, name, settings, more}, `more` naming what the form
 * has no field for, "" if nothing; NULL for lack of memory. A name that is known is replaced; but what has more to it
 * is not replaced by a form. SP_E_USAGE if name or text will not do or there are too many, SP_E_NOINPUT if there is
 * none, SP_E_IO. */
enum { SP_BOARDS_MOST = 300, SP_BOARD_TEXT = 64 * 1024 };
cJSON *sp_boards_tree(const sp_store *store);
sp_status sp_boards_save(sp_store *store, const char *name, const sp_job_settings *settings, sp_error *err);
/* A description as somebody has written it; it is kept so. Its own key `name` names it. */
sp_status sp_boards_save_text(sp_store *store, const char *text, sp_error *err);
/* The text of one; free(). */
sp_status sp_boards_text(const sp_store *store, const char *id, char **text, sp_error *err);
sp_status sp_boards_forget(sp_store *store, const char *id, sp_error *err);
/* One that was read, as {name, settings, more}; NULL for lack of memory. */
cJSON *sp_board_tree(const sp_boardfile *board);

/* ---- one job ---------------------------------------------------------------------------------------------------- */

enum { SP_JOB_NAME = 200 };
typedef enum sp_job_state { SP_JOB_WAITING, SP_JOB_WORKING, SP_JOB_DONE, SP_JOB_FAILED } sp_job_state;

/* Pictures of one board in order from the nut: what they are called, and which file each is (store.h). */
typedef struct sp_job_pieces {
  size_t count; /* 0: one picture, called as the job; else 2 .. SP_MOST_PIECES */
  char name[SP_MOST_PIECES][SP_JOB_NAME];
  uint8_t file[SP_MOST_PIECES]; /* each of 0 .. count - 1 once */
} sp_job_pieces;

/* What job.json holds. */
typedef struct sp_job_order {
  char name[SP_JOB_NAME]; /* the picture's, as the user calls it; no '/', no control characters */
  int64_t created_s;      /* since 1970 */
  sp_job_settings settings;
  sp_job_pieces pieces;
  char *board;             /* text of a board description that is laid under the settings; owned; NULL: none */
  char (*of)[SP_STORE_ID]; /* NULL: a picture. Otherwise the boards that are summed up here; owned */
  size_t of_count;
  bool of_history;     /* all boards of the history are summed up here */
  sp_corrections said; /* all, in order; those from `applied` on have been undone */
  size_t applied;
  uint32_t run; /* from 1 */
} sp_job_order;

void sp_job_order_free(sp_job_order *order);
/* The last part of a path, cleaned and cut; "picture" if nothing is left. */
void sp_job_clean_name(const char *name, char clean[SP_JOB_NAME]);
/* Text of job.json, free(); and back. SP_E_DATA, SP_E_INTERNAL. */
char *sp_job_order_text(const sp_job_order *order);
sp_status sp_job_order_parse(const char *text, sp_job_order *order, sp_error *err);

/* ---- all of them ------------------------------------------------------------------------------------------------ */

typedef struct sp_jobs sp_jobs;

typedef struct sp_jobs_options {
  const char *program;   /* "/proc/self/exe", or the program's path */
  size_t workers;        /* pictures measured at a time; 0 = as many as there are cores, at most 4 */
  size_t waiting_most;   /* 0 = SP_JOBS_WAITING_MOST */
  size_t count_most;     /* of jobs kept; 0 = SP_JOBS_COUNT_MOST */
  uint64_t max_pixels;   /* 0 = SP_JOBS_PIXELS_MOST */
  unsigned seconds_most; /* by the clock, for one run; 0 = SP_JOBS_SECONDS_MOST */
} sp_jobs_options;

enum { SP_JOBS_TOGETHER_MOST = 500 };
enum { SP_JOBS_WAITING_MOST = 64, SP_JOBS_COUNT_MOST = 5000, SP_JOBS_SECONDS_MOST = 300, SP_JOBS_CPU_SECONDS = 240 };
/* A3 at 600 dpi has 70 million, A4 at 1200 dpi 140 million. */
#define SP_JOBS_PIXELS_MOST  UINT64_C(160000000)
#define SP_JOBS_MEMORY_BYTES (UINT64_C(4) << 30)

/* Takes up what the store holds; runs that were cut short are begun again. */
sp_status sp_jobs_open(sp_store *store, const sp_jobs_options *options, sp_jobs **jobs, sp_error *err);
/* Ends the workers and waits for them. Harmless on NULL. */
void sp_jobs_close(sp_jobs *jobs);

/* A place in the queue, before the picture is received: SP_E_USAGE with a sentence if it is full. Given back by
 * sp_jobs_add or sp_jobs_release. */
sp_status sp_jobs_reserve(sp_jobs *jobs, sp_error *err);
void sp_jobs_release(sp_jobs *jobs);
/* The pictures have been received (sp_store_begin). Takes the place in any case. Of `order` name, settings, pieces and
 * board are taken, as copies. */
sp_status sp_jobs_add(sp_jobs *jobs, const char *id, const sp_job_order *order, sp_error *err);

/* Sums up boards that have been measured, at least one; what it finds is a page (report.html). `id` is set. Takes a
 * place that was reserved in any case. SP_E_USAGE if one of them is not there or not measured. */
sp_status sp_jobs_together(sp_jobs *jobs, char (*of)[SP_STORE_ID], size_t count, char id[SP_STORE_ID], sp_error *err);

/* The same over the history: every layout by itself. */
sp_status sp_jobs_sum_history(sp_jobs *jobs, char id[SP_STORE_ID], sp_error *err);
/* The history in the data folder as {boards: [...], all}, the latest first; as sp_history_open. */
sp_status sp_jobs_history(const sp_store *store, cJSON **tree, sp_error *err);

/* SP_E_NOINPUT: there is no such job. SP_E_USAGE: not with this one, or not now. */
sp_status sp_jobs_correct(sp_jobs *jobs, const char *id, const sp_corrections *said, size_t applied, sp_error *err);
/* What is asked anew. */
typedef struct sp_job_change {
  const sp_job_settings *settings;
  bool other_board;    /* `board` takes the place of what there was; otherwise that stays */
  const char *board;   /* NULL: none */
  const uint8_t *turn; /* which of the present pieces comes first, second ...; NULL: as they are */
  size_t turn_count;
} sp_job_change;
sp_status sp_jobs_again(sp_jobs *jobs, const char *id, const sp_job_change *change, const char **field, sp_error *err);
/* The board, its picture and its results; its numbers stay in the history unless told. */
sp_status sp_jobs_remove(sp_jobs *jobs, const char *id, bool from_history, sp_error *err);

/* Objects for the page; NULL if there is no such job or no memory. The list has the latest first. */
cJSON *sp_jobs_tree(sp_jobs *jobs, const char *id);
cJSON *sp_jobs_list_tree(sp_jobs *jobs);
/* The run whose result is shown; 0 = none yet. */
uint32_t sp_jobs_shown(sp_jobs *jobs, const char *id);

/* ---- the scanner -------------------------------------------------------------------------------------------------
 *
 * Looked for and used by processes of their own (scan.h), one thing at a time, none longer than it may take. */
typedef struct sp_scanner sp_scanner;
enum { SP_SCANNER_LEAST_DPI = 75, SP_SCANNER_MOST_DPI = 2400 };
/* `program` as in sp_jobs_options. Neither is owned; close before them. */
sp_status sp_scanner_open(sp_store *store, sp_jobs *jobs, const char *program, sp_scanner **scanner, sp_error *err);
void sp_scanner_close(sp_scanner *scanner);
/* Begins to look; on the network, too, if `everywhere`. SP_E_USAGE: it is busy, or built without. */
sp_status sp_scanner_look(sp_scanner *scanner, bool everywhere, sp_error *err);
/* Begins a scan with a device that was seen; it becomes a board with the settings and board description of `order`.
 * SP_E_USAGE as above, or no such device or resolution, or the queue is full. */
sp_status sp_scanner_scan(sp_scanner *scanner, const char *device, int dpi, const sp_job_order *order, sp_error *err);
void sp_scanner_stop(sp_scanner *scanner);
/* {built, looked, doing: "nothing", "looking", "scanning", devices: [{name, words}], percent, stopping, id of the board
 * that the last scan became, trouble: a sentence}; NULL for lack of memory. */
cJSON *sp_scanner_tree(sp_scanner *scanner);

/* ---- the worker's side ------------------------------------------------------------------------------------------ */

/* Where it tells its stages, one word a line. */
enum { SP_WORK_FD = 3 };
const char *sp_work_stage_word(int stage); /* sp_check_stage; beyond it "drawing" */

/* Limits of this process, before it reads anything of the picture: memory, processor time, size of files, no new
 * privileges, an end when the parent ends; where the kernel has seccomp, no network, no other program or process, no
 * rights of files changed; where it has Landlock, no file but below `folder`, those that may only be read below `more`
 * (or NULL), and the system's own libraries. SP_E_INTERNAL if a limit cannot be set that the system has. */
sp_status sp_work_confine(const char *folder, const char *more, sp_error *err);
/* Which version of Landlock this system's kernel has, so that a worker sees no file but its own; 0: none. */
int sp_work_lands(void);
/* Into the present folder: record.json, table.csv, report.html, parts.html, marks.pack, about.json and, if asked for,
 * tiles.pack; of several pieces places.json too, the record with all places as they lie in the drawing. `drawn` is made
 * from the record by sp_record_drawn and belongs to the raster. */
sp_status sp_work_write(const sp_record *record, const sp_record *drawn, const sp_raster *raster, bool tiles,
                        sp_error *err);
/* Sums up the boards that boards.txt in the present folder names, one a line: record's path, a blank, the board's name.
 * Leaves report.html and about.json. */
sp_status sp_work_together(sp_error *err);
/* Numbers in marks.pack. */
uint64_t sp_work_mark_key(bool stray, uint32_t index);

#endif
