/* strip.c: printed reference strips.
 *
 * Drawn from the description in slotproof/strip.h by itself: a graduation every twentieth of an inch, a rail, tags of
 * family 36h11 whose patterns come from the tag library. A strip's frame: `first` along its growing numbers from
 * graduation 0, `second` across, from its upper edge down as printed. The printer's errors stretch it along and across;
 * ink spreads to both sides of a line. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <apriltag/apriltag.h>
#include <apriltag/tag36h11.h>

#include "scene.h"

enum { CELLS = 8, GRADUATIONS = 201, TAGS = 20 };
/* Sixtieths of an inch. */
static const double unit_mm = 25.4 / 60.0, line_units = 0.8, end_units = 3.0;

typedef struct strip_job {
  const render_params *params;
  const frame *in;
  double along, across; /* mm on the glass for a nominal mm */
} strip_job;

static bool shown(const strip_job *job, double x_mm)
{
  return x_mm >= job->params->strip_from_mm && x_mm <= job->params->strip_to_mm;
}

static bool hidden(const strip_job *job, double x_mm)
{
  const render_params *p = job->params;
  return p->strip_cover_mm > 0.0 && x_mm >= p->strip_cover_at_mm && x_mm <= p->strip_cover_at_mm + p->strip_cover_mm;
}

static render_point place(const strip_job *job, double x_mm, double y_mm)
{
  return frame_to_glass(job->in, x_mm * job->along, y_mm * job->across);
}

static void ink_line(canvas *on, const strip_job *job, double x0, double y0, double x1, double y1)
{
  bar line = {place(job, x0, y0),
              place(job, x1, y1),
              line_units * unit_mm + job->params->strip_spread_mm,
              job->params->strip_ink,
              1.0,
              false,
              false};
  canvas_bar(on, &line);
}

static void draw_paper(canvas *on, const strip_job *job)
{
  double from = job->params->strip_from_mm - end_units * unit_mm, to = job->params->strip_to_mm + end_units * unit_mm;
  bar paper = {place(job, from, 23.0 * unit_mm),
               place(job, to, 23.0 * unit_mm),
               46.0 * unit_mm * job->across,
               job->params->strip_paper,
               1.0,
               false,
               false};
  canvas_bar(on, &paper);
}

static void draw_lines(canvas *on, const strip_job *job)
{
  double first = -1.0, last = -1.0;
  for (int k = 0; k < GRADUATIONS; k++) {
    double x = 3.0 * unit_mm * k;
    if (!shown(job, x)) {
      continue;
    }
    first = first < 0.0 ? x : first;
    last = x;
    ink_line(on, job, x, 3.0 * unit_mm, x, 15.0 * unit_mm);
    if (k == 0 || k == 110 || k == 200) {
      ink_line(on, job, x, 20.0 * unit_mm, x, 41.0 * unit_mm);
    }
  }
  if (first >= 0.0) {
    ink_line(on, job, first - 1.5 * unit_mm, 17.0 * unit_mm, last + 1.5 * unit_mm, 17.0 * unit_mm);
    ink_line(on, job, first - 1.5 * unit_mm, 44.0 * unit_mm, last + 1.5 * unit_mm, 44.0 * unit_mm);
  }
}

typedef struct tag_job {
  const strip_job *strip;
  bool black[CELLS][CELLS];
  double cell_along_mm, cell_across_mm;
} tag_job;

/* Cells lie edge to edge, so their shares of a pixel add up. */
static void paint_tag(void *context, canvas *on, const canvas_point *at)
{
  const tag_job *job = context;
  profile_blur along = canvas_blur(on, at, job->strip->in->first), across = canvas_blur(on, at, job->strip->in->second);
  double column[CELLS], share = 0.0;
  for (int x = 0; x < CELLS; x++) {
    column[x] = profile_box(on->table, at->first_mm - (x + 0.5) * job->cell_along_mm, job->cell_along_mm, along);
  }
  for (int y = 0; y < CELLS; y++) {
    double row = profile_box(on->table, at->second_mm - (y + 0.5) * job->cell_across_mm, job->cell_across_mm, across);
    for (int x = 0; row > 1e-9 && x < CELLS; x++) {
      share += job->black[y][x] ? row * column[x] : 0.0;
    }
  }
  on->grey[at->index] += (float)(share * (job->strip->params->strip_ink - job->strip->params->strip_paper));
}

