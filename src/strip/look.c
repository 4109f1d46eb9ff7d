/* From tags to measured points.
 *
 * A tag is believed if its neighbours bear it out: the distance between two must be what their sizes make it. Each
 * graduation is predicted by the projection of a plane (eight numbers, least squares) through the corners of the three
 * tags nearest to it (how the scale changes across comes from all tags), fitted in the pixels (lines.c), and so is the
 * stretch of rail beside it. The graduation says where the point lies along the strip, the rail where across; the point
 * is where the two shifts together put it. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/numeric.h"
#include "strip_internal.h"

/* Longer side of what the decoder gets. On A4 a cell of a tag is then three pixels, or six. */
enum { GLANCE_PX = 900, LOOK_PX = 2400 };
enum { LEAST_TAGS = 3, NEAREST = 3, CORNERS = 4, PROJECTION = 8 };
/* Distance between two tags against what their sides make it; perspective bends it, a false tag breaks it. */
static const double MOST_STRAY = 0.2;
/* A graduation this far from the nearest tag is not looked for. */
static const double FARTHEST_TAG_MM = 2.0 * SP_STRIP_TAG_PITCH_MM;
/* Coordinates in the plane are reckoned in this unit, to keep the equations balanced. */
static const double PLANE_UNIT_MM = 15.0;
/* Used length of a graduation, half; how far beside a rail pixels are used. */
static const double GRADUATION_REACH_MM = 5.0 * SP_STRIP_UNIT_MM, RAIL_REACH_MM = 1.4 * SP_STRIP_UNIT_MM;
/* Doubt of carrying a place on from the rails, of a tag centre's. */
static const double CARRIED_SD = 0.1;
/* Blur as a printed edge shows it holds some of the ink's raggedness: known to this and no better (log). */
static const double PRINT_BLUR_SD_LOG = 0.1;

/* ---- which tags belong together -----------------------------------------------------------------------------------
 */

static sp_point tag_place_mm(int32_t j)
{
  return (sp_point){SP_STRIP_FIRST_TAG_MM + j * SP_STRIP_TAG_PITCH_MM, SP_STRIP_TAG_CENTRE_MM};
}

/* The tag's side along the strip, as a vector. */
static sp_point side_of(const sp_strip_tag *t)
{
  return (sp_point){0.5 * (t->corner_px[1].x - t->corner_px[0].x + t->corner_px[2].x - t->corner_px[3].x),
                    0.5 * (t->corner_px[1].y - t->corner_px[0].y + t->corner_px[2].y - t->corner_px[3].y)};
}

static bool agree(const sp_strip_tag *a, const sp_strip_tag *b)
{
  const sp_point p = side_of(a), q = side_of(b);
  const double steps = (b->number - a->number) * SP_STRIP_TAG_PITCH_MM / SP_STRIP_TAG_MM;
  const double dx = 0.5 * (p.x + q.x) * steps, dy = 0.5 * (p.y + q.y) * steps;
  return hypot(b->centre_px.x - a->centre_px.x - dx, b->centre_px.y - a->centre_px.y - dy) < MOST_STRAY * hypot(dx, dy);
}

/* Keeps the tags that two others bear out; false if a number stands in two places. */
static bool sift(sp_strip_tag *tags, size_t *count)
{
  size_t kept = 0;
  sp_strip_tag good[2 * SP_STRIP_TAGS];
  for (size_t i = 0; i < *count && kept < 2 * SP_STRIP_TAGS; i++) {
    size_t company = 0;
    for (size_t j = 0; j < *count; j++)
      company += tags[j].number != tags[i].number && agree(&tags[i], &tags[j]);
    if (company >= LEAST_TAGS - 1)
      good[kept++] = tags[i];
  }
  memcpy(tags, good, kept * sizeof *tags);
  *count = kept;
  for (size_t i = 1; i < kept; i++)
    if (tags[i].number == tags[i - 1].number)
      return false;
  return true;
}

