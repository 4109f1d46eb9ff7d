/* What was said by hand, from the places that were clicked to what came of them.
 *
 * Order: places are carried into the raster that was measured; hints go into the search; each place is then told which
 * line it means; lines that are no marks are left out; what is left is matched with the told nut as the only one there
 * can be; and where a line that was pointed at competes for a fret with one that was not, it gets it. A correction may
 * fail without the check failing: then the record says why. Only corrections that cannot all be meant, or not of this
 * picture, end the check.
 */
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "check_internal.h"

/* As in the match: how far from its place a fret is looked for. */
static const double REACH_PART = 0.4, MOST_REACH_MM = 3.5;

void corrected_free(corrected *c)
{
  free(c->done);
  free(c->entry);
  free(c->at_px);
  free(c->line);
  free(c->fret);
  free(c->chosen);
  free(c->added);
  free(c->hints);
  free(c->strokes);
  free(c->rival);
  memset(c, 0, sizeof *c);
}

/* ---- of which picture ---------------------------------------------------------------------------------------------
 */

static bool is_name_of(const char *name, const char *path, const char *shown)
{
  return strcmp(name, path) == 0 || strcmp(name, check_last_part(path)) == 0 || (shown && strcmp(name, shown) == 0);
}

static sp_status name_source(sp_correction *said, size_t entry, const char *const *paths, char *const *names,
                             size_t count, sp_error *err)
{
  size_t fitting = 0, same = 0;
  for (size_t k = 0; said->picture[0] && k < count; k++) {
    const bool exactly = strcmp(said->picture, paths[k]) == 0;
    if (!is_name_of(said->picture, paths[k], names ? names[k] : NULL))
      continue;
    if (exactly || !same)
      said->source = (int32_t)k;
    same += exactly;
    fitting++;
  }
  if (said->picture[0] && !fitting)
    return sp_fail(err, SP_E_DATA, "correction %zu is one of the picture %s, which is not among those given", entry + 1,
                   said->picture);
  if (said->picture[0] && same != 1 && fitting > 1)
    return sp_fail(
        err, SP_E_DATA,
        "correction %zu is one of the picture %s, and several are called so; name it with its folder, or say "
        "which by source, from 0",
        entry + 1, said->picture);
  said->picture[0] = '\0';
  if ((size_t)said->source < count)
    return SP_OK;
  if (count == 1)
    return sp_fail(err, SP_E_DATA, "correction %zu is one of picture %d, and there is only one; leave it out",
                   entry + 1, (int)said->source + 1);
  return sp_fail(err, SP_E_DATA, "correction %zu is one of picture %d, and there are only %zu; sources count from 0",
                 entry + 1, (int)said->source + 1, count);
}

sp_status corrected_name_sources(const sp_corrections *said, const char *const *paths, char *const *names, size_t count,
                                 sp_corrections *named, sp_error *err)
{
  sp_status status = SP_OK;
  *named = (sp_corrections){NULL, 0};
  for (size_t i = 0; !status && said && i < said->count; i++) {
    sp_correction one = said->list[i];
    status = name_source(&one, i, paths, names, count, err);
    if (!status)
      status = sp_corrections_add(named, &one, err);
  }
  if (status)
    sp_corrections_free(named);
  return status;
}

/* ---- the list -----------------------------------------------------------------------------------------------------
 */

static size_t count_of(const sp_corrections *said, int32_t source)
{
  size_t n = 0;
  for (size_t i = 0; said && i < said->count; i++)
    n += source < 0 || said->list[i].source == source;
  return n;
}

