/* Options of a scanner, by the well-known names of the SANE standard (version 1, chapter 4).
 *
 * What a device does not have is passed over where the picture is grey and whole all the same (a source to choose, a
 * preview), and refused where it decides what is measured: a resolution near the one asked for is not it. */
#include "slotproof/scan.h"

#ifdef SLOTPROOF_SCAN

#include <math.h>
#include <sane/saneopts.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "settings.h"

/* Not more than this off what was asked for, parts. */
static const double RESOLUTION_NEAR = 0.01;
static const double MM_PER_INCH = 25.4;
/* Texts and lists that a driver may have at the most. */
enum { MOST_TEXT = 1024, MOST_CHOICES = 256 };
/* Of SANE 1.1, which its own header keeps back. */
enum { WARMING_UP = 12, HW_LOCKED = 13 };

sp_status scan_failed(SANE_Status status, const char *what, sp_error *err)
{
  const char *name = sane_strstatus(status);
  switch ((int)status) {
  case SANE_STATUS_DEVICE_BUSY:
    return sp_fail(err, SP_E_IO, "the scanner is busy; close other programs that use it, or wait, and try again");
  case SANE_STATUS_JAMMED:
    return sp_fail(err, SP_E_IO, "the scanner is jammed; take out what is stuck and try again");
  case SANE_STATUS_NO_DOCS:
    return sp_fail(err, SP_E_IO, "the scanner looks for paper in its feeder; take the paper out and use the glass");
  case SANE_STATUS_COVER_OPEN:
    return sp_fail(err, SP_E_IO, "the scanner's cover is open; close it and try again");
  case SANE_STATUS_NO_MEM:
    return sp_fail_memory(err);
  case SANE_STATUS_ACCESS_DENIED:
    return sp_fail(err, SP_E_NOINPUT,
                   "the scanner may not be used by you; join the group it belongs to (on Debian: scanner) and log in "
                   "again");
  case WARMING_UP:
    return sp_fail(err, SP_E_IO, "the scanner's lamp is warming up; try again in a minute");
  case HW_LOCKED:
    return sp_fail(err, SP_E_IO, "the scanner is locked for transport; push its lock open and try again");
  default:
    return sp_fail(err, SP_E_IO, "the scanner could not %s (%s); switch it off and on and try again", what,
                   name ? name : "no reason given");
  }
}

/* ---- one option ------------------------------------------------------------------------------------------------- */

typedef struct setting {
  SANE_Int number; /* 0: there is none */
  const SANE_Option_Descriptor *about;
} setting;

static setting find(SANE_Handle device, const char *name)
{
  SANE_Int count = 0;
  const setting none = {0, NULL};
  (void)sane_get_option_descriptor(device, 0); /* after a change each has to be asked for anew before it is used */
  if (sane_control_option(device, 0, SANE_ACTION_GET_VALUE, &count, NULL) != SANE_STATUS_GOOD)
    return none;
  for (SANE_Int i = 1; i < count; i++) {
    const SANE_Option_Descriptor *about = sane_get_option_descriptor(device, i);
    if (about && about->name && strcmp(about->name, name) == 0 && SANE_OPTION_IS_ACTIVE(about->cap))
      return (setting){i, about};
  }
  return none;
}

static bool is_number(const setting *s)
{
  return s->number && (s->about->type == SANE_TYPE_INT || s->about->type == SANE_TYPE_FIXED) &&
         s->about->size == (SANE_Int)sizeof(SANE_Word);
}

static double from_word(const setting *s, SANE_Word word)
{
  return s->about->type == SANE_TYPE_FIXED ? SANE_UNFIX(word) : (double)word;
}

static SANE_Word to_word(const setting *s, double value)
{
  return s->about->type == SANE_TYPE_FIXED ? SANE_FIX(value) : (SANE_Word)lround(value);
}

/* What the option then is; NAN if it cannot be told. */
static double value_of(SANE_Handle device, const setting *s)
{
  SANE_Word word = 0;
  (void)sane_get_option_descriptor(device, s->number);
  if (!is_number(s) || sane_control_option(device, s->number, SANE_ACTION_GET_VALUE, &word, NULL) != SANE_STATUS_GOOD)
    return NAN;
  return from_word(s, word);
}

static SANE_Status set_number(SANE_Handle device, const setting *s, double value)
{
  SANE_Word word = to_word(s, value);
  return SANE_OPTION_IS_SETTABLE(s->about->cap)
             ? sane_control_option(device, s->number, SANE_ACTION_SET_VALUE, &word, NULL)
             : SANE_STATUS_GOOD;
}

