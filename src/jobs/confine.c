/* What a worker may still do once it opens a picture from outside. Nothing here is undone: the process ends with its
 * job. */
#define _GNU_SOURCE /* syscall, prctl */
#include <errno.h>
#include <fcntl.h>
#include <linux/landlock.h>
#include <signal.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

#include "slotproof/jobs.h"

#if defined(__SANITIZE_ADDRESS__)
#define WITH_SANITIZER 1
#elif defined(__has_feature)
#if __has_feature(address_sanitizer)
#define WITH_SANITIZER 1
#endif
#endif

/* Tiles, page and crops of the largest picture stay below this. */
static const rlim_t MOST_FILE_BYTES = (rlim_t)1 << 30;
enum { MOST_FILES = 64 };

static bool limit(int what, rlim_t value)
{
  const struct rlimit both = {value, value};
  return setrlimit((__rlimit_resource_t)what, &both) == 0;
}

static bool set_limits(void)
{
  bool fine = limit(RLIMIT_CPU, SP_JOBS_CPU_SECONDS) && limit(RLIMIT_FSIZE, MOST_FILE_BYTES) &&
              limit(RLIMIT_NOFILE, MOST_FILES) && limit(RLIMIT_CORE, 0);
#ifndef WITH_SANITIZER /* which takes up terabytes of addresses */
  fine = fine && limit(RLIMIT_AS, SP_JOBS_MEMORY_BYTES);
#endif
  return fine;
}

/* ---- Landlock: files that can be reached ------------------------------------------------------------------------ */

enum {
  READ_ONLY = LANDLOCK_ACCESS_FS_EXECUTE | LANDLOCK_ACCESS_FS_READ_FILE | LANDLOCK_ACCESS_FS_READ_DIR,
  WRITING = LANDLOCK_ACCESS_FS_WRITE_FILE | LANDLOCK_ACCESS_FS_REMOVE_DIR | LANDLOCK_ACCESS_FS_REMOVE_FILE |
            LANDLOCK_ACCESS_FS_MAKE_DIR | LANDLOCK_ACCESS_FS_MAKE_REG,
  EVERYTHING = (1 << 13) - 1 /* all rights of the first version */
};

static void allow(int rules, const char *path, unsigned rights)
{
  struct landlock_path_beneath_attr rule = {.allowed_access = rights};
  rule.parent_fd = open(path, O_PATH | O_CLOEXEC);
  if (rule.parent_fd < 0)
    return;
  syscall(SYS_landlock_add_rule, rules, LANDLOCK_RULE_PATH_BENEATH, &rule, 0);
  close(rule.parent_fd);
}

/* Without the kernel's help there is none; the other limits stand. */
static void lock_land(const char *folder, const char *more)
{
  static const char *const SYSTEM[] = {"/usr", "/lib", "/lib64", "/etc", "/proc/self", "/sys/devices/system/cpu"};
  const struct landlock_ruleset_attr all = {.handled_access_fs = EVERYTHING};
  const int rules = (int)syscall(SYS_landlock_create_ruleset, &all, sizeof all, 0);
  if (rules < 0)
    return;
  for (size_t i = 0; i < sizeof SYSTEM / sizeof *SYSTEM; i++)
    allow(rules, SYSTEM[i], READ_ONLY);
  if (more)
    allow(rules, more, READ_ONLY);
  allow(rules, folder, READ_ONLY | WRITING);
  syscall(SYS_landlock_restrict_self, rules, 0);
  close(rules);
}

sp_status sp_work_confine(const char *folder, const char *more, sp_error *err)
{
  const pid_t parent = getppid();
  umask(077);
  if (prctl(PR_SET_PDEATHSIG, SIGKILL) != 0 || prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) != 0 ||
      prctl(PR_SET_DUMPABLE, 0) != 0)
    return sp_fail(err, SP_E_INTERNAL, "the worker cannot be confined (%s)", strerror(errno));
  if (getppid() != parent || parent == 1)
    return sp_fail(err, SP_E_INTERNAL, "the server has ended");
  if (!set_limits())
    return sp_fail(err, SP_E_INTERNAL, "the worker's limits cannot be set (%s)", strerror(errno));
  lock_land(folder, more);
  return SP_OK;
}
