/* libmicrohttpd's side: one thread receives and answers; whatever takes long is done by workers. */
#define _GNU_SOURCE /* gethostname */
#include "slotproof/serve.h"

#include <arpa/inet.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "serve_internal.h"
#include "slotproof/late.h"
#include "slotproof/page.h"

/* A browser holds six at a time. */
enum { CONNECTIONS = 256, CONNECTIONS_EACH = 96, SILENCE_S = 30, HEADERS_BYTES = 32 * 1024 };

/* ---- guards ----------------------------------------------------------------------------------------------------- */

static const char *header(struct MHD_Connection *c, const char *name)
{
  return MHD_lookup_connection_value(c, MHD_HEADER_KIND, name);
}

static bool host_fits(const sp_server *s, struct MHD_Connection *c)
{
  static const char *const NONE[] = {NULL};
  const char *const names[] = {s->names[0], s->names[1], NULL};
  const union MHD_ConnectionInfo *info = MHD_get_connection_info(c, MHD_CONNECTION_INFO_CONNECTION_FD);
  struct sockaddr_storage local = {0};
  socklen_t size = sizeof local;
  return info && getsockname(info->connect_fd, (struct sockaddr *)(void *)&local, &size) == 0 &&
         serve_host_fits(header(c, "Host"), (const struct sockaddr *)(const void *)&local, s->port,
                         s->open ? names : NONE);
}

static bool let_in(const sp_server *s, struct MHD_Connection *c)
{
  char given[SERVE_TOKEN];
  return !s->open ||
         (serve_cookie(header(c, "Cookie"), s->cookie, given, sizeof given) && serve_same_secret(given, s->token));
}

/* True if it has been answered, with a refusal. */
static bool guarded(serve_request *r, struct MHD_Connection *c, const char *method, serve_result *result)
{
  const bool changes = serve_changes_something(method);
  if (!host_fits(r->server, c))
    *result = serve_refuse(c, 421, NULL, "this address is not known here; use the one the program has printed");
  else if (changes && !serve_origin_fits(header(c, "Origin"), header(c, "Host")))
    *result = serve_refuse(c, 403, NULL, "only this program's own page may ask that");
  else if (!serve_fetch_fits(changes, header(c, "Sec-Fetch-Site"), header(c, "Sec-Fetch-Mode")))
    *result = serve_refuse(c, 403, NULL, "nothing of this is for other pages");
  else if (!r->route.open_to_all && !let_in(r->server, c))
    *result = r->route.page ? serve_go_to(c, "/enter") : serve_refuse(c, 401, "code", "give the access code first");
  else if (r->route.action == SERVE_NOTHING)
    *result = serve_refuse(c, 404, NULL, "there is no such page");
  else if (r->route.action == SERVE_WRONG_METHOD)
    *result = serve_refuse(c, 405, NULL, "that cannot be done here");
  else
    return false;
  return true;
}

/* ---- one request ------------------------------------------------------------------------------------------------ */

static serve_request *new_request(sp_server *s, struct MHD_Connection *c, const char *path, const char *method)
{
  const union MHD_ConnectionInfo *info = MHD_get_connection_info(c, MHD_CONNECTION_INFO_SOCKET_CONTEXT);
  serve_request *r = calloc(1, sizeof *r);
  if (!r)
    return NULL;
  r->server = s;
  r->fd = -1;
  r->route = serve_find_route(method, path);
  r->begun_s = serve_now_s();
  r->connection = info ? info->socket_context : NULL;
  serve_watch_note(&s->watch, r->connection, SERVE_IS_BUSY);
  return r;
}

/* Called first with the headers, then for each part of the body, then once more to be answered. */
static serve_result handle(void *context, struct MHD_Connection *c, const char *path, const char *method,
                           const char *version, const char *bytes, size_t *size, void **own)
{
  serve_request *r = *own;
  (void)version;
  if (!r) {
    serve_result result = MHD_YES;
    bool answered = false;
    r = *own = new_request(context, c, path, method);
    if (!r || guarded(r, c, method, &result))
      return r ? result : MHD_NO;
    result = serve_begin(r, c, &answered);
    if (r->body == SERVE_PICTURE)
      serve_watch_note(&r->server->watch, r->connection, SERVE_IS_SENDING);
    return result;
  }
  if (*size) {
    const bool fine = serve_take(r, bytes, *size);
    *size = 0;
    return fine ? MHD_YES : MHD_NO;
  }
  return serve_answer(r, c);
}

