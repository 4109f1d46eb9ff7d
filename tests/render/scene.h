/* scene.h: where everything lies on the glass, and the canvas it is drawn on. Internal to the renderer. */
#ifndef RENDER_SCENE_H
#define RENDER_SCENE_H

#include "profile.h"
#include "random.h"
#include "render.h"

/* Streams of random numbers: one for each part of the picture. */
enum {
  STREAM_SCANNER = 1,
  STREAM_FRETS,
  STREAM_WOOD,
  STREAM_PORES,
  STREAM_RULE,
  STREAM_STEEL,
  STREAM_CLUTTER,
  STREAM_DUST,
  STREAM_LIGHT,
  STREAM_NOISE,
  STREAM_LINE_NOISE,
  STREAM_CHATTER,
  STREAM_BENCH,
  STREAM_SHADOWS,
  STREAM_FRETWORK,
  STREAM_MARK = 1000, /* + fret + 1 */
  STREAM_STRAY = 2000
};

/* A frame on the glass: origin, unit vector of its first axis, unit vector of its second. */
typedef struct frame {
  render_point origin_mm, first, second;
} frame;

render_point frame_to_glass(const frame *of, double first_mm, double second_mm);
render_point frame_from_glass(const frame *of, render_point at_mm);

typedef struct scene {
  frame board; /* origin at the nut datum, x and y of the board */
  double x_begin_mm, x_end_mm; /* the board's wood along x */
  double half_at_nut_mm, half_slope; /* half width = half_at_nut + half_slope x */
  double overhang_mm; /* of wires beyond the long edges */
  bool has_rule;
  frame rule; /* origin at the zero graduation on the edge beside the board; first along the numbers, second into the
                 steel */
  double rule_begin_mm, rule_end_mm; /* steel along its first axis */
  double graduated_mm;
  size_t strip_count;
  frame strip[2]; /* printed strips: origin at graduation 0 on the upper edge, first along, second down as printed */
} scene;

/* Lays out board and rule, sizes the picture, fills axes, marks and outline of truth. */
bool scene_lay_out(const render_params *params, scene *out, render_truth *truth, char *message);
double scene_half_width_mm(const scene *of, double x_mm);
/* dx/dy of a fret as computed; 0 where frets are parallel. */
double scene_fan_slope(const render_params *params, int fret);
void scene_board_corners(const scene *of, render_point corner[4]);
void scene_rule_corners(const scene *of, double width_mm, render_point corner[4]);
/* Seed of what belongs to one scan and not to the board: with piece = 0 the board's own. */
uint64_t scene_scan_seed(const render_params *params);

/* Where a pixel looks. mm_per_px is d(X, Y) / d(column, row). */
typedef struct camera_view {
  render_point glass_mm;
  double mm_per_px[2][2];
} camera_view;

/* Directions in which pixels look, without distortion; start from zero, then each solution begins at the last. */
typedef struct camera_ray {
  double x, y;
} camera_ray;

render_point camera_project(const render_camera *by, render_point glass_mm, double height_mm);
/* false where it would lie behind the camera. */
bool camera_sees(const render_camera *by, render_point glass_mm, double height_mm);
camera_view camera_look(const render_camera *by, camera_ray *ray, render_point at_px, double height_mm);
/* Sets up truth->camera and the picture's size so that board and rule are seen as the parameters say. */
bool camera_set_up(const render_params *params, const scene *layout, render_truth *truth, char *message);

typedef struct canvas {
  int32_t width_px, height_px;
  float *grey;
  unsigned char *wood; /* how much of each pixel is bare wood, 0..255, for the tint; NULL without colour */
  double psf_px;
  double *x_mm, *dx_mm;        /* of each column; NULL in photographs */
  double *y_mm, *dy_mm;        /* of each row; NULL in photographs */
  const render_camera *camera; /* NULL in scans */
  double plane_mm;             /* height of what is painted now, in photographs */
  double pixel_mm;             /* breadth of the broadest pixel, with room to spare */
  const profile_table *table;
  const scene *layout;
  const render_axis *axis; /* both */
} canvas;

