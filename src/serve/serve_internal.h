/* Inside the server. What decides without a connection is apart, so that it can be tested alone. */
#ifndef SP_SERVE_INTERNAL_H
#define SP_SERVE_INTERNAL_H

#include <microhttpd.h>
#include <netinet/in.h>
#include <pthread.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/socket.h>

#include "slotproof/serve.h"

/* ---- what the program holds (made at build time from the files in web/) ----------------------------------------- */

typedef struct serve_asset {
  const char *name; /* the file's */
  const unsigned char *bytes;
  size_t size;
} serve_asset;
extern const serve_asset SERVE_ASSETS[];
extern const size_t SERVE_ASSET_COUNT;

/* ---- routes ----------------------------------------------------------------------------------------------------- */

typedef enum serve_action {
  SERVE_NOTHING,      /* no such path */
  SERVE_WRONG_METHOD, /* there is one, but not for that */
  SERVE_ASSET,        /* `name` */
  SERVE_LIST,
  SERVE_ADD,
  SERVE_JOB,
  SERVE_REMOVE,
  SERVE_CORRECT,
  SERVE_AGAIN,
  SERVE_FILE, /* `name` of the run that is shown */
  SERVE_MARK, /* number[0]; `stray` */
  SERVE_TILE, /* number: level, column, row */
  SERVE_FORM,
  SERVE_SCANNER,
  SERVE_SCANNER_LOOK,
  SERVE_SCAN,
  SERVE_SCAN_STOP,
  SERVE_TOGETHER,
  SERVE_HISTORY,
  SERVE_HISTORY_SUM,
  SERVE_BOARD_LIST,
  SERVE_BOARD_TEXT,
  SERVE_BOARD_SAVE,
  SERVE_BOARD_FORGET,
  SERVE_ENTER
} serve_action;

typedef struct serve_route {
  serve_action action;
  const char *name;     /* a constant */
  char id[SP_STORE_ID]; /* valid, or "" */
  uint32_t number[3];
  bool stray;
  bool open_to_all; /* also to who has not given the code */
  bool page;        /* for a person: leads to the code where it is missing */
} serve_route;

/* `path` without query, already unescaped. */
serve_route serve_find_route(const char *method, const char *path);
bool serve_changes_something(const char *method);

/* ---- guards ----------------------------------------------------------------------------------------------------- */

/* Is `host` (the header, or NULL) the address that was connected to, "localhost" where that is this machine's own, or,
 * where others are let in, one of `names` (NULL at the end)? `port` of ours. */
bool serve_host_fits(const char *host, const struct sockaddr *local, uint16_t port, const char *const *names);
/* Is `origin` a page of that host? */
bool serve_origin_fits(const char *origin, const char *host);
/* May a request with these headers (NULL: not sent) be answered? */
bool serve_fetch_fits(bool changes, const char *site, const char *mode);
/* In a time that does not tell how far they agree. */
bool serve_same_secret(const char *given, const char *secret);
/* Value of a cookie in the header, at most size - 1 letters; false if it is not there. */
bool serve_cookie(const char *header, const char *name, char *value, size_t size);
/* "abcd-efgh" of letters and digits that cannot be taken for others. */
sp_status serve_new_code(char code[SP_SERVE_CODE], sp_error *err);

/* Guesses at the code: each address has so many, and gets one back after a while. */
enum { SERVE_BUCKETS = 64, SERVE_GUESSES = 10, SERVE_GUESS_S = 6 };
typedef struct serve_limiter {
  struct {
    double used;
    int64_t at_s;
  } bucket[SERVE_BUCKETS];
} serve_limiter;
bool serve_may_guess(serve_limiter *limiter, const struct sockaddr *from, int64_t now_s);

/* ---- connections that do nothing -------------------------------------------------------------------------------- */

/* Nothing yet, or between requests; a request is being answered; pictures are being received. */
typedef enum serve_doing { SERVE_IS_IDLE, SERVE_IS_BUSY, SERVE_IS_SENDING } serve_doing;