static void completed(void *context, struct MHD_Connection *c, void **own, enum MHD_RequestTerminationCode how)
{
  sp_server *s = context;
  serve_request *r = *own;
  (void)c;
  (void)how;
  if (!r)
    return;
  serve_watch_note(&s->watch, r->connection, SERVE_IS_IDLE);
  serve_forget(r);
  *own = NULL;
}

static void notice(void *context, struct MHD_Connection *c, void **own, enum MHD_ConnectionNotificationCode what)
{
  sp_server *s = context;
  if (what == MHD_CONNECTION_NOTIFY_STARTED) {
    const union MHD_ConnectionInfo *info = MHD_get_connection_info(c, MHD_CONNECTION_INFO_CONNECTION_FD);
    *own = info ? serve_watch_add(&s->watch, info->connect_fd) : NULL;
  } else {
    serve_watch_remove(&s->watch, *own);
    *own = NULL;
  }
}

static void say_nothing(void *context, const char *format, va_list arguments)
{
  (void)context;
  (void)format;
  (void)arguments;
}

/* ---- start ------------------------------------------------------------------------------------------------------ */

typedef struct address {
  struct sockaddr_storage value;
  socklen_t size;
  bool six, own_only; /* IPv6; nobody else can reach it */
} address;

static sp_status read_address(const char *text, uint16_t port, address *a, sp_error *err)
{
  struct sockaddr_in four = {.sin_family = AF_INET, .sin_port = htons(port)};
  struct sockaddr_in6 six = {.sin6_family = AF_INET6, .sin6_port = htons(port)};
  *a = (address){.size = 0};
  if (inet_pton(AF_INET, text, &four.sin_addr) == 1) {
    memcpy(&a->value, &four, sizeof four);
    a->size = sizeof four;
    a->own_only = ntohl(four.sin_addr.s_addr) >> 24 == 127;
  } else if (inet_pton(AF_INET6, text, &six.sin6_addr) == 1) {
    memcpy(&a->value, &six, sizeof six);
    a->size = sizeof six;
    a->six = true;
    a->own_only = IN6_IS_ADDR_LOOPBACK(&six.sin6_addr);
  } else {
    return sp_fail(err, SP_E_USAGE,
                   "'%.60s' is not an address; give one of this machine's own, as 192.168.1.7, or "
                   "0.0.0.0 for all",
                   text);
  }
  return SP_OK;
}

static sp_status make_style(sp_server *s, sp_error *err)
{
  FILE *file = open_memstream(&s->style, &s->style_size);
  if (!file)
    return sp_fail_memory(err);
  sp_page_style(file);
  for (size_t i = 0; i < SERVE_ASSET_COUNT; i++)
    if (strcmp(SERVE_ASSETS[i].name, "slotproof.css") == 0)
      fwrite(SERVE_ASSETS[i].bytes, 1, SERVE_ASSETS[i].size, file);
  return fclose(file) == 0 ? SP_OK : sp_fail_memory(err);
}

static void name_machine(sp_server *s)
{
  if (gethostname(s->names[0], sizeof s->names[0] - 8) != 0)
    s->names[0][0] = '\0';
  s->names[0][sizeof s->names[0] - 8] = '\0';
  if (s->names[0][0])
    snprintf(s->names[1], sizeof s->names[1], "%.250s.local", s->names[0]);
}

