/* The keys: reading and writing of one kind stand side by side. */
#include "boardfile/keys.h"

#include <ctype.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "boardfile/values.h"

enum { STEP_TEXT = 40, STEPS_A_LINE = 8, PARTIALS_TEXT = 220 };

static bool equal_words(const char *a, const char *b)
{
  for (; *a && *b; a++, b++)
    if (tolower((unsigned char)*a) != tolower((unsigned char)*b))
      return false;
  return *a == *b;
}

/* ---- text ------------------------------------------------------------------------------------------------------- */

static bool begins_comment(const char *at)
{
  return *at == '#' || *at == ';';
}

bool board_name_fits(const char *name)
{
  const size_t length = strlen(name);
  if (!length || name[0] == ' ' || name[length - 1] == ' ' || begins_comment(name))
    return false;
  for (size_t i = 0; i < length; i++)
    if ((unsigned char)name[i] < 0x20 || name[i] == 0x7f || (name[i] == ' ' && begins_comment(name + i + 1)))
      return false;
  return true;
}

static sp_status read_name(const key_entry *key, const char *value, sp_boardfile *b, sp_error *err)
{
  (void)key;
  const size_t length = strlen(value);
  if (length >= sizeof b->name)
    return sp_fail(err, SP_E_USAGE, "is longer than %zu bytes; shorten it", sizeof b->name - 1);
  if (!board_name_fits(value))
    return sp_fail(err, SP_E_USAGE, "a name holds plain text only; write letters, numbers and single marks");
  memcpy(b->name, value, length + 1);
  return SP_OK;
}

static bool write_name(const key_entry *key, const sp_boardfile *b, FILE *file)
{
  (void)key;
  return b->name[0] && fputs(b->name, file) >= 0;
}

/* ---- numbers ---------------------------------------------------------------------------------------------------- */

static double *length_of(const key_entry *key, sp_boardfile *b)
{
  return (double *)(void *)((char *)b + key->offset);
}

static sp_status read_length(const key_entry *key, const char *value, sp_boardfile *b, sp_error *err)
{
  return sp_parse_length(value, key->sign, length_of(key, b), err);
}

static bool write_length(const key_entry *key, const sp_boardfile *b, FILE *file)
{
  double value;
  memcpy(&value, (const char *)b + key->offset, sizeof value);
  if (isnan(value))
    return false;
  board_write_length(value, file);
  return true;
}

static sp_status read_scale_length(const key_entry *key, const char *value, sp_boardfile *b, sp_error *err)
{
  const sp_status status = read_length(key, value, b, err);
  if (status || (b->scale_length_mm >= SP_SCALE_LENGTH_MIN_MM && b->scale_length_mm <= SP_SCALE_LENGTH_MAX_MM))
    return status;
  return sp_fail(err, SP_E_USAGE, "%g mm is outside %g to %g mm; check its unit", b->scale_length_mm,
                 SP_SCALE_LENGTH_MIN_MM, SP_SCALE_LENGTH_MAX_MM);
}

static sp_status read_count(const key_entry *key, const char *value, sp_boardfile *b, sp_error *err)
{
  const size_t length = strlen(value);
  const bool digits = length > 0 && length < 10 && strspn(value, "0123456789") == length;
  const long n = digits ? strtol(value, NULL, 10) : 0;
  if (n < 1 || n > key->most)
    return sp_fail(err, SP_E_USAGE, "'%.40s' will not do; write a whole number from 1 to %ld", value, (long)key->most);
  const int32_t count = (int32_t)n;
  memcpy((char *)b + key->offset, &count, sizeof count);
  return SP_OK;
}

static bool write_count(const key_entry *key, const sp_boardfile *b, FILE *file)
{
  int32_t count;
  memcpy(&count, (const char *)b + key->offset, sizeof count);
  return count > 0 && fprintf(file, "%ld", (long)count) > 0;
}