/* ---- where something printed must lie -----------------------------------------------------------------------------
 */

/* x = (a X + b Y + c) / (1 + g X + h Y), y alike with d, e, f; X from x0_mm, both in PLANE_UNIT_MM. */
typedef struct projection {
  double x0_mm, beta[PROJECTION];
  sp_point origin_px;
} projection;

static sp_point project(const projection *p, double X_mm, double Y_mm)
{
  const double X = (X_mm - p->x0_mm) / PLANE_UNIT_MM, Y = Y_mm / PLANE_UNIT_MM, *b = p->beta;
  const double under = 1.0 + b[6] * X + b[7] * Y;
  return (sp_point){p->origin_px.x + (b[0] * X + b[1] * Y + b[2]) / under,
                    p->origin_px.y + (b[3] * X + b[4] * Y + b[5]) / under};
}

/* Two equations a corner, linear in the eight numbers. */
static void add_corner(const projection *p, double X_mm, double Y_mm, sp_point at, double *row, double *value)
{
  const double X = (X_mm - p->x0_mm) / PLANE_UNIT_MM, Y = Y_mm / PLANE_UNIT_MM;
  const double x = at.x - p->origin_px.x, y = at.y - p->origin_px.y;
  const double rows[2 * PROJECTION] = {X, Y, 1, 0, 0, 0, -x * X, -x * Y, 0, 0, 0, X, Y, 1, -y * X, -y * Y};
  memcpy(row, rows, sizeof rows);
  value[0] = x;
  value[1] = y;
}

/* With the last number given, what it brings is taken to the right side and its column left out. */
static void fix_last(size_t equations, double last, double *rows, double *value)
{
  for (size_t i = 0; i < equations; i++) {
    value[i] -= last * rows[i * PROJECTION + PROJECTION - 1];
    memmove(rows + i * (PROJECTION - 1), rows + i * PROJECTION, (PROJECTION - 1) * sizeof *rows);
  }
}

/* Through the corners of `count` tags; false if they do not determine it. `across` is how the scale changes across the
 * strip (the last number), NAN to find it. */
static bool projection_through(const sp_strip_tag *const *tags, size_t count, double across, projection *p)
{
  static const double SIGN[CORNERS][2] = {{-1, 1}, {1, 1}, {1, -1}, {-1, -1}};
  double rows[SP_STRIP_TAGS * CORNERS * 2 * PROJECTION], value[SP_STRIP_TAGS * CORNERS * 2];
  size_t n = 0;
  p->x0_mm = tag_place_mm(tags[0]->number % SP_STRIP_TAGS).x;
  p->origin_px = tags[0]->centre_px;
  for (size_t i = 0; i < count; i++) {
    const sp_point middle = tag_place_mm(tags[i]->number % SP_STRIP_TAGS);
    for (int c = 0; c < CORNERS; c++, n += 2)
      add_corner(p, middle.x + 0.5 * SP_STRIP_TAG_MM * SIGN[c][0], middle.y + 0.5 * SP_STRIP_TAG_MM * SIGN[c][1],
                 tags[i]->corner_px[c], rows + n * PROJECTION, value + n);
  }
  const bool find = isnan(across);
  if (!find) {
    fix_last(n, across, rows, value);
    p->beta[PROJECTION - 1] = across;
  }
  return sp_lsq(n, find ? PROJECTION : PROJECTION - 1, rows, value, NULL, p->beta, NULL, NULL, false, NULL) == SP_OK;
}

/* The tags nearest to X, nearest first; none if even the nearest is too far to go by. */
static size_t nearest_tags(const sp_strip_tag *tags, size_t count, double X_mm, const sp_strip_tag *out[NEAREST])
{
  double far[NEAREST];
  size_t n = 0;
  for (size_t i = 0; i < count; i++) {
    const double d = fabs(tag_place_mm(tags[i].number % SP_STRIP_TAGS).x - X_mm);
    size_t at = n;
    while (at > 0 && far[at - 1] > d)
      at--;
    if (at == NEAREST)
      continue;
    n += n < NEAREST;
    for (size_t k = n - 1; k > at; k--) {
      far[k] = far[k - 1];
      out[k] = out[k - 1];
    }
    far[at] = d;
    out[at] = &tags[i];
  }
  return n && far[0] <= FARTHEST_TAG_MM ? n : 0;
}

