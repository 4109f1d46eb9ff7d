/* The fine fit of one line.
 *
 * The line is cut into pieces of a few rows; each piece is a profile along the grain. All pieces share one
 * cross-section (see profile.c) and lie on one straight line; each has its own height (a hand's pressure varies), level
 * and slope of the wood around it. Gauss-Newton: every piece says by how much its mark lies beside the present line and
 * how sure it is; a robust straight line through these shifts corrects the line; the stacked profile of all pieces, now
 * sampled finer than a pixel, corrects the cross-section; repeat.
 *
 * The piece heights used in the shifts are smoothed along the line: with a piece's own noisy height a faint line's
 * shift would be biased toward nothing. The uncertainty is that of the straight line, from the scatter of the pieces
 * and its correlation along the line (Newey & West 1987, Bartlett weights), never less than what the noise of the
 * pixels alone gives.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "marks_internal.h"
#include "slotproof/numeric.h"
#include "workers/wide.h"

enum { ROUNDS = 6, QUICK_ROUNDS = 3, AGAIN_ROUNDS = 4, MAX_COLUMNS = 5 };
/* Neighbouring rows of wood and of a hand's wobble hang together over about this length. */
static const double CORRELATED_MM = 4.0;
/* Blurs that a scan can have, px; outside, the search for one has gone astray. */
static const double MIN_BLUR = 0.2, MAX_BLUR = 4.0;
/* No estimate of ours is believed closer than this: pixel response, table, rounding of grey levels. */
static const double FLOOR_PX = 0.010;
/* The greatest growth that there can be, in standard uncertainties of the kerf, two walls together, is just covered. */
static const double GROWN_U = 1.15;
/* A pixel's own square, as a standard deviation: 1 / sqrt 12. */
static const double PIXEL_PX = 0.28867513459481288;
/* A wall that wanders is followed where it lies further than this beside its line, in so many steps. */
static const double FOLLOW_PX = 0.5;
enum { FOLLOWING = 10 };
/* A burr that shows more than its cut, against the cut's depth: what it is expected to be, as a standard deviation. */
static const double MORE_THAN_CUT = 1.2, MORE_THAN_CUT_SD = 0.6;
/* White from here on, part of full scale: what lies beyond is not in the picture. */
static const double CLIPPED = 0.985;
/* A slot lit so unequally that one wall hardly shows: part of its breadth that is in doubt. */
static const double TILTED_U = 0.15;
/* In a light line that is clipped a burr cannot be told from the cut: it may be this part of what shows, or nothing. */
static const double CLIPPED_U = 0.22;
/* Wood and noise make as much by themselves: not worth the rest of the fit. */
static const double HOPELESS = 3.0;
/* A window ends so many blurs before the board does, and needs so much wood on both sides of a mark. */
static const double MARGIN_BLURS = 2.0, LEAST_WOOD_MM = 0.12;
/* Where the picture is coarse a burr passes for part of its line: beside a light line one as light, 0.3 px aside (drawn
 * boards); beside dark ones a faint one that none of them shows, or one that some seem to show. */
static const double LIGHT_COARSE_PX = 0.18, DARK_COARSE_PX = 0.05, OPEN_COARSE_PX = 0.18;

/* Among waves of this part of a cut's depth nothing tells what of a burr is the wood's, be it as strong as the cut. */
static const double WAVES_OPEN = 0.07, WAVES_COARSE_PX = 0.3;

static double coarse_px(const sp_expectation *e, bool light, bool among_waves)
{
  if (light)
    return LIGHT_COARSE_PX;
  if (among_waves)
    return WAVES_COARSE_PX;
  if (e->burr_open)
    return OPEN_COARSE_PX;
  return e->burr_expected ? 0.0 : DARK_COARSE_PX;
}

/* ---- reading the pieces ---------------------------------------------------------------------------------------------
 */

/* A line that leans is straight on the board, not in an uneven picture. */
static double bend_at(const sp_line_fit *f, double u_px)
{
  const sp_marks_options *o = f->o;
  if (!o->uneven_px)
    return 0.0;
  return o->uneven_px(o->uneven_context, f->even_from_px) - o->uneven_px(o->uneven_context, u_px);
}

/* From a place to the nearest end of the board, px along u; INFINITY if none was found. */
static double to_end_px(const sp_board *board, double u_px, double v_px)
{
  double least = INFINITY;
  for (int e = 0; board && e < 2; e++) {
    const sp_board_end *end = &board->end[e];
    if (end->found)
      least = fmin(least, (e ? -1.0 : 1.0) * (u_px - end->u_px - end->slope * (v_px - end->v_px)));
  }
  return least;
}

/* Beyond the board's end lies something else, which is no wood around a line: where the end is near, the window is
 * narrower, as far as a mark and some wood beside it still fit in. */
static int32_t window_within(const sp_candidate *c, sp_mark_kind kind, double px_per_mm, const sp_expectation *expect)
{
  const int32_t usual = sp_window_half_px(kind, px_per_mm);
  const double blur = hypot(expect->blur_px, PIXEL_PX);
  const double need = 0.5 * expect->width_px + MARGIN_BLURS * blur + LEAST_WOOD_MM * px_per_mm;
  const double clear = fmin(to_end_px(c->within, c->u_px + c->slope * (c->v0_px - c->v_px), c->v0_px),
                            to_end_px(c->within, c->u_px + c->slope * (c->v1_px - c->v_px), c->v1_px));
  return (int32_t)fmin(usual, fmax(ceil(need), floor(clear - MARGIN_BLURS * blur)));
}

static void take_out(const sp_neighbour *neighbour, int32_t n, sp_piece *p, float *value)
{
  double row[2 * SP_STACK_HALF_PX + 1];
  const double at = neighbour->place_px + neighbour->slope * (p->v_px - neighbour->v_px);
  const double piece = floor((p->v_px - neighbour->first_px) / neighbour->step_px);
  if (!(piece >= 0.0 && piece < (double)neighbour->pieces))
    return;
  const double height = neighbour->height[(size_t)piece];
  sp_profile_row(neighbour->profile.value, p->first_u - at, n, row);
  for (int32_t i = 0; i < n; i++)
    value[i] -= (float)(height * row[i]);
}