static sp_status read_tolerance(const key_entry *key, const char *value, sp_boardfile *b, sp_error *err)
{
  (void)key;
  return sp_parse_tolerance(value, &b->tolerance, err);
}

static bool write_tolerance(const key_entry *key, const sp_boardfile *b, FILE *file)
{
  (void)key;
  const bool mm = !isnan(b->tolerance.tolerance_mm), cents = !isnan(b->tolerance.tolerance_cents);
  if (mm)
    board_write_length(b->tolerance.tolerance_mm, file);
  if (mm && cents)
    fputs(", ", file);
  if (cents) {
    board_write_cents(b->tolerance.tolerance_cents, file);
    fputc('c', file);
  }
  return mm || cents;
}

/* ---- words ------------------------------------------------------------------------------------------------------ */

const char *sp_nut_choice_word(sp_nut_choice nut)
{
  return nut == SP_NUT_LINE ? "line" : nut == SP_NUT_END ? "end" : "auto";
}

static sp_status read_marks(const key_entry *key, const char *value, sp_boardfile *b, sp_error *err)
{
  (void)key;
  for (int kind = SP_MARK_KNIFE; kind <= SP_MARK_WIRE; kind++)
    if (equal_words(value, sp_mark_kind_word((sp_mark_kind)kind))) {
      b->marks = (sp_mark_kind)kind;
      b->marks_given = true;
      return SP_OK;
    }
  return sp_fail(err, SP_E_USAGE, "'%.40s' is not a kind of mark; write knife, slot or wire", value);
}

static bool write_marks(const key_entry *key, const sp_boardfile *b, FILE *file)
{
  (void)key;
  return b->marks_given && fputs(sp_mark_kind_word(b->marks), file) >= 0;
}

static sp_status read_nut(const key_entry *key, const char *value, sp_boardfile *b, sp_error *err)
{
  (void)key;
  for (int nut = SP_NUT_AUTO; nut <= SP_NUT_END; nut++)
    if (equal_words(value, sp_nut_choice_word((sp_nut_choice)nut))) {
      b->nut = (sp_nut_choice)nut;
      b->nut_given = true;
      return SP_OK;
    }
  return sp_fail(err, SP_E_USAGE, "'%.40s' will not do; write auto, line or end", value);
}

static bool write_nut(const key_entry *key, const sp_boardfile *b, FILE *file)
{
  (void)key;
  return b->nut_given && fputs(sp_nut_choice_word(b->nut), file) >= 0;
}

static sp_status read_fret(const key_entry *key, const char *value, sp_boardfile *b, sp_error *err)
{
  (void)key;
  return sp_parse_fret(value, &b->fan.square_fret, err);
}

static bool write_fret(const key_entry *key, const sp_boardfile *b, FILE *file)
{
  (void)key;
  return !isnan(b->fan.square_fret) && fprintf(file, "%.15g", b->fan.square_fret) > 0;
}

static sp_status read_yes(const key_entry *key, const char *value, sp_boardfile *b, sp_error *err)
{
  const bool yes = equal_words(value, "yes");
  if (!yes && !equal_words(value, "no"))
    return sp_fail(err, SP_E_USAGE, "'%.40s' will not do; write yes or no", value);
  memcpy((char *)b + key->offset, &yes, sizeof yes);
  return SP_OK;
}

/* No is what holds without a word. */
static bool write_yes(const key_entry *key, const sp_boardfile *b, FILE *file)
{
  bool yes;
  memcpy(&yes, (const char *)b + key->offset, sizeof yes);
  return yes && fputs("yes", file) >= 0;
}

/* ---- partial frets ---------------------------------------------------------------------------------------------- */