/* ---- lines to fit -------------------------------------------------------------------------------------------------
 */

static sp_point unit_from(sp_point a, sp_point b, double *length)
{
  *length = hypot(b.x - a.x, b.y - a.y);
  return (sp_point){(b.x - a.x) / *length, (b.y - a.y) / *length};
}

/* A line through `at` whose end (half its used length away) is `end`; `beside` lies `reach_mm` off on the positive
 * side.
 */
static sp_ruled_line line_between(sp_point at, sp_point end, sp_point beside)
{
  sp_ruled_line line = {.at = at};
  line.along = unit_from(at, end, &line.half_px);
  line.right = (sp_point){-line.along.y, line.along.x};
  line.reach_px = (beside.x - at.x) * line.right.x + (beside.y - at.y) * line.right.y;
  if (line.reach_px < 0.0) {
    line.reach_px = -line.reach_px;
    line.right = (sp_point){-line.right.x, -line.right.y};
  }
  return line;
}

typedef struct piece_lines {
  size_t count;
  int32_t number[SP_STRIP_GRADUATIONS];
  sp_ruled_line graduation[SP_STRIP_GRADUATIONS], rail[SP_STRIP_GRADUATIONS], far_rail[SP_STRIP_GRADUATIONS];
} piece_lines;

static sp_ruled_line predict_rail(const projection *p, double X_mm, double Y_mm)
{
  return line_between(project(p, X_mm, Y_mm), project(p, X_mm + 0.5 * SP_STRIP_PITCH_MM, Y_mm),
                      project(p, X_mm, Y_mm + RAIL_REACH_MM));
}

/* How the scale changes across, at X: a few tags do not tell this, all together do. */
static double change_across(const projection *whole, double X_mm)
{
  return whole->beta[7] / (1.0 + whole->beta[6] * (X_mm - whole->x0_mm) / PLANE_UNIT_MM);
}

static void predict_lines(const sp_strip_tag *tags, size_t count, piece_lines *l)
{
  const sp_strip_tag *all[SP_STRIP_TAGS];
  projection whole;
  l->count = 0;
  for (size_t i = 0; i < count; i++)
    all[i] = &tags[i];
  if (!projection_through(all, count, NAN, &whole))
    return;
  for (int32_t k = 0; k < SP_STRIP_GRADUATIONS; k++) {
    const double X = k * SP_STRIP_PITCH_MM, Y = SP_STRIP_GRADUATED_MM;
    const sp_strip_tag *near[NEAREST] = {NULL};
    projection p;
    const size_t n = nearest_tags(tags, count, X, near);
    if (n < NEAREST ||
        !projection_through(near, n, change_across(&whole, tag_place_mm(near[0]->number % SP_STRIP_TAGS).x), &p))
      continue;
    l->number[l->count] = k;
    l->graduation[l->count] = line_between(project(&p, X, Y), project(&p, X, Y + GRADUATION_REACH_MM),
                                           project(&p, X + 0.5 * SP_STRIP_PITCH_MM, Y));
    l->rail[l->count] = predict_rail(&p, X, SP_STRIP_RAIL_MM);
    l->far_rail[l->count++] = predict_rail(&p, X, SP_STRIP_FAR_RAIL_MM);
  }
}

/* Where two shifts together put a point predicted at `was`: d . right = shift for both. */
static bool shifted(sp_point was, sp_point right_a, double shift_a, sp_point right_b, double shift_b, sp_point *at)
{
  const double det = right_a.x * right_b.y - right_a.y * right_b.x;
  if (!(fabs(det) > 0.1))
    return false;
  *at = (sp_point){was.x + (shift_a * right_b.y - shift_b * right_a.y) / det,
                   was.y + (shift_b * right_a.x - shift_a * right_b.x) / det};
  return true;
}