void sp_line_fit_as_neighbour(const sp_line_fit *f, sp_neighbour *neighbour)
{
  *neighbour = (sp_neighbour){
      .place_px = 0.5 * (f->place[0] + f->place[1]), .slope = 0.5 * (f->slope[0] + f->slope[1]), .v_px = f->v_px};
  sp_profile_fill(&f->shape, &neighbour->profile);
  if (f->count == 0)
    return;
  const double length = f->pieces[f->count - 1].v_px - f->pieces[0].v_px + f->rows;
  neighbour->first_px = f->pieces[0].v_px - 0.5 * f->rows;
  neighbour->step_px = fmax(f->rows, length / SP_NEIGHBOUR_PIECES);
  neighbour->pieces = (size_t)fmin(SP_NEIGHBOUR_PIECES, ceil(length / neighbour->step_px));
  for (size_t k = 0; k < f->count; k++) {
    const size_t i = (size_t)((f->pieces[k].v_px - neighbour->first_px) / neighbour->step_px);
    if (i < neighbour->pieces && f->pieces[k].usable)
      neighbour->height[i] = f->pieces[k].height;
  }
}

static sp_status read_pieces(const sp_view *view, const sp_candidate *c, sp_line_fit *fit, sp_error *err)
{
  const bool narrow = fit->half_px < fit->usual_px;
  const int32_t v0 = (int32_t)fmax(0.0, floor(c->v0_px));
  const int32_t v1 = (int32_t)fmin(view->breadth_px, ceil(c->v1_px));
  const int32_t n = 2 * fit->half_px + 1;
  const size_t most = v1 > v0 ? (size_t)(v1 - v0) / (size_t)fit->rows : 0;
  fit->pieces = calloc(most + 1, sizeof *fit->pieces);
  fit->values = malloc((most * (size_t)n + 1) * sizeof *fit->values);
  if (!fit->pieces || !fit->values)
    return sp_fail_memory(err);
  for (size_t k = 0; k < most; k++) {
    sp_piece *p = &fit->pieces[fit->count];
    const int32_t v = v0 + (int32_t)k * fit->rows;
    float *value = fit->values + fit->count * (size_t)n;
    p->v_px = v + 0.5 * (fit->rows - 1);
    p->first_u = (int32_t)lround(c->u_px + c->slope * (p->v_px - c->v_px)) - fit->half_px;
    if (p->first_u < 0 || p->first_u + n > view->length_px)
      continue;
    if (narrow && to_end_px(c->within, p->first_u + fit->half_px, p->v_px) < fit->half_px)
      continue;
    sp_view_window(view, p->first_u, n, v, fit->rows, value);
    if (c->neighbour)
      take_out(c->neighbour, n, p, value);
    p->bend_px = bend_at(fit, c->u_px + c->slope * (p->v_px - c->v_px));
    p->value = value;
    p->weight[0] = p->weight[1] = 1.0;
    fit->count++;
  }
  return SP_OK;
}

/* ---- one piece against the line -------------------------------------------------------------------------------------
 */

static double middle_at(const sp_line_fit *f, const sp_piece *p)
{
  return 0.5 * (f->place[0] + f->place[1]) + 0.5 * (f->slope[0] + f->slope[1]) * (p->v_px - f->v_px) +
         0.5 * (p->ahead[0] + p->ahead[1]) + p->bend_px;
}

/* How far the walls stand off their mean width here (slots: each wall is its own line). */
static double width_at(const sp_line_fit *f, const sp_piece *p)
{
  return f->place[1] - f->place[0] + (f->slope[1] - f->slope[0]) * (p->v_px - f->v_px) + p->ahead[1] - p->ahead[0];
}

enum { WINDOW = 2 * SP_STACK_HALF_PX + 1, LANES = 4, PADDED = (WINDOW + LANES - 1) / LANES * LANES };

/* What a line's pieces are held against, tabled: its cross-section and the wood around it. */
typedef struct tables {
  sp_profile profile; /* of a knife line, whose walls move together, `left` is both derivatives added up */
  float ground[SP_PROFILE_SIZE];
} tables;

/* The equations of one piece, pixel by pixel, for a mark of height 1: the mark, its derivatives by shift or by both
 * walls, and the grey. Level and slope need no columns. What is beyond the window is 0. */
enum { MOST_ROWS = 3 };
typedef struct design {
  double row[MOST_ROWS][PADDED], y[PADDED];
} design;

/* One table along the piece. The table has the mean width: where a slot is wider, each half is looked up as far from
 * its own wall as the pixel is from the wall here. */
static void look_up(const float *table, double x, double wider, int32_t n, double *out)
{
  if (wider == 0.0) {
    sp_profile_row(table, x, n, out);
    return;
  }
  const int32_t left = (int32_t)fmin(fmax(ceil(-x), 0.0), n); /* pixels left of the middle */
  sp_profile_row(table, x + wider, left, out);
  sp_profile_row(table, x + left - wider, n - left, out + left);
}

/* Looks everything up for a piece whose first pixel lies at x. */
static void lay_out_piece(const sp_line_fit *f, const tables *t, const sp_piece *p, double x, design *d)
{
  const int32_t n = 2 * f->half_px + 1;
  const double wider = f->kind == SP_MARK_SLOT ? 0.5 * (width_at(f, p) - f->shape.width_px) : 0.0;
  look_up(t->profile.value, x, wider, n, d->row[0]);
  look_up(t->profile.left, x, wider, n, d->row[1]);
  if (f->kind == SP_MARK_SLOT)
    look_up(t->profile.right, x, wider, n, d->row[2]);
  sp_profile_row(t->ground, x, n, d->y);
}

/* Several running sums of each product at once. */
typedef double lanes __attribute__((vector_size(LANES * sizeof(double))));

static inline double sum_of(const lanes *v)
{
  return ((*v)[0] + (*v)[1]) + ((*v)[2] + (*v)[3]);
}

/* Products of `rows` rows with level, slope and each other, into the lower triangle of the normal equations, with
 * level and slope as the first two; of all with the grey; returns that of the grey with itself. */
