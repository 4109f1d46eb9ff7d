/* The wood around a line: whitening against the matrix it stands for, the likeliest background against the normal
 * equations of the linear Gaussian model, and a board's waves against the ones that were drawn.
 *
 * Model: values r = A a + e, e independent of variance 1, a of mean 0 and variance 1. Covariance C = I + A A'; given r,
 * a is normal about (I + A'A)^-1 A' r with covariance (I + A'A)^-1 (Rasmussen & Williams, Gaussian Processes for
 * Machine Learning, 2006, eq. 2.8). Everything on that side is reckoned here, the equations solved by GSL. */
#include "drawing.h"

#include <gsl/gsl_linalg.h>

#include "marks/marks_internal.h"

static const double PI = 3.14159265358979323846;
static const double FULL_SCALE = 255.0, HALF_PX = 15.0;
enum { MOST_COLUMNS = SP_GROUND_WAVES + 2 };

/* A value of the window on node i, -1 .. 1. */
static double node_x(int i)
{
  return 2.0 * i / (SP_GROUND_NODES - 1) - 1.0;
}

/* Two waves that a plane might leave, of period 2 windows / 1.3 and about a window, and one that is short; grey. */
static sp_ground wavy(void)
{
  sp_ground g = {.half_px = HALF_PX, .free_sd = FULL_SCALE, .waves = 3};
  for (int i = 0; i < SP_GROUND_NODES; i++) {
    g.wave[0][i] = 6.0 * cos(1.3 * PI * node_x(i) + 0.3);
    g.wave[1][i] = 4.0 * sin(2.1 * PI * node_x(i));
    g.wave[2][i] = 1.5 * cos(4.0 * PI * node_x(i) - 1.0);
  }
  return g;
}

/* Places and weights of a stack as pieces leave them: uneven, some missing. */
static void lay_out(double height, uint64_t seed, sp_stack *s)
{
  chance c = {seed};
  s->count = 0;
  s->light = height > 0.0;
  s->clipped = false;
  s->noise = 2.0;
  s->height = height;
  for (int i = -45; i <= 45; i++) {
    if (i == -13 || i == 20 || i == 21)
      continue;
    s->x[s->count] = 0.99 * i / 3.0 + 0.2 * (chance_uniform(&c) - 0.5); /* inside the window */
    s->y[s->count] = 0.0;
    s->weight[s->count++] = 2.0e4 * (0.2 + chance_uniform(&c));
  }
}

/* Standard deviation of value i, grey. */
static double value_sd(const sp_stack *s, size_t i)
{
  return fabs(s->height) * s->noise / sqrt(s->weight[i]);
}

/* A function on the nodes, at x px, straight between them. */
static double between_nodes(const double *node, double x)
{
  int i = 0;
  while (i < SP_GROUND_NODES - 2 && HALF_PX * node_x(i + 1) < x)
    i++;
  const double a = HALF_PX * node_x(i), b = HALF_PX * node_x(i + 1);
  return (node[i] * (b - x) + node[i + 1] * (x - a)) / (b - a);
}

/* A[i * columns + j]. */
static size_t design(const sp_ground *g, const sp_stack *s, double *a)
{
  const size_t m = g->waves + 2;
  for (size_t i = 0; i < s->count; i++) {
    a[i * m] = g->free_sd / value_sd(s, i);
    a[i * m + 1] = g->free_sd * s->x[i] / HALF_PX / value_sd(s, i);
    for (size_t k = 0; k < g->waves; k++)
      a[i * m + 2 + k] = between_nodes(g->wave[k], s->x[i]) / value_sd(s, i);
  }
  return m;
}

static void *memory(size_t size)
{
  void *p = malloc(size);
  assert_non_null(p);
  return p;
}

/* ---- functions on the nodes ---- */

/* Straight between nodes (at the last one within a thousandth of the last step), and held beyond the window. */
static void functions_are_straight_between_nodes(void **unused)
{
  (void)unused;
  const sp_ground g = wavy();
  for (size_t k = 0; k < g.waves; k++) {
    const double *node = g.wave[k], last = fabs(node[SP_GROUND_NODES - 1] - node[SP_GROUND_NODES - 2]);
    for (double x = -HALF_PX; x < 0.999 * HALF_PX; x += 0.0371)
      CHECK_CLOSE(sp_ground_at(node, HALF_PX, x), between_nodes(node, x), 1e-12);
    CHECK_CLOSE(sp_ground_at(node, HALF_PX, HALF_PX), node[SP_GROUND_NODES - 1], 1.001e-3 * last);
    CHECK_CLOSE(sp_ground_at(node, HALF_PX, 40.0), node[SP_GROUND_NODES - 1], 1.001e-3 * last);
    CHECK_CLOSE(sp_ground_at(node, HALF_PX, -40.0), node[0], 0.0);
  }
}

