/* Answers and the headers that all of them carry. */
#include <errno.h>
#include <nettle/base64.h>
#include <nettle/sha2.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "serve_internal.h"
#include "slotproof/hash.h"

/* Scripts and styles only as files of this program; nothing of the page may be sent or shown elsewhere. */
static const char POLICY[] = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
                             "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";
/* What a worker has left is fetched by the page's script; by itself it may do nothing. */
static const char FILE_POLICY[] = "default-src 'none'; sandbox; base-uri 'none'; form-action 'none'; frame-ancestors "
                                  "'none'";
enum { STYLE_MOST = 200000, DIGEST = BASE64_ENCODE_RAW_LENGTH(SHA256_DIGEST_SIZE) + 1 };

static bool add(struct MHD_Response *r, const char *name, const char *value)
{
  return MHD_add_response_header(r, name, value) == MHD_YES;
}

static bool add_common(struct MHD_Response *r, const char *type, const char *policy, const char *keep)
{
  return add(r, "Content-Type", type) && add(r, "Content-Security-Policy", policy) &&
         add(r, "X-Content-Type-Options", "nosniff") && add(r, "X-Frame-Options", "DENY") &&
         add(r, "Referrer-Policy", "same-origin") && add(r, "Cross-Origin-Opener-Policy", "same-origin") &&
         add(r, "Cross-Origin-Resource-Policy", "same-origin") && add(r, "Cache-Control", keep);
}

static serve_result queue(struct MHD_Connection *c, unsigned code, struct MHD_Response *r, bool fine)
{
  const serve_result result = r && fine ? MHD_queue_response(c, code, r) : MHD_NO;
  if (r)
    MHD_destroy_response(r);
  return result;
}

serve_result serve_bytes(struct MHD_Connection *c, unsigned code, const char *type, const void *bytes, size_t size)
{
  struct MHD_Response *r = MHD_create_response_from_buffer(size, (void *)(uintptr_t)bytes, MHD_RESPMEM_MUST_COPY);
  return queue(c, code, r, r && add_common(r, type, POLICY, "no-store"));
}

serve_result serve_tree(struct MHD_Connection *c, unsigned code, cJSON *tree)
{
  char *text = tree ? cJSON_PrintUnformatted(tree) : NULL;
  cJSON_Delete(tree);
  if (!text) {
    static const char NO_MEMORY[] = "{\"error\":\"no memory left; close other programs\"}";
    return serve_bytes(c, 500, "application/json", NO_MEMORY, strlen(NO_MEMORY));
  }
  const serve_result result = serve_bytes(c, code, "application/json", text, strlen(text));
  free(text);
  return result;
}

serve_result serve_refuse(struct MHD_Connection *c, unsigned code, const char *field, const char *sentence)
{
  cJSON *tree = cJSON_CreateObject();
  cJSON_AddStringToObject(tree, "error", sentence);
  if (field)
    cJSON_AddStringToObject(tree, "field", field);
  return serve_tree(c, code, tree);
}

serve_result serve_error(struct MHD_Connection *c, const sp_error *err, const char *field)
{
  const unsigned code = err->status == SP_E_NOINPUT                             ? 404
                        : err->status == SP_E_USAGE || err->status == SP_E_DATA ? 400
                        : err->status == SP_E_IO                                ? 507
                                                                                : 500;
  return serve_refuse(c, code, field, err->text);
}

/* The name without what would end a quoted text; others than ASCII after RFC 8187. */
static void say_download(const char *name, char *header, size_t size)
{
  static const char HEX[] = "0123456789ABCDEF";
  size_t used = (size_t)snprintf(header, size, "attachment; filename*=UTF-8''");
  for (; *name && used + 4 < size; name++) {
    const unsigned char letter = (unsigned char)*name;
    const bool plain = (letter >= '0' && letter <= '9') || ((letter | 32) >= 'a' && (letter | 32) <= 'z') ||
                       letter == '.' || letter == '-' || letter == '_';
    if (!plain)
      header[used++] = '%';
    if (!plain)
      header[used++] = HEX[letter >> 4];
    header[used++] = plain ? (char)letter : HEX[letter & 15];
  }
  header[used] = '\0';
}

serve_result serve_file(struct MHD_Connection *c, const char *type, int fd, uint64_t offset, uint64_t size,
                        const char *download)
{
  char header[4 * SP_JOB_NAME];
  struct MHD_Response *r = MHD_create_response_from_fd_at_offset64(size, fd, offset);
  if (!r) {
    close(fd);
    return MHD_NO;
  }
  bool fine = add_common(r, type, FILE_POLICY, "no-store");
  if (download) {
    say_download(download, header, sizeof header);
    fine = fine && add(r, "Content-Disposition", header);
  }
  return queue(c, 200, r, fine);
}