typedef struct serve_connection {
  struct serve_connection *before, *behind;
  int fd;
  serve_doing doing;
  int64_t since_s;
} serve_connection;

typedef struct serve_watch {
  pthread_mutex_t lock;
  pthread_cond_t end;
  serve_connection *first;
  pthread_t thread;
  bool running, ending;
} serve_watch;

bool serve_watch_start(serve_watch *watch);
void serve_watch_stop(serve_watch *watch);
serve_connection *serve_watch_add(serve_watch *watch, int fd);
void serve_watch_remove(serve_watch *watch, serve_connection *connection);
void serve_watch_note(serve_watch *watch, serve_connection *connection, serve_doing doing);
int64_t serve_now_s(void);

/* ---- the server ------------------------------------------------------------------------------------------------- */

enum { SERVE_TOKEN = 65 };

struct sp_server {
  struct MHD_Daemon *daemon;
  sp_store store;
  sp_jobs *jobs;
  sp_scanner *scanner;
  uint64_t upload_most;
  uint64_t announced; /* bytes of all pictures that are being received; of the answering thread */
  uint16_t port;
  bool open;     /* to other machines: the code is asked for */
  char host[64]; /* listened on, as in an address */
  char code[SP_SERVE_CODE], token[SERVE_TOKEN], cookie[32];
  char names[2][300]; /* of this machine */
  serve_limiter limiter;
  serve_watch watch;
  char *style; /* all of the style sheet */
  size_t style_size;
};

typedef enum serve_body { SERVE_NO_BODY, SERVE_TEXT, SERVE_PICTURE } serve_body;

typedef struct serve_request {
  sp_server *server;
  serve_connection *connection;
  serve_route route;
  bool head;
  serve_body body;
  char *text; /* SERVE_TEXT; NUL-terminated */
  uint64_t used, expected;
  int64_t begun_s;
  /* SERVE_PICTURE: one, or several one behind the other */
  char id[SP_STORE_ID];
  sp_job_order order; /* name, settings, pieces, board; the board is owned */
  uint64_t size[SP_MOST_PIECES];
  size_t part; /* which of them is being received, and how much of it has come */
  uint64_t part_used;
  int fd;
  bool reserved, announced, received, failed;
} serve_request;

/* ---- answers; each queues one ----------------------------------------------------------------------------------- */

typedef enum MHD_Result serve_result;

serve_result serve_bytes(struct MHD_Connection *c, unsigned code, const char *type, const void *bytes, size_t size);
/* Takes the tree; NULL: no memory. */
serve_result serve_tree(struct MHD_Connection *c, unsigned code, cJSON *tree);
serve_result serve_refuse(struct MHD_Connection *c, unsigned code, const char *field, const char *sentence);
serve_result serve_error(struct MHD_Connection *c, const sp_error *err, const char *field);
/* Takes the descriptor. `download`: the name it is kept under, or NULL. */
serve_result serve_file(struct MHD_Connection *c, const char *type, int fd, uint64_t offset, uint64_t size,
                        const char *download);
/* A page of a check: its own style is let in, by its digest. Takes the descriptor. */
serve_result serve_report(struct MHD_Connection *c, int fd);
serve_result serve_asset_named(const sp_server *server, struct MHD_Connection *c, const char *name);
serve_result serve_go_to(struct MHD_Connection *c, const char *path);
serve_result serve_let_in(const sp_server *server, struct MHD_Connection *c);

/* What is to be done about a request that has passed the guards: before its body, and behind it. */
serve_result serve_begin(serve_request *request, struct MHD_Connection *c, bool *answered);
serve_result serve_answer(serve_request *request, struct MHD_Connection *c);
/* More of the body. False: the connection is to be cut. */
bool serve_take(serve_request *request, const char *bytes, size_t size);
void serve_forget(serve_request *request);

#endif