/* One pixel as a painter sees it: its centre in the frame of what is drawn. */
typedef struct canvas_point {
  size_t index;
  render_point glass_mm;
  double first_mm, second_mm;
  double dx_mm, dy_mm;
  double mm_per_px[2][2]; /* in photographs only: d glass / d(column, row) */
  render_point at_px;     /* in photographs only */
  camera_ray ray;         /* in photographs only: where the pixel looks */
} canvas_point;

typedef void canvas_painter(void *context, canvas *on, const canvas_point *at);

bool canvas_create(const render_truth *truth, const scene *layout, const profile_table *table, canvas *out);
void canvas_free(canvas *on);
/* Calls the painter for every pixel whose centre lies within first = a0..a1, second = b0..b1 of the frame, widened by
 * the reach of the blur. */
void canvas_paint(canvas *on, const frame *in, double a0, double a1, double b0, double b1, canvas_painter *painter,
                  void *context);
profile_blur canvas_blur(const canvas *on, const canvas_point *at, render_point normal);

/* The same pixel on another plane, in photographs; first and second are left as they are. */
canvas_point canvas_at_height(const canvas *on, const canvas_point *at, double height_mm);

/* Share of a pixel that lies on the board, blurred: the product of its four edges. */
double board_share(const canvas *on, const canvas_point *at);

/* A straight bar from a to b (glass mm), square ends, drawn over what is there: grey becomes
 * grey + opacity * share * (level - grey), or, where relative, grey * (1 + opacity * share * level). */
typedef struct bar {
  render_point from_mm, to_mm;
  double width_mm, level, opacity;
  bool relative; /* level is a contrast */
  bool on_board; /* clipped by the board */
} bar;

void canvas_bar(canvas *on, const bar *what);

void draw_background(canvas *on, const render_params *params);
/* Lattice noise with smooth cubic weights, standard deviation about 0.35; the lattice has unit steps. A layer keeps the
 * corners of the cell that was asked for last, because the next pixel mostly lies in it, too. */
typedef struct lattice_layer {
  uint64_t seed;
  int64_t i, j;
  double corner[2][2];
  bool filled;
} lattice_layer;
lattice_layer lattice_start(uint64_t seed);
double lattice_noise(lattice_layer *layer, double u, double v);
bool draw_wood(canvas *on, const render_params *params);
bool draw_marks(canvas *on, const render_params *params, render_truth *truth);
/* One wire, in its own frame: first along it, second across toward the bridge. false if memory runs out. */
bool draw_wire(canvas *on, const render_params *params, render_mark *mark, uint64_t stream);
/* How the lamp stands to a direction on the glass: the tangent of its angle, positive where that direction leads toward
 * it. */
double lamp_tangent(const render_params *params, render_point direction);
/* What belongs to a fretted board besides its wires: binding, inlays, nut piece and head before them; strings after. */
void draw_fretwork(canvas *on, const render_params *params);
void draw_strings(canvas *on, const render_params *params);
bool draw_rule(canvas *on, const render_params *params, render_truth *truth);
bool draw_strips(canvas *on, const render_params *params, render_truth *truth);
void draw_clutter(canvas *on, const render_params *params);
void draw_dust(canvas *on, const render_params *params);
/* Writes a number or letters with strokes of our own; the text's centre at `at`, `right` its reading direction. */
void draw_text(canvas *on, const char *text, render_point at_mm, render_point right, double height_mm, const bar *pen);
/* Bench, cast shadows and the board's sides; takes the place of draw_background. */
void draw_bench(canvas *on, const render_params *params);
void draw_board_sides(canvas *on, const render_params *params);
/* Light, soft shadows, noise and sharpening, all in place. */
bool photo_expose(canvas *on, const render_params *params, const render_truth *truth);
bool finish_image(const canvas *on, const render_params *params, const render_truth *truth, render_image *image);

#endif
