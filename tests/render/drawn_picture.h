/* drawn_picture.h: a picture and its truth, drawn or the test fails; and the small even board that the tests of
 * single things begin from. */
#ifndef DRAWN_PICTURE_H
#define DRAWN_PICTURE_H

#include <stdio.h>
#include <stdlib.h>

#include "../unit/check_close.h"
#include "render.h"

typedef struct picture {
  render_image image;
  render_truth truth;
} picture;

static inline picture *render_or_fail(const render_params *params)
{
  char message[RENDER_MESSAGE] = "";
  picture *made = malloc(sizeof *made);
  assert_non_null(made);
  if (!render_board(params, &made->image, &made->truth, message)) {
    fprintf(stderr, "%s\n", message);
    fail();
  }
  return made;
}

static inline void free_picture(picture *made)
{
  render_image_free(&made->image);
  render_truth_free(&made->truth);
  free(made);
}

/* 80 mm of scale, three frets, one even grey without noise at 16 bits. */
static inline render_params even_wood(void)
{
  render_params params;
  render_params_init(&params);
  params.bits = 16;
  params.scale_length_mm = 80.0;
  params.frets = 3;
  params.nut_width_mm = 14.0;
  params.end_width_mm = 16.0;
  params.noise = params.grain = params.figure = params.pores_per_mm2 = params.depth_variation = params.edge_shadow =
      0.0;
  params.rule_brushed = 0.0;
  params.rule_width_mm = 13.0;
  return params;
}

#endif
