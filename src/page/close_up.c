/* Close-ups of every mark that is out, undecided or missing, so that eyes can confirm what was measured.
 *
 * Left the whole line, its length squeezed: is that the line that was meant, and does it run as drawn? Right its middle
 * on the centre line, enlarged, with a scale above that has its zero at the computed place: the tolerance as a bar, the
 * measured place with its doubt. The measured line is drawn at the upper and lower edge only, so that it hides nothing;
 * the computed place is dashed. Without a scale there is no computed place, and nothing to confirm but the picture of
 * the board. */
#include <math.h>
#include <stdlib.h>

#include "page_internal.h"

/* Drawing units. */
static const double WIDTH = 480.0, TOP = 46.0, PANEL_HEIGHT = 230.0, WHOLE_RIGHT = 148.0, LARGE_LEFT = 160.0,
                    STRIP_AT = 32.0, STRIP_HALF = 6.0, SIGN = 5.5, PROFILE_GAP = 12.0, PROFILE_HEIGHT = 84.0;
/* mm: the least half breadth that is shown enlarged, in the whole view, and beyond the line's ends. */
static const double LEAST_HALF_MM = 0.8, LEAST_WHOLE_MM = 3.0, BEYOND_END_MM = 2.0;
/* The enlarged view holds this much of error, doubt and tolerance; the whole view this much of that. */
static const double ROOM = 1.25, WHOLE_ROOM = 2.0;
static const double EDGE_PART = 0.2; /* of the height, where the measured line is drawn */
/* Pixels for one drawing unit; beyond so many close-ups fewer, so that the page's size stays bounded. */
static const double PX_PER_UNIT = 1.5, MANY = 16.0;

typedef struct close_up {
  const sp_mark_record *mark;
  sp_place place;
  double u0_px;     /* of the computed place; of the mark where that is not known */
  double px_per_mm; /* here: a photograph has not the same everywhere */
  double half_mm;   /* shown to either side */
  double px_per_unit;
  bool scaled; /* lengths are known */
  bool stray;  /* belongs to no fret */
} close_up;

static bool wanted(const sp_mark_record *m)
{
  return m->verdict == SP_OUT || m->verdict == SP_UNDECIDED || m->verdict == SP_MISSING ||
         m->by_hand == SP_BY_HAND_ADDED || m->by_hand == SP_BY_HAND_CHOSEN;
}

static size_t count_wanted(const sp_record *r)
{
  size_t n = 0;
  sp_place place;
  for (size_t i = 0; i < r->mark_count; i++)
    n += wanted(&r->marks[i]) && sp_place_of(r, i, &place);
  return n;
}

static double or_zero(double value)
{
  return isfinite(value) ? value : 0.0;
}

/* The nearest mark of known place from `from` on in steps of +1 or -1; NULL if there is none. */
static const sp_mark_record *placed(const sp_record *r, size_t from, int step)
{
  sp_place place;
  for (size_t i = from; i < r->mark_count; i += (size_t)step) /* below 0 wraps to a large number, and ends it */
    if (r->marks[i].found && isfinite(r->marks[i].x_mm) && sp_place_of(r, i, &place))
      return &r->marks[i];
  return NULL;
}

/* By the marks on both sides, or by itself and one of them; else the mean. */
static double local_px_per_mm(const sp_page *page, size_t index)
{
  const sp_mark_record *low = placed(page->record, index - 1, -1), *high = placed(page->record, index + 1, 1);
  low = low ? low : placed(page->record, index, 1);
  high = high ? high : placed(page->record, index, -1);
  if (!low || !high)
    return page->sheet.px_per_mm;
  const double px = sp_sheet_u_px(&page->sheet, high->centre_px) - sp_sheet_u_px(&page->sheet, low->centre_px);
  const double scale = px / (high->x_mm - low->x_mm);
  return isfinite(scale) && scale > 0.0 ? scale : page->sheet.px_per_mm;
}

static void aim(const sp_page *page, size_t index, close_up *c)
{
  const sp_sheet *s = &page->sheet;
  const sp_mark_record *mark = &page->record->marks[index];
  const double error = mark->found ? mark->error_mm : NAN, u_mm = mark->found ? mark->expanded_u_mm : NAN;
  c->mark = mark;
  c->px_per_mm = local_px_per_mm(page, index);
  c->scaled = isfinite(page->record->reference.px_per_mm);
  c->u0_px = sp_sheet_u_px(s, c->place.centre_px) - or_zero(error) * c->px_per_mm;
  const double reach = fmax(fabs(or_zero(error)) + or_zero(u_mm), or_zero(sp_page_limit_mm(page->record, mark)));
  c->half_mm = fmax(LEAST_HALF_MM, ROOM * reach);
}

