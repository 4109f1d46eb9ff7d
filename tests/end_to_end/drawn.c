#include "drawn.h"

#include <stdlib.h>

#include "check_close.h"
#include "render.h"

static void draw_params(render_params *params, const char *const *settings, const char *path, const char *truth_path)
{
  render_image image;
  render_truth *truth = malloc(sizeof *truth);
  char message[RENDER_MESSAGE] = "";
  assert_non_null(truth);
  for (; *settings; settings++)
    assert_true(render_params_set(params, *settings, message));
  assert_true(render_board(params, &image, truth, message));
  assert_true(render_write_png(&image, path, message));
  if (truth_path)
    assert_true(render_write_truth(truth, truth_path, message));
  render_image_free(&image);
  render_truth_free(truth);
  free(truth);
}

void draw(uint64_t seed, const char *const *settings, const char *path, const char *truth_path)
{
  render_params params;
  render_params_init(&params);
  params.seed = seed;
  draw_params(&params, settings, path, truth_path);
}

void draw_random(uint64_t seed, const char *difficulty, const char *const *settings, const char *path,
                 const char *truth_path)
{
  render_params params;
  render_difficulty level;
  assert_true(render_difficulty_named(difficulty, &level));
  render_params_random(&params, seed, level);
  draw_params(&params, settings, path, truth_path);
}