/* ---- the page of a check ---------------------------------------------------------------------------------------- */

/* Digest of what stands between <style> and </style>, as a policy names it. */
static bool style_digest(int fd, char digest[DIGEST])
{
  char *text = malloc(STYLE_MOST + 1);
  const ssize_t got = text ? pread(fd, text, STYLE_MOST, 0) : -1;
  char *from = NULL, *to = NULL;
  if (got > 0) {
    text[got] = '\0';
    from = strstr(text, "<style>");
    to = from ? strstr(from, "</style>") : NULL;
  }
  if (to) {
    struct sha256_ctx sha;
    uint8_t sum[SHA256_DIGEST_SIZE];
    from += strlen("<style>");
    sha256_init(&sha);
    sha256_update(&sha, (size_t)(to - from), (const uint8_t *)from);
    sha256_digest(&sha, sizeof sum, sum);
    base64_encode_raw(digest, sizeof sum, sum);
    digest[DIGEST - 1] = '\0';
  }
  free(text);
  return to != NULL;
}

serve_result serve_report(struct MHD_Connection *c, int fd)
{
  char digest[DIGEST], policy[300];
  struct stat about;
  if (!style_digest(fd, digest) || fstat(fd, &about) != 0) {
    close(fd);
    return serve_refuse(c, 500, NULL, "the page is damaged; measure the board again");
  }
  snprintf(policy, sizeof policy,
           "default-src 'none'; style-src 'sha256-%s'; img-src data:; base-uri 'none'; form-action 'none'; "
           "frame-ancestors 'none'",
           digest);
  struct MHD_Response *r = MHD_create_response_from_fd_at_offset64((uint64_t)about.st_size, fd, 0);
  if (!r)
    close(fd);
  return queue(c, 200, r, r && add_common(r, "text/html; charset=utf-8", policy, "no-store"));
}

/* ---- what the program holds ------------------------------------------------------------------------------------- */

static const char *type_of(const char *name)
{
  static const char *const TYPES[][2] = {{".html", "text/html; charset=utf-8"},
                                         {".css", "text/css; charset=utf-8"},
                                         {".js", "text/javascript; charset=utf-8"},
                                         {".svg", "image/svg+xml"}};
  for (size_t i = 0; i < sizeof TYPES / sizeof *TYPES; i++)
    if (strstr(name, TYPES[i][0]))
      return TYPES[i][1];
  return "application/octet-stream";
}

static serve_result send_asset(struct MHD_Connection *c, const char *name, const void *bytes, size_t size)
{
  char digest[SP_SHA256_TEXT], tag[SP_SHA256_TEXT + 2];
  const char *have = MHD_lookup_connection_value(c, MHD_HEADER_KIND, "If-None-Match");
  sp_sha256(bytes, size, digest);
  snprintf(tag, sizeof tag, "\"%s\"", digest);
  const bool same = have && strcmp(have, tag) == 0;
  struct MHD_Response *r =
      MHD_create_response_from_buffer(same ? 0 : size, (void *)(uintptr_t)bytes, MHD_RESPMEM_PERSISTENT);
  return queue(c, same ? 304 : 200, r, r && add_common(r, type_of(name), POLICY, "no-cache") && add(r, "ETag", tag));
}

serve_result serve_asset_named(const sp_server *server, struct MHD_Connection *c, const char *name)
{
  if (strcmp(name, "slotproof.css") == 0)
    return send_asset(c, name, server->style, server->style_size);
  for (size_t i = 0; i < SERVE_ASSET_COUNT; i++)
    if (strcmp(SERVE_ASSETS[i].name, name) == 0)
      return send_asset(c, name, SERVE_ASSETS[i].bytes, SERVE_ASSETS[i].size);
  return serve_refuse(c, 404, NULL, "there is no such page");
}

serve_result serve_go_to(struct MHD_Connection *c, const char *path)
{
  struct MHD_Response *r = MHD_create_response_from_buffer(0, NULL, MHD_RESPMEM_PERSISTENT);
  return queue(c, 303, r, r && add_common(r, "text/plain", POLICY, "no-store") && add(r, "Location", path));
}

serve_result serve_let_in(const sp_server *server, struct MHD_Connection *c)
{
  static const char YES[] = "{\"in\":true}";
  char cookie[200];
  snprintf(cookie, sizeof cookie, "%s=%s; Path=/; Max-Age=2592000; HttpOnly; SameSite=Strict", server->cookie,
           server->token);
  struct MHD_Response *r = MHD_create_response_from_buffer(strlen(YES), (void *)(uintptr_t)YES, MHD_RESPMEM_PERSISTENT);
  return queue(c, 200, r, r && add_common(r, "application/json", POLICY, "no-store") && add(r, "Set-Cookie", cookie));
}