/* ---- whitening ---- */

/* W of sp_whiten applied to the columns of an n x n matrix, as many at once as there may be and then one by one. */
static void whiten_matrix(const sp_whitening *whitening, size_t n, double *w)
{
  double *block = memory(n * SP_WHITEN_COLUMNS * sizeof *block);
  for (size_t j = 0; j < n;) {
    const size_t columns = n - j < SP_WHITEN_COLUMNS ? 1 : SP_WHITEN_COLUMNS;
    for (size_t i = 0; i < n * columns; i++)
      block[i] = w[i / columns * n + j + i % columns];
    sp_whiten(whitening, block, columns);
    for (size_t i = 0; i < n * columns; i++)
      w[i / columns * n + j + i % columns] = block[i];
    j += columns;
  }
  free(block);
}

/* W of sp_whiten must make W C W' the unit matrix. Level and tilt have variances of
 * some 1e7 in C, which leaves that many digits fewer. */
static void check_whitening(const sp_ground *g, const sp_stack *s, double tolerance)
{
  const size_t n = s->count;
  double *a = memory(n * MOST_COLUMNS * sizeof *a), *wa = memory(n * MOST_COLUMNS * sizeof *wa);
  double *w = memory(n * n * sizeof *w);
  sp_whitening *whitening = memory(sizeof *whitening);
  const size_t m = design(g, s, a);
  assert_true(sp_whitening_create(g, s, whitening));
  for (size_t i = 0; i < n * n; i++)
    w[i] = i % (n + 1) == 0 ? 1.0 : 0.0;
  whiten_matrix(whitening, n, w);
  for (size_t i = 0; i < n; i++)
    for (size_t j = 0; j < m; j++) {
      wa[i * m + j] = 0.0;
      for (size_t k = 0; k < n; k++)
        wa[i * m + j] += w[i * n + k] * a[k * m + j];
    }
  double worst = 0.0;
  for (size_t i = 0; i < n; i++)
    for (size_t j = 0; j < n; j++) {
      double sum = 0.0; /* (W W' + W A (W A)') */
      for (size_t k = 0; k < n; k++)
        sum += w[i * n + k] * w[j * n + k];
      for (size_t k = 0; k < m; k++)
        sum += wa[i * m + k] * wa[j * m + k];
      if (!(fabs(sum - (i == j)) <= worst)) /* NAN as well */
        worst = fabs(sum - (i == j));
    }
  CHECK_CLOSE(worst, 0.0, tolerance);
  free(a);
  free(w);
  free(wa);
  free(whitening);
}

static void whitening_is_the_inverse_root(void **unused)
{
  (void)unused;
  sp_stack *s = memory(sizeof *s);
  for (int light = 0; light < 2; light++) {
    lay_out(light ? 50.0 : -60.0, (uint64_t)(3 + light), s);
    sp_ground g = wavy();
    check_whitening(&g, s, 1e-8);
    g.free_sd = 30.0;
    check_whitening(&g, s, 1e-10);
    g.waves = 0;
    check_whitening(&g, s, 1e-10);
  }
  free(s);
}

/* Columns that say the same, or nothing: the covariance has fewer directions than there are columns. */
static void whitening_of_dependent_waves(void **unused)
{
  (void)unused;
  sp_stack *s = memory(sizeof *s);
  lay_out(-60.0, 5, s);
  sp_ground g = wavy();
  memcpy(g.wave[2], g.wave[0], sizeof g.wave[0]);
  check_whitening(&g, s, 1e-8);
  memset(g.wave[1], 0, sizeof g.wave[1]);
  check_whitening(&g, s, 1e-8);
  for (int i = 0; i < SP_GROUND_NODES; i++)
    g.wave[0][i] = 5.0; /* a level */
  check_whitening(&g, s, 1e-8);
  free(s);
}

/* ---- the likeliest background ---- */

typedef struct posterior {
  size_t m;
  double mean[MOST_COLUMNS], covariance[MOST_COLUMNS * MOST_COLUMNS];
} posterior;

