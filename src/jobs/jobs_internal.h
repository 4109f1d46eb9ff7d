/* Inside the jobs. */
#ifndef SP_JOBS_INTERNAL_H
#define SP_JOBS_INTERNAL_H

#include <sys/types.h>

#include "slotproof/jobs.h"

/* One run, handed to a worker. Nothing in it is owned. */
typedef struct work_request {
  const char *program, *folder, *name;
  const sp_job_settings *settings;
  bool corrected; /* corrections.json lies in the folder */
  bool tiles;
  bool together; /* boards.txt lies in the folder */
  uint64_t max_pixels;
  unsigned seconds;
  void (*started)(void *context, pid_t worker);
  void (*stage)(void *context, int stage);
  void *context;
} work_request;

enum { WORK_FAILURE = 400 };

/* Runs a worker to its end. True if it has finished its work; else *failure is a sentence for the user. */
bool work_run(const work_request *request, char failure[WORK_FAILURE]);

#endif
