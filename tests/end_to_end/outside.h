/* Running the program from outside, and reading what it wrote. Shared by the tests of this folder.
 *
 * Works in a folder of its own below the present one; outside_enter makes it and outside_leave removes it with
 * everything in it. */
#ifndef OUTSIDE_H
#define OUTSIDE_H

#include <stdbool.h>
#include <stddef.h>

#include <cjson/cJSON.h>

enum { OUTSIDE_TEXT = 400000 };

typedef struct outside_result {
  int status;                                 /* exit status, -1 if the program was killed */
  char out[OUTSIDE_TEXT], err[OUTSIDE_TEXT];
} outside_result;

/* `program` may be NULL where none is run. */
bool outside_enter(const char *program);
int outside_leave(void);

/* Runs the program with `arguments`, a shell's words. The result is valid until the next run. */
const outside_result *outside_run(const char *arguments);
/* The same with " --format json": asserts the status and gives the object. Free with cJSON_Delete. */
cJSON *outside_json(const char *arguments, int status);

/* The file's text, terminated; NULL if it cannot be read. Free with free(). */
char *outside_text(const char *path);
/* The same as JSON; asserts. Free with cJSON_Delete. */
cJSON *outside_parsed(const char *path);

/* Members. They assert that the member is there and of the type. */
const cJSON *member(const cJSON *object, const char *key);
double number(const cJSON *object, const char *key);
const char *word(const cJSON *object, const char *key);
bool is_null(const cJSON *object, const char *key);
const cJSON *mark(const cJSON *record, int fret);
/* Element 0 or 1 of a member [x, y]. */
double coordinate(const cJSON *object, const char *key, int axis);

#endif
