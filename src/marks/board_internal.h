/* Inside the board's outline: sides and ends, each in its own file. */
#ifndef SP_BOARD_INTERNAL_H
#define SP_BOARD_INTERNAL_H

#include "marks_internal.h"

enum { SP_BOARD_MAX_LINES = 256 };

/* What the sides and ends are looked for with. */
typedef struct sp_board_search {
  const sp_scene *scene;
  sp_along along;
  const sp_marks_options *o;
  const sp_mark *lines;
  size_t count;
  double first_px, last_px; /* u of the outermost lines */
  double square;            /* dv/du of the board as the lines, square to it on the whole, tell it */
} sp_board_search;

/* Both long sides; seen[k] is false where side k does not show, then side[k] is left alone. */
sp_status sp_board_sides(const sp_board_search *s, sp_lengthwise side[2], bool seen[2], sp_error *err);

/* An edge of the board to be measured: along it runs x, across it y, y(x) = at + slope x. For a long side x is u and y
 * is v, for an end the other way round. */
typedef struct sp_edge_search {
  const sp_strips *across;  /* profiles along y */
  double first_px, last_px; /* x between which it is read */
  double full_scale;
  const sp_marks_options *o;
  bool beside_rule; /* leave out what lies on the rule (x must be u) */
} sp_edge_search;

/* The mean cross-section of an edge that was measured: stored values (of full scale) at x px outward of it, in order;
 * how the picture is blurred. */
enum { SP_EDGE_POINTS = 96 };
typedef struct sp_edge_profile {
  size_t n;
  double x_px[SP_EDGE_POINTS], value[SP_EDGE_POINTS], blur_px;
} sp_edge_profile;

/* An edge near `rough`, measured; outward +1: the lid is at larger y. Place and slope with standard uncertainties in
 * the middle of first_px .. last_px. *seen is false, and `edge` left alone, where it does not show. `profile` may be
 * NULL; n = 0 where the edge does not show. */
sp_status sp_board_edge_measure(const sp_edge_search *s, int outward, const sp_lengthwise *rough, sp_lengthwise *edge,
                                bool *seen, sp_edge_profile *profile, sp_error *err);

/* By how much the two ends of a board lie further outward than they do if stored values are light, px, and how unsure
 * that is (edge_curve.c), in a picture that a camera took or a scanner. Shift 0, and a fifth of the blur in doubt, where
 * an edge cannot be explained. Profiles with n = 0 are left out: nothing is said of them. */
void sp_edge_curve_shifts(const sp_edge_profile profile[2], bool by_camera, double shift_px[2], double u_px[2]);

/* Moves the board's side of the rule's band, which is known to a millimetre or two, to the rule's edge: a board laid
 * against the rule would be hidden by it otherwise. */
void sp_board_trim_rule(const sp_board_search *s, sp_marks_options *o);

/* The squared ends, within sides and centre line that are known. */
sp_status sp_board_ends(const sp_board_search *s, sp_board *board, sp_error *err);

/* v of a lengthwise line at u. */
double sp_lengthwise_at(const sp_lengthwise *line, double u_px);

/* Is (u, v) on the rule, or nearer to it than slack_px? */
bool sp_on_rule(const sp_marks_options *o, double u_px, double v_px, double slack_px);

#endif
