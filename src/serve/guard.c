/* Who may ask. */
#define _GNU_SOURCE /* getrandom */
#include <arpa/inet.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/random.h>

#include "serve_internal.h"

/* ---- the name that was asked for -------------------------------------------------------------------------------- */

static bool is_loopback(const struct sockaddr *local)
{
  if (local->sa_family == AF_INET6)
    return IN6_IS_ADDR_LOOPBACK(&((const struct sockaddr_in6 *)(const void *)local)->sin6_addr);
  return local->sa_family == AF_INET &&
         (ntohl(((const struct sockaddr_in *)(const void *)local)->sin_addr.s_addr) >> 24) == 127;
}

/* As in an address of a page: "192.168.1.7", "[fe80::1]". */
static bool written(const struct sockaddr *local, char text[INET6_ADDRSTRLEN + 2])
{
  if (local->sa_family == AF_INET)
    return inet_ntop(AF_INET, &((const struct sockaddr_in *)(const void *)local)->sin_addr, text, INET6_ADDRSTRLEN) !=
           NULL;
  if (local->sa_family != AF_INET6 ||
      !inet_ntop(AF_INET6, &((const struct sockaddr_in6 *)(const void *)local)->sin6_addr, text + 1, INET6_ADDRSTRLEN))
    return false;
  text[0] = '[';
  strcat(text, "]");
  return true;
}

/* Parts "name:port"; without a port it is HTTP's own, 80. */
static bool part(const char *host, size_t *name, unsigned long *port)
{
  const char *close = strchr(host, ']'), *colon = strchr(close ? close : host, ':');
  *name = colon ? (size_t)(colon - host) : strlen(host);
  *port = 80;
  if (!colon)
    return *name > 0;
  const size_t digits = strspn(colon + 1, "0123456789");
  *port = strtoul(colon + 1, NULL, 10);
  return *name > 0 && digits > 0 && digits <= 5 && colon[1 + digits] == '\0';
}

static bool same_name(const char *host, size_t length, const char *name)
{
  return strlen(name) == length && strncasecmp(host, name, length) == 0;
}

bool serve_host_fits(const char *host, const struct sockaddr *local, uint16_t port, const char *const *names)
{
  char address[INET6_ADDRSTRLEN + 2] = "";
  size_t length;
  unsigned long given;
  if (!host || !part(host, &length, &given) || given != port || !written(local, address))
    return false;
  if (same_name(host, length, address) || (is_loopback(local) && same_name(host, length, "localhost")))
    return true;
  for (; *names; names++)
    if (**names && same_name(host, length, *names))
      return true;
  return false;
}

bool serve_origin_fits(const char *origin, const char *host)
{
  static const char SCHEME[] = "http://";
  return origin && host && strncmp(origin, SCHEME, strlen(SCHEME)) == 0 &&
         strcasecmp(origin + strlen(SCHEME), host) == 0;
}

/* Browsers say where a request comes from (W3C, Fetch Metadata). A link from elsewhere may lead to a page; nothing else
 * from elsewhere is wanted. Programs that are no browsers say nothing. */
bool serve_fetch_fits(bool changes, const char *site, const char *mode)
{
  if (!site || strcmp(site, "same-origin") == 0 || strcmp(site, "none") == 0)
    return true;
  return !changes && mode && strcmp(mode, "navigate") == 0;
}

/* ---- the code --------------------------------------------------------------------------------------------------- */

bool serve_same_secret(const char *given, const char *secret)
{
  const size_t length = strlen(secret), other = strlen(given);
  unsigned char differs = length != other;
  for (size_t i = 0; i < length; i++)
    differs |= (unsigned char)(secret[i] ^ given[other ? i % other : 0]);
  return differs == 0;
}

bool serve_cookie(const char *header, const char *name, char *value, size_t size)
{
  const size_t length = strlen(name);
  while (header && *header) {
    header += strspn(header, " ;");
    const size_t end = strcspn(header, ";");
    if (end > length && strncmp(header, name, length) == 0 && header[length] == '=') {
      if (end - length - 1 >= size)
        return false;
      memcpy(value, header + length + 1, end - length - 1);
      value[end - length - 1] = '\0';
      return true;
    }
    header += end;
  }
  return false;
}

sp_status serve_new_code(char code[SP_SERVE_CODE], sp_error *err)
{
  static const char LETTERS[] = "abcdefghjkmnpqrstuvwxyz23456789"; /* 31: no i, l, o, 0, 1 */
  for (size_t i = 0; i + 1 < SP_SERVE_CODE; i++) {
    unsigned char byte;
    do /* those beyond a whole number of alphabets would make some letters likelier */
      if (getrandom(&byte, 1, 0) != 1)
        return sp_fail(err, SP_E_INTERNAL, "the system gives no random numbers");
    while (byte >= 248);
    code[i] = i == 4 ? '-' : LETTERS[byte % 31];
  }
  code[SP_SERVE_CODE - 1] = '\0';
  return SP_OK;
}

static size_t bucket_of(const struct sockaddr *from)
{
  uint32_t sum = 2166136261u; /* FNV-1a */
  const unsigned char *bytes = NULL;
  size_t size = 0;
  if (from && from->sa_family == AF_INET) {
    bytes = (const unsigned char *)&((const struct sockaddr_in *)(const void *)from)->sin_addr;
    size = 4;
  } else if (from && from->sa_family == AF_INET6) { /* whoever has a network of 64 bits has all addresses in it */
    bytes = (const unsigned char *)&((const struct sockaddr_in6 *)(const void *)from)->sin6_addr;
    size = 8;
  }
  for (size_t i = 0; i < size; i++)
    sum = (sum ^ bytes[i]) * 16777619u;
  return sum % SERVE_BUCKETS;
}

bool serve_may_guess(serve_limiter *limiter, const struct sockaddr *from, int64_t now_s)
{
  const size_t i = bucket_of(from);
  const double back = (double)(now_s - limiter->bucket[i].at_s) / SERVE_GUESS_S;
  double used = limiter->bucket[i].used - (back > 0.0 ? back : 0.0);
  used = used > 0.0 ? used : 0.0;
  limiter->bucket[i].at_s = now_s;
  limiter->bucket[i].used = used + 1.0 <= SERVE_GUESSES ? used + 1.0 : used;
  return used + 1.0 <= SERVE_GUESSES;
}