static bool fetch_pattern(apriltag_family_t *family, int number, tag_job *job)
{
  image_u8_t *image = apriltag_to_image(family, number);
  if (!image) {
    return false;
  }
  for (int y = 0; y < CELLS; y++) {
    for (int x = 0; x < CELLS; x++) {
      job->black[y][x] = image->buf[(y + 1) * image->stride + x + 1] == 0;
    }
  }
  image_u8_destroy(image);
  return true;
}

static bool draw_tags(canvas *on, const strip_job *job, int piece)
{
  apriltag_family_t *family = tag36h11_create();
  bool ok = family != NULL;
  for (int j = 0; ok && j < TAGS; j++) {
    double middle = 15.0 * unit_mm + 30.0 * unit_mm * j, low = middle - 8.0 * unit_mm;
    tag_job tag = {.strip = job, .cell_along_mm = 2.0 * unit_mm * job->along, .cell_across_mm = 2.0 * unit_mm * job->across};
    if (!shown(job, low) || !shown(job, low + 16.0 * unit_mm)) {
      continue;
    }
    ok = fetch_pattern(family, TAGS * (piece - 1) + j, &tag);
    frame in = *job->in;
    in.origin_mm = place(job, low, 20.0 * unit_mm);
    if (ok) {
      canvas_paint(on, &in, 0.0, 16.0 * unit_mm * job->along, 0.0, 16.0 * unit_mm * job->across, paint_tag, &tag);
    }
  }
  if (family) {
    tag36h11_destroy(family);
  }
  return ok;
}

/* Something grey lies across the strip. */
static void draw_strip_cover(canvas *on, const strip_job *job)
{
  double from = job->params->strip_cover_at_mm, to = from + job->params->strip_cover_mm;
  if (!(job->params->strip_cover_mm > 0.0)) {
    return;
  }
  bar cover = {place(job, from, 23.0 * unit_mm), place(job, to, 23.0 * unit_mm), 50.0 * unit_mm, 0.6, 1.0, false, false};
  canvas_bar(on, &cover);
}

static void record_strip(const strip_job *job, int piece, render_truth *truth)
{
  render_strip *strip = &truth->strip[truth->strip_count++];
  strip->piece = piece;
  for (int k = 0; k < GRADUATIONS; k++) {
    double x = 3.0 * unit_mm * k;
    strip->visible[k] = shown(job, x) && !hidden(job, x);
    strip->rail_px[k] = render_seen_px(truth, place(job, x, 44.0 * unit_mm), 0.0);
    strip->graduation_px[k] = render_seen_px(truth, place(job, x, 9.0 * unit_mm), 0.0);
  }
  for (int j = 0; j < TAGS; j++) {
    render_point middle = place(job, 15.0 * unit_mm + 30.0 * unit_mm * j, 28.0 * unit_mm);
    strip->tag_px[j] = render_seen_px(truth, middle, 0.0);
  }
}

bool draw_strips(canvas *on, const render_params *params, render_truth *truth)
{
  for (size_t i = 0; i < on->layout->strip_count; i++) {
    strip_job job = {params, &on->layout->strip[i], 1.0 + params->strip_error_along, 1.0 + params->strip_error_across};
    int piece = i == 0 ? params->strip_piece : params->strip_second_piece;
    if (i == 1) {
      job.along += params->strip_second_error;
    }
    draw_paper(on, &job);
    draw_lines(on, &job);
    if (!draw_tags(on, &job, piece)) {
      return false;
    }
    draw_strip_cover(on, &job);
    record_strip(&job, piece, truth);
  }
  return true;
}
