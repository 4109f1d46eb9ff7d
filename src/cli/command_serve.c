/* slotproof serve: the page in a browser. */
#include <signal.h>
#include <stdlib.h>
#include <string.h>

#include "cli.h"
#include "slotproof/serve.h"

static void print_help(void)
{
  printf("usage: slotproof serve [options]\n\n"
         "Checks boards in a browser: open the address it prints. Everything stays on this machine.\n"
         "Ends with Ctrl-C; what has been measured is kept.\n\n");
  cli_print_options(CLI_SERVE, stdout);
}

static void print_where(const sp_server *server)
{
  char url[100], code[SP_SERVE_CODE];
  sp_server_url(server, url, sizeof url);
  if (sp_server_code(server, code))
    printf("Access code for other machines: %s\nWhoever has it can see and throw away all boards. The way to here is "
           "not encrypted: use it in your own shop's network only.\n",
           code);
  printf("The page is at %s\n", url);
  if (!sp_work_lands())
    printf(
        "This system's kernel has no Landlock: a process that opens a picture is limited in memory and time, but not "
        "shut into its own folder. Open pictures of people you trust.\n");
  printf("Ctrl-C ends; what has been measured is kept.\n");
  fflush(stdout);
}

static int serve(const sp_serve_options *o, const sigset_t *ends)
{
  sp_server *server = NULL;
  sp_error err = {0};
  int caught = 0;
  if (sp_server_start(o, &server, &err))
    return cli_complain(err.status == SP_E_USAGE ? "serve" : o->data, &err);
  print_where(server);
  sigwait(ends, &caught);
  sp_server_stop(server);
  return 0;
}

int cli_serve(int argc, char **argv)
{
  cli_request r;
  sigset_t ends;
  int status;
  if (!cli_begin(argc, argv, CLI_SERVE, print_help, &r, &status))
    return status;
  if (r.image_count)
    return cli_refuse(r.images[0], SP_E_USAGE, "serve takes no pictures; drop them on its page");
  char *data = r.data ? NULL : sp_store_default_path();
  if (!r.data && !data)
    return cli_refuse("serve", SP_E_USAGE, "there is no home folder to keep boards in; give --data FOLDER");
  sigemptyset(&ends);
  sigaddset(&ends, SIGINT);
  sigaddset(&ends, SIGTERM);
  sigaddset(&ends, SIGHUP);
  sigprocmask(SIG_BLOCK, &ends, NULL);
  signal(SIGPIPE, SIG_IGN);
  const sp_serve_options o = {.data = r.data ? r.data : data,
                              .listen = r.listen,
                              .port = r.port >= 0 ? (uint16_t)r.port : SP_SERVE_PORT,
                              .upload_most = (uint64_t)r.upload_mb << 20,
                              .jobs = {.workers = (size_t)r.workers, .max_pixels = r.check.read.max_pixels}};
  status = serve(&o, &ends);
  free(data);
  return status;
}
