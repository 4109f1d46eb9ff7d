/* render.c: the picture from the bottom up: lid or bench, wood, clutter on it, marks, rule, dust, then scanner or
 * camera. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "scene.h"

static bool draw_everything(canvas *on, const render_params *params, render_truth *truth)
{
  draw_background(on, params);
  if (!draw_wood(on, params)) {
    return false;
  }
  bool fretted = params->marks == RENDER_WIRE;
  if (fretted) {
    draw_fretwork(on, params);
  }
  draw_clutter(on, params);
  if (!draw_marks(on, params, truth)) {
    return false;
  }
  if (fretted) {
    draw_strings(on, params);
  }
  if (!draw_rule(on, params, truth) || !draw_strips(on, params, truth)) {
    return false;
  }
  draw_dust(on, params);
  return true;
}

/* What lies deeper is drawn first: a rule below the board's face may hide under its edge. */
static bool draw_photo(canvas *on, const render_params *params, render_truth *truth)
{
  bool rule_below = params->rule_height_mm < 0.0;
  draw_bench(on, params);
  if (rule_below && !draw_rule(on, params, truth)) {
    return false;
  }
  draw_board_sides(on, params);
  if (!draw_wood(on, params)) {
    return false;
  }
  draw_clutter(on, params);
  if (!draw_marks(on, params, truth) || (!rule_below && !draw_rule(on, params, truth)) ||
      !draw_strips(on, params, truth)) {
    return false;
  }
  draw_dust(on, params);
  return photo_expose(on, params, truth);
}

bool render_board(const render_params *params, render_image *image, render_truth *truth, char *message)
{
  scene layout;
  canvas on = {0};
  memset(image, 0, sizeof *image);
  if (!scene_lay_out(params, &layout, truth, message)) {
    return false;
  }
  profile_table *table = malloc(sizeof *table);
  bool ok = table != NULL;
  if (ok) {
    profile_table_fill(table);
  }
  ok = ok && canvas_create(truth, &layout, table, &on);
  ok = ok && (params->photo ? draw_photo(&on, params, truth) : draw_everything(&on, params, truth));
  ok = ok && finish_image(&on, params, truth, image);
  canvas_free(&on);
  free(table);
  if (!ok) {
    render_truth_free(truth);
    snprintf(message, RENDER_MESSAGE, "no memory for a picture of %ld x %ld pixels; choose a lower dpi",
             (long)truth->width_px, (long)truth->height_px);
  }
  return ok;
}

void render_image_free(render_image *image)
{
  free(image->sample);
  image->sample = NULL;
}

void render_truth_free(render_truth *truth)
{
  free(truth->rule.stroke);
  truth->rule.stroke = NULL;
  truth->rule.stroke_count = 0;
}