/* Line's u at a given v, px of the sheet. */
static double line_u(const sp_sheet *s, const sp_place *p, double v)
{
  const double va = sp_sheet_v_px(s, p->a_px), vb = sp_sheet_v_px(s, p->b_px);
  const double ua = sp_sheet_u_px(s, p->a_px), ub = sp_sheet_u_px(s, p->b_px);
  return vb != va ? ua + (v - va) / (vb - va) * (ub - ua) : 0.5 * (ua + ub);
}

static void put_panel(sp_page *page, const close_up *c, const sp_plot_frame *f)
{
  const sp_sheet *s = &page->sheet;
  const double wide = ceil((f->right - f->left) * c->px_per_unit), high = ceil((f->bottom - f->top) * c->px_per_unit);
  /* the frame's y runs against the data's v: v grows downward */
  const double step_u = (f->x_most - f->x_least) / wide, step_v = (f->y_least - f->y_most) / high;
  const sp_piece piece = {.origin_px = sp_sheet_point(s, f->x_least + 0.5 * step_u, f->y_most + 0.5 * step_v),
                          .step_x_px = {step_u * s->along.x, step_u * s->along.y},
                          .step_y_px = {step_v * s->across.x, step_v * s->across.y},
                          .width_px = (uint32_t)wide,
                          .height_px = (uint32_t)high,
                          .stretch = true};
  sp_page_image(page, &piece, f->left, f->top, f->right - f->left, f->bottom - f->top);
  if (page->live && !c->scaled && c->mark->found) /* no computed place is known */
    return;
  sp_plot_line(page->markup, sp_plot_x(f, c->u0_px), f->top, sp_plot_x(f, c->u0_px), f->bottom, "computed-rim");
  sp_plot_line(page->markup, sp_plot_x(f, c->u0_px), f->top, sp_plot_x(f, c->u0_px), f->bottom, "computed");
}

/* A stretch of the measured line between two v, with a rim that reads on any wood. */
static void put_measured(sp_page *page, const close_up *c, const sp_plot_frame *f, double v0, double v1)
{
  const sp_sheet *s = &page->sheet;
  const double x0 = sp_plot_x(f, line_u(s, &c->place, v0)), x1 = sp_plot_x(f, line_u(s, &c->place, v1));
  char name[40];
  snprintf(name, sizeof name, "measured %s", sp_verdict_word(c->mark->verdict));
  if (!(fmin(x0, x1) >= f->left && fmax(x0, x1) <= f->right))
    return;
  sp_plot_line(page->markup, x0, sp_plot_y(f, v0), x1, sp_plot_y(f, v1), "measured-rim");
  sp_plot_line(page->markup, x0, sp_plot_y(f, v0), x1, sp_plot_y(f, v1), name);
}

static void put_whole(sp_page *page, const close_up *c)
{
  const sp_sheet *s = &page->sheet;
  const double half = fmax(LEAST_WHOLE_MM, WHOLE_ROOM * c->half_mm) * c->px_per_mm,
               beyond = BEYOND_END_MM * c->px_per_mm;
  const double va = sp_sheet_v_px(s, c->place.a_px), vb = sp_sheet_v_px(s, c->place.b_px);
  const double low = fmin(va, vb), high = fmax(va, vb);
  const sp_plot_frame f = {0.0,           WHOLE_RIGHT, TOP, TOP + PANEL_HEIGHT, c->u0_px - half, c->u0_px + half,
                           high + beyond, low - beyond};
  put_panel(page, c, &f);
  if (c->mark->found) {
    put_measured(page, c, &f, low - beyond, low);
    put_measured(page, c, &f, high, high + beyond);
  }
  sp_plot_words(page->markup, 0.0, TOP - 8.0, SP_PLOT_START, "number", "whole line, squeezed");
}

