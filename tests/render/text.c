/* text.c: characters as a few straight strokes, of our own.
 *
 * Each character is a string of points on a grid 5 wide (0..4) and 7 high (0..6, 0 at the top), two digits a point, a
 * space where the pen lifts. */
#include <math.h>
#include <string.h>

#include "scene.h"

typedef struct glyph {
  char character;
  const char *points;
} glyph;

static const glyph glyphs[] = {
    {'0', "103041453616050110"},
    {'1', "112026 1636"},
    {'2', "01103041420646"},
    {'3', "0040234345361605"},
    {'4', "300444 3036"},
    {'5', "4000023243453616"},
    {'6', "301002051636454433 0333"},
    {'7', "004016"},
    {'8', "1030414233130201 10 01 1333444536160504 0413 0110"},
    {'9', "1636454130100102133343"},
    {'A', "062046 1434"},
    {'E', "40000646 0333"},
    {'K', "0006 4003 2346"},
    {'N', "06004640"},
    {'T', "0040 2026"},
    {'U', "000516364540"},
};

/* Points of one character, or NULL. */
static const char *points_of(char character)
{
  for (size_t i = 0; i < sizeof glyphs / sizeof glyphs[0]; i++) {
    if (glyphs[i].character == character) {
      return glyphs[i].points;
    }
  }
  return NULL;
}

typedef struct text_frame {
  render_point origin_mm, right, down;
  double unit_mm;
} text_frame;

static render_point grid_point(const text_frame *in, double column, double row)
{
  return (render_point){in->origin_mm.x + in->unit_mm * (column * in->right.x + row * in->down.x),
                        in->origin_mm.y + in->unit_mm * (column * in->right.y + row * in->down.y)};
}

static void draw_character(canvas *on, const text_frame *in, double column, const char *points, const bar *pen)
{
  bool down = false;
  render_point last = {0.0, 0.0};
  while (points[0] != '\0') {
    if (points[0] == ' ') {
      down = false;
      points++;
      continue;
    }
    if (points[1] == '\0' || points[1] == ' ') {
      return;
    }
    render_point here = grid_point(in, column + (double)(points[0] - '0'), (double)(points[1] - '0'));
    if (down) {
      bar stroke = *pen;
      stroke.from_mm = last;
      stroke.to_mm = here;
      canvas_bar(on, &stroke);
    }
    last = here;
    down = true;
    points += 2;
  }
}

void draw_text(canvas *on, const char *text, render_point at_mm, render_point right, double height_mm, const bar *pen)
{
  text_frame in = {.right = right, .down = {-right.y, right.x}, .unit_mm = height_mm / 6.0};
  double width = 6.0 * (double)strlen(text) - 2.0;
  in.origin_mm = at_mm;
  in.origin_mm = grid_point(&in, -0.5 * width, -3.0);
  for (size_t i = 0; text[i] != '\0'; i++) {
    const char *points = points_of(text[i]);
    if (points) {
      draw_character(on, &in, 6.0 * (double)i, points, pen);
    }
  }
}