sp_status corrected_begin(const sp_corrections *said, int32_t source, corrected *c, sp_error *err)
{
  memset(c, 0, sizeof *c);
  const size_t n = count_of(said, source);
  if (!n)
    return SP_OK;
  c->done = calloc(n, sizeof *c->done);
  c->entry = calloc(n, sizeof *c->entry);
  c->at_px = calloc(n, sizeof *c->at_px);
  c->line = calloc(n, sizeof *c->line);
  c->fret = calloc(n, sizeof *c->fret);
  c->chosen = calloc(n, sizeof *c->chosen);
  c->added = calloc(n, sizeof *c->added);
  c->hints = calloc(n, sizeof *c->hints);
  c->strokes = calloc(n, sizeof *c->strokes);
  if (!c->done || !c->entry || !c->at_px || !c->line || !c->fret || !c->chosen || !c->added || !c->hints ||
      !c->strokes) {
    corrected_free(c);
    return sp_fail_memory(err);
  }
  for (size_t i = 0; i < said->count; i++) {
    const sp_correction *one = &said->list[i];
    if (source >= 0 && one->source != source)
      continue;
    c->done[c->count].said = *one;
    c->entry[c->count] = i;
    c->line[c->count] = c->fret[c->count] = -1;
    c->count++;
    if (one->kind == SP_CORRECTION_GRADUATION)
      c->strokes[c->stroke_count++] = (sp_told_stroke){one->at_px, one->reading_mm};
  }
  return SP_OK;
}

static sp_correction_kind kind_of(const corrected *c, size_t i)
{
  return c->done[i].said.kind;
}

#if defined(__GNUC__)
__attribute__((format(printf, 3, 4)))
#endif
static void
conclude(sp_correction_record *done, sp_correction_outcome outcome, const char *format, ...)
{
  va_list args;
  va_start(args, format);
  done->outcome = outcome;
  if (vsnprintf(done->text, sizeof done->text, format, args) < 0)
    done->text[0] = '\0';
  va_end(args);
}

/* ---- places ----------------------------------------------------------------------------------------------------- */

sp_status corrected_place(const opened_picture *open, corrected *c, sp_error *err)
{
  const double right = open->picture.width_px - 0.5, bottom = open->picture.height_px - 0.5;
  for (size_t i = 0; i < c->count; i++) {
    const sp_correction *said = &c->done[i].said;
    const sp_point p = said->at_px;
    if (!(p.x >= -0.5 && p.y >= -0.5 && p.x <= right && p.y <= bottom))
      return sp_fail(err, SP_E_DATA,
                     "correction %zu lies at %.0f, %.0f, outside the picture of %u x %u pixels: it was made on another "
                     "picture",
                     c->entry[i] + 1, p.x, p.y, open->picture.width_px, open->picture.height_px);
    c->at_px[i] = open->straightened ? sp_photo_straight_px(&open->photo, p) : p;
    if (said->kind == SP_CORRECTION_MARK_HERE || said->kind == SP_CORRECTION_NUT_HERE)
      c->hints[c->hint_count++] = (sp_marks_hint){c->at_px[i], said->kind == SP_CORRECTION_NUT_HERE};
  }
  return SP_OK;
}

/* ---- which line is meant ---------------------------------------------------------------------------------------- */

/* From the place along the board to the line, px; INFINITY off the line's ends. */
static double to_line(const sp_marks *marks, const sp_mark *m, sp_point at_px, double slack_px)
{
  const double v = marks->along == SP_ALONG_X ? at_px.y : at_px.x;
  if (!(v > fmin(m->v_a_px, m->v_b_px) - slack_px && v < fmax(m->v_a_px, m->v_b_px) + slack_px))
    return INFINITY;
  return fabs(sp_mark_distance_px(marks->along, m->u_px, m->v_px, m->slope, at_px));
}

static double to_end(const sp_marks *marks, const sp_board_end *e, sp_point at_px)
{
  return e->found ? fabs(sp_mark_distance_px(marks->along, e->u_px, e->v_px, e->slope, at_px)) : INFINITY;
}

static ptrdiff_t nearest_line(const sp_marks *marks, sp_point at_px, double px_per_mm, double *distance_px)
{
  ptrdiff_t best = -1;
  *distance_px = SP_CORRECTION_REACH_MM * px_per_mm;
  for (size_t i = 0; i < marks->count; i++) {
    /* a line that is broken off may go on unseen; the rule beside it is not meant */
    const double d = to_line(marks, &marks->marks[i], at_px, 3.0 * px_per_mm);
    if (d <= *distance_px) {
      *distance_px = d;
      best = (ptrdiff_t)i;
    }
  }
  return best;
}

