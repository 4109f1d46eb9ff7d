/* slotproof/status.h: how every function of the library reports failure.
 *
 * A function that can fail returns sp_status and, where it takes an sp_error, leaves there one plain sentence that
 * says what is wrong and what to do next. The sentence names no file: the caller, who knows the file, puts the name
 * in front. The codes are the program's exit statuses (after sysexits(3)), so no table translates between them.
 */
#ifndef SLOTPROOF_STATUS_H
#define SLOTPROOF_STATUS_H

typedef enum sp_status {
  SP_OK = 0,
  SP_E_USAGE = 64,      /* an option, a length or a board description that cannot be meant */
  SP_E_DATA = 65,       /* the picture or file is not usable */
  SP_E_NOINPUT = 66,    /* the input does not exist or may not be read */
  SP_E_INTERNAL = 70,   /* a fault of the program, or no memory left */
  SP_E_CANTCREATE = 73, /* an output cannot be created */
  SP_E_IO = 74          /* reading or writing failed half way */
} sp_status;

enum { SP_ERROR_TEXT_MAX = 400 };

/* Filled by the function that fails; zero-initialise before use. */
typedef struct sp_error {
  sp_status status;
  char text[SP_ERROR_TEXT_MAX]; /* one sentence, NUL-terminated, cut if too long */
} sp_error;

/* Records a failure and returns `status`, so that `return sp_fail(err, SP_E_DATA, "...")` reads as one thought.
 * `err` may be NULL. */
#if defined(__GNUC__)
__attribute__((format(printf, 3, 4)))
#endif
sp_status
sp_fail(sp_error *err, sp_status status, const char *format, ...);

/* The usual sentence when memory runs out. */
sp_status sp_fail_memory(sp_error *err);

#endif
