/* microhttpd.c: HTTP. */
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/socket.h>

#include <microhttpd.h>

#include "late/late_internal.h"

LATE(SP_LATE_MICROHTTPD, enum MHD_Result, MHD_add_response_header,
     (struct MHD_Response *response, const char *header, const char *content),
     (response, header, content))
LATE_VOID(SP_LATE_MICROHTTPD, MHD_destroy_response, (struct MHD_Response *response), (response))
LATE(SP_LATE_MICROHTTPD, int, MHD_get_connection_values,
     (struct MHD_Connection *connection, enum MHD_ValueKind kind, MHD_KeyValueIterator iterator, void *iterator_cls),
     (connection, kind, iterator, iterator_cls))
LATE(SP_LATE_MICROHTTPD, const char *, MHD_lookup_connection_value,
     (struct MHD_Connection *connection, enum MHD_ValueKind kind, const char *key),
     (connection, kind, key))
LATE(SP_LATE_MICROHTTPD, enum MHD_Result, MHD_queue_response,
     (struct MHD_Connection *connection, unsigned int status_code, struct MHD_Response *response),
     (connection, status_code, response))
LATE_VOID(SP_LATE_MICROHTTPD, MHD_stop_daemon, (struct MHD_Daemon *daemon), (daemon))
LATE(SP_LATE_MICROHTTPD, struct MHD_Response *, MHD_create_response_from_buffer,
     (size_t size, void *buffer, enum MHD_ResponseMemoryMode mode),
     (size, buffer, mode))
LATE(SP_LATE_MICROHTTPD, struct MHD_Response *, MHD_create_response_from_fd_at_offset64,
     (uint64_t size, int fd, uint64_t offset),
     (size, fd, offset))

/* These take more arguments, or none more, by what is asked; nothing is asked here that takes some. */
LATE(SP_LATE_MICROHTTPD, const union MHD_ConnectionInfo *, MHD_get_connection_info,
     (struct MHD_Connection *connection, enum MHD_ConnectionInfoType info_type, ...), (connection, info_type))
LATE(SP_LATE_MICROHTTPD, const union MHD_DaemonInfo *, MHD_get_daemon_info,
     (struct MHD_Daemon *daemon, enum MHD_DaemonInfoType info_type, ...), (daemon, info_type))

struct MHD_Daemon *MHD_start_daemon(unsigned int flags, uint16_t port, MHD_AcceptPolicyCallback apc, void *apc_cls,
                                    MHD_AccessHandlerCallback dh, void *dh_cls, ...)
{
  __typeof__(MHD_start_daemon_va) *late;
  va_list options;
  late_find(SP_LATE_MICROHTTPD, "MHD_start_daemon_va", &late, sizeof late);
  va_start(options, dh_cls);
  struct MHD_Daemon *daemon = late(flags, port, apc, apc_cls, dh, dh_cls, options);
  va_end(options);
  return daemon;
}