static void name_nut(const sp_marks *marks, size_t entry, double px_per_mm, told_nut *what, size_t *index,
                     const corrected *c)
{
  double least;
  *what = c->line[entry] >= 0 ? NUT_AT_LINE : NUT_UNTOLD;
  *index = c->line[entry] >= 0 ? (size_t)c->line[entry] : 0;
  if (nearest_line(marks, c->at_px[entry], px_per_mm, &least) < 0)
    least = SP_CORRECTION_REACH_MM * px_per_mm;
  for (size_t e = 0; e < 2; e++) {
    const double d = to_end(marks, &marks->board.end[e], c->at_px[entry]);
    if (d < least && !marks->edges) {
      *what = NUT_AT_END;
      *index = e;
      least = d;
    }
  }
  for (size_t e = 0; e < marks->edge_count; e++) {
    const double d = to_end(marks, &marks->edges[e], c->at_px[entry]);
    if (d < least) {
      *what = NUT_AT_EDGE;
      *index = e;
      least = d;
    }
  }
}

static sp_status tell_nut(size_t entry, told_nut what, size_t index, corrected *c, sp_error *err)
{
  if (what == NUT_UNTOLD) {
    conclude(&c->done[entry], SP_CORRECTION_NOTHING_THERE,
             "neither a line nor the board's end can be seen within %.1f mm of where the nut is said to be",
             SP_CORRECTION_REACH_MM);
    return SP_OK;
  }
  if (c->nut != NUT_UNTOLD && (c->nut != what || c->nut_index != index))
    return sp_fail(err, SP_E_DATA, "corrections %zu and %zu contradict each other: a board has one nut; take one back",
                   c->entry[c->nut_entry] + 1, c->entry[entry] + 1);
  c->nut = what;
  c->nut_index = index;
  c->nut_entry = entry;
  if (what != NUT_AT_LINE)
    c->line[entry] = -1;
  return SP_OK;
}

static sp_status refuse_contradictions(const corrected *c, sp_error *err)
{
  for (size_t i = 0; i < c->count; i++)
    for (size_t k = 0; k < c->count; k++)
      if (kind_of(c, i) == SP_CORRECTION_NOT_A_MARK && kind_of(c, k) != SP_CORRECTION_NOT_A_MARK && c->line[i] >= 0 &&
          c->line[i] == c->line[k])
        return sp_fail(err, SP_E_DATA,
                       "corrections %zu and %zu contradict each other: the same line is said to be a mark and not to "
                       "be one; take one back",
                       c->entry[i] + 1, c->entry[k] + 1);
  return SP_OK;
}

/* The lines that are left move up; what was pointed at moves with them. */
static void drop_lines(sp_marks *marks, const bool *gone, corrected *c)
{
  size_t kept = 0;
  for (size_t i = 0; i < marks->count; i++) {
    for (size_t k = 0; k < c->count; k++)
      if (c->line[k] == (ptrdiff_t)i && !gone[i])
        c->line[k] = (ptrdiff_t)kept;
    if (c->nut == NUT_AT_LINE && c->nut_index == i && !gone[i])
      c->nut_index = kept;
    if (!gone[i])
      marks->marks[kept++] = marks->marks[i];
  }
  marks->count = kept;
}

static void leave_out(size_t entry, bool *gone, corrected *c)
{
  sp_correction_record *done = &c->done[entry];
  if (c->line[entry] < 0) {
    conclude(done, SP_CORRECTION_NOTHING_THERE, "no line lies within %.1f mm of the place, so none was left out",
             SP_CORRECTION_REACH_MM);
    return;
  }
  gone[c->line[entry]] = true;
  conclude(done, SP_CORRECTION_APPLIED, "the line there was left out");
}

sp_status corrected_find(const sp_marks_options *options, const sp_marks *marks, corrected *c, sp_error *err)
{
  sp_status status = SP_OK;
  double unused;
  for (size_t i = 0; i < c->count; i++)
    if (kind_of(c, i) != SP_CORRECTION_GRADUATION)
      c->line[i] = nearest_line(marks, c->at_px[i], options->px_per_mm, &unused);
  for (size_t i = 0; !status && i < c->count; i++)
    if (kind_of(c, i) == SP_CORRECTION_NUT_HERE) {
      told_nut what;
      size_t index;
      name_nut(marks, i, options->px_per_mm, &what, &index, c);
      status = tell_nut(i, what, index, c, err);
    } else if (kind_of(c, i) == SP_CORRECTION_MARK_HERE && c->line[i] < 0) {
      conclude(&c->done[i], SP_CORRECTION_NOTHING_THERE,
               "no line can be made out within %.1f mm of the place%s, so none was put there", SP_CORRECTION_REACH_MM,
               options->kind == SP_MARK_WIRE ? " (frets are only found all across, not looked for at a place)" : "");
    }
  return status;
}

