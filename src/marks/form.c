/* What a fit must be like to be a mark at all, and which of two marks explains a place better. */
#include <math.h>

#include "fits.h"

/* Fainter than this against the wood nobody can saw by. */
static const double MIN_CONTRAST = 0.012;

/* A board lies 2 degrees off the picture's axis at most, and its lines are square to it within a few. */
static const double MOST_SLOPE = 0.09;

static double step_across(const sp_line_fit *f)
{
  /* difference of level left and right of the mark against its height: a step has much, a line little */
  double left = 0.0, right = 0.0, height = 0.0;
  for (size_t k = 0; k < f->count; k++) {
    const sp_piece *p = &f->pieces[k];
    if (!p->present)
      continue;
    const int32_t n = 2 * f->half_px + 1, edge = f->half_px / 3 + 1;
    for (int32_t i = 0; i < edge; i++) {
      left += (double)p->value[i] / edge;
      right += (double)p->value[n - 1 - i] / edge;
    }
    height += p->smooth_height;
  }
  return height != 0.0 ? fabs(right - left) / fabs(height) : INFINITY;
}

/* A knife line is narrower than the crest of any planing wave or a pencil's stroke; a kerf is neither a scratch nor a
 * groove. In a coarse picture, where blur hides what is narrower than itself, a line's width is known to a good part of
 * the blur only. */
static const double MOST_KNIFE_MM = 0.36, MOST_KNIFE_BLURS = 3.3;

/* No picture of so few pixels a millimetre is sharper than a pixel, whatever fine strokes made of it. */
static double least_blur(const sp_line_fit *f)
{
  return fmax(f->shape.blur_px, 1.0);
}

/* A dark slot's kerf is read too small in a coarse picture, and its doubt says by how much. */
static const double LEAST_KERF_MM = 0.30, MOST_KERF_MM = 1.2;

static bool width_fits(const sp_line_fit *f, const sp_mark *m, double px_per_mm)
{
  const double width_px = m->width_px;
  if (f->kind == SP_MARK_SLOT)
    return width_px + 2.0 * m->u_width_px > LEAST_KERF_MM * px_per_mm && width_px < MOST_KERF_MM * px_per_mm;
  return width_px < fmax(MOST_KNIFE_MM * px_per_mm, MOST_KNIFE_BLURS * least_blur(f));
}

/* Knives leave 0.05 to 0.2 mm: what is broader is more likely two waves and what lies between them. */
static const double BROAD_MM = 0.25, BROAD_BLURS = 2.7, BROAD_SIGNIFICANCE = 12.0;

static bool is_broad(const sp_line_fit *f, double width_px, double px_per_mm)
{
  return f->kind == SP_MARK_KNIFE && width_px > fmax(BROAD_MM * px_per_mm, BROAD_BLURS * least_blur(f));
}

/* Level left and right of a mark may differ by this part of its height; by more where a mark is known to lie beside. */
static const double MOST_STEP = 0.9, MOST_STEP_BESIDE = 2.5;

static bool has_form(const sp_line_fit *f, const sp_mark *m, double most_step, double px_per_mm)
{
  if (!width_fits(f, m, px_per_mm) || f->count < 6)
    return false;
  if (!(m->u_u_px < 0.12 * px_per_mm) || !isfinite(m->u_px) || fabs(m->slope) > MOST_SLOPE + 1.1 * f->o->most_lean)
    return false;
  return step_across(f) < most_step;
}

bool sp_marks_has_form(const sp_line_fit *f, const sp_mark *m, double px_per_mm)
{
  return has_form(f, m, MOST_STEP, px_per_mm);
}

bool sp_marks_looks_like(const sp_line_fit *f, const sp_mark *m, double min_coverage, bool beside, double px_per_mm,
                         bool ground_measured)
{
  const bool broad = is_broad(f, m->width_px, px_per_mm);
  /* what lies beside another mark is not asked to explain that as well, unless it reaches as far */
  const double significance = f->significance * (beside && !broad ? sqrt(f->misfit) : 1.0);
  if (!(m->coverage >= min_coverage) || !(fabs(m->contrast) >= MIN_CONTRAST))
    return false;
  if (ground_measured && !(significance > (broad ? BROAD_SIGNIFICANCE : SP_LEAST_SIGNIFICANCE)))
    return false;
  return has_form(f, m, beside ? MOST_STEP_BESIDE : MOST_STEP, px_per_mm);
}

double sp_mark_visibility(const sp_mark *m)
{
  return fabs(m->contrast) * m->coverage;
}

bool sp_marks_shows_with_burr(const sp_line_fit *f, const sp_mark *m, double min_coverage, double px_per_mm)
{
  return f->burr && f->shown > SP_LEAST_SIGNIFICANCE && m->coverage >= min_coverage &&
         fabs(m->contrast) >= MIN_CONTRAST && has_form(f, m, MOST_STEP, px_per_mm);
}

/* Of cut and burr, line and planing wave beside it, or one line found twice: what is sp_mark_explained better stays. A
 * fit that is put on the burr or the wave leaves the cut unexplained; one that is laid askew over a line fits well
 * where they meet, and shows there only. */
double sp_mark_explained(const sp_mark *m)
{
  return m->coverage * m->significance / m->misfit;
}

/* Hand and square err by half a degree, and a whole board may be laid out a degree askew; what crosses the board at two
 * degrees and more is a saw's or a plane's. Standard deviation, radians. */
static const double SQUARE_RAD = 0.025;

double sp_mark_off_square(const sp_marks_options *o, const sp_board *board, const sp_mark *m)
{
  return m->slope - (o->most_lean > 0.0 ? o->trend_at + o->trend * m->u_px : -board->centre.slope);
}

double sp_mark_squareness(const sp_marks_options *o, const sp_board *board, const sp_mark *m)
{
  const double off = sp_mark_off_square(o, board, m) / SQUARE_RAD;
  return exp(-0.5 * off * off);
}

/* What shows less than this part of the sixth most visible mark has no vote: a hundred crests and troughs of a planed
 * board are better explained, in sum, than eight lines that stand out of them. */
static const double HAS_VOTE = 0.2;
enum { OF_MANY = 6, MANY = 12 };

static double least_of_votes(const sp_marks *marks)
{
  double most[OF_MANY] = {0.0};
  for (size_t i = 0; i < marks->count; i++) {
    double seen = sp_mark_visibility(&marks->marks[i]);
    for (int k = 0; k < OF_MANY; k++)
      if (seen > most[k]) {
        const double less = most[k];
        most[k] = seen;
        seen = less;
      }
  }
  return marks->count > MANY ? HAS_VOTE * most[OF_MANY - 1] : 0.0;
}

/* One knife on one wood leaves lines of one colour: that of the better explained marks, as far as they are square. */
bool sp_marks_mostly_light(const sp_marks_options *o, const sp_marks *marks)
{
  const double least = least_of_votes(marks);
  double sum[2] = {0.0, 0.0};
  for (size_t i = 0; i < marks->count; i++) {
    const sp_mark *m = &marks->marks[i];
    if (sp_mark_visibility(m) < least)
      continue;
    sum[m->contrast > 0.0] += sp_mark_explained(m) * sp_mark_squareness(o, &marks->board, m);
  }
  return sum[1] > sum[0];
}