static inline double multiply(const design *d, double x, double by_half, int32_t n, int rows, double *gram, double *z)
{
  const int m = rows + 2;
  lanes level[MOST_ROWS] = {{0.0}}, slope[MOST_ROWS] = {{0.0}}, grey[MOST_ROWS] = {{0.0}};
  lanes each[MOST_ROWS * MOST_ROWS] = {{0.0}}, y_level = {0.0}, y_slope = {0.0}, y_y = {0.0};
  lanes place = {x, x + 1.0, x + 2.0, x + 3.0};
  for (int32_t i = 0; i < n; i += LANES, place += LANES) {
    const lanes at = place * by_half;
    lanes y, row[MOST_ROWS];
    memcpy(&y, d->y + i, sizeof y);
    for (int a = 0; a < rows; a++)
      memcpy(&row[a], d->row[a] + i, sizeof *row);
    y_level += y;
    y_slope += at * y;
    y_y += y * y;
    for (int a = 0; a < rows; a++) {
      level[a] += row[a];
      slope[a] += row[a] * at;
      grey[a] += row[a] * y;
      for (int b = 0; b <= a; b++)
        each[a * MOST_ROWS + b] += row[a] * row[b];
    }
  }
  z[0] = sum_of(&y_level);
  z[1] = sum_of(&y_slope);
  for (int a = 0; a < rows; a++) {
    double *out = gram + (a + 2) * m;
    z[a + 2] = sum_of(&grey[a]);
    out[0] = sum_of(&level[a]);
    out[1] = sum_of(&slope[a]);
    for (int b = 0; b <= a; b++)
      out[b + 2] = sum_of(&each[a * MOST_ROWS + b]);
  }
  return sum_of(&y_y);
}

/* Products of level and slope with themselves: sums of 1, x and x^2 over evenly spaced x. */
static void level_and_slope(double first, double last, int32_t n, int columns, double *gram)
{
  const double middle = 0.5 * (first + last), spread = last - first;
  gram[0] = n;
  gram[columns] = n * middle;
  gram[columns + 1] = n * (middle * middle + spread * spread * (n + 1.0) / (12.0 * (n - 1.0)));
}

/* Shift of a mark of height 1 against the line, from the factor and the solved right side: rows 3 and 4 come last in
 * both, so only the last steps of the substitution are needed, and the corner of the inverse. */
static void unit_shifts(int m, const double *l, const double *z, sp_piece *p)
{
  const double l33 = l[3 * m + 3];
  p->unit_shift[0] = p->unit_shift[1] = z[3] / l33;
  p->unit_variance[0] = p->unit_variance[1] = p->unit_covariance = 1.0 / (l33 * l33);
  if (m < 5)
    return;
  const double l43 = l[4 * m + 3], l44 = l[4 * m + 4];
  p->unit_shift[1] = z[4] / l44;
  p->unit_shift[0] = (z[3] - l43 * p->unit_shift[1]) / l33;
  p->unit_variance[1] = 1.0 / (l44 * l44);
  p->unit_variance[0] = (1.0 + l43 * l43 / (l44 * l44)) / (l33 * l33);
  p->unit_covariance = -l43 / (l33 * l44 * l44);
}

/* Height, level and residual scatter of the mark in this piece, the line's place taken as it is, and what the shift
 * would be for a mark of height 1. Scaling the shift's columns scales their rows of the Cholesky factor alike, so one
 * factor serves both, whatever height the shift is taken with later. */
SP_WIDE static void measure_piece(const sp_line_fit *f, const tables *t, design *d, sp_piece *p)
{
  double l[MAX_COLUMNS * MAX_COLUMNS], z[MAX_COLUMNS];
  const int32_t n = 2 * f->half_px + 1;
  const int rows = f->kind == SP_MARK_SLOT ? 3 : 2, m = rows + 2;
  const double x = p->first_u - middle_at(f, p), by_half = 1.0 / f->half_px;
  lay_out_piece(f, t, p, x, d);
  for (int32_t i = 0; i < n; i++)
    d->y[i] = (double)p->value[i] - d->y[i];
  level_and_slope(x * by_half, (x + n - 1) * by_half, n, m, l);
  const double squares =
      rows == 2 ? multiply(d, x, by_half, n, 2, l, z) : multiply(d, x, by_half, n, 3, l, z); /* each unrolled */
  p->usable = sp_cholesky((size_t)m, l);
  if (!p->usable)
    return;
  sp_cholesky_forward((size_t)m, l, z);
  p->height = z[2] / l[2 * m + 2];
  const double slope = (z[1] - l[2 * m + 1] * p->height) / l[m + 1];
  p->level = (z[0] - l[2 * m] * p->height - l[m] * slope) / l[0];
  const double rest = squares - z[0] * z[0] - z[1] * z[1] - z[2] * z[2];
  p->noise = sqrt(fmax(rest, 0.0) / (n - 3));
  unit_shifts(m, l, z, p);
}

/* Shift of the mark in this piece against the line, with its variance from the noise. */
static void set_shift(double noise, sp_piece *p)
{
  const double h = p->smooth_height, scale = noise * noise / (h * h);
  for (int wall = 0; wall < 2; wall++) {
    p->shift[wall] = p->ahead[wall] + p->unit_shift[wall] / h;
    p->variance[wall] = scale * p->unit_variance[wall];
  }
  p->covariance = scale * p->unit_covariance;
}

static double typical_noise(const sp_line_fit *f, double *work)
{
  size_t n = 0;
  for (size_t k = 0; k < f->count; k++)
    if (f->pieces[k].usable)
      work[n++] = f->pieces[k].noise;
  return n ? sp_median(work, n) : 0.0;
}

static double lower(double a, double b)
{
  return a < b ? a : b;
}

static double higher(double a, double b)
{
  return a < b ? b : a;
}

/* The lowest and the highest of four are not in the middle of five; of the other two and the fifth the middle one is.
 */
static double middle_of_five(const double v[5])
{
  const double low = lower(v[0], v[1]), high = higher(v[0], v[1]), low2 = lower(v[2], v[3]), high2 = higher(v[2], v[3]);
  const double a = higher(low, low2), b = lower(high, high2);
  return higher(lower(a, b), lower(higher(a, b), v[4]));
}

