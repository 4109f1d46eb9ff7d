/* Inside the jobs. */
#ifndef SP_JOBS_INTERNAL_H
#define SP_JOBS_INTERNAL_H

#include <sys/types.h>

#include "slotproof/hash.h"
#include "slotproof/jobs.h"

/* One run, handed to a worker. Nothing in it is owned. */
typedef struct work_request {
  const char *program, *folder, *name;
  const sp_job_pieces *pieces;
  const sp_job_settings *settings;
  bool described; /* board.txt lies in the folder */
  bool corrected; /* corrections.json lies in the folder */
  bool tiles;
  bool together; /* boards.txt lies in the folder */
  uint64_t max_pixels;
  unsigned seconds;
  void (*started)(void *context, pid_t worker);
  void (*stage)(void *context, int stage);
  void *context;
} work_request;

enum { WORK_FAILURE = 400, CHILD_SAID = 2000 };

/* A process to be run to its end. Nothing in it is owned. */
typedef struct child_request {
  const char *program;
  char *const *arguments; /* NULL behind the last */
  unsigned seconds;
  void (*started)(void *context, pid_t child);   /* -1: it has ended */
  void (*line)(void *context, const char *line); /* each that it writes to SP_WORK_FD */
  bool (*given_up)(void *context);               /* asked now and then; NULL: never */
  void *context;
} child_request;

typedef struct child_end {
  int failed;            /* errno: it could not be started */
  bool in_time;          /* it ended by itself */
  int status;            /* as from waitpid */
  char said[CHILD_SAID]; /* the beginning of what it wrote to standard error */
} child_end;

void child_run(const child_request *request, child_end *end);
/* The first line that was said, without the program's name; false if there is none. */
bool child_first_line(const char *said, char failure[WORK_FAILURE]);

/* The history, see past.c. What makes the board of a run what it is; "" if it has no record. */
void past_identity(const sp_store *store, const char *id, uint32_t run, char identity[SP_SHA256_TEXT]);
/* The record of that run, in the place of an earlier one ("" = none). */
sp_status past_add(const sp_store *store, const char *id, uint32_t run, const char *name, const char *before,
                   sp_error *err);
bool past_has(const sp_store *store, const char *id, uint32_t run);
sp_status past_forget(const sp_store *store, const char *identity, sp_error *err);
/* Every record as a file in the folder; *boards lists them as boards.txt does. free(). */
sp_status past_write_out(const sp_store *store, const char *folder, char **boards, sp_error *err);

/* Runs a worker to its end. True if it has finished its work; else *failure is a sentence for the user. */
bool work_run(const work_request *request, char failure[WORK_FAILURE]);

#endif
