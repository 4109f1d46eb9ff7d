/* What the keys say together: which exclude or need one another, and whether a board can be made of them. Complaints
 * name the line of the key that could go or be corrected. */
#include <ctype.h>
#include <math.h>
#include <string.h>

#include "boardfile/keys.h"

typedef struct key_pair {
  board_key one, other;
} key_pair;

static const key_pair EXCLUDE[] = {
    {KEY_SCALE_BASS, KEY_SCALE_LENGTH}, {KEY_SCALE_TREBLE, KEY_SCALE_LENGTH}, {KEY_SCALE_BASS, KEY_ZERO_FRET},
    {KEY_SCALE_BASS, KEY_NUT_SHIFT},    {KEY_SCALE_BASS, KEY_PARTIAL_FRETS},  {KEY_STEPS, KEY_DIVISIONS},
    {KEY_STEPS_FILE, KEY_DIVISIONS},    {KEY_STEPS_FILE, KEY_STEPS},          {KEY_NUT_SHIFT, KEY_ZERO_FRET}};

static const key_pair NEED[] = {
    {KEY_SCALE_BASS, KEY_SCALE_TREBLE}, {KEY_SCALE_TREBLE, KEY_SCALE_BASS},  {KEY_SCALE_BASS, KEY_SQUARE_FRET},
    {KEY_SQUARE_FRET, KEY_SCALE_BASS},  {KEY_SPREAD_NUT, KEY_SPREAD_SADDLE}, {KEY_SPREAD_SADDLE, KEY_SPREAD_NUT},
    {KEY_SPREAD_NUT, KEY_SCALE_BASS},   {KEY_NUT_BEHIND, KEY_ZERO_FRET},     {KEY_END_WIDTH, KEY_NUT_WIDTH},
    {KEY_END_RADIUS, KEY_RADIUS},       {KEY_CLEARANCE, KEY_TANG_DEPTH},     {KEY_THICKNESS, KEY_TANG_DEPTH}};

static size_t later(size_t a, size_t b)
{
  return a > b ? a : b;
}

static sp_status check_pairs(const board_lines *l, sp_error *err)
{
  for (size_t i = 0; i < sizeof EXCLUDE / sizeof *EXCLUDE; i++) {
    const size_t a = l->of[EXCLUDE[i].one], b = l->of[EXCLUDE[i].other];
    const bool one_last = a > b;
    if (a && b)
      return sp_fail(err, SP_E_DATA, "line %zu: '%s' contradicts '%s' of line %zu; delete one of them",
                     one_last ? a : b, BOARD_KEYS[one_last ? EXCLUDE[i].one : EXCLUDE[i].other].name,
                     BOARD_KEYS[one_last ? EXCLUDE[i].other : EXCLUDE[i].one].name, one_last ? b : a);
  }
  for (size_t i = 0; i < sizeof NEED / sizeof *NEED; i++)
    if (l->of[NEED[i].one] && !l->of[NEED[i].other])
      return sp_fail(err, SP_E_DATA, "line %zu: '%s' means nothing without '%s'; add that, or delete the line",
                     l->of[NEED[i].one], BOARD_KEYS[NEED[i].one].name, BOARD_KEYS[NEED[i].other].name);
  if (l->of[KEY_END_AT] && !l->of[KEY_END_WIDTH] && !l->of[KEY_END_RADIUS])
    return sp_fail(
        err, SP_E_DATA,
        "line %zu: 'end at' means nothing without 'end width' or 'end radius'; add one of them, or delete the "
        "line",
        l->of[KEY_END_AT]);
  return SP_OK;
}

/* One scale length, or two: of the centre line, to begin with. NAN if neither is told. */
static double middle_scale_mm(const sp_boardfile *b)
{
  return sp_fan_given(&b->fan) ? 0.5 * (b->fan.bass_mm + b->fan.treble_mm) : b->scale_length_mm;
}

/* Without spreads the two scale lengths are those at the board's edges, drawn on to the saddle. */
static sp_fan fan_of(const sp_boardfile *b, const sp_layout *layout)
{
  sp_fan fan = b->fan;
  if (!isnan(fan.spread_nut_mm) || !isnan(fan.spread_saddle_mm) || isnan(b->shape.nut_width_mm))
    return fan;
  sp_board_shape shape = b->shape;
  if (isnan(shape.end_at_mm))
    shape.end_at_mm = layout->position_mm[layout->frets];
  fan.spread_nut_mm = sp_board_width_mm(&shape, 0.0);
  fan.spread_saddle_mm = sp_board_width_mm(&shape, layout->scale_length_mm);
  return fan;
}

/* The plain layout: scale length or lengths, frets, steps. */
static sp_status plain_layout(const sp_boardfile *b, sp_layout *layout, sp_error *err)
{
  const bool fanned = sp_fan_given(&b->fan);
  const double scale_mm = middle_scale_mm(b);
  *layout = (sp_layout){0};
  if (fanned && (isnan(b->fan.bass_mm) || isnan(b->fan.treble_mm)))
    return sp_fail(err, SP_E_USAGE, "a fan has two scale lengths; give --scale-length-bass and --scale-length-treble");
  if (fanned && !isnan(b->scale_length_mm))
    return sp_fail(err, SP_E_USAGE,
                   "a fan has a bass and a treble scale length instead of one; leave --scale-length out");
  sp_status status = b->steps.count
                         ? sp_layout_steps(scale_mm, b->frets, b->steps.cents, b->steps.count, layout, err)
                         : sp_layout_equal(scale_mm, b->frets, b->divisions ? b->divisions : 12, layout, err);
  if (!status && fanned) {
    const sp_fan fan = fan_of(b, layout);
    status = sp_layout_fan(&fan, layout, err);
  }
  if (status)
    return status;
  memcpy(layout->name, b->name, sizeof layout->name);
  layout->left_handed = b->left_handed;
  return SP_OK;
}