/* Median of five, then mean of five: follows the hand's pressure, not the noise nor one pore. */
static void smooth_heights(sp_line_fit *f, double *work)
{
  const ptrdiff_t n = (ptrdiff_t)f->count;
  for (ptrdiff_t k = 0; k < n; k++) {
    double five[5];
    size_t m = 0;
    for (ptrdiff_t d = -2; d <= 2; d++)
      if (k + d >= 0 && k + d < n)
        five[m++] = f->pieces[k + d].height;
    work[k] = m == 5 ? middle_of_five(five) : sp_median(five, m);
  }
  for (ptrdiff_t k = 0; k < n; k++) {
    double sum = 0.0;
    int m = 0;
    for (ptrdiff_t d = -2; d <= 2; d++)
      if (k + d >= 0 && k + d < n) {
        sum += work[k + d];
        m++;
      }
    f->pieces[k].smooth_height = sum / m;
  }
}

/* The height the line typically has where it shows: median of the upper half, in its own sign. If only the other sign
 * is seen although this one was asked for, there is no such line. */
static double typical_height(const sp_line_fit *f, double sign, double *work)
{
  for (size_t k = 0; k < f->count; k++)
    work[k] = sign * f->pieces[k].smooth_height;
  const double height = sp_quantile(work, f->count, 0.70);
  return sign * (f->cut_sign ? fmax(height, 0.0) : height);
}

/* A hand presses twice as hard at times, not four times. What shows so much more in a piece, or leaves so much more of
 * it unexplained than usual, is not the line but something across or beside it, a pencil's stroke, say: it would weigh
 * by its height, and a faint line beside a tenth of a bright one drowned in that. */
static const double MOST_HEIGHT = 4.0, MOST_NOISE = 3.0, ITS_OWN = 0.15;

static void mark_presence(sp_line_fit *f, double height, double noise)
{
  for (size_t k = 0; k < f->count; k++) {
    sp_piece *p = &f->pieces[k];
    const double h = signbit(height) ? -p->smooth_height : p->smooth_height;
    /* five pieces smoothed: their noise is about noise / sqrt(5 * core pixels) */
    p->present = p->usable && h > 0.35 * fabs(height) && h > 0.6 * noise;
    p->present = p->present && h < MOST_HEIGHT * fabs(height) && p->noise < MOST_NOISE * noise + ITS_OWN * h;
  }
}

/* ---- a straight line through the shifts -----------------------------------------------------------------------------
 */

typedef struct straight {
  double at, slope; /* correction at v_px, per px of v */
  double sw, sx, sxx, det;
} straight;

/* Variance that the pieces' scatter shows beyond the noise of their pixels: the hand's wobble, the wood's texture. */
static double extra_variance(const sp_line_fit *f, int wall, const straight *line, double *work)
{
  size_t n = 0;
  double mean_variance = 0.0;
  for (size_t k = 0; k < f->count; k++) {
    const sp_piece *p = &f->pieces[k];
    if (!p->present)
      continue;
    work[n++] = fabs(p->shift[wall] - line->at - line->slope * (p->v_px - f->v_px));
    mean_variance += p->variance[wall];
  }
  if (n < 5)
    return 0.0;
  const double scatter = 1.4826 * sp_median(work, n);
  return fmax(0.0, scatter * scatter - mean_variance / (double)n);
}

static straight solve_line(const sp_line_fit *f, int wall, double extra)
{
  straight s = {0};
  double sy = 0.0, sxy = 0.0;
  for (size_t k = 0; k < f->count; k++) {
    const sp_piece *p = &f->pieces[k];
    if (!p->present)
      continue;
    const double w = p->weight[wall] / (p->variance[wall] + extra), x = p->v_px - f->v_px;
    s.sw += w;
    s.sx += w * x;
    s.sxx += w * x * x;
    sy += w * p->shift[wall];
    sxy += w * x * p->shift[wall];
  }
  s.det = s.sw * s.sxx - s.sx * s.sx;
  if (s.det > 0.0) {
    s.slope = (s.sw * sxy - s.sx * sy) / s.det;
    s.at = (s.sxx * sy - s.sx * sxy) / s.det;
  }
  return s;
}

/* Tukey's biweight on the standardised distance from the line. */
static void reweight(sp_line_fit *f, int wall, const straight *line, double extra)
{
  for (size_t k = 0; k < f->count; k++) {
    sp_piece *p = &f->pieces[k];
    const double r = p->shift[wall] - line->at - line->slope * (p->v_px - f->v_px);
    const double z = r / (4.685 * sqrt(p->variance[wall] + extra));
    p->weight[wall] = fabs(z) < 1.0 ? (1.0 - z * z) * (1.0 - z * z) : 0.0;
  }
}

/* Where the biweight begins: median of the slopes from each piece to the one half a line further on, median of what is
 * left (Theil 1950, his incomplete method). From a least-squares line it would not come away where a quarter of one
 * wall is chipped, all to one side: the chips' own pull widens the scatter until they pass for it. */
static straight median_line(const sp_line_fit *f, int wall, double *work)
{
  straight line = {0};
  size_t present = 0, n = 0;
  for (size_t k = 0; k < f->count; k++)
    present += f->pieces[k].present;
  size_t back = 0; /* the piece that is present / 2 present ones before k */
  size_t seen = 0;
  for (size_t k = 0; k < f->count; k++) {
    const sp_piece *p = &f->pieces[k];
    if (!p->present || ++seen <= present / 2)
      continue;
    while (!f->pieces[back].present)
      back++;
    const sp_piece *q = &f->pieces[back++];
    if (p->v_px - q->v_px > 0.0)
      work[n++] = (p->shift[wall] - q->shift[wall]) / (p->v_px - q->v_px);
  }
  line.slope = n ? sp_median(work, n) : 0.0;
  n = 0;
  for (size_t k = 0; k < f->count; k++)
    if (f->pieces[k].present)
      work[n++] = f->pieces[k].shift[wall] - line.slope * (f->pieces[k].v_px - f->v_px);
  line.at = n ? sp_median(work, n) : 0.0;
  return line;
}

static straight robust_line(sp_line_fit *f, int wall, double *extra, double *work)
{
  straight line = median_line(f, wall, work);
  for (int round = 0; round < 6; round++) {
    *extra = extra_variance(f, wall, &line, work);
    reweight(f, wall, &line, *extra);
    line = solve_line(f, wall, *extra);
  }
  return line;
}

static double limited(double x, double most)
{
  return x > most ? most : x < -most ? -most : x;
}

