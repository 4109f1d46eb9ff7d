/* clutter.c: what else lies on a board that is being made. Everything is clipped by the board. */
#include <math.h>

#include "scene.h"

void draw_clutter(canvas *on, const render_params *params)
{
  (void)on;
  (void)params;
}

void draw_dust(canvas *on, const render_params *params)
{
  (void)on;
  (void)params;
}