static sp_status listen_at(sp_server *s, const address *a, uint16_t port, sp_error *err)
{
  const sp_status status = sp_late_library(SP_LATE_MICROHTTPD, err);
  if (status)
    return status;
  /* not epoll: 0.9.75 then keeps connections whose other end has closed half way until they time out */
  const unsigned flags = MHD_USE_POLL_INTERNAL_THREAD | MHD_USE_ERROR_LOG | (a->six ? MHD_USE_IPv6 : 0);
  s->daemon = MHD_start_daemon(flags, port, NULL, NULL, handle, s, MHD_OPTION_EXTERNAL_LOGGER, say_nothing, NULL,
                               MHD_OPTION_SOCK_ADDR, (const struct sockaddr *)(const void *)&a->value,
                               MHD_OPTION_NOTIFY_COMPLETED, completed, s, MHD_OPTION_NOTIFY_CONNECTION, notice, s,
                               MHD_OPTION_CONNECTION_LIMIT, (unsigned)CONNECTIONS, MHD_OPTION_PER_IP_CONNECTION_LIMIT,
                               (unsigned)CONNECTIONS_EACH, MHD_OPTION_CONNECTION_TIMEOUT, (unsigned)SILENCE_S,
                               MHD_OPTION_CONNECTION_MEMORY_LIMIT, (size_t)HEADERS_BYTES, MHD_OPTION_STRICT_FOR_CLIENT,
                               1, MHD_OPTION_LISTENING_ADDRESS_REUSE, 1u, MHD_OPTION_END);
  if (!s->daemon)
    return sp_fail(err, SP_E_USAGE,
                   "cannot listen at %s, port %u (%s); is another 'slotproof serve' running? give another --port",
                   s->host, (unsigned)port, strerror(errno));
  const union MHD_DaemonInfo *info = MHD_get_daemon_info(s->daemon, MHD_DAEMON_INFO_BIND_PORT);
  s->port = info ? info->port : port;
  snprintf(s->cookie, sizeof s->cookie, "slotproof-%u", (unsigned)s->port); /* a cookie goes to all ports of a host */
  return SP_OK;
}

static sp_status set_up(sp_server *s, const sp_serve_options *o, sp_error *err)
{
  address a;
  const char *where = o->listen ? o->listen : "127.0.0.1";
  sp_status status = read_address(where, o->port, &a, err);
  if (status)
    return status;
  s->open = !a.own_only;
  s->upload_most = o->upload_most ? o->upload_most : SP_SERVE_UPLOAD_MOST;
  snprintf(s->host, sizeof s->host, a.six ? "[%s]" : "%s", where);
  name_machine(s);
  status = make_style(s, err);
  if (!status)
    status = serve_new_code(s->code, err);
  if (!status)
    status = sp_store_random(s->token, (SERVE_TOKEN - 1) / 2, err);
  if (!status)
    status = sp_store_open(o->data, &s->store, err);
  if (!status)
    status = sp_jobs_open(&s->store, &o->jobs, &s->jobs, err);
  if (!status)
    status = sp_scanner_open(&s->store, s->jobs, o->jobs.program, &s->scanner, err);
  if (!status && !serve_watch_start(&s->watch))
    status = sp_fail_memory(err);
  return status ? status : listen_at(s, &a, o->port, err);
}

sp_status sp_server_start(const sp_serve_options *options, sp_server **server, sp_error *err)
{
  sp_server *s = calloc(1, sizeof *s);
  *server = NULL;
  if (!s)
    return sp_fail_memory(err);
  const sp_status status = set_up(s, options, err);
  if (status)
    sp_server_stop(s);
  else
    *server = s;
  return status;
}

void sp_server_stop(sp_server *s)
{
  if (!s)
    return;
  if (s->daemon)
    MHD_stop_daemon(s->daemon);
  serve_watch_stop(&s->watch);
  sp_scanner_close(s->scanner);
  sp_jobs_close(s->jobs);
  sp_store_close(&s->store);
  free(s->style);
  free(s);
}

/* ---- told ------------------------------------------------------------------------------------------------------- */

uint16_t sp_server_port(const sp_server *s)
{
  return s->port;
}

void sp_server_url(const sp_server *s, char *url, size_t size)
{
  const bool any = strcmp(s->host, "0.0.0.0") == 0 || strcmp(s->host, "[::]") == 0;
  snprintf(url, size, "http://%s:%u/", any && s->names[0][0] ? s->names[0] : s->host, (unsigned)s->port);
}

bool sp_server_code(const sp_server *s, char code[SP_SERVE_CODE])
{
  memcpy(code, s->code, SP_SERVE_CODE);
  return s->open;
}