static double correct_line(sp_line_fit *f, double *work)
{
  double largest = 0.0;
  const double reach = f->count ? 0.5 * (f->pieces[f->count - 1].v_px - f->pieces[0].v_px) : 1.0;
  for (int wall = 0; wall < 2; wall++) {
    if (f->kind != SP_MARK_SLOT && wall == 1)
      continue;
    double extra;
    const straight s = robust_line(f, wall, &extra, work);
    const double at = limited(s.at, 1.0), slope = limited(s.slope, 1.0 / reach);
    f->place[wall] += at;
    f->slope[wall] += slope;
    if (f->kind != SP_MARK_SLOT) {
      f->place[1] += at;
      f->slope[1] += slope;
    }
    largest = fmax(largest, fabs(at) + fabs(slope) * reach);
  }
  return largest;
}

/* ---- the stacked cross-section --------------------------------------------------------------------------------------
 */

static void stack_pieces(const sp_line_fit *f, double noise, sp_stack *s)
{
  double sum[SP_STACK_MAX] = {0}, weight[SP_STACK_MAX] = {0}, place[SP_STACK_MAX] = {0}, linear = 0.0, square = 0.0;
  size_t all = 0, clipped = 0;
  for (size_t k = 0; k < f->count; k++) {
    const sp_piece *p = &f->pieces[k];
    if (!p->present || p->weight[0] < 0.3)
      continue;
    const double h = p->smooth_height, w = p->weight[0], middle = middle_at(f, p);
    linear += w * h;
    square += w * h * h;
    for (int32_t i = 0; i <= 2 * f->half_px; i++) {
      const double x = p->first_u + i - middle;
      const double bins = x * SP_STACK_PER_PX + (SP_STACK_MAX / 2 + 0.5);
      if (!(bins >= 0.0 && bins < SP_STACK_MAX))
        continue;
      const int32_t bin = (int32_t)bins;
      all++;
      if ((double)p->value[i] > CLIPPED * f->full_scale) {
        clipped++;
        continue;
      }
      sum[bin] += w * h * ((double)p->value[i] - p->level);
      weight[bin] += w * h * h;
      place[bin] += w * h * h * x;
    }
  }
  s->count = 0;
  /* of the window, so of a line a good tenth of it */
  s->clipped = (double)clipped > 0.01 * (double)all;
  s->light = f->height > 0.0;
  s->noise = noise;
  s->height = linear != 0.0 ? square / linear : f->height;
  for (int32_t i = 0; i < SP_STACK_MAX; i++)
    if (weight[i] > 0.0) {
      s->x[s->count] = place[i] / weight[i];
      s->y[s->count] = sum[i] / weight[i];
      s->weight[s->count++] = weight[i];
    }
}

static void fit_shape(sp_line_fit *f, const sp_expectation *expect, const sp_ground *ground, double noise,
                      bool look_for_burr, sp_stack *s)
{
  sp_shape_fit fit = {.shape = f->shape};
  stack_pieces(f, noise, s);
  if (!sp_shape_fit_stack(s, expect, ground, look_for_burr && !(s->clipped && s->light), &fit))
    return;
  memcpy(f->ground, fit.ground, sizeof f->ground);
  f->ground_tabled = false;
  f->significance = fit.significance;
  f->shown = fit.shown;
  f->misfit = fmax(1.0, fit.cost / (double)s->count);
  f->clipped = s->clipped;
  if (f->kind == SP_MARK_SLOT) { /* the walls carry width and place themselves; the stack gives the rest */
    f->shape.blur_px = fmin(MAX_BLUR, fmax(MIN_BLUR, fit.shape.blur_px));
    f->shape.tilt = fit.shape.tilt;
    f->u_shape_px = TILTED_U * pow(fabs(f->shape.tilt), 3.0) * f->shape.width_px;
    return;
  }
  f->shape = fit.shape;
  f->burr = fit.burr;
  f->u_shape_px = fit.u_place_px;
  if (s->clipped && s->light)
    f->u_shape_px = hypot(f->u_shape_px, CLIPPED_U * f->shape.width_px);
  const bool among_waves = ground->measured && sp_ground_sd(ground) > WAVES_OPEN * fabs(f->height);
  if (f->kind == SP_MARK_KNIFE && sp_shape_is_coarse(expect))
    f->u_shape_px = hypot(f->u_shape_px, coarse_px(expect, f->height > 0.0, among_waves));
  memcpy(f->cost_of_kind, fit.cost_of_kind, sizeof f->cost_of_kind);
  memcpy(f->burr_of_kind_px, fit.burr_of_kind_px, sizeof f->burr_of_kind_px);
}

/* The wood behind the line before anything else is known of it: else a cut in the crest of a planing wave is a dent in
 * something light, and the fit goes after the crest. All pieces lie over each other where the candidate was seen. */
static void look_behind(sp_line_fit *f, const sp_ground *ground, double noise, sp_stack *s)
{
  for (size_t k = 0; k < f->count; k++) {
    f->pieces[k].present = f->pieces[k].usable;
    f->pieces[k].smooth_height = 1.0;
  }
  stack_pieces(f, fmax(noise, 1e-4 * f->full_scale), s);
  if (sp_ground_behind(ground, s, &f->shape, f->ground))
    f->ground_tabled = false;
}

/* ---- the whole fit --------------------------------------------------------------------------------------------------
 */

/* Rows of a piece through which a line that leans moves by a pixel. */
static int32_t rows_for(double px_per_mm, double slope)
{
  const double usual = fmax(3.0, round(0.34 * px_per_mm));
  return (int32_t)fmin(usual, fmax(3.0, round(1.0 / fmax(fabs(slope), 1e-3))));
}

/* Along u a line that leans is broader by its lean, and the rows of a piece lie beside each other: a box, which a blur
 * stands for (equal variances), as the box is no broader than that. */
static sp_expectation leaning(const sp_expectation *expect, double slope, int32_t rows)
{
  const double broader = hypot(1.0, slope);
  sp_expectation e = *expect;
  e.blur_px = sqrt(broader * broader * e.blur_px * e.blur_px + rows * rows * slope * slope / 12.0);
  e.width_px *= broader;
  e.burr_px[0] *= broader;
  e.burr_px[1] *= broader;
  return e;
}

