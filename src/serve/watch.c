/* Connections that hold a place and send nothing whole.
 *
 * libmicrohttpd ends a connection on which nothing at all happens. Somebody who sends a letter every few seconds would
 * still keep it for ever; so every connection has a time within which a whole request must begin, and a longer one
 * within which it must have been answered. */
#include <errno.h>
#include <stdlib.h>
#include <time.h>
#include <sys/socket.h>

#include "serve_internal.h"

enum { IDLE_S = 30, ANSWER_S = 120, LOOK_S = 5 };
/* 400 MB at 10 Mbit/s, the slowest wireless network of a shop; what comes more slowly still is cut in serve_take. */
enum { UPLOAD_S = 900 };

int64_t serve_now_s(void)
{
  struct timespec t = {0};
  clock_gettime(CLOCK_MONOTONIC, &t);
  return t.tv_sec;
}

static void cut_old(serve_watch *watch)
{
  const int64_t now = serve_now_s();
  for (serve_connection *c = watch->first; c; c = c->behind)
    if (now - c->since_s > (c->doing == SERVE_IS_SENDING ? UPLOAD_S : c->doing == SERVE_IS_BUSY ? ANSWER_S : IDLE_S))
      shutdown(c->fd, SHUT_RDWR); /* libmicrohttpd sees its end and tidies up */
}

static void *look(void *context)
{
  serve_watch *watch = context;
  pthread_mutex_lock(&watch->lock);
  while (!watch->ending) {
    struct timespec until = {0};
    clock_gettime(CLOCK_REALTIME, &until);
    until.tv_sec += LOOK_S;
    pthread_cond_timedwait(&watch->end, &watch->lock, &until);
    cut_old(watch);
  }
  pthread_mutex_unlock(&watch->lock);
  return NULL;
}

bool serve_watch_start(serve_watch *watch)
{
  pthread_mutex_init(&watch->lock, NULL);
  pthread_cond_init(&watch->end, NULL);
  watch->running = pthread_create(&watch->thread, NULL, look, watch) == 0;
  return watch->running;
}

void serve_watch_stop(serve_watch *watch)
{
  if (!watch->running)
    return;
  pthread_mutex_lock(&watch->lock);
  watch->ending = true;
  pthread_cond_signal(&watch->end);
  pthread_mutex_unlock(&watch->lock);
  pthread_join(watch->thread, NULL);
  while (watch->first)
    serve_watch_remove(watch, watch->first);
  pthread_cond_destroy(&watch->end);
  pthread_mutex_destroy(&watch->lock);
  watch->running = false;
}

serve_connection *serve_watch_add(serve_watch *watch, int fd)
{
  serve_connection *c = calloc(1, sizeof *c);
  if (!c)
    return NULL;
  c->fd = fd;
  c->since_s = serve_now_s();
  pthread_mutex_lock(&watch->lock);
  c->behind = watch->first;
  if (c->behind)
    c->behind->before = c;
  watch->first = c;
  pthread_mutex_unlock(&watch->lock);
  return c;
}

void serve_watch_remove(serve_watch *watch, serve_connection *c)
{
  if (!c)
    return;
  pthread_mutex_lock(&watch->lock);
  if (c->before)
    c->before->behind = c->behind;
  else
    watch->first = c->behind;
  if (c->behind)
    c->behind->before = c->before;
  pthread_mutex_unlock(&watch->lock);
  free(c);
}

void serve_watch_note(serve_watch *watch, serve_connection *c, serve_doing doing)
{
  if (!c)
    return;
  pthread_mutex_lock(&watch->lock);
  c->doing = doing;
  c->since_s = serve_now_s();
  pthread_mutex_unlock(&watch->lock);
}
