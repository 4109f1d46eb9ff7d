/* Talking to programs over HTTP on this machine: `slotproof serve`, started and ended here, and a browser's driver. A
 * plain client of its own, so that it can also send what no browser would. */
#ifndef TALK_H
#define TALK_H

#include <cjson/cJSON.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>

typedef struct talk_answer {
  int status; /* 0: there was none */
  char *head; /* status line and header */
  char *body; /* NUL behind it */
  size_t size;
} talk_answer;

void talk_free(talk_answer *answer);
/* Sends bytes as they are and takes what comes until the other side ends or the length it has said is reached. */
talk_answer talk_raw(uint16_t port, const void *bytes, size_t size);
/* The same, says that no more will come, and waits for an answer only a moment. */
talk_answer talk_cut(uint16_t port, const void *bytes, size_t size);
/* A whole request with Host, Content-Length and Connection: close. `headers`: further lines, each with CR LF. `origin`
 * adds that of the same host. */
talk_answer talk(uint16_t port, const char *method, const char *path, const char *headers, bool origin,
                 const void *body, size_t size);
/* GET; the body as JSON with the status asserted. cJSON_Delete. */
cJSON *talk_json(uint16_t port, const char *path, int status);

/* A program that is started, tells its port on standard output behind `mark`, and is ended. */
typedef struct talk_program {
  pid_t pid;
  uint16_t port;
  char said[2000]; /* what came before and with the port */
} talk_program;
void talk_start(char *const *arguments, const char *mark, talk_program *program);
/* Ends it and gives its exit status; 128 + n by a signal. */
int talk_end(talk_program *program, int signal_number);

/* "slotproof serve --data FOLDER --port 0" and further arguments (up to 6, NULL at the end). */
void talk_serve(const char *path, const char *folder, const char *const *further, talk_program *program);
/* Sends a picture of the samples; `query` without the name. The id, or "" if it was refused. */
void talk_send(uint16_t port, const char *file, const char *name, const char *query, char id[40]);
/* Sends several, the pieces of one board in order from the nut, called by the last parts of their paths. */
void talk_send_pieces(uint16_t port, const char *const *files, size_t count, const char *query, char id[40]);
/* Waits until the job is done or has failed; its tree. cJSON_Delete. */
cJSON *talk_wait(uint16_t port, const char *id);

/* SANE's own test device (its backend "test"), set up in the present folder, for programs that are started from now on;
 * `slow` ones take their time over a scan. */
void talk_scanners(int count, bool slow);

/* The file's bytes; asserts. free(). */
char *talk_file(const char *path, size_t *size);

#endif