static void start(const sp_candidate *c, sp_mark_kind kind, double px_per_mm, const sp_expectation *expect,
                  sp_line_fit *f)
{
  f->kind = kind;
  f->px_per_mm = px_per_mm;
  f->v_px = c->v_px;
  const double width = expect->width_px;
  f->place[0] = c->u_px - 0.5 * width;
  f->place[1] = c->u_px + 0.5 * width;
  f->slope[0] = f->slope[1] = c->slope;
  f->shape = (sp_shape){.width_px = width, .blur_px = expect->blur_px};
  f->cut_sign = c->cut_sign;
  if (c->burr_side) {
    const int side = c->burr_side > 0;
    f->shape.flank = expect->flank;
    f->shape.burr_width_px[side] = expect->burr_px[expect->flank];
    f->shape.burr_height[side] = -expect->burr_height;
  }
  f->usual_px = sp_window_half_px(kind, px_per_mm);
  f->half_px = window_within(c, kind, px_per_mm, expect);
  f->rows = rows_for(px_per_mm, c->slope);
  f->even_from_px = c->u_px;
}

static bool same_shape(const sp_shape *a, const sp_shape *b)
{
  return a->width_px == b->width_px && a->blur_px == b->blur_px && a->burr_height[0] == b->burr_height[0] &&
         a->burr_height[1] == b->burr_height[1] && a->burr_width_px[0] == b->burr_width_px[0] && a->flank == b->flank &&
         a->tilt == b->tilt;
}

/* The wood around the line, on the places of a profile's table; beyond the window as at its rim. */
static void table_ground(const sp_line_fit *f, float *table)
{
  for (int32_t px = 0; px < SP_PROFILE_LENGTH; px++) {
    const double x = px - SP_PROFILE_REACH;
    const bool beyond = fabs(x) > f->usual_px + 1.0;
    const float rim = (float)f->ground[x < 0.0 ? 0 : SP_GROUND_NODES - 1];
    for (int32_t phase = 0; phase <= SP_PROFILE_STEPS; phase++)
      table[phase * SP_PROFILE_LENGTH + px] =
          beyond ? rim : (float)sp_ground_at(f->ground, f->usual_px, x + (double)phase / SP_PROFILE_STEPS);
  }
}

static void table_shape(const sp_line_fit *f, sp_profile *profile)
{
  sp_profile_fill(&f->shape, profile);
  for (size_t i = 0; f->kind != SP_MARK_SLOT && i < SP_PROFILE_SIZE; i++)
    profile->left[i] += profile->right[i];
}

static void fit_round(sp_line_fit *f, tables *t, double *work)
{
  design d = {0};
  if (!same_shape(&f->shape, &f->tabled)) {
    table_shape(f, &t->profile);
    f->tabled = f->shape;
  }
  if (!f->ground_tabled)
    table_ground(f, t->ground);
  f->ground_tabled = true;
  for (size_t k = 0; k < f->count; k++)
    measure_piece(f, t, &d, &f->pieces[k]);
  smooth_heights(f, work);
  double sign = 0.0;
  for (size_t k = 0; k < f->count; k++)
    sign += f->pieces[k].smooth_height;
  sign = f->cut_sign ? f->cut_sign : sign;
  const double noise = typical_noise(f, work), height = typical_height(f, sign < 0.0 ? -1.0 : 1.0, work);
  f->height = height;
  mark_presence(f, height, noise);
  for (size_t k = 0; k < f->count; k++)
    if (f->pieces[k].present)
      set_shift(fmax(noise, 1e-4 * f->full_scale), &f->pieces[k]);
}

/* A knife line's walls follow its shape; a slot's shape follows its walls. */
static void tie_width(sp_line_fit *f)
{
  if (f->kind == SP_MARK_SLOT) {
    f->shape.width_px = fmax(1.0, f->place[1] - f->place[0]);
  } else {
    const double middle = 0.5 * (f->place[0] + f->place[1]);
    f->place[0] = middle - 0.5 * f->shape.width_px;
    f->place[1] = middle + 0.5 * f->shape.width_px;
  }
}

/* A shift is linear in the grey only within a blur's breadth. Where a slot wanders further its walls are looked for
 * where the pieces around have them: median of those present within COMPANY pieces, or else where the last piece had
 * them; a pixel at a time. Returns the farthest move. */
static double look_ahead(sp_line_fit *f, double *work)
{
  enum { COMPANY = 3 };
  double farthest = 0.0;
  for (int wall = 0; wall < 2; wall++) {
    double from[2 * COMPANY + 1], last = 0.0;
    for (size_t k = 0; k < f->count; k++) {
      size_t n = 0;
      for (size_t j = k > COMPANY ? k - COMPANY : 0; j < f->count && j <= k + COMPANY; j++)
        if (f->pieces[j].present)
          from[n++] = f->pieces[j].shift[wall];
      work[k] = last = n ? sp_median(from, n) : last;
    }
    for (size_t k = 0; k < f->count; k++) {
      const double move = limited(work[k] - f->pieces[k].ahead[wall], 1.0);
      f->pieces[k].ahead[wall] += move;
      farthest = fmax(farthest, fabs(move));
    }
  }
  return farthest;
}

static void follow_walls(sp_line_fit *f, tables *table, double *work)
{
  double move = FOLLOW_PX;
  for (int round = 0; round < FOLLOWING && move >= FOLLOW_PX; round++) {
    fit_round(f, table, work);
    move = look_ahead(f, work);
  }
}

/* The straight lines anew, through what the walls were found to do when they were followed; the pieces stay where they
 * are. */
static void straighten_walls(sp_line_fit *f, double *work)
{
  for (int wall = 0; wall < 2; wall++) {
    double extra;
    const straight s = robust_line(f, wall, &extra, work);
    f->place[wall] += s.at;
    f->slope[wall] += s.slope;
    for (size_t k = 0; k < f->count; k++) {
      const double moved = s.at + s.slope * (f->pieces[k].v_px - f->v_px);
      f->pieces[k].shift[wall] -= moved;
      f->pieces[k].ahead[wall] -= moved;
    }
  }
}

/* The stack of pieces that lie beside each other was too soft: its cross-section is fitted anew on pieces laid
 * straight.
 */