/* ---- one piece ----------------------------------------------------------------------------------------------------
 */

/* A rail is one line: where its own stretch is hidden a point takes the shift of the next that shows, with more doubt.
 */
static void mend_rail(size_t count, sp_ruled_line *rail)
{
  enum { FARTHEST = 12 };
  const double doubt_px = 0.3;
  for (size_t i = 0; i < count; i++)
    for (size_t reach = 1; reach <= FARTHEST && !rail[i].good; reach++) {
      const sp_ruled_line *a = i >= reach ? &rail[i - reach] : NULL, *b = i + reach < count ? &rail[i + reach] : NULL;
      const sp_ruled_line *from = a && a->good && a->sd_px < doubt_px   ? a
                                  : b && b->good && b->sd_px < doubt_px ? b
                                                                        : NULL;
      if (!from)
        continue;
      rail[i].shift_px = from->shift_px;
      rail[i].sd_px = doubt_px;
      rail[i].good = true;
    }
}

/* Shift across at Y, carried on from the two rails; from one of them, with the tags' doubt, where only that shows. */
static bool across_at(const sp_ruled_line *near, const sp_ruled_line *far, double Y_mm, double tag_sd_px,
                      double *shift_px, double *sd_px)
{
  const double t = (Y_mm - SP_STRIP_RAIL_MM) / (SP_STRIP_FAR_RAIL_MM - SP_STRIP_RAIL_MM);
  if (!near->good && !far->good)
    return false;
  if (near->good && far->good) {
    *shift_px = (1.0 - t) * near->shift_px + t * far->shift_px;
    *sd_px = hypot(hypot((1.0 - t) * near->sd_px, t * far->sd_px), CARRIED_SD * tag_sd_px);
  } else {
    *shift_px = near->good ? near->shift_px : far->shift_px;
    *sd_px = tag_sd_px;
  }
  return true;
}

static sp_status reserve(sp_strip_sight *sight, size_t more, sp_error *err)
{
  sp_strip_point *grown = realloc(sight->points, (sight->point_count + more + 1) * sizeof *grown);
  if (!grown)
    return sp_fail_memory(err);
  sight->points = grown;
  return SP_OK;
}

static sp_strip_point *next_point(sp_strip_sight *sight, const sp_strip_piece *piece, sp_strip_point_kind kind,
                                  int32_t number)
{
  sp_strip_point *point = &sight->points[sight->point_count++];
  *point = (sp_strip_point){.piece = piece->piece, .kind = kind, .number = number};
  return point;
}

static void place_point(sp_strip_point *point, sp_point at, double X_mm, double Y_mm, double sd_px, double sd_across_px)
{
  point->x_px = at.x;
  point->y_px = at.y;
  point->X_mm = X_mm;
  point->Y_mm = Y_mm;
  point->sd_px = sd_px;
  point->sd_across_px = sd_across_px;
}

/* `was`: where the graduations' middles were predicted. */
static void add_graduations(const piece_lines *l, const sp_point *was, double tag_sd_px, sp_strip_piece *piece,
                            sp_strip_sight *sight)
{
  for (size_t i = 0; i < l->count; i++) {
    const sp_ruled_line *g = &l->graduation[i];
    double across, sd;
    sp_point at;
    if (!g->good || !across_at(&l->rail[i], &l->far_rail[i], SP_STRIP_GRADUATED_MM, tag_sd_px, &across, &sd) ||
        !shifted(was[i], g->right, g->shift_px, l->rail[i].right, across, &at))
      continue;
    sp_strip_point *point = next_point(sight, piece, SP_STRIP_GRADUATION, l->number[i]);
    place_point(point, at, l->number[i] * SP_STRIP_PITCH_MM, SP_STRIP_GRADUATED_MM, g->sd_px, sd);
    const double length = hypot(1.0, g->lean);
    point->along = (sp_point){(g->along.x + g->lean * g->right.x) / length,
                              (g->along.y + g->lean * g->right.y) / length};
    point->half_px = g->half_px;
    point->u_lean = g->u_lean;
    piece->graduations++;
  }
}