/* Sign and doubt of the measured place; the doubt on top, so that a small one shows. */
static void put_on_strip(sp_markup *m, const sp_mark_record *mark, const sp_plot_frame *mm)
{
  const double low = sp_plot_x(mm, mark->error_mm - mark->expanded_u_mm);
  const double high = sp_plot_x(mm, mark->error_mm + mark->expanded_u_mm);
  char name[40];
  snprintf(name, sizeof name, "whisker %s", sp_verdict_word(mark->verdict));
  sp_plot_sign(m, mark->verdict, sp_plot_x(mm, mark->error_mm), STRIP_AT, SIGN, -mark->error_mm);
  sp_plot_line(m, low, STRIP_AT, high, STRIP_AT, name);
  sp_plot_line(m, low, STRIP_AT - STRIP_HALF, low, STRIP_AT + STRIP_HALF, name);
  sp_plot_line(m, high, STRIP_AT - STRIP_HALF, high, STRIP_AT + STRIP_HALF, name);
}

/* The scale above the enlarged view: tolerance, measured place, doubt. */
static void put_strip(sp_page *page, const close_up *c, const sp_plot_frame *f)
{
  sp_markup *m = page->markup;
  const sp_mark_record *mark = c->mark;
  const sp_plot_frame mm = {f->left, f->right, STRIP_AT - STRIP_HALF, STRIP_AT + STRIP_HALF, -c->half_mm, c->half_mm,
                            -1.0,    1.0};
  const double limit = sp_page_limit_mm(page->record, mark), step = sp_plot_step(2.0 * c->half_mm, 6);
  if (!c->scaled)
    return;
  if (isfinite(limit))
    sp_plot_box(m, &mm, -limit, limit, -1.0, 1.0, "tolerance");
  for (double i = ceil(-c->half_mm / step); i * step <= c->half_mm; i++) {
    char number[32];
    const double x = sp_plot_x(&mm, i * step);
    snprintf(number, sizeof number, i > 0.0 ? "+%.1f" : "%.1f", i == 0.0 ? 0.0 : i * step);
    sp_plot_line(m, x, STRIP_AT - STRIP_HALF, x, STRIP_AT + STRIP_HALF, "bar");
    if (x > f->left + 14.0 && x < f->right - 14.0)
      sp_plot_words(m, x, STRIP_AT - STRIP_HALF - 6.0, SP_PLOT_MIDDLE, "number", number);
  }
  sp_plot_line(m, f->left, STRIP_AT, f->right, STRIP_AT, "bar");
  if (mark->found && isfinite(mark->error_mm))
    put_on_strip(m, mark, &mm);
}

static void put_profile(sp_page *page, const close_up *c, const sp_plot_frame *above);

static void put_large(sp_page *page, const close_up *c)
{
  const sp_sheet *s = &page->sheet;
  const double half = c->half_mm * c->px_per_mm, half_v = half * PANEL_HEIGHT / (WIDTH - LARGE_LEFT);
  const double v = sp_sheet_v_px(s, c->place.centre_px);
  const sp_plot_frame f = {LARGE_LEFT,      WIDTH,           TOP,        TOP + PANEL_HEIGHT,
                           c->u0_px - half, c->u0_px + half, v + half_v, v - half_v};
  put_panel(page, c, &f);
  if (c->mark->found) {
    const double part = EDGE_PART * 2.0 * half_v;
    put_measured(page, c, &f, v - half_v, v - half_v + part);
    put_measured(page, c, &f, v + half_v - part, v + half_v);
  }
  put_strip(page, c, &f);
  if (page->live)
    put_profile(page, c, &f);
}

/* ---- the profile ------------------------------------------------------------------------------------------------ */

/* Samples across and along the line; of the line's length, the middle part, because its ends are rounded. */
enum { ACROSS = 320, ALONG = 256 };
static const double PROFILE_PART = 0.9;