/* One may end the line with a comma and go on in the next. */
static sp_status read_partials(const key_entry *key, const char *value, sp_boardfile *b, sp_error *err)
{
  (void)key;
  char text[PARTIALS_TEXT];
  size_t length = strlen(value);
  if (length >= sizeof text)
    return sp_fail(err, SP_E_USAGE, "the line is too long; go on in a line that begins with a blank");
  while (length && (value[length - 1] == ' ' || value[length - 1] == '\t'))
    length--;
  length -= length && value[length - 1] == ',';
  memcpy(text, value, length);
  text[length] = '\0';
  return sp_parse_partials(text, SP_BOARD_MAX_PARTIALS, b->partial, &b->partial_count, err);
}

static void write_amount(const sp_width_part *part, double value, FILE *file)
{
  if (part->in_mm) {
    board_write_length(value, file);
    return;
  }
  board_write_percent(value, file);
}

static bool write_partials(const key_entry *key, const sp_boardfile *b, FILE *file)
{
  (void)key;
  for (size_t i = 0; i < b->partial_count; i++) {
    const sp_width_part *part = &b->partial[i].part;
    fprintf(file, "%s%ld %s ", i ? ",\n                  " : "", (long)b->partial[i].fret,
            part->from_bass ? "bass" : "treble");
    if (part->begin > 0.0) {
      write_amount(part, part->begin, file);
      fputs(" to ", file);
    }
    write_amount(part, part->end, file);
  }
  return b->partial_count > 0;
}

/* ---- steps ------------------------------------------------------------------------------------------------------ */

static sp_status add_step(const char *text, sp_boardfile *b, sp_error *err)
{
  double cents;
  sp_ratio ratio;
  const sp_status status = sp_parse_step(text, &cents, &ratio, err);
  return status ? status : sp_steps_add(&b->steps, cents, ratio, err);
}

/* Steps with blanks between, or a comma; one may end the line. */
static sp_status read_steps(const key_entry *key, const char *value, sp_boardfile *b, sp_error *err)
{
  (void)key;
  sp_status status = SP_OK;
  for (const char *at = value; !status && *at;) {
    char text[STEP_TEXT];
    const size_t length = strcspn(at, ", \t");
    if (length >= sizeof text)
      return sp_fail(err, SP_E_USAGE, "'%.40s' is not a step; write cents or ratios with commas between", at);
    memcpy(text, at, length);
    text[length] = '\0';
    status = add_step(text, b, err);
    at += length;
    at += strspn(at, " \t");
    if (*at == ',')
      at++;
    at += strspn(at, " \t");
  }
  return status;
}

static bool write_steps(const key_entry *key, const sp_boardfile *b, FILE *file)
{
  (void)key;
  for (size_t i = 0; i < b->steps.count; i++) {
    if (i)
      fputs(i % STEPS_A_LINE ? ", " : ",\n                  ", file);
    board_write_step(b->steps.cents[i], b->steps.ratio ? b->steps.ratio[i] : (sp_ratio){0, 0}, file);
  }
  return b->steps.count > 0;
}

static sp_status read_steps_file(const key_entry *key, const char *value, sp_boardfile *b, sp_error *err)
{
  (void)key;
  const size_t size = strlen(value) + 1;
  b->steps_file = malloc(size);
  if (!b->steps_file)
    return sp_fail_memory(err);
  memcpy(b->steps_file, value, size);
  return SP_OK;
}

static bool write_steps_file(const key_entry *key, const sp_boardfile *b, FILE *file)
{
  (void)key;
  return b->steps_file && fputs(b->steps_file, file) >= 0;
}

/* ---- the table -------------------------------------------------------------------------------------------------- */

#define LENGTH(word, member, least)                                                                                    \
  {                                                                                                                    \
    word, read_length, write_length, offsetof(sp_boardfile, member), least, 0, false                                   \
  }

#define YES_OR_NO(word, member)                                                                                        \
  {                                                                                                                    \
    word, read_yes, write_yes, offsetof(sp_boardfile, member), SP_LENGTH_SIGNED, 0, false                              \
  }

