/* slotproof/store.h: boards that were checked through the browser, each in a folder of its own, safe from a kill.
 *
 *   DATA/                         mode 0700; one program at a time holds it (a lock on DATA/lock)
 *     lock
 *     incoming/ID/picture         while it is being received; swept away at the next start
 *     boards/NAME.board           board descriptions
 *     history.db                  every board ever measured here (history.h)
 *     form.json                   what was asked last
 *     jobs/ID/job.json            what is asked: name, settings, corrections, number of the run
 *     jobs/ID/picture             as it was received
 *     jobs/ID/picture-N           further pieces of the same board, N from 1
 *     jobs/ID/tiles.pack          for looking at (tiles.h)
 *     jobs/ID/work-N/             run N, unfinished; swept away at the next start
 *     jobs/ID/result-N/           run N, finished: whole, or with nothing but failure.txt
 *
 * What is finished has been written elsewhere, pushed to the disk and renamed; so a kill at any moment leaves the state
 * before or the state after. Names come from this page or are identities, 32 hexadecimal digits of which 128 bits are
 * random; nothing else becomes part of a path, and no symbolic link is followed.
 */
#ifndef SLOTPROOF_STORE_H
#define SLOTPROOF_STORE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "slotproof/status.h"

enum { SP_STORE_ID = 33 }; /* digits and NUL */

typedef struct sp_store {
  char *path;                             /* absolute */
  int root, jobs, incoming, boards, lock; /* descriptors of the folders; of the lock's file */
} sp_store;

/* Makes the folders that are missing. SP_E_CANTCREATE (also if another program holds it), SP_E_IO. `store` is zero
 * before; sp_store_close is harmless on zero. */
sp_status sp_store_open(const char *path, sp_store *store, sp_error *err);
void sp_store_close(sp_store *store);
/* "$XDG_DATA_HOME/slotproof" or "$HOME/.local/share/slotproof" (XDG Base Directory Specification); free(). NULL if
 * neither is set, or for lack of memory. */
char *sp_store_default_path(void);

bool sp_store_id_valid(const char *text);
/* SP_E_INTERNAL if the system gives no random bytes. */
sp_status sp_store_new_id(char id[SP_STORE_ID], sp_error *err);
/* `bytes` random bytes as twice as many hexadecimal digits and NUL. */
sp_status sp_store_random(char *text, size_t bytes, sp_error *err);

/* ---- receiving -------------------------------------------------------------------------------------------------- */

/* Room for one more file of that size, with some to spare? SP_E_IO with a sentence if not. */
sp_status sp_store_room(const sp_store *store, uint64_t bytes, sp_error *err);
/* A new folder and its picture, open for writing. */
sp_status sp_store_begin(sp_store *store, const char *id, int *fd, sp_error *err);
/* A further picture in that folder, `number` from 1. */
sp_status sp_store_begin_piece(sp_store *store, const char *id, size_t number, int *fd, sp_error *err);
/* The name of picture `number` in the job's folder: "picture", "picture-1" ... */
enum { SP_STORE_PICTURE = 32 };
void sp_store_picture_name(size_t number, char name[SP_STORE_PICTURE]);
/* Job and pictures go out to the disk and become visible together; `text` is job.json. */
sp_status sp_store_commit(sp_store *store, const char *id, const char *text, sp_error *err);
void sp_store_drop(sp_store *store, const char *id);

/* ---- jobs ------------------------------------------------------------------------------------------------------- */

/* Calls back for every job, in no particular order; `folder` is open for its time. */
typedef sp_status (*sp_store_visit)(void *context, const char *id, int folder, sp_error *err);
sp_status sp_store_each(sp_store *store, sp_store_visit visit, void *context, sp_error *err);

/* Descriptor of the job's folder, or -1. */
int sp_store_job(const sp_store *store, const char *id);
/* Descriptor of a finished run, or -1. */
int sp_store_result(const sp_store *store, const char *id, uint32_t run);
/* A file in an open folder for reading, an ordinary one; -1. */
int sp_store_file(int folder, const char *name);
/* All of it, at most `most` bytes, with a NUL; NULL if it is not there, too large or cannot be read. free(). */
char *sp_store_text(int folder, const char *name, size_t most);
/* Whole or not at all, replacing what is there. */
sp_status sp_store_put(int folder, const char *name, const char *text, sp_error *err);

/* A fresh folder for run N, and its path for the worker (free()). */
sp_status sp_store_work(const sp_store *store, const char *id, uint32_t run, char **path, sp_error *err);
/* The run's folder becomes its result: pushed to the disk, renamed; with `failure` it holds that sentence alone.
 * tiles.pack moves up to the job. Results before `keep` go. */
sp_status sp_store_finish(const sp_store *store, const char *id, uint32_t run, const char *failure, uint32_t keep,
                          sp_error *err);
/* Which runs there are: the last, and the last that did not fail; 0 = none. Sweeps unfinished ones away if told. */
void sp_store_runs(int job, bool sweep, uint32_t *last, uint32_t *good);
/* The job and all that belongs to it. */
sp_status sp_store_remove(sp_store *store, const char *id, sp_error *err);

#endif