/* The greys about the line, each averaged along it: grey[i] at u_least + (i + 0.5) * step. False if it fails. */
static bool take_profile(sp_page *page, const close_up *c, const sp_plot_frame *f, double grey[ACROSS])
{
  const sp_sheet *s = &page->sheet;
  const double va = sp_sheet_v_px(s, c->place.a_px), vb = sp_sheet_v_px(s, c->place.b_px);
  const double middle = 0.5 * (va + vb), half = 0.5 * PROFILE_PART * (vb - va), step_v = 2.0 * half / ALONG;
  const double lean = (line_u(s, &c->place, middle + half) - line_u(s, &c->place, middle - half)) / ALONG;
  const double u = f->x_least + line_u(s, &c->place, middle - half) - line_u(s, &c->place, middle);
  const double step_u = (f->x_most - f->x_least) / ACROSS;
  const sp_point step_y = {lean * s->along.x + step_v * s->across.x, lean * s->along.y + step_v * s->across.y};
  uint8_t *piece = malloc((size_t)ACROSS * ALONG);
  if (page->status || !piece) {
    page->status = page->status ? page->status : sp_fail_memory(page->err);
    free(piece);
    return false;
  }
  page->status =
      sp_piece_grey(page->raster, sp_sheet_point(s, u + 0.5 * step_u, middle - half + 0.5 * step_v),
                    (sp_point){step_u * s->along.x, step_u * s->along.y}, step_y, ACROSS, ALONG, 128, piece, page->err);
  for (int i = 0; i < ACROSS && !page->status; i++) {
    double sum = 0.0;
    for (int j = 0; j < ALONG; j++)
      sum += piece[j * ACROSS + i];
    grey[i] = sum / ALONG;
  }
  free(piece);
  return page->status == SP_OK;
}

/* Under the enlarged view and to its scale: what the line looks like to the program. */
static void put_profile(sp_page *page, const close_up *c, const sp_plot_frame *above)
{
  sp_markup *m = page->markup;
  double x[ACROSS], grey[ACROSS], least = 255.0, most = 0.0;
  const double top = TOP + PANEL_HEIGHT + PROFILE_GAP;
  if (!take_profile(page, c, above, grey))
    return;
  for (int i = 0; i < ACROSS; i++) {
    x[i] = above->x_least + (i + 0.5) * (above->x_most - above->x_least) / ACROSS;
    least = fmin(least, grey[i]);
    most = fmax(most, grey[i]);
  }
  const sp_plot_frame f = {above->left,
                           above->right,
                           top,
                           top + PROFILE_HEIGHT,
                           above->x_least,
                           above->x_most,
                           fmax(0.0, least - 4.0),
                           fmin(255.0, most + 4.0)};
  if (c->scaled)
    sp_plot_upright(m, &f, c->u0_px, "wanted");
  if (c->mark->found) {
    char name[40];
    snprintf(name, sizeof name, "measured %s", sp_verdict_word(c->mark->verdict));
    sp_plot_upright(m, &f, sp_sheet_u_px(&page->sheet, c->place.centre_px), name);
  }
  sp_plot_polyline(m, &f, x, grey, ACROSS, "curve");
  sp_plot_line(m, f.left, f.bottom, f.right, f.bottom, "bar");
  sp_plot_words(m, 0.0, top + 14.0, SP_PLOT_START, "number", "grey across the line,");
  sp_plot_words(m, 0.0, top + 32.0, SP_PLOT_START, "number", "averaged along it,");
  sp_plot_words(m, 0.0, top + 50.0, SP_PLOT_START, "number", "dark below");
}

static void put_caption(sp_page *page, const close_up *c)
{
  sp_markup *m = page->markup;
  const sp_mark_record *mark = c->mark;
  char name[24];
  if (c->stray) {
    sp_markup_put(m, "figcaption", NULL, "A line that belongs to no fret");
    return;
  }
  sp_fret_name(mark->fret, name);
  sp_markup_begin(m, "figcaption");
  sp_page_sign(m, mark->verdict, isfinite(mark->error_mm) ? -mark->error_mm : 1.0);
  sp_markup_putf(m, "b", NULL, "%s%s", mark->fret ? "Fret" : "The nut", mark->fret ? name + 4 : "");
  sp_markup_textf(m, " %s", sp_verdict_word(mark->verdict));
  if (mark->found && isfinite(mark->error_mm)) {
    sp_markup_textf(m, ": %+.3f", mark->error_mm);
    if (isfinite(mark->expanded_u_mm))
      sp_markup_textf(m, " \xc2\xb1 %.3f", mark->expanded_u_mm);
    sp_markup_text(m, " mm");
  } else if (!mark->found) {
    sp_markup_text(m, ": is there a line at the dashes?");
  }
  sp_markup_end(m);
}