sp_status corrected_leave_out(sp_marks *marks, corrected *c, sp_error *err)
{
  sp_status status = refuse_contradictions(c, err);
  if (status || !c->count)
    return status;
  bool *gone = calloc(marks->count + 1, sizeof *gone);
  if (!gone)
    return sp_fail_memory(err);
  for (size_t i = 0; i < c->count; i++)
    if (kind_of(c, i) == SP_CORRECTION_NOT_A_MARK)
      leave_out(i, gone, c);
  drop_lines(marks, gone, c);
  for (size_t i = 0; i < c->count; i++)
    if (kind_of(c, i) == SP_CORRECTION_NOT_A_MARK)
      c->line[i] = -1;
  free(gone);
  return SP_OK;
}

/* ---- several pictures ---------------------------------------------------------------------------------------------
 */

sp_status corrected_take_over(const corrected *part, size_t at, told_nut what, ptrdiff_t index, corrected *whole,
                              sp_error *err)
{
  const size_t entry = part->entry[at];
  whole->done[entry] = part->done[at];
  if (whole->done[entry].text[0])
    return SP_OK;
  if (kind_of(part, at) == SP_CORRECTION_NUT_HERE) {
    whole->line[entry] = what == NUT_AT_LINE ? index : -1;
    return tell_nut(entry, what, index < 0 ? 0 : (size_t)index, whole, err);
  }
  whole->line[entry] = index;
  return SP_OK;
}

void corrected_note_unused(const corrected *part, corrected *whole)
{
  for (size_t i = 0; i < part->count; i++) {
    sp_correction_record *done = &whole->done[part->entry[i]];
    *done = part->done[i];
    if (!done->text[0])
      conclude(done, SP_CORRECTION_REFUSED, "the pictures could not be joined to one board, so it was not used");
  }
}

/* ---- the match -------------------------------------------------------------------------------------------------- */

/* How far from its place fret k is looked for, mm. */
static double reach_mm(const sp_layout *layout, int32_t k)
{
  const double *p = layout->position_mm;
  double nearer = INFINITY;
  if (k > 0)
    nearer = p[k] - p[k - 1];
  if (k < layout->frets)
    nearer = fmin(nearer, p[k + 1] - p[k]);
  return fmin(REACH_PART * nearer, MOST_REACH_MM);
}

static bool is_placed(const sp_match *match)
{
  return match->state == SP_MATCH_OK || match->state == SP_MATCH_OTHER_SCALE;
}

static bool nut_is_told(const corrected *c, const sp_match *match)
{
  if (c->nut == NUT_AT_LINE)
    return !match->nut_is_end && match->line_of_fret[0] == (ptrdiff_t)c->nut_index;
  return c->nut == NUT_AT_END && match->nut_is_end && (size_t)match->nut_end == c->nut_index;
}

/* Lines so near the told nut that they would be taken for it are left out of the match. */
static void leave_out_rivals(const sp_marks *marks, const sp_layout *layout, const sp_match_options *options,
                             sp_match_line *lines, corrected *c)
{
  const double reach = reach_mm(layout, 0);
  for (size_t i = 0; options->scale_known && i < marks->count; i++)
    if (!(c->nut == NUT_AT_LINE && i == c->nut_index) && fabs(lines[i].position - options->told_position) < reach) {
      c->rival[i] = true;
      lines[i].position = NAN;
    }
}