static posterior solve_model(const double *a, size_t m, size_t n, const double *r)
{
  posterior p = {.m = m};
  gsl_matrix_view c = gsl_matrix_view_array(p.covariance, m, m);
  gsl_vector_view mean = gsl_vector_view_array(p.mean, m);
  for (size_t j = 0; j < m; j++)
    for (size_t i = 0; i < n; i++)
      p.mean[j] += a[i * m + j] * r[i];
  for (size_t j = 0; j < m; j++)
    for (size_t k = 0; k < m; k++) {
      p.covariance[j * m + k] = j == k ? 1.0 : 0.0;
      for (size_t i = 0; i < n; i++)
        p.covariance[j * m + k] += a[i * m + j] * a[i * m + k];
    }
  assert_int_equal(gsl_linalg_cholesky_decomp1(&c.matrix), 0);
  gsl_linalg_cholesky_svx(&c.matrix, &mean.vector);
  gsl_linalg_cholesky_invert(&c.matrix);
  return p;
}

/* Mean and variance at a node, level and tilt left out. */
static double posterior_at(const posterior *p, const sp_ground *g, int node, double *variance)
{
  double mean = 0.0;
  *variance = 0.0;
  for (size_t j = 0; j < g->waves; j++) {
    mean += p->mean[2 + j] * g->wave[j][node];
    for (size_t k = 0; k < g->waves; k++)
      *variance += g->wave[j][node] * p->covariance[(2 + j) * p->m + 2 + k] * g->wave[k][node];
  }
  return mean;
}

/* Wood drawn from the model itself: what comes back is the mean of what the values leave possible, and the wood drawn
 * lies about it as far as that allows. */
static void background_is_the_likeliest(void **unused)
{
  (void)unused;
  enum { DRAWS = 1000 };
  sp_stack *s = memory(sizeof *s);
  sp_whitening *w = memory(sizeof *w);
  double a[SP_STACK_MAX * MOST_COLUMNS], r[SP_STACK_MAX], nodes[SP_GROUND_NODES], zz = 0.0;
  const sp_ground g = wavy();
  chance dice = {77};
  for (int draw = 0; draw < DRAWS; draw++) {
    double truth[MOST_COLUMNS];
    lay_out(draw % 2 ? 50.0 : -60.0, (uint64_t)(100 + draw), s);
    const size_t m = design(&g, s, a);
    for (size_t j = 0; j < m; j++)
      truth[j] = (j < 2 ? 0.1 : 1.0) * chance_normal(&dice);
    for (size_t i = 0; i < s->count; i++) {
      r[i] = chance_normal(&dice);
      for (size_t j = 0; j < m; j++)
        r[i] += a[i * m + j] * truth[j];
    }
    assert_true(sp_whitening_create(&g, s, w));
    sp_whitening_ground(w, r, nodes);
    const posterior p = solve_model(a, m, s->count, r);
    for (int node = 0; node < SP_GROUND_NODES; node++) {
      double variance, drawn = 0.0;
      CHECK_CLOSE(nodes[node], posterior_at(&p, &g, node, &variance), 1e-7); /* grey */
      for (size_t j = 0; j < g.waves; j++)
        drawn += truth[2 + j] * g.wave[j][node];
      zz += pow(nodes[node] - drawn, 2) / variance / (DRAWS * SP_GROUND_NODES);
    }
  }
  CHECK_CLOSE(sqrt(zz), 1.0, 0.06); /* some 1000 to 3000 independent directions: known to 2 % */
  free(s);
  free(w);
}

/* ---- the board's own waves ---- */

static const double PX_PER_MM = 24.0;

typedef struct wooden {
  sp_along along;
  double lean;      /* dv/du of the board */
  double amplitude; /* grey, of a wave along the board's own axis */
  double period_px; /* of it */
  double noise;     /* grey */
  int lines;        /* dark knife lines over its length */
  uint64_t seed;    /* of the noise */
} wooden;

enum { LENGTH = 2200, BREADTH = 420, MOST_LINES = 96 };
static const double WOOD = 150.0, BOARD_V_A = 110.0, BOARD_V_B = 300.0, END_A = 60.5, END_B = 2140.5;

