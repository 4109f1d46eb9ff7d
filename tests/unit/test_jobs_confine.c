/* What a worker that has been shut in can still do: seen from inside, in a process of its own. What the kernel does not
 * have is not asked for. */
#define _GNU_SOURCE /* mkdtemp, syscall */
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "check_close.h"
#include "slotproof/jobs.h"
#include "slotproof/late.h"

static char folder[] = "confine-XXXXXX";

static void put_file(const char *name)
{
  FILE *file = fopen(name, "w");
  assert_non_null(file);
  fputs("text", file);
  assert_int_equal(fclose(file), 0);
}

static bool can_open(const char *name, int how)
{
  const int fd = open(name, how, 0600);
  if (fd >= 0)
    close(fd);
  return fd >= 0;
}

typedef const char *(*inside)(void);

/* Runs `look` in a confined process; what it returns is the complaint. */
static void check_inside(inside look, const char *more)
{
  int ends[2], status = 0;
  char said[200] = "";
  assert_int_equal(pipe(ends), 0);
  const pid_t child = fork();
  assert_true(child >= 0);
  if (child == 0) {
    const char *words = sp_work_confine("jobs/mine", more, NULL) ? "cannot be confined" : look();
    if (words && write(ends[1], words, strlen(words)) < 0)
      _exit(3);
    _exit(words ? 2 : 0);
  }
  close(ends[1]);
  assert_int_equal(waitpid(child, &status, 0), child);
  assert_true(read(ends[0], said, sizeof said - 1) >= 0);
  close(ends[0]);
  assert_string_equal(said, "");
  assert_true(WIFEXITED(status) && WEXITSTATUS(status) == 0);
}

static const char *own_files(void)
{
  return !can_open("jobs/mine/picture", O_RDONLY)             ? "its own picture cannot be read"
         : !can_open("jobs/mine/result", O_WRONLY | O_CREAT)  ? "no result can be written"
         : !can_open("jobs/mine/result", O_WRONLY | O_TRUNC)  ? "no result can be written anew"
         : rename("jobs/mine/result", "jobs/mine/whole") != 0 ? "no result can be renamed"
                                                              : NULL;
}

static const char *other_files(void)
{
  return can_open("jobs/other/picture", O_RDONLY)               ? "another job's picture can be read"
         : can_open("jobs/mine/../other/picture", O_RDONLY)     ? "another job's picture can be read by a longer way"
         : can_open("jobs/mine/link", O_RDONLY)                 ? "another job's picture can be read by a link"
         : can_open("/etc/passwd", O_RDONLY)                    ? "the system's users can be read"
         : can_open("/tmp", O_RDONLY | O_DIRECTORY)             ? "another folder can be listed"
         : can_open("jobs/other/new", O_WRONLY | O_CREAT)       ? "a file can be put beside another job's"
         : can_open("jobs/new", O_WRONLY | O_CREAT)             ? "a file can be put among the jobs"
         : can_open("jobs/other/picture", O_WRONLY)             ? "another job's picture can be written to"
         : unlink("jobs/other/picture") == 0                    ? "another job's picture can be removed"
         : rename("jobs/mine/picture", "jobs/other/taken") == 0 ? "a file can be moved out"
                                                                : NULL;
}

/* Without right to open it, a file can still be cut by its name on kernels that do not limit that. */
static const char *cutting(void)
{
  struct stat about;
  return truncate("jobs/other/picture", 0) == 0 || (stat("jobs/other/picture", &about) == 0 && about.st_size == 0)
             ? "another job's picture can be cut"
             : NULL;
}

static const char *all_jobs(void)
{
  return !can_open("jobs/other/picture", O_RDONLY)  ? "the jobs cannot be read"
         : can_open("jobs/other/picture", O_WRONLY) ? "another job's picture can be written to"
                                                    : NULL;
}

static const char *system_calls(void)
{
  char *const arguments[] = {"true", NULL};
  if (socket(AF_INET, SOCK_STREAM, 0) >= 0 || errno != EPERM)
    return "it can reach the network";
  if (socket(AF_UNIX, SOCK_STREAM, 0) >= 0)
    return "it can reach other programs";
  if (kill(getppid(), 0) == 0)
    return "it can signal the server";
  if (chmod("jobs/mine/picture", 0777) == 0)
    return "it can change rights";
  execv("/bin/true", arguments);
  return errno == EPERM ? NULL : "it can start programs";
}

static const char *limits(void)
{
  struct rlimit most;
  if (prctl(PR_GET_NO_NEW_PRIVS, 0, 0, 0, 0) != 1 || prctl(PR_GET_DUMPABLE, 0, 0, 0, 0) != 0)
    return "it could get new rights, or be looked into";
  if (getrlimit(RLIMIT_CPU, &most) != 0 || most.rlim_max != SP_JOBS_CPU_SECONDS)
    return "its time is not limited";
  if (getrlimit(RLIMIT_CORE, &most) != 0 || most.rlim_max != 0)
    return "it could leave a core";
  return NULL;
}

static void test_own_files(void **state)
{
  (void)state;
  check_inside(own_files, NULL);
}

static void test_other_files(void **state)
{
  (void)state;
  if (!sp_work_lands())
    skip();
  check_inside(other_files, NULL);
  check_inside(all_jobs, "jobs");
}

/* A HEIF is decoded by a library that is loaded only then; any other library does as well to see it by. */
static const char *later_library(void)
{
  return sp_late_library(SP_LATE_CAIRO, NULL) ? "no library can be loaded any more" : NULL;
}

static void test_later_library(void **state)
{
  (void)state;
  check_inside(later_library, NULL);
}

/* Landlock limits truncate() from its third version on (Linux 6.2; Documentation/userspace-api/landlock.rst). */
static void test_cutting(void **state)
{
  (void)state;
  if (sp_work_lands() < 3)
    skip();
  check_inside(cutting, NULL);
}

static void test_system_calls(void **state)
{
  (void)state;
  if (prctl(PR_GET_SECCOMP, 0, 0, 0, 0) != 0)
    skip();
  check_inside(system_calls, NULL);
}

static void test_limits(void **state)
{
  (void)state;
  check_inside(limits, NULL);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_own_files),    cmocka_unit_test(test_other_files), cmocka_unit_test(test_cutting),
      cmocka_unit_test(test_system_calls), cmocka_unit_test(test_limits),    cmocka_unit_test(test_later_library),
  };
  char command[100];
  if (!mkdtemp(folder) || chdir(folder) != 0 || mkdir("jobs", 0700) != 0 || mkdir("jobs/mine", 0700) != 0 ||
      mkdir("jobs/other", 0700) != 0 || symlink("../other/picture", "jobs/mine/link") != 0)
    return 1;
  put_file("jobs/mine/picture");
  put_file("jobs/other/picture");
  const int failed = cmocka_run_group_tests(tests, NULL, NULL);
  snprintf(command, sizeof command, "rm -r '%s'", folder);
  return chdir("..") != 0 || system(command) != 0 || failed;
}
