/* clang-format off: the table keeps its lines */
/* slotproof/serve.h: the program in a browser, over HTTP/1.1 (RFC 9110, 9112) by libmicrohttpd.
 *
 * Paths. ID: 32 hexadecimal digits. All answers but pages and files are JSON; a refusal is {"error": sentence}, with
 * "field" where one field of the form is meant.
 *   GET    /  /board/ID  /history  /enter          pages
 *   GET    /api/jobs                               all boards, the latest first; what was asked last
 *   POST   /api/jobs?name=...&scale_length=...     the picture's bytes; gives {"id"}. With &board=ID a description that
 *                                                  is remembered is laid under the settings. With &bytes=N,N,...
 * several pictures one behind the other, the pieces of one board in order from the nut, called by name, name1, name2
 * ... GET    /api/jobs/ID                            how it stands DELETE /api/jobs/ID                            from
 * the history, too, unless ?keep=history POST   /api/jobs/ID/corrections                {"applied": n, "corrections":
 * [...]} as in corrections.h: a new run POST   /api/jobs/ID/again                      settings, "board": ID or "" for
 * none, "turn": [2, 0, 1] for another order of the pieces: a new run GET    /api/jobs/ID/record|table|report|parts  of
 * the run that is shown: record.json, table.csv, HTML GET    /api/jobs/ID/places                     of several pieces:
 * the record, places as in the drawing of them all GET    /api/jobs/ID/mark/N  stray/N            the close-up of the
 * N-th mark or stray line GET    /api/jobs/ID/tile/LEVEL/COLUMN/ROW      JPEG GET    /api/history every board ever
 * measured here, the latest first POST   /api/history                            a page over all of them; gives {"id"}
 *   POST   /api/together                           {"of": [ID, ...]}: a page over these boards; gives {"id"}
 *   GET    /api/scanner                            what there is, and what it does; the first who asks has it looked
 * for POST   /api/scanner                            {"everywhere": bool}: looks again, on the network, too POST
 * /api/scan                               {"device", "dpi", "settings"}: a scan that becomes a board DELETE /api/scan
 * stops it POST   /api/form                               settings held against the rules, and remembered GET
 * /api/boards  /api/boards/ID             what is remembered; {"text"} of one POST   /api/boards {"name", "settings"},
 * or {"text"}: remembered as a board file DELETE /api/boards/ID POST   /api/enter                              {"code":
 * ...}: gives the cookie
 *
 * What protects it: it listens on 127.0.0.1 unless told otherwise, and then asks for a code; the Host must be the
 * address that was connected to (or this machine's name), so that no foreign name can be made to point here (DNS
 * rebinding); whatever changes something must come from a page of the same Origin; nothing is let into foreign pages;
 * pages load only what the program itself holds (Content-Security-Policy). Requests become paths of files only as far
 * as store.h says.
 */
/* clang-format on */
#ifndef SLOTPROOF_SERVE_H
#define SLOTPROOF_SERVE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "slotproof/jobs.h"
#include "slotproof/status.h"

enum { SP_SERVE_PORT = 8737, SP_SERVE_CODE = 10 };
/* Colour at 16 bits and 600 dpi over A4 is 210 MB. */
#define SP_SERVE_UPLOAD_MOST (UINT64_C(400) << 20)

typedef struct sp_server sp_server;

typedef struct sp_serve_options {
  const char *data;     /* folder, see store.h */
  const char *listen;   /* an address, IPv4 or IPv6; NULL = 127.0.0.1 */
  uint16_t port;        /* 0 = any that is free */
  uint64_t upload_most; /* bytes of one picture; 0 = SP_SERVE_UPLOAD_MOST */
  sp_jobs_options jobs;
} sp_serve_options;

/* Answers from threads of its own until it is stopped. SP_E_USAGE if the address or port cannot be had (the sentence
 * names them), otherwise as sp_store_open: then the data folder is meant. SIGPIPE should be ignored. */
sp_status sp_server_start(const sp_serve_options *options, sp_server **server, sp_error *err);
/* Boards in work are begun again at the next start. Harmless on NULL. */
void sp_server_stop(sp_server *server);

/* "http://127.0.0.1:8737/". */
void sp_server_url(const sp_server *server, char *url, size_t size);
uint16_t sp_server_port(const sp_server *server);
/* False if none is asked for. */
bool sp_server_code(const sp_server *server, char code[SP_SERVE_CODE]);

#endif