sp_status corrected_guide(const sp_marks *marks, const sp_layout *layout, sp_match_line *lines,
                          sp_match_options *options, corrected *c, sp_error *err)
{
  if (!c->count)
    return SP_OK;
  c->rival = calloc(marks->count + 1, sizeof *c->rival);
  if (!c->rival)
    return sp_fail_memory(err);
  for (size_t i = 0; i < c->count; i++)
    if (c->line[i] >= 0)
      lines[c->line[i]].strength = 1.0;
  if (c->nut == NUT_UNTOLD)
    return SP_OK;
  if (c->nut != NUT_AT_EDGE) { /* would it be so without being told? */
    sp_match plain = {0};
    const sp_status status = sp_match_lines(lines, marks->count, layout, options, &plain, err);
    if (status)
      return status;
    c->nut_found_anyway = is_placed(&plain) && nut_is_told(c, &plain);
    sp_match_free(&plain);
  }
  options->nut_told = true;
  options->nut_may_be_line = c->nut == NUT_AT_LINE;
  options->nut_may_be_end = c->nut != NUT_AT_LINE;
  if (c->nut == NUT_AT_LINE)
    options->told_position = lines[c->nut_index].position;
  else if (c->nut == NUT_AT_END)
    options->told_position = options->end_position[c->nut_index];
  leave_out_rivals(marks, layout, options, lines, c);
  return SP_OK;
}

static void settle_nut(const sp_marks *marks, const sp_match_options *options, corrected *c, sp_match *match)
{
  const ptrdiff_t before = match->line_of_fret[0];
  const int side = match->direction > 0 ? 0 : 1;
  if ((c->nut == NUT_AT_END && c->nut_index != (size_t)side) || (c->nut != NUT_AT_LINE && !options->has_end[side])) {
    c->nut_contradicted = true;
    return;
  }
  match->nut_is_end = c->nut != NUT_AT_LINE;
  match->nut_end_assumed = false;
  match->is_contested[0] = false;
  match->nut_end = side;
  match->line_of_fret[0] = c->nut == NUT_AT_LINE ? (ptrdiff_t)c->nut_index : -1;
  if (before >= 0 && before != match->line_of_fret[0])
    match->is_stray[before] = true;
  if (c->nut == NUT_AT_LINE)
    match->is_stray[c->nut_index] = false;
  for (size_t i = 0; i < marks->count; i++)
    if (c->rival[i])
      match->is_stray[i] = true;
}

static int32_t fret_of(const sp_match *match, int32_t frets, ptrdiff_t line)
{
  for (int32_t k = 0; k <= frets; k++)
    if (match->line_of_fret[k] == line)
      return k;
  return -1;
}

/* The fret whose place is within reach of the line; -1 none. */
static int32_t fret_near(const sp_match *match, const sp_layout *layout, double position)
{
  const double x_mm = layout->position_mm[0] + match->direction * (position - match->nut_position) * match->mm_per_unit;
  for (int32_t k = match->nut_is_end ? 1 : 0; k <= layout->frets; k++)
    if (fabs(x_mm - layout->position_mm[k]) <= reach_mm(layout, k))
      return k;
  return -1;
}

static bool is_pointed_at(const corrected *c, ptrdiff_t line)
{
  for (size_t i = 0; i < c->count; i++)
    if (c->line[i] == line && line >= 0)
      return true;
  return false;
}

void corrected_settle(const sp_marks *marks, const sp_layout *layout, const sp_match_line *lines,
                      const sp_match_options *options, corrected *c, sp_match *match)
{
  if (!c->count)
    return;
  if (c->nut != NUT_UNTOLD && is_placed(match))
    settle_nut(marks, options, c, match);
  else if (c->nut != NUT_UNTOLD)
    c->nut_contradicted = true;
  c->placed = is_placed(match);
  for (size_t i = 0; i < c->count; i++) {
    const ptrdiff_t line = c->line[i];
    c->added[i] = line >= 0 && marks->marks[line].by_hand;
    if (line < 0 || !c->placed)
      continue;
    c->fret[i] = fret_of(match, layout->frets, line);
    if (c->fret[i] >= 0)
      match->is_contested[c->fret[i]] = false; /* somebody who looked has said which */
    const int32_t near = c->fret[i] >= 0 ? -1 : fret_near(match, layout, lines[line].position);
    if (near < 0 || is_pointed_at(c, match->line_of_fret[near]))
      continue;
    if (match->line_of_fret[near] >= 0)
      match->is_stray[match->line_of_fret[near]] = true;
    match->line_of_fret[near] = line;
    match->is_stray[line] = false;
    match->is_contested[near] = false;
    c->fret[i] = near;
    c->chosen[i] = true;
  }
}

