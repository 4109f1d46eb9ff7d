/* What a worker may still do once it opens a picture from outside. Nothing here is undone: the process ends with its
 * job. */
#define _GNU_SOURCE /* syscall, prctl */
#include <errno.h>
#include <fcntl.h>
#include <linux/audit.h>
#include <linux/filter.h>
#include <linux/landlock.h>
#include <linux/seccomp.h>
#include <signal.h>
#include <stddef.h>
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

/* Rights are bits that later kernels have added to: an older one refuses those it does not know, a newer one does not
 * limit those it is not told of. The header may be older than the kernel, hence the numbers. */
enum {
  READING = LANDLOCK_ACCESS_FS_READ_FILE | LANDLOCK_ACCESS_FS_READ_DIR,
  WRITING = LANDLOCK_ACCESS_FS_WRITE_FILE | LANDLOCK_ACCESS_FS_REMOVE_DIR | LANDLOCK_ACCESS_FS_REMOVE_FILE |
            LANDLOCK_ACCESS_FS_MAKE_DIR | LANDLOCK_ACCESS_FS_MAKE_REG,
  FIRST_VERSION = (1 << 13) - 1,
  REFER = 1 << 13,    /* from version 2: files moved elsewhere */
  TRUNCATE = 1 << 14, /* 3 */
  IOCTL_DEV = 1 << 15 /* 5 */
};

static int version(void)
{
  return (int)syscall(SYS_landlock_create_ruleset, NULL, 0, LANDLOCK_CREATE_RULESET_VERSION);
}

static uint64_t known_rights(int landlock)
{
  return FIRST_VERSION | (landlock >= 2 ? REFER : 0) | (landlock >= 3 ? TRUNCATE : 0) |
         (landlock >= 5 ? (uint64_t)IOCTL_DEV : 0);
}

static void allow(int rules, const char *path, uint64_t rights)
{
  struct landlock_path_beneath_attr rule = {.allowed_access = rights};
  struct stat about;
  rule.parent_fd = open(path, O_PATH | O_CLOEXEC);
  if (rule.parent_fd < 0)
    return;
  if (fstat(rule.parent_fd, &about) == 0 && !S_ISDIR(about.st_mode))
    rule.allowed_access &= LANDLOCK_ACCESS_FS_READ_FILE;
  syscall(SYS_landlock_add_rule, rules, LANDLOCK_RULE_PATH_BENEATH, &rule, 0);
  close(rule.parent_fd);
}

/* False without the kernel's help; the other limits stand. */
static bool lock_land(const char *folder, const char *more)
{
  static const char *const SYSTEM[] = {
      "/usr", "/lib", "/lib64", "/etc/ld.so.cache", "/etc/localtime", "/proc/self", "/sys/devices/system/cpu"};
  const int landlock = version();
  const uint64_t known = landlock > 0 ? known_rights(landlock) : 0;
  const struct landlock_ruleset_attr all = {.handled_access_fs = known};
  const int rules =
      landlock > 0 ? (int)syscall(SYS_landlock_create_ruleset, &all, sizeof all.handled_access_fs, 0) : -1;
  if (rules < 0)
    return false;
  for (size_t i = 0; i < sizeof SYSTEM / sizeof *SYSTEM; i++)
    allow(rules, SYSTEM[i], READING);
  if (more)
    allow(rules, more, READING);
  allow(rules, folder, (READING | WRITING | (uint64_t)TRUNCATE) & known);
  const bool locked = syscall(SYS_landlock_restrict_self, rules, 0) == 0;
  close(rules);
  return locked;
}

/* ---- seccomp: what it may ask of the system --------------------------------------------------------------------- */

#if defined(__x86_64__)
#define ARCHITECTURE AUDIT_ARCH_X86_64
#elif defined(__aarch64__)
#define ARCHITECTURE AUDIT_ARCH_AARCH64
#endif

#ifdef ARCHITECTURE
/* What decoding and measuring never asks for: the network, other programs and processes, rights and owners of files. */
static const long REFUSED[] = {
    SYS_socket,
    SYS_socketpair,
    SYS_execve,
    SYS_execveat,
    SYS_kill,
    SYS_process_vm_readv,
    SYS_process_vm_writev,
    SYS_pidfd_send_signal,
    SYS_fchmodat,
    SYS_fchownat,
    SYS_mount,
    SYS_setns,
    SYS_unshare,
    SYS_bpf,
    SYS_keyctl,
    SYS_add_key,
    SYS_setxattr,
    SYS_io_uring_setup,
    SYS_perf_event_open,
    SYS_userfaultfd,
#ifdef SYS_chmod
    SYS_chmod,
    SYS_chown,
    SYS_lchown,
#endif
#ifndef WITH_SANITIZER /* which looks for leaks that way */
    SYS_ptrace,
#endif
};
enum { REFUSED_COUNT = sizeof REFUSED / sizeof *REFUSED };

static struct sock_filter step(uint16_t code, uint8_t yes, uint8_t no, uint32_t value)
{
  return (struct sock_filter){code, yes, no, value};
}

/* Refused calls fail as if not permitted; those of another architecture end the process. */
static bool filter_calls(void)
{
  struct sock_filter steps[REFUSED_COUNT + 7];
  unsigned short n = 0;
  steps[n++] = step(BPF_LD | BPF_W | BPF_ABS, 0, 0, offsetof(struct seccomp_data, arch));
  steps[n++] = step(BPF_JMP | BPF_JEQ | BPF_K, 1, 0, ARCHITECTURE);
  steps[n++] = step(BPF_RET | BPF_K, 0, 0, SECCOMP_RET_KILL_PROCESS);
  steps[n++] = step(BPF_LD | BPF_W | BPF_ABS, 0, 0, offsetof(struct seccomp_data, nr));
  for (size_t i = 0; i < REFUSED_COUNT; i++)
    steps[n++] = step(BPF_JMP | BPF_JEQ | BPF_K, (uint8_t)(REFUSED_COUNT - i), 0, (uint32_t)REFUSED[i]);
  steps[n++] = step(BPF_RET | BPF_K, 0, 0, SECCOMP_RET_ALLOW);
  steps[n++] = step(BPF_RET | BPF_K, 0, 0, SECCOMP_RET_ERRNO | EPERM);
  const struct sock_fprog program = {.len = n, .filter = steps};
  return prctl(PR_SET_SECCOMP, SECCOMP_MODE_FILTER, &program, 0, 0) == 0;
}
#else
static bool filter_calls(void)
{
  return false;
}
#endif

int sp_work_lands(void)
{
  const int landlock = version();
  return landlock > 0 ? landlock : 0;
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
  if (!lock_land(folder, more) && sp_work_lands())
    return sp_fail(err, SP_E_INTERNAL, "the worker cannot be shut into its folder (%s)", strerror(errno));
  (void)filter_calls(); /* a system without it has the other limits */
  return SP_OK;
}