/* Every fifth will do: they fix an angle and a breadth. */
static void add_far_rail(const piece_lines *l, double tag_sd_px, const sp_strip_piece *piece, sp_strip_sight *sight)
{
  enum { EVERY = 5 };
  for (size_t i = 0; i < l->count; i++) {
    const sp_ruled_line *g = &l->graduation[i], *r = &l->far_rail[i];
    sp_point at;
    const sp_point was = {r->at.x - r->shift_px * r->right.x, r->at.y - r->shift_px * r->right.y};
    if (l->number[i] % EVERY || !g->good || !(r->sd_px < tag_sd_px) || !r->good ||
        !shifted(was, g->right, g->shift_px, r->right, r->shift_px, &at))
      continue;
    place_point(next_point(sight, piece, SP_STRIP_FAR_RAIL, l->number[i]), at, l->number[i] * SP_STRIP_PITCH_MM,
                SP_STRIP_FAR_RAIL_MM, tag_sd_px, r->sd_px);
  }
}

static void add_tag_centres(const sp_strip_tag *tags, size_t count, sp_strip_piece *piece, sp_strip_sight *sight)
{
  for (size_t i = 0; i < count; i++) {
    const int32_t j = tags[i].number % SP_STRIP_TAGS;
    const sp_point place = tag_place_mm(j);
    place_point(next_point(sight, piece, SP_STRIP_TAG_CENTRE, j), tags[i].centre_px, place.x, place.y, tags[i].sd_px,
                tags[i].sd_px);
    piece->tags++;
  }
}

/* Mean of paper, breadth of the lines in millimetres by the pitch, distance of the rails. */
static void describe(const sp_raster *raster, const piece_lines *l, const sp_ruled_profile *profile,
                     sp_strip_piece *piece)
{
  double paper = 0.0, reach = 0.0, rails = 0.0;
  size_t n = 0, both = 0;
  for (size_t i = 0; i < l->count; i++) {
    const sp_ruled_line *a = &l->rail[i], *b = &l->far_rail[i];
    if (a->good && b->good && a->sd_px < 0.3 && b->sd_px < 0.3) {
      rails += fabs((b->at.x - a->at.x) * a->right.x + (b->at.y - a->at.y) * a->right.y);
      both++;
    }
    if (!l->graduation[i].good)
      continue;
    paper += l->graduation[i].level;
    reach += l->graduation[i].reach_px;
    n++;
  }
  piece->rails_px = both ? rails / (double)both : NAN;
  if (!n)
    return;
  piece->paper = paper / (double)n * (raster->u8 ? 1.0 : 257.0);
  piece->line_mm = profile->width_px / (reach / (double)n) * 0.5 * SP_STRIP_PITCH_MM;
  piece->blur_px = profile->blur_px;
  piece->blur_sd_log = hypot(profile->blur_sd_log, PRINT_BLUR_SD_LOG);
}

/* Corners of the paper, by the tags nearest to each end. */
static void find_corners(const sp_strip_tag *tags, size_t count, sp_strip_piece *piece)
{
  static const double BEYOND = SP_STRIP_PITCH_MM;
  for (int end = 0; end < 2; end++) {
    const double X = end ? SP_STRIP_LENGTH_MM + BEYOND : -BEYOND;
    const sp_strip_tag *near[NEAREST] = {NULL};
    projection p;
    for (size_t i = 0; i < NEAREST; i++)
      near[i] = end ? &tags[count - 1 - i] : &tags[i];
    const bool known = projection_through(near, NEAREST, NAN, &p);
    piece->corner_px[end] = known ? project(&p, X, 0.0) : (sp_point){NAN, NAN};
    piece->corner_px[3 - end] = known ? project(&p, X, SP_STRIP_BREADTH_MM) : (sp_point){NAN, NAN};
  }
}