/* What sets it apart from a plain one; *key is what cannot be. */
static sp_status set_apart(const sp_boardfile *b, sp_layout *layout, board_key *key, sp_error *err)
{
  sp_status status = SP_OK;
  *key = KEY_ZERO_FRET;
  if (b->zero_fret)
    status = sp_layout_zero_fret(layout, b->nut_behind_mm, err);
  if (!status && !isnan(b->nut_shift_mm)) {
    *key = KEY_NUT_SHIFT;
    status = sp_layout_shift_nut(layout, b->nut_shift_mm, err);
  }
  for (size_t i = 0; !status && i < b->partial_count; i++) {
    *key = KEY_PARTIAL_FRETS;
    status = sp_layout_set_part(layout, b->partial[i].fret, b->partial[i].part, err);
  }
  return status;
}

sp_status sp_boardfile_layout(const sp_boardfile *b, sp_layout *layout, sp_error *err)
{
  board_key key;
  *layout = (sp_layout){0};
  const bool told = !isnan(b->scale_length_mm) || sp_fan_given(&b->fan);
  if (!told || !b->frets)
    return sp_fail(err, SP_E_USAGE, "the %s missing; add it", !told ? "scale length is" : "number of frets is");
  sp_status status = plain_layout(b, layout, err);
  if (!status)
    status = set_apart(b, layout, &key, err);
  if (status)
    sp_layout_free(layout);
  return status;
}

/* The library's sentences name the program's options ("--end-width"); here they are keys ("'end width'"). */
static void name_keys(const char *from, char *to, size_t size)
{
  size_t n = 0;
  bool inside = false;
  for (; *from && n + 2 < size; from++) {
    if (!inside && from[0] == '-' && from[1] == '-') {
      inside = true;
      to[n++] = '\'';
      from++;
    } else if (inside && !isalpha((unsigned char)*from) && *from != '-') {
      inside = false;
      to[n++] = '\'';
      to[n++] = *from;
    } else {
      to[n++] = inside && *from == '-' ? ' ' : *from;
    }
  }
  if (inside && n + 1 < size)
    to[n++] = '\'';
  to[n] = '\0';
}

static sp_status complain(size_t line, const sp_error *said, sp_error *err)
{
  char text[SP_ERROR_TEXT_MAX];
  if (said->status == SP_E_INTERNAL)
    return sp_fail(err, SP_E_INTERNAL, "%s", said->text);
  name_keys(said->text, text, sizeof text);
  return sp_fail(err, SP_E_DATA, "line %zu: %.360s", line, text);
}

/* The last line that the layout, or the slots, come from. */
static size_t last_line(const board_lines *l, board_key first, board_key last)
{
  size_t line = 0;
  for (int key = (int)first; key <= (int)last; key++)
    line = later(line, l->of[key]);
  return line;
}

static sp_status check_slots(const sp_boardfile *b, const board_lines *l, const sp_layout *layout, sp_error *err)
{
  sp_slots slots;
  sp_error said = {0};
  if (!l->of[KEY_NUT_WIDTH] && !l->of[KEY_TANG_DEPTH])
    return SP_OK;
  sp_board_shape shape = b->shape;
  if (isnan(shape.nut_width_mm))
    shape.radius_mm = shape.end_radius_mm = NAN;
  if (sp_slots_plan(layout, &shape, &slots, &said))
    return complain(last_line(l, KEY_NUT_WIDTH, KEY_THICKNESS), &said, err);
  sp_slots_free(&slots);
  return SP_OK;
}

/* A zero fret is a line. */
static sp_status check_zero_fret(const sp_boardfile *b, const board_lines *l, sp_error *err)
{
  if (b->zero_fret && b->nut_given && b->nut == SP_NUT_END)
    return sp_fail(err, SP_E_DATA, "line %zu: a zero fret is a line, so 'nut = end' contradicts it; delete one of them",
                   later(l->of[KEY_NUT], l->of[KEY_ZERO_FRET]));
  if (!b->zero_fret && l->of[KEY_NUT_BEHIND])
    return sp_fail(err, SP_E_DATA, "line %zu: 'nut behind' means nothing with 'zero fret = no'; delete the line",
                   l->of[KEY_NUT_BEHIND]);
  return SP_OK;
}

sp_status board_agrees(const sp_boardfile *b, const board_lines *l, sp_error *err)
{
  sp_layout layout;
  board_key key;
  sp_error said = {0};
  sp_status status = check_pairs(l, err);
  if (!status)
    status = check_zero_fret(b, l, err);
  if (status || isnan(middle_scale_mm(b)) || !b->frets)
    return status;
  if (plain_layout(b, &layout, &said))
    return complain(last_line(l, KEY_FRETS, KEY_STEPS_FILE), &said, err);
  if (set_apart(b, &layout, &key, &said))
    status = complain(key == KEY_ZERO_FRET ? later(l->of[key], l->of[KEY_NUT_BEHIND]) : l->of[key], &said, err);
  if (!status)
    status = check_slots(b, l, &layout, err);
  sp_layout_free(&layout);
  return status;
}