static sp_board outline(const wooden *w, double end_b)
{
  const double middle = 0.5 * (BOARD_V_A + BOARD_V_B) - w->lean * 0.5 * LENGTH, half = 0.5 * (BOARD_V_B - BOARD_V_A);
  sp_board b = {.edges_found = true, .centre = {.at_px = middle, .slope = w->lean}};
  for (int side = 0; side < 2; side++) {
    b.side[side] = b.centre;
    b.side[side].at_px += side ? half : -half;
    b.end[side] = (sp_board_end){.found = true, .u_px = side ? end_b : END_A, .slope = -w->lean};
    b.end[side].v_px = middle + w->lean * b.end[side].u_px;
  }
  return b;
}

/* Board on a light ground, its wave along its own axis: the phase is that of the foot on the centre line. */
static drawing draw_board(const wooden *w, const sp_board *b, sp_candidate *lines)
{
  chance dice = {w->seed};
  drawing d = drawing_new(LENGTH, BREADTH, 235.0);
  for (int32_t v = 0; v < BREADTH; v++)
    for (int32_t u = 0; u < LENGTH; u++) {
      const double off = v - b->centre.at_px - w->lean * u, foot = u + w->lean * off / (1.0 + w->lean * w->lean);
      if (fabs(off) < 0.5 * (BOARD_V_B - BOARD_V_A) && foot > END_A && foot < b->end[1].u_px)
        d.grey[v * LENGTH + u] = WOOD + w->amplitude * sin(2.0 * PI * foot / w->period_px);
    }
  for (int k = 0; k < w->lines; k++) {
    const double at = END_A + (k + 0.7) * (b->end[1].u_px - END_A) / w->lines, v = b->centre.at_px + w->lean * at;
    const double half = 0.48 * (BOARD_V_B - BOARD_V_A);
    lines[k] = (sp_candidate){
        .u_px = at, .v_px = v, .slope = -w->lean, .v0_px = v - half, .v1_px = v + half, .score = 1.0, .height = -60.0};
    draw_mark(&d, &(drawn_mark){at, -w->lean, v, v - half, v + half, 2.6, 1.0, -60.0});
  }
  draw_noise(&d, w->noise, &dice);
  return d;
}

static sp_ground measure_drawing(drawing d, const wooden *w, const sp_board *b, const sp_candidate *lines, size_t count)
{
  sp_raster r = drawing_raster(&d, w->along, 8);
  sp_scene scene;
  sp_ground g;
  const sp_marks_options o = {.kind = SP_MARK_KNIFE, .px_per_mm = PX_PER_MM};
  assert_int_equal(sp_scene_create(&r, &scene, NULL), SP_OK);
  assert_int_equal(sp_ground_measure(&scene, w->along, &o, b, lines, count, &g, NULL), SP_OK);
  sp_scene_free(&scene);
  sp_raster_free(&r);
  drawing_free(&d);
  return g;
}

static sp_ground measure(const wooden *w, double end_b)
{
  sp_candidate lines[MOST_LINES];
  const sp_board b = outline(w, end_b);
  assert_true(w->lines <= MOST_LINES);
  return measure_drawing(draw_board(w, &b, lines), w, &b, lines, (size_t)w->lines);
}

/* Summed over the window's nodes. */
static double variance_of_waves(const sp_ground *g)
{
  double sum = 0.0;
  for (size_t k = 0; k < g->waves; k++)
    for (int i = 0; i < SP_GROUND_NODES; i++)
      sum += g->wave[k][i] * g->wave[k][i];
  return sum;
}

/* The same of a sine at all phases, less its own best straight line. */
static double variance_of_sine(double amplitude, double period_px)
{
  enum { PHASES = 64 };
  double sum = 0.0;
  for (int phase = 0; phase < PHASES; phase++) {
    double mean = 0.0, tilt = 0.0, square = 0.0, value[SP_GROUND_NODES];
    for (int i = 0; i < SP_GROUND_NODES; i++) {
      value[i] = amplitude * sin(2.0 * PI * (HALF_PX * node_x(i) / period_px + (double)phase / PHASES));
      mean += value[i] / SP_GROUND_NODES;
      tilt += value[i] * node_x(i);
      square += node_x(i) * node_x(i);
    }
    for (int i = 0; i < SP_GROUND_NODES; i++)
      sum += pow(value[i] - mean - tilt / square * node_x(i), 2) / PHASES;
  }
  return sum;
}

/* Along either axis of the picture, square to it and leaning (which smears the wave over 9 px if it is not reckoned
 * with), with few lines and with many; the lines themselves are deeper than the waves and must not count. */