/* The rails are printed with the same pen: their cross-section is the graduations'. */
static sp_status measure_lines(const sp_raster *raster, piece_lines *l, sp_ruled_profile *profile, sp_error *err)
{
  const double half_pitch_px = l->graduation[l->count / 2].reach_px;
  *profile = (sp_ruled_profile){.width_px = SP_STRIP_LINE_MM / (0.5 * SP_STRIP_PITCH_MM) * half_pitch_px,
                                .blur_px = 0.9,
                                .blur_sd_log = 0.5,
                                .pitch_px = 2.0 * half_pitch_px};
  sp_status status = sp_strip_fit_lines(raster, l->count, l->graduation, profile, false, err);
  sp_ruled_profile alone = *profile;
  alone.pitch_px = 0.0;
  if (!status)
    status = sp_strip_fit_lines(raster, l->count, l->rail, &alone, true, err);
  if (!status)
    status = sp_strip_fit_lines(raster, l->count, l->far_rail, &alone, true, err);
  return status;
}

static sp_status measure_piece(const sp_raster *raster, const sp_strip_tag *tags, size_t count, sp_strip_sight *sight,
                               sp_error *err)
{
  sp_strip_piece *piece = &sight->piece[sight->piece_count];
  piece_lines *l = calloc(1, sizeof *l);
  sp_point *was = calloc(SP_STRIP_GRADUATIONS, sizeof *was);
  sp_ruled_profile profile;
  sp_status status = l && was ? reserve(sight, 2 * SP_STRIP_GRADUATIONS + count, err) : sp_fail_memory(err);
  *piece = (sp_strip_piece){.piece = tags[0].number / SP_STRIP_TAGS + 1,
                            .blur_px = NAN,
                            .blur_sd_log = NAN,
                            .line_mm = NAN,
                            .paper = NAN,
                            .rails_px = NAN};
  if (!status)
    predict_lines(tags, count, l);
  for (size_t i = 0; !status && i < l->count; i++)
    was[i] = l->graduation[i].at;
  if (!status && l->count)
    status = measure_lines(raster, l, &profile, err);
  if (!status) {
    if (l->count)
      describe(raster, l, &profile, piece);
    mend_rail(l->count, l->rail);
    mend_rail(l->count, l->far_rail);
    add_graduations(l, was, tags[0].sd_px, piece, sight);
    add_far_rail(l, tags[0].sd_px, piece, sight);
    add_tag_centres(tags, count, piece, sight);
    find_corners(tags, count, piece);
    sight->piece_count++;
  }
  free(l);
  free(was);
  return status;
}

/* ---- all pieces ---------------------------------------------------------------------------------------------------
 */

static sp_status measure_pieces(const sp_raster *raster, sp_strip_tag *tags, size_t count, sp_strip_sight *sight,
                                sp_error *err)
{
  sp_status status = SP_OK;
  for (size_t first = 0, end; !status && first < count; first = end) {
    const int32_t piece = tags[first].number / SP_STRIP_TAGS + 1;
    for (end = first; end < count && tags[end].number / SP_STRIP_TAGS + 1 == piece;)
      end++;
    size_t n = end - first;
    if (!sift(tags + first, &n))
      sight->twice = piece;
    else if (n >= LEAST_TAGS)
      status = measure_piece(raster, tags + first, n, sight, err);
  }
  return status;
}

static bool on_paper(const sp_strip_piece *piece, double x, double y)
{
  int sides = 0;
  for (int i = 0; i < 4; i++) {
    const sp_point a = piece->corner_px[i], b = piece->corner_px[(i + 1) % 4];
    const double side = (b.x - a.x) * (y - a.y) - (b.y - a.y) * (x - a.x);
    sides += side > 0.0 ? 1 : side < 0.0 ? -1 : 0;
  }
  return sides == 4 || sides == -4;
}