static SANE_Status set_text(SANE_Handle device, const setting *s, const char *text)
{
  char value[MOST_TEXT] = "";
  if (s->about->size > MOST_TEXT || strlen(text) >= (size_t)s->about->size)
    return SANE_STATUS_UNSUPPORTED;
  memcpy(value, text, strlen(text));
  return sane_control_option(device, s->number, SANE_ACTION_SET_VALUE, value, NULL);
}

/* ---- words ------------------------------------------------------------------------------------------------------ */

static bool holds(const char *text, const char *part)
{
  const size_t length = strlen(part);
  for (; *text; text++)
    if (strncasecmp(text, part, length) == 0)
      return true;
  return false;
}

/* "Gray", "Grayscale", "True Gray" are grey; "Gray (halftone)" is not. */
static bool is_grey(const char *mode)
{
  return (holds(mode, "gray") || holds(mode, "grey")) && !holds(mode, "half") && !holds(mode, "dither") &&
         !holds(mode, "error diffusion");
}

static bool is_flatbed(const char *source)
{
  return holds(source, "flatbed") || holds(source, "platen") || strcasecmp(source, "normal") == 0;
}

/* The first of the option's words that will do; NULL if none will. */
static const char *word_for(const setting *s, bool (*will_do)(const char *word))
{
  if (!s->number || s->about->type != SANE_TYPE_STRING || s->about->constraint_type != SANE_CONSTRAINT_STRING_LIST)
    return NULL;
  for (size_t i = 0; i < MOST_CHOICES && s->about->constraint.string_list[i]; i++)
    if (will_do(s->about->constraint.string_list[i]))
      return s->about->constraint.string_list[i];
  return NULL;
}

static sp_status choose_source(SANE_Handle device, sp_error *err)
{
  const setting s = find(device, SANE_NAME_SCAN_SOURCE);
  const char *flatbed = word_for(&s, is_flatbed);
  const SANE_Status status = flatbed ? set_text(device, &s, flatbed) : SANE_STATUS_GOOD;
  return status == SANE_STATUS_GOOD ? SP_OK : scan_failed(status, "be set to its glass", err);
}

static sp_status choose_grey(SANE_Handle device, sp_error *err)
{
  const setting s = find(device, SANE_NAME_SCAN_MODE);
  if (!s.number)
    return SP_OK; /* it has one mode; what it sends shows which */
  const char *grey = word_for(&s, is_grey);
  if (!grey)
    return sp_fail(err, SP_E_USAGE, "this scanner offers no grey; scan in colour with another program");
  const SANE_Status status = set_text(device, &s, grey);
  return status == SANE_STATUS_GOOD ? SP_OK : scan_failed(status, "be set to grey", err);
}

/* ---- numbers ---------------------------------------------------------------------------------------------------- */

static sp_status choose_depth(SANE_Handle device, int bits, sp_error *err)
{
  const setting s = find(device, SANE_NAME_BIT_DEPTH);
  if (!is_number(&s))
    return bits == 8 ? SP_OK : sp_fail(err, SP_E_USAGE, "this scanner has 8 bits only; leave --bits out");
  const SANE_Status status = set_number(device, &s, bits);
  if (status == SANE_STATUS_GOOD && value_of(device, &s) == bits)
    return SP_OK;
  return sp_fail(err, SP_E_USAGE, "this scanner has no %d bits in grey; say --bits %d", bits, bits == 8 ? 16 : 8);
}

/* "75, 150, 300" or "50 to 1200", as it stands in a list of the device. */
static void say_choices(const setting *s, char *into, size_t size)
{
  size_t used = 0;
  into[0] = '\0';
  if (s->about->constraint_type == SANE_CONSTRAINT_RANGE) {
    const SANE_Range *r = s->about->constraint.range;
    snprintf(into, size, "%.6g to %.6g", from_word(s, r->min), from_word(s, r->max));
  } else if (s->about->constraint_type == SANE_CONSTRAINT_WORD_LIST) {
    const SANE_Word *list = s->about->constraint.word_list;
    for (SANE_Int i = 1; i <= list[0] && i < MOST_CHOICES && used + 16 < size; i++)
      used += (size_t)snprintf(into + used, size - used, "%s%.6g", i > 1 ? ", " : "", from_word(s, list[i]));
  } else {
    snprintf(into, size, "others");
  }
}

static sp_status one_resolution(SANE_Handle device, const char *name, double dpi, double *got, sp_error *err)
{
  const setting s = find(device, name);
  char choices[160];
  *got = NAN;
  if (!is_number(&s))
    return SP_OK;
  const SANE_Status status = set_number(device, &s, dpi);
  *got = value_of(device, &s);
  if (status == SANE_STATUS_GOOD && fabs(*got / dpi - 1.0) < RESOLUTION_NEAR)
    return SP_OK;
  say_choices(&s, choices, sizeof choices);
  return sp_fail(err, SP_E_USAGE, "this scanner does not have %.6g dpi; it has %s", dpi, choices);
}