static void waves_of_the_board_are_found(void **unused)
{
  (void)unused;
  static const wooden boards[] = {
      {SP_ALONG_X, 0.0, 6.0, 31.0, 2.0, 12, 21},  {SP_ALONG_Y, 0.0, 6.0, 31.0, 2.0, 24, 22},
      {SP_ALONG_X, 0.05, 6.0, 24.0, 2.0, 12, 23}, {SP_ALONG_Y, -0.05, 4.0, 24.0, 4.0, 24, 24},
      {SP_ALONG_X, 0.0, 3.0, 45.0, 2.0, 12, 25},  {SP_ALONG_X, 0.0, 3.0, 18.0, 2.0, 0, 26}};
  for (size_t i = 0; i < sizeof boards / sizeof *boards; i++) {
    const sp_ground g = measure(&boards[i], END_B);
    const double expected = variance_of_sine(boards[i].amplitude, boards[i].period_px);
    CHECK_CLOSE(g.half_px, HALF_PX, 0.0);
    CHECK_CLOSE(variance_of_waves(&g) / expected, 1.0, 0.25);
  }
}

/* On even wood a node's standard deviation stays far below a grey level, whatever the pixels' noise and chance. */
static void even_wood_has_no_waves(void **unused)
{
  (void)unused;
  for (uint64_t seed = 0; seed < 10; seed++) {
    const wooden even = {SP_ALONG_X, 0.0, 0.0, 31.0, 0.5 * (double)seed, 12, seed};
    const sp_ground g = measure(&even, END_B);
    CHECK_BELOW(sqrt(variance_of_waves(&g) / SP_GROUND_NODES), 0.15);
  }
}

static bool same_waves(const sp_ground *a, const sp_ground *b)
{
  return a->waves > 0 && a->waves == b->waves && memcmp(a->wave, b->wave, sizeof a->wave) == 0;
}

/* Lines so close that hardly any wood shows between them, or a stub of a board (1.5 mm off its ends the wood begins):
 * nothing can be learnt, and what is known without it stands. */
static void too_little_wood_leaves_the_default(void **unused)
{
  (void)unused;
  const wooden crowded = {SP_ALONG_X, 0.0, 6.0, 31.0, 2.0, MOST_LINES, 27};
  const wooden bare = {SP_ALONG_X, 0.0, 6.0, 31.0, 2.0, 0, 28};
  sp_ground usual, g;
  sp_ground_default(SP_MARK_KNIFE, PX_PER_MM, FULL_SCALE, &usual);
  g = measure(&crowded, END_B);
  assert_true(same_waves(&g, &usual));
  g = measure(&bare, END_A + 2.0 * 36.0 + 150.0);
  assert_true(same_waves(&g, &usual));
  g = measure(&bare, END_A + 2.0 * 36.0 + 450.0);
  assert_false(same_waves(&g, &usual));
}

/* More candidates than a board has lines, as visible as each other: the crests and troughs of a plane's waves. They
 * once were left out as lines, all of them; then nothing was known of the waves, and they passed for lines. */
static void crests_are_no_lines(void **unused)
{
  (void)unused;
  enum { CRESTS = 290 };
  const wooden w = {SP_ALONG_X, 0.0, 6.0, 14.0, 2.0, 0, 29};
  const sp_board b = outline(&w, END_B);
  const double v = b.centre.at_px, half = 0.48 * (BOARD_V_B - BOARD_V_A);
  sp_candidate crests[CRESTS];
  for (int k = 0; k < CRESTS; k++)
    crests[k] = (sp_candidate){.u_px = END_A + 20.0 + 0.5 * w.period_px * k,
                               .v_px = v,
                               .v0_px = v - half,
                               .v1_px = v + half,
                               .score = 1.0,
                               .height = k % 2 ? 8.0 : -8.0};
  const sp_ground g = measure_drawing(draw_board(&w, &b, NULL), &w, &b, crests, CRESTS);
  assert_true(g.measured);
  CHECK_CLOSE(variance_of_waves(&g) / variance_of_sine(w.amplitude, w.period_px), 1.0, 0.3);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(crests_are_no_lines),           cmocka_unit_test(functions_are_straight_between_nodes),
      cmocka_unit_test(whitening_is_the_inverse_root), cmocka_unit_test(whitening_of_dependent_waves),
      cmocka_unit_test(background_is_the_likeliest),   cmocka_unit_test(waves_of_the_board_are_found),
      cmocka_unit_test(even_wood_has_no_waves),        cmocka_unit_test(too_little_wood_leaves_the_default),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