static sp_strip_piece *piece_numbered(sp_strip_sight *sight, int32_t number)
{
  for (size_t i = 0; i < sight->piece_count; i++)
    if (sight->piece[i].piece == number)
      return &sight->piece[i];
  return NULL;
}

/* Where two pieces overlap, the upper one's lines may be taken for those of the lower, and which is the upper one does
 * not show. */
static void drop_overlapping(sp_strip_sight *sight)
{
  size_t kept = 0;
  for (size_t k = 0; k < sight->point_count; k++) {
    const sp_strip_point p = sight->points[k];
    sp_strip_piece *own = piece_numbered(sight, p.piece);
    bool covered = false;
    for (size_t i = 0; i < sight->piece_count; i++)
      covered = covered || (&sight->piece[i] != own && on_paper(&sight->piece[i], p.x_px, p.y_px));
    if (!covered)
      sight->points[kept++] = p;
    else if (own && p.kind == SP_STRIP_GRADUATION)
      own->graduations--;
  }
  sight->point_count = kept;
}

/* Takes the tags over. */
static sp_status look_by_own_tags(const sp_raster *raster, sp_strip_tag *tags, size_t count, sp_strip_sight *sight,
                                  sp_error *err)
{
  sight->tags = tags;
  sight->tags_seen = count;
  sp_strip_tag *sifted = calloc(count + 1, sizeof *sifted);
  sp_status status = sifted ? SP_OK : sp_fail_memory(err);
  if (sifted && count)
    memcpy(sifted, tags, count * sizeof *sifted);
  if (!status)
    status = measure_pieces(raster, sifted, count, sight, err);
  if (!status)
    drop_overlapping(sight);
  free(sifted);
  return status;
}

sp_status sp_strip_look_by_tags(const sp_raster *raster, const sp_strip_tag *tags, size_t count, sp_strip_sight *sight,
                                sp_error *err)
{
  memset(sight, 0, sizeof *sight);
  sp_strip_tag *own = calloc(count + 1, sizeof *own);
  if (!own)
    return sp_fail_memory(err);
  if (count)
    memcpy(own, tags, count * sizeof *own);
  const sp_status status = look_by_own_tags(raster, own, count, sight, err);
  if (status)
    sp_strip_sight_free(sight);
  return status;
}

sp_status sp_strip_look(const sp_raster *raster, sp_strip_effort effort, sp_strip_sight *sight, sp_error *err)
{
  sp_strip_tag *tags = NULL;
  size_t count = 0;
  memset(sight, 0, sizeof *sight);
  sp_status status = SP_OK;
  if (effort == SP_STRIP_GLANCE) {
    status = sp_strip_find_tags(raster, GLANCE_PX, SP_TAGS_GLANCE, &tags, &count, err);
    free(tags);
    if (status || !count)
      return status;
  }
  const bool expected = effort == SP_STRIP_LOOK || effort == SP_STRIP_SEARCH;
  const sp_tag_search search = expected ? SP_TAGS_ALL : SP_TAGS_GLANCE;
  status = sp_strip_find_tags(raster, LOOK_PX, search, &tags, &count, err);
  if (status)
    free(tags);
  else
    status = look_by_own_tags(raster, tags, count, sight, err);
  if (!status && !count && effort == SP_STRIP_SEARCH) {
    status = sp_strip_find_tags(raster, LOOK_PX, SP_TAGS_MIRRORED, &tags, &count, err);
    sight->mirrored = count >= LEAST_TAGS;
    free(tags);
  }
  if (status)
    sp_strip_sight_free(sight);
  return status;
}

void sp_strip_sight_free(sp_strip_sight *sight)
{
  free(sight->tags);
  free(sight->points);
  memset(sight, 0, sizeof *sight);
}
