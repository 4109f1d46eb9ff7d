/* Pictures drawn by the renderer for the tests of this folder. */
#ifndef DRAWN_H
#define DRAWN_H

#include <stdint.h>

/* Settings are "key=value" and end with NULL; on top of the renderer's defaults. Asserts. */
void draw(uint64_t seed, const char *const *settings, const char *path, const char *truth_path);
/* The same on top of a board of the named difficulty ("plain", "slot" ...). */
void draw_random(uint64_t seed, const char *difficulty, const char *const *settings, const char *path,
                 const char *truth_path);

#endif
