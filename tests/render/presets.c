#include <string.h>

#include "random.h"
#include "render.h"

bool render_difficulty_named(const char *name, render_difficulty *difficulty)
{
  static const char *const names[RENDER_DIFFICULTIES] = {"plain", "full", "faint", "burr", "chatter", "slot", "oracle"};
  for (int i = 0; i < RENDER_DIFFICULTIES; i++) {
    if (strcmp(name, names[i]) == 0) {
      *difficulty = (render_difficulty)i;
      return true;
    }
  }
  return false;
}

void render_params_random(render_params *params, uint64_t seed, render_difficulty difficulty)
{
  (void)difficulty;
  render_params_init(params);
  params->seed = seed;
}