static void put_close_up(sp_page *page, const close_up *c)
{
  sp_markup *m = page->markup;
  char id[40], title[80], name[24];
  snprintf(id, sizeof id, "close-%ld", (long)c->mark->fret);
  snprintf(title, sizeof title, "Close-up of %s", sp_fret_name(c->mark->fret, name));
  sp_markup_begin(m, "figure");
  put_caption(page, c);
  if (c->stray) /* its number says only where it stands in the list */
    snprintf(title, sizeof title, "Close-up of a line that belongs to no fret");
  sp_plot_open(m, id, WIDTH, TOP + PANEL_HEIGHT + (page->live ? PROFILE_GAP + PROFILE_HEIGHT + 2.0 : 0.0), title,
               c->stray         ? "The line is drawn at the edges."
               : c->mark->found ? "The measured line is drawn at the edges, the computed place is dashed."
                                : "The place where the line should be is dashed.");
  put_whole(page, c);
  put_large(page, c);
  sp_plot_close(m);
  sp_markup_end(m);
}

void sp_page_close_ups(sp_page *page)
{
  sp_markup *m = page->markup;
  const sp_record *r = page->record;
  const size_t count = page->sheet.known && sp_any_length(r) ? count_wanted(r) : 0;
  if (!count)
    return;
  sp_page_section(m, "close-ups", "See for yourself");
  sp_markup_put(
      m, "p", "note",
      "Dashed: the computed place. Solid, at the edges: the line as it was measured. Nut to the left; light and "
      "dark are stretched. Where the solid line does not sit on your mark, do not trust the number.");
  sp_markup_begin(m, "div");
  sp_markup_set(m, "class", "close-ups");
  for (size_t i = 0; i < r->mark_count; i++) {
    close_up c = {.px_per_unit = PX_PER_UNIT * fmin(1.0, sqrt(MANY / (double)count))};
    if (!wanted(&r->marks[i]) || !sp_place_of(r, i, &c.place))
      continue;
    aim(page, i, &c);
    put_close_up(page, &c);
  }
  sp_markup_end(m);
  sp_page_section_end(m);
}

/* ---- one mark alone --------------------------------------------------------------------------------------------- */

static sp_status put_alone(sp_page *page, const close_up *c, FILE *file)
{
  sp_status status = sp_markup_open(file, &page->markup, page->err);
  if (status)
    return status;
  put_close_up(page, c);
  status = sp_markup_close(page->markup, page->status ? NULL : page->err); /* the first failure is the one told */
  return page->status ? page->status : status;
}

bool sp_page_has_mark(const sp_record *record, const sp_raster *raster, size_t index)
{
  sp_sheet sheet;
  sp_place place;
  sp_sheet_of(record, raster, &sheet);
  return sheet.known && sp_place_of(record, index, &place);
}

sp_status sp_page_mark(const sp_record *record, const sp_raster *raster, size_t index, FILE *file, sp_error *err)
{
  sp_page page = {.record = record, .raster = raster, .live = true, .err = err};
  close_up c = {.px_per_unit = PX_PER_UNIT};
  sp_sheet_of(record, raster, &page.sheet);
  if (!page.sheet.known || !sp_place_of(record, index, &c.place))
    return sp_fail(err, SP_E_DATA, "the mark has no place in the picture");
  aim(&page, index, &c);
  return put_alone(&page, &c, file);
}

sp_status sp_page_stray(const sp_record *record, const sp_raster *raster, size_t index, FILE *file, sp_error *err)
{
  sp_page page = {.record = record, .raster = raster, .live = true, .err = err};
  const sp_stray_record *stray = &record->strays[index];
  const sp_mark_record mark = {
      .fret = 1000 + (int32_t)index, .found = true, .verdict = SP_MISSING, .error_mm = NAN, .expanded_u_mm = NAN};
  sp_sheet_of(record, raster, &page.sheet);
  close_up c = {.mark = &mark, .px_per_unit = PX_PER_UNIT, .half_mm = LEAST_HALF_MM, .stray = true};
  c.place = (sp_place){stray->end_a_px,
                       stray->end_b_px,
                       {0.5 * (stray->end_a_px.x + stray->end_b_px.x), 0.5 * (stray->end_a_px.y + stray->end_b_px.y)}};
  c.u0_px = sp_sheet_u_px(&page.sheet, c.place.centre_px);
  c.px_per_mm = page.sheet.px_per_mm;
  if (!page.sheet.known || !isfinite(c.u0_px))
    return sp_fail(err, SP_E_DATA, "the line has no place in the picture");
  return put_alone(&page, &c, file);
}