const key_entry BOARD_KEYS[KEY_COUNT] = {
    [KEY_NAME] = {"name", read_name, write_name, 0, SP_LENGTH_SIGNED, 0, false},
    [KEY_SCALE_LENGTH] = {"scale length", read_scale_length, write_length, offsetof(sp_boardfile, scale_length_mm),
                          SP_LENGTH_POSITIVE, 0, false},
    [KEY_FRETS] = {"frets", read_count, write_count, offsetof(sp_boardfile, frets), SP_LENGTH_SIGNED,
                   SP_BOARD_MAX_FRETS, false},
    [KEY_DIVISIONS] = {"divisions", read_count, write_count, offsetof(sp_boardfile, divisions), SP_LENGTH_SIGNED,
                       SP_BOARD_MAX_DIVISIONS, false},
    [KEY_SCALE_BASS] = LENGTH("scale length bass", fan.bass_mm, SP_LENGTH_POSITIVE),
    [KEY_SCALE_TREBLE] = LENGTH("scale length treble", fan.treble_mm, SP_LENGTH_POSITIVE),
    [KEY_SPREAD_NUT] = LENGTH("spread nut", fan.spread_nut_mm, SP_LENGTH_POSITIVE),
    [KEY_SPREAD_SADDLE] = LENGTH("spread saddle", fan.spread_saddle_mm, SP_LENGTH_POSITIVE),
    [KEY_SQUARE_FRET] = {"square fret", read_fret, write_fret, 0, SP_LENGTH_SIGNED, 0, false},
    [KEY_STEPS] = {"steps", read_steps, write_steps, 0, SP_LENGTH_SIGNED, 0, true},
    [KEY_STEPS_FILE] = {"steps file", read_steps_file, write_steps_file, 0, SP_LENGTH_SIGNED, 0, false},
    [KEY_MARKS] = {"marks", read_marks, write_marks, 0, SP_LENGTH_SIGNED, 0, false},
    [KEY_NUT] = {"nut", read_nut, write_nut, 0, SP_LENGTH_SIGNED, 0, false},
    [KEY_ZERO_FRET] = YES_OR_NO("zero fret", zero_fret),
    [KEY_NUT_BEHIND] = LENGTH("nut behind", nut_behind_mm, SP_LENGTH_POSITIVE),
    [KEY_NUT_SHIFT] = LENGTH("nut shift", nut_shift_mm, SP_LENGTH_SIGNED),
    [KEY_PARTIAL_FRETS] = {"partial frets", read_partials, write_partials, 0, SP_LENGTH_SIGNED, 0, true},
    [KEY_LEFT_HANDED] = YES_OR_NO("left handed", left_handed),
    [KEY_TANG] = LENGTH("tang", tang_mm, SP_LENGTH_POSITIVE),
    [KEY_TOLERANCE] = {"tolerance", read_tolerance, write_tolerance, 0, SP_LENGTH_SIGNED, 0, false},
    [KEY_NUT_WIDTH] = LENGTH("nut width", shape.nut_width_mm, SP_LENGTH_POSITIVE),
    [KEY_END_WIDTH] = LENGTH("end width", shape.end_width_mm, SP_LENGTH_POSITIVE),
    [KEY_END_AT] = LENGTH("end at", shape.end_at_mm, SP_LENGTH_POSITIVE),
    [KEY_RADIUS] = LENGTH("radius", shape.radius_mm, SP_LENGTH_POSITIVE),
    [KEY_END_RADIUS] = LENGTH("end radius", shape.end_radius_mm, SP_LENGTH_POSITIVE),
    [KEY_TANG_DEPTH] = LENGTH("tang depth", shape.tang_depth_mm, SP_LENGTH_POSITIVE),
    [KEY_CLEARANCE] = LENGTH("clearance", shape.clearance_mm, SP_LENGTH_NOT_NEGATIVE),
    [KEY_THICKNESS] = LENGTH("thickness", shape.thickness_mm, SP_LENGTH_POSITIVE),
};

const char *sp_boardfile_key(size_t index)
{
  return index < KEY_COUNT ? BOARD_KEYS[index].name : NULL;
}