/* ---- what came of it -------------------------------------------------------------------------------------------- */

static void note_mark(size_t entry, corrected *c, sp_record *record)
{
  sp_correction_record *done = &c->done[entry];
  const int32_t fret = c->fret[entry];
  if (fret < 0) {
    conclude(done, c->added[entry] ? SP_CORRECTION_APPLIED : SP_CORRECTION_ALREADY_SO,
             "a line was found there%s, but %s", c->added[entry] ? "" : " without being told",
             c->placed ? "no fret belongs there" : "which fret it is cannot be told");
    return;
  }
  sp_mark_record *m = &record->marks[fret];
  char name[24] = "the nut";
  if (fret)
    snprintf(name, sizeof name, "fret %d", (int)fret);
  if (c->added[entry]) {
    conclude(done, SP_CORRECTION_APPLIED, "a line was found there that had not been seen before; it is %s", name);
  } else if (c->chosen[entry]) {
    m->by_hand = SP_BY_HAND_CHOSEN;
    conclude(done, SP_CORRECTION_APPLIED, "the line there was taken for %s", name);
  } else {
    conclude(done, SP_CORRECTION_ALREADY_SO, "the line there was found and taken for %s without being told", name);
  }
}

static void note_nut(corrected *c, sp_record *record)
{
  sp_correction_record *done = &c->done[c->nut_entry];
  static const char *const WHAT[] = {[NUT_UNTOLD] = "",
                                     [NUT_AT_LINE] = "the line there",
                                     [NUT_AT_END] = "the board's end",
                                     [NUT_AT_EDGE] = "the edge there"};
  if (c->nut_contradicted) {
    conclude(done, SP_CORRECTION_REFUSED,
             "with %s as the nut the other lines do not fit the layout; look whether another one is meant",
             WHAT[c->nut]);
    return;
  }
  if (c->nut_found_anyway) {
    conclude(done, SP_CORRECTION_ALREADY_SO, "%s was taken for the nut without being told", WHAT[c->nut]);
    return;
  }
  if (record->mark_count)
    record->marks[0].by_hand = SP_BY_HAND_NUT;
  conclude(done, SP_CORRECTION_APPLIED, "%s was taken for the nut", WHAT[c->nut]);
}

static void note_stroke(const sp_reference *r, const corrected *c, sp_correction_record *done)
{
  if (c->stroke_count < 2)
    conclude(done, SP_CORRECTION_REFUSED,
             "one reading alone does not say how far apart the strokes are; point at a second stroke, far from it");
  else if (r->told == SP_TOLD_CONTRADICTED)
    conclude(done, SP_CORRECTION_REFUSED, "it does not fit the rule's strokes and the other readings");
  else if (r->told == SP_TOLD_UNUSED)
    conclude(done, SP_CORRECTION_NOTHING_THERE, "no rule was read there for it to say anything of");
  else if (r->told == SP_TOLD_AGREES)
    conclude(done, SP_CORRECTION_ALREADY_SO, "the rule was read so without being told");
  else
    conclude(done, SP_CORRECTION_APPLIED, "it settled what the rule's graduation is");
}

void corrected_note_strokes(const sp_reference *reference, corrected *c)
{
  for (size_t i = 0; i < c->count; i++)
    if (kind_of(c, i) == SP_CORRECTION_GRADUATION)
      note_stroke(reference, c, &c->done[i]);
}

sp_status corrected_note(corrected *c, sp_record *record, sp_error *err)
{
  sp_status status = SP_OK;
  for (size_t i = 0; i < c->count; i++)
    if (kind_of(c, i) == SP_CORRECTION_MARK_HERE && c->line[i] >= 0)
      note_mark(i, c, record);
  for (size_t i = 0; i < c->count; i++)
    if (c->nut != NUT_UNTOLD && kind_of(c, i) == SP_CORRECTION_NUT_HERE && !c->done[i].text[0]) {
      c->nut_entry = i;
      note_nut(c, record);
    }
  for (size_t i = 0; !status && i < c->count; i++)
    status = sp_record_add_correction(record, &c->done[i], err);
  return status;
}