static void follow_wandering(sp_line_fit *f, const sp_expectation *expect, const sp_ground *ground, tables *table,
                             double *work, sp_stack *s)
{
  if (!(look_ahead(f, work) > FOLLOW_PX))
    return;
  follow_walls(f, table, work);
  fit_shape(f, expect, ground, typical_noise(f, work), false, s);
  tie_width(f);
  follow_walls(f, table, work);
  straighten_walls(f, work);
}

sp_status sp_line_fit_run(const sp_view *view, const sp_candidate *c, const sp_marks_options *o,
                          const sp_expectation *upright, const sp_ground *ground, sp_effort effort, sp_line_fit *f,
                          sp_error *err)
{
  const sp_mark_kind kind = o->kind;
  sp_expectation seen = leaning(upright, c->slope, rows_for(o->px_per_mm, c->slope));
  const sp_expectation *expect = &seen;
  if (c->burr_side) {
    seen.burr_outshines = true;
    seen.burr_height = fmax(MORE_THAN_CUT, seen.burr_height);
    seen.burr_height_sd = MORE_THAN_CUT_SD;
  }
  seen.shaded = c->shaded;
  memset(f, 0, sizeof *f);
  f->o = o;
  f->full_scale = view->full_scale;
  f->part = c->part;
  start(c, kind, o->px_per_mm, expect, f);
  sp_status status = read_pieces(view, c, f, err);
  tables *table = malloc(sizeof *table);
  sp_stack *s = malloc(sizeof *s);
  double *work = malloc((f->count + 8) * sizeof *work);
  if (!status && (!table || !s || !work))
    status = sp_fail_memory(err);
  const bool again = effort == SP_EFFORT_AGAIN;
  const int rounds = effort == SP_EFFORT_QUICK ? QUICK_ROUNDS : again ? AGAIN_ROUNDS : ROUNDS;
  bool hopeless = false;
  if (!status && f->count >= 6 && kind == SP_MARK_KNIFE && ground->measured && !again) {
    fit_round(f, table, work);
    look_behind(f, ground, typical_noise(f, work), s);
  }
  for (int round = 0; !status && f->count >= 6 && round < rounds && !hopeless; round++) {
    fit_round(f, table, work);
    const double moved = correct_line(f, work);
    if (round == 1 || (round == 3 && effort == SP_EFFORT_FULL))
      fit_shape(f, expect, ground, typical_noise(f, work), round == 3 || again, s);
    tie_width(f);
    hopeless = round == 1 && ground->measured && f->significance * sqrt(f->misfit) < HOPELESS;
    if ((round >= 4 || (again && round >= 2)) && moved < 0.002)
      break;
  }
  const bool fitted = !status && f->count >= 6 && !hopeless;
  if (fitted)
    fit_round(f, table, work);
  if (fitted && kind == SP_MARK_SLOT && effort != SP_EFFORT_QUICK)
    follow_wandering(f, expect, ground, table, work, s);
  free(table);
  free(s);
  free(work);
  if (status)
    sp_line_fit_free(f);
  return status;
}

void sp_line_fit_free(sp_line_fit *f)
{
  free(f->pieces);
  free(f->values);
  memset(f, 0, sizeof *f);
}

/* ---- the result -----------------------------------------------------------------------------------------------------
 */

/* Influence of piece k's shift on the line's place at v and on its slope. */
static void influence(const sp_line_fit *f, const straight *s, int wall, double extra, const sp_piece *p, double *at,
                      double *slope)
{
  const double w = p->weight[wall] / (p->variance[wall] + extra), x = p->v_px - f->v_px;
  *at = w * (s->sxx - s->sx * x) / s->det;
  *slope = w * (s->sw * x - s->sx) / s->det;
}

typedef struct wall_result {
  double at, slope; /* correction that the last shifts still ask for (tiny) */
  double var_at, var_slope, cov;
} wall_result;

/* Sandwich with Bartlett weights over CORRELATED_MM; small-sample factor n / (n - 2). */
static wall_result wall_uncertainty(sp_line_fit *f, int wall, double reach_px, double *work)
{
  double extra;
  wall_result r = {0};
  const straight s = robust_line(f, wall, &extra, work);
  if (s.det <= 0.0) {
    r.var_at = r.var_slope = INFINITY;
    return r;
  }
  r.at = s.at;
  r.slope = s.slope;
  double least_at = 0.0, least_slope = 0.0;
  size_t n = 0, first = 0;
  for (size_t j = 0; j < f->count; j++) {
    const sp_piece *p = &f->pieces[j];
    if (!p->present || p->weight[wall] <= 0.0)
      continue;
    double ja, js;
    influence(f, &s, wall, extra, p, &ja, &js);
    const double ej = p->shift[wall] - s.at - s.slope * (p->v_px - f->v_px);
    n++;
    least_at += ja * ja * (p->variance[wall] + extra);
    least_slope += js * js * (p->variance[wall] + extra);
    while (p->v_px - f->pieces[first].v_px >= reach_px) /* pieces come in the order of their places */
      first++;
    for (size_t k = first; k < f->count && f->pieces[k].v_px - p->v_px < reach_px; k++) {
      const sp_piece *q = &f->pieces[k];
      const double lag = fabs(q->v_px - p->v_px) / reach_px;
      if (!q->present || q->weight[wall] <= 0.0)
        continue;
      double ka, ks;
      influence(f, &s, wall, extra, q, &ka, &ks);
      const double ek = q->shift[wall] - s.at - s.slope * (q->v_px - f->v_px), kernel = 1.0 - lag;
      r.var_at += kernel * ja * ka * ej * ek;
      r.var_slope += kernel * js * ks * ej * ek;
      r.cov += kernel * ja * ks * ej * ek;
    }
  }
  const double factor = n > 2 ? (double)n / (double)(n - 2) : 1.0;
  r.var_at = fmax(r.var_at * factor, least_at);
  r.var_slope = fmax(r.var_slope * factor, least_slope);
  return r;
}