static sp_status choose_resolution(SANE_Handle device, double dpi, double *got, sp_error *err)
{
  double x = NAN;
  sp_status status = one_resolution(device, SANE_NAME_SCAN_RESOLUTION, dpi, got, err);
  if (!status && isnan(*got))
    status = one_resolution(device, SANE_NAME_SCAN_X_RESOLUTION, dpi, &x, err);
  if (!status)
    status = one_resolution(device, SANE_NAME_SCAN_Y_RESOLUTION, dpi, isnan(*got) ? got : &x, err);
  if (!status && isnan(*got))
    *got = x;
  if (!status && isnan(*got))
    return sp_fail(err, SP_E_USAGE, "this scanner does not let its resolution be chosen");
  return status;
}

/* From its unit to mm: areas are in mm or in pixels. */
static double mm_per_unit(const setting *s, double dpi)
{
  return s->about->unit == SANE_UNIT_PIXEL ? MM_PER_INCH / dpi : 1.0;
}

/* The least (0) or the most (1) that an edge of the area can be, mm; NAN if that cannot be told. */
static double limit_of(SANE_Handle device, const char *name, int most, double dpi)
{
  const setting s = find(device, name);
  if (!is_number(&s) || s.about->constraint_type != SANE_CONSTRAINT_RANGE)
    return NAN;
  const SANE_Range *r = s.about->constraint.range;
  return from_word(&s, most ? r->max : r->min) * mm_per_unit(&s, dpi);
}

static sp_status set_edge(SANE_Handle device, const char *name, double mm, double dpi, sp_error *err)
{
  const setting s = find(device, name);
  if (isnan(mm) || !is_number(&s))
    return SP_OK;
  const SANE_Status status = set_number(device, &s, mm / mm_per_unit(&s, dpi));
  return status == SANE_STATUS_GOOD ? SP_OK : scan_failed(status, "be set to that area", err);
}

/* A hundredth of an inch that a driver rounds by is no other area. */
static const double EDGE_SLACK_MM = 0.3;

static sp_status choose_area(SANE_Handle device, const sp_scan_options *o, double dpi, sp_error *err)
{
  double left = limit_of(device, SANE_NAME_SCAN_TL_X, 0, dpi), top = limit_of(device, SANE_NAME_SCAN_TL_Y, 0, dpi);
  double right = limit_of(device, SANE_NAME_SCAN_BR_X, 1, dpi), bottom = limit_of(device, SANE_NAME_SCAN_BR_Y, 1, dpi);
  if (!isnan(o->width_mm)) {
    if (isnan(left + top + right + bottom))
      return sp_fail(err, SP_E_USAGE, "this scanner does not let an area be chosen; leave --area out");
    if (o->left_mm + o->width_mm > right - left + EDGE_SLACK_MM ||
        o->top_mm + o->height_mm > bottom - top + EDGE_SLACK_MM)
      return sp_fail(err, SP_E_USAGE, "the area reaches beyond the glass, which is %.6g mm x %.6g mm", right - left,
                     bottom - top);
    right = fmin(right, left + o->left_mm + o->width_mm);
    bottom = fmin(bottom, top + o->top_mm + o->height_mm);
    left += o->left_mm;
    top += o->top_mm;
  }
  /* the far edges first where they are at home, so that no edge passes the opposite one on its way */
  sp_status status = set_edge(device, SANE_NAME_SCAN_BR_X, right, dpi, err);
  if (!status)
    status = set_edge(device, SANE_NAME_SCAN_BR_Y, bottom, dpi, err);
  if (!status)
    status = set_edge(device, SANE_NAME_SCAN_TL_X, left, dpi, err);
  if (!status)
    status = set_edge(device, SANE_NAME_SCAN_TL_Y, top, dpi, err);
  return status;
}

static void leave_preview(SANE_Handle device)
{
  const setting s = find(device, SANE_NAME_PREVIEW);
  SANE_Word no = SANE_FALSE;
  if (s.number && s.about->type == SANE_TYPE_BOOL && SANE_OPTION_IS_SETTABLE(s.about->cap))
    (void)sane_control_option(device, s.number, SANE_ACTION_SET_VALUE, &no, NULL); /* a driver that refuses has none */
}

sp_status scan_set_up(SANE_Handle device, const sp_scan_options *o, sp_scan_result *result, sp_error *err)
{
  leave_preview(device);
  sp_status status = choose_source(device, err);
  if (!status)
    status = choose_grey(device, err);
  if (!status)
    status = choose_depth(device, o->bits, err);
  if (!status)
    status = choose_resolution(device, o->dpi, &result->dpi, err);
  if (!status)
    status = choose_area(device, o, result->dpi, err);
  result->bits = o->bits;
  return status;
}

#endif