/* The stretch of pieces in which most are present and beyond which most are not (Kadane's maximum sub-array). */
static void extent_of_part(const sp_line_fit *f, double *v_a, double *v_b, double *coverage)
{
  int best = 0, sum = 0;
  size_t from = 0, first = 0, last = 0, present = 0;
  for (size_t k = 0; k < f->count; k++) {
    if (sum <= 0) {
      sum = 0;
      from = k;
    }
    sum += f->pieces[k].present ? 1 : -1;
    if (sum > best) {
      best = sum;
      first = from;
      last = k;
    }
  }
  for (size_t k = first; k <= last && best > 0; k++)
    present += f->pieces[k].present;
  *v_a = best > 0 ? f->pieces[first].v_px - 0.5 * f->rows : f->v_px;
  *v_b = best > 0 ? f->pieces[last].v_px + 0.5 * f->rows : f->v_px;
  *coverage = best > 0 ? (double)present / (double)(last - first + 1) : 0.0;
}

static void extent(const sp_line_fit *f, double *v_a, double *v_b, double *coverage)
{
  if (f->part) {
    extent_of_part(f, v_a, v_b, coverage);
    return;
  }
  size_t present = 0, first = f->count, last = 0;
  for (size_t k = 0; k < f->count; k++) {
    if (!f->pieces[k].present)
      continue;
    present++;
    const bool company = (k > 0 && f->pieces[k - 1].present) || (k + 1 < f->count && f->pieces[k + 1].present);
    if (!company)
      continue;
    first = first < k ? first : k;
    last = k;
  }
  if (first >= f->count) {
    *v_a = *v_b = f->v_px;
    *coverage = 0.0;
    return;
  }
  *v_a = f->pieces[first].v_px - 0.5 * f->rows;
  *v_b = f->pieces[last].v_px + 0.5 * f->rows;
  *coverage = (double)present / (double)f->count;
}

static double mean_contrast(const sp_line_fit *f)
{
  double height = 0.0, level = 0.0;
  for (size_t k = 0; k < f->count; k++)
    if (f->pieces[k].present) {
      height += f->pieces[k].smooth_height;
      level += f->pieces[k].level;
    }
  /* as seen: a cut narrower than the blur shows less deep than it is */
  return level > 0.0 ? height / level * sp_blurred_box(0.0, f->shape.width_px, f->shape.blur_px) : 0.0;
}

/* Both walls of a dark slot lie this much deeper in it if light was blurred and not what was stored of it, which
 * nothing tells: its kerf may be so much greater on either side. */
static double grown_px(const sp_line_fit *f)
{
  double height = 0.0, level = 0.0, n = 0.0;
  for (size_t k = 0; k < f->count; k++)
    if (f->pieces[k].present) {
      height += f->pieces[k].smooth_height;
      level += f->pieces[k].level;
      n += 1.0;
    }
  if (!(n > 0.0))
    return 0.0;
  const double wood = level / (n * f->full_scale), floor = wood + height / (n * f->full_scale);
  return GROWN_U * sp_edge_grown_px(fmax(fmin(wood, floor), 0.0), fmax(wood, floor), hypot(f->shape.blur_px, PIXEL_PX));
}

/* A camera looks into a slot at a slant, and sees some of the wall that lies away from it, lit near the face: a band
 * too narrow to be told from the wood by which that wall seems to stand further in. Sized on drawn photographs of 6 to
 * 17 pixels a millimetre, walls half as light as the face: 95 of 100 intervals hold. */
static const double LIT_WALL_PX = 0.045;

/* The same wall darkens less in all slots of a board, and what the slots are off by then is common to them: so much of
 * the tilt times the kerf, k = 1 (drawn slots, scanned and photographed). */
static const double COMMON_TILT = 0.3;

static double lit_wall_px(const sp_line_fit *f)
{
  return f->kind == SP_MARK_SLOT && f->o->by_camera ? LIT_WALL_PX : 0.0;
}

void sp_line_fit_result(sp_line_fit *f, double v_px, sp_mark *m)
{
  double *work = malloc((f->count + 8) * sizeof *work);
  memset(m, 0, sizeof *m);
  m->u_u_px = m->u_slope = INFINITY;
  sp_walls_init(&m->walls);
  extent(f, &m->v_a_px, &m->v_b_px, &m->coverage);
  if (!work || m->coverage <= 0.0) {
    free(work);
    return;
  }
  const double reach = CORRELATED_MM * f->px_per_mm, dv = v_px - f->v_px;
  const wall_result a = wall_uncertainty(f, 0, reach, work);
  const wall_result b = f->kind == SP_MARK_SLOT ? wall_uncertainty(f, 1, reach, work) : a;
  m->u_width_px =
      f->kind == SP_MARK_SLOT ? hypot(sqrt(a.var_at + b.var_at + 2.0 * FLOOR_PX * FLOOR_PX), grown_px(f)) : NAN;
  if (f->kind == SP_MARK_SLOT) /* without memory for it nothing is known of the walls */
    (void)sp_line_fit_walls(f, m, (const double[2]){sqrt(a.var_slope), sqrt(b.var_slope)}, m->u_width_px, &m->walls);
  const double slope = 0.5 * (f->slope[0] + f->slope[1]);
  m->slope = slope;
  m->v_px = v_px;
  m->u_px = 0.5 * (f->place[0] + f->place[1]) + slope * dv;
  m->u_px += bend_at(f, m->u_px);
  const double half = f->kind == SP_MARK_SLOT ? 0.5 : 1.0; /* mean of two walls, each scattering on its own */
  const double var_at = half * 0.5 * (a.var_at + b.var_at), var_slope = half * 0.5 * (a.var_slope + b.var_slope);
  const double cov = half * 0.5 * (a.cov + b.cov);
  m->u_u_px = sqrt(fmax(0.0, var_at + 2.0 * dv * cov + dv * dv * var_slope) + f->u_shape_px * f->u_shape_px +
                   FLOOR_PX * FLOOR_PX + pow(lit_wall_px(f), 2));
  m->u_slope = sqrt(var_slope);
  m->cov_u_slope = cov + dv * var_slope;
  m->width_px = f->place[1] - f->place[0] + (f->slope[1] - f->slope[0]) * dv;
  m->u_common_px = f->kind == SP_MARK_SLOT ? COMMON_TILT * fabs(f->shape.tilt) * m->width_px : 0.0;
  m->spread_px = sqrt(f->shape.blur_px * f->shape.blur_px + PIXEL_PX * PIXEL_PX * m->width_px * m->width_px);
  m->contrast = mean_contrast(f);
  m->burr = f->burr;
  m->significance = f->significance;
  m->misfit = f->misfit;
  m->clipped = f->clipped;
  free(work);
}
