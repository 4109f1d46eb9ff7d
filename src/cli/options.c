/* Options: one table serves the reading and the help, so the two cannot drift apart. */
#include <errno.h>
#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "cli.h"
#include "slotproof/hash.h"
#include "slotproof/rule.h"

enum { MAX_WORKERS = 256 };
/* Degrees Celsius a workshop may have. */
static const double MIN_TEMPERATURE_C = -20.0, MAX_TEMPERATURE_C = 60.0;
/* Pixels of the largest picture are counted with fewer digits than a double holds exactly. */
static const double MAX_PX = 1e7;
/* A tuner worse than this reads nothing. */
static const double MOST_READING_U_CENTS = 50.0;

typedef sp_status (*setter)(const char *value, cli_request *request, sp_error *err);

typedef struct option_entry {
  unsigned commands;
  const char *name, *value; /* value: its name in the help, NULL = takes none */
  setter set;
  const char *help;
} option_entry;

/* ---- kinds of value --------------------------------------------------------------------------------------------- */

static sp_status whole_number(const char *value, long least, long most, int32_t *out, sp_error *err)
{
  char *end = NULL;
  errno = 0;
  const long n = strtol(value, &end, 10);
  if (!*value || strspn(value, "0123456789") != strlen(value) || *end || errno || n < least || n > most)
    return sp_fail(err, SP_E_USAGE, "'%.40s' will not do; give a whole number from %ld to %ld", value, least, most);
  *out = (int32_t)n;
  return SP_OK;
}

/* A decimal number without exponent, inf or nan; *end is where it stops. False if there is none. */
static bool decimal(const char *text, const char **end, double *out)
{
  const char *digits = text + (*text == '-' || *text == '+');
  const size_t length = strspn(digits, "0123456789.");
  char copy[40];
  char *stop = NULL;
  if (!length || length + 2 > sizeof copy)
    return false;
  const size_t all = (size_t)(digits - text) + length;
  memcpy(copy, text, all);
  copy[all] = '\0';
  *out = strtod(copy, &stop);
  *end = text + all;
  return stop != copy && *stop == '\0' && isfinite(*out);
}

static sp_status point_px(const char *value, sp_point *out, sp_error *err)
{
  const char *at = value;
  sp_point p = {NAN, NAN};
  if (decimal(at, &at, &p.x) && *at == ',' && decimal(at + 1, &at, &p.y) && *at == '\0' && fabs(p.x) <= MAX_PX &&
      fabs(p.y) <= MAX_PX) {
    *out = p;
    return SP_OK;
  }
  return sp_fail(err, SP_E_USAGE, "'%.40s' is not a place in the picture; give X,Y in pixels, as 120.5,88", value);
}

/* Index of `value` among `words`, or -1. */
static int word_index(const char *value, const char *const *words, size_t count)
{
  for (size_t i = 0; i < count; i++)
    if (strcmp(value, words[i]) == 0)
      return (int)i;
  return -1;
}

/* ---- setters ---------------------------------------------------------------------------------------------------- */

static sp_status set_scale_length(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_POSITIVE, &r->scale_length_mm, err);
}

static sp_status set_scale_bass(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_POSITIVE, &r->fan.bass_mm, err);
}

static sp_status set_scale_treble(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_POSITIVE, &r->fan.treble_mm, err);
}

static sp_status set_spread_nut(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_POSITIVE, &r->fan.spread_nut_mm, err);
}

static sp_status set_spread_saddle(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_POSITIVE, &r->fan.spread_saddle_mm, err);
}

static sp_status set_square_fret(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_fret(v, &r->fan.square_fret, err);
}

static sp_status set_frets(const char *v, cli_request *r, sp_error *err)
{
  return whole_number(v, 1, SP_BOARD_MAX_FRETS, &r->frets, err);
}

static sp_status set_divisions(const char *v, cli_request *r, sp_error *err)
{
  return whole_number(v, 1, SP_BOARD_MAX_DIVISIONS, &r->divisions, err);
}

static sp_status set_steps(const char *v, cli_request *r, sp_error *err)
{
  (void)err;
  r->steps = v;
  return SP_OK;
}

static sp_status set_zero_fret(const char *v, cli_request *r, sp_error *err)
{
  (void)v;
  (void)err;
  r->zero_fret = true;
  return SP_OK;
}

static sp_status set_nut_behind(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_POSITIVE, &r->nut_behind_mm, err);
}

static sp_status set_nut_shift(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_SIGNED, &r->nut_shift_mm, err);
}

static sp_status set_partial_frets(const char *v, cli_request *r, sp_error *err)
{
  r->partial_count = 0;
  return sp_parse_partials(v, SP_BOARD_MAX_PARTIALS, r->partial, &r->partial_count, err);
}

static sp_status set_nut_width(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_POSITIVE, &r->shape.nut_width_mm, err);
}

static sp_status set_end_width(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_POSITIVE, &r->shape.end_width_mm, err);
}

static sp_status set_end_at(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_POSITIVE, &r->shape.end_at_mm, err);
}

static sp_status set_radius(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_POSITIVE, &r->shape.radius_mm, err);
}

static sp_status set_end_radius(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_POSITIVE, &r->shape.end_radius_mm, err);
}

static sp_status set_tang_depth(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_POSITIVE, &r->shape.tang_depth_mm, err);
}

static sp_status set_clearance(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_NOT_NEGATIVE, &r->shape.clearance_mm, err);
}

static sp_status set_thickness(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_POSITIVE, &r->shape.thickness_mm, err);
}

static sp_status set_paper(const char *v, cli_request *r, sp_error *err)
{
  static const char *const WORDS[] = {"a4", "letter"};
  static const sp_paper PAPERS[] = {SP_PAPER_A4, SP_PAPER_LETTER};
  const int i = word_index(v, WORDS, 2);
  if (i < 0)
    return sp_fail(err, SP_E_USAGE, "'%.40s' is not a paper this program knows; give a4 or letter", v);
  r->paper = PAPERS[i];
  r->sheet.paper = i ? SP_STRIP_LETTER : SP_STRIP_A4;
  r->paper_given = true;
  return SP_OK;
}

static sp_status set_board(const char *v, cli_request *r, sp_error *err)
{
  (void)err;
  r->board = v;
  return SP_OK;
}

static sp_status set_marks(const char *v, cli_request *r, sp_error *err)
{
  static const char *const WORDS[] = {"knife", "slot", "wire"};
  static const sp_mark_kind KINDS[] = {SP_MARK_KNIFE, SP_MARK_SLOT, SP_MARK_WIRE};
  const int i = word_index(v, WORDS, 3);
  if (i < 0)
    return sp_fail(err, SP_E_USAGE, "'%.40s' is not a kind of mark; give knife, slot or wire", v);
  r->check.marks = KINDS[i];
  return SP_OK;
}

static sp_status set_nut(const char *v, cli_request *r, sp_error *err)
{
  static const char *const WORDS[] = {"auto", "line", "end"};
  static const sp_nut_choice CHOICES[] = {SP_NUT_AUTO, SP_NUT_LINE, SP_NUT_END};
  const int i = word_index(v, WORDS, 3);
  if (i < 0)
    return sp_fail(err, SP_E_USAGE, "'%.40s' will not do; give auto, line or end", v);
  r->check.nut = CHOICES[i];
  return SP_OK;
}

static sp_status set_reference(const char *v, cli_request *r, sp_error *err)
{
  static const char *const WORDS[] = {"auto", "rule", "distance", "dpi", "strip", "profile"};
  static const sp_reference_kind KINDS[] = {SP_REFERENCE_NONE, SP_REFERENCE_RULE,  SP_REFERENCE_DISTANCE,
                                            SP_REFERENCE_DPI,  SP_REFERENCE_STRIP, SP_REFERENCE_PROFILE};
  const int i = word_index(v, WORDS, 6);
  if (i < 0)
    return sp_fail(err, SP_E_USAGE,
                   "'%.40s' is not a kind of reference; give auto, rule, strip, profile, distance or dpi", v);
  r->check.reference.kind = KINDS[i];
  return SP_OK;
}

static sp_status set_graduation(const char *v, cli_request *r, sp_error *err)
{
  const sp_status status = sp_parse_length(v, SP_LENGTH_POSITIVE, &r->check.reference.graduation_mm, err);
  if (status || sp_graduation_of_mm(r->check.reference.graduation_mm) >= 0)
    return status;
  return sp_fail(
      err, SP_E_USAGE,
      "graduations of '%.40s' are not known; give 1mm, 0.5mm, 1/16in, 1/32in, 1/64in, 1/10in, 1/20in, 1/50in "
      "or 1/100in",
      v);
}

static sp_status set_mpe(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_NOT_NEGATIVE, &r->check.reference.mpe_mm, err);
}

static sp_status set_strip_length(const char *v, cli_request *r, sp_error *err)
{
  double *mm = &r->check.reference.strip_length_mm;
  const sp_status status = sp_parse_length(v, SP_LENGTH_POSITIVE, mm, err);
  if (status || sp_strip_check_meant(*mm) > 0.0)
    return status;
  return sp_fail(err, SP_E_USAGE, "'%.40s' is near neither A to B (%.2f mm) nor A to C (%.2f mm); measure again", v,
                 SP_STRIP_CHECK_MM, SP_STRIP_LONG_CHECK_MM);
}

static sp_status set_strip_width(const char *v, cli_request *r, sp_error *err)
{
  double *mm = &r->check.reference.strip_width_mm;
  const sp_status status = sp_parse_length(v, SP_LENGTH_POSITIVE, mm, err);
  if (status || sp_strip_cross_stretch(*mm) > 0.0)
    return status;
  return sp_fail(err, SP_E_USAGE, "'%.40s' is not near P to Q (%.2f mm); measure again", v, SP_STRIP_CROSS_CHECK_MM);
}

static sp_status set_distance(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_POSITIVE, &r->check.reference.distance_mm, err);
}

static sp_status set_reference_height(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_SIGNED, &r->check.reference.height_mm, err);
}

static sp_status set_camera_distance(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_POSITIVE, &r->check.reference.camera_distance_mm, err);
}

static sp_status set_face_radius(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_POSITIVE, &r->check.reference.radius_mm, err);
}

static sp_status set_from(const char *v, cli_request *r, sp_error *err)
{
  return point_px(v, &r->check.reference.from_px, err);
}

static sp_status set_to(const char *v, cli_request *r, sp_error *err)
{
  return point_px(v, &r->check.reference.to_px, err);
}

static sp_status set_tolerance(const char *v, cli_request *r, sp_error *err)
{
  sp_tolerance t;
  const sp_status status = sp_parse_tolerance(v, &t, err);
  if (!status) {
    r->check.tolerance_mm = t.tolerance_mm;
    r->check.tolerance_cents = t.tolerance_cents;
  }
  return status;
}

static sp_status set_left_handed(const char *v, cli_request *r, sp_error *err)
{
  (void)v;
  (void)err;
  r->left_handed = true;
  return SP_OK;
}

static sp_status set_temperature(const char *v, cli_request *r, sp_error *err)
{
  const char *end = v;
  double t = NAN;
  if (!decimal(v, &end, &t) || (*end && strcmp(end, "C") != 0) || t < MIN_TEMPERATURE_C || t > MAX_TEMPERATURE_C)
    return sp_fail(err, SP_E_USAGE, "'%.40s' will not do; give degrees Celsius from %.0f to %.0f, as 23", v,
                   MIN_TEMPERATURE_C, MAX_TEMPERATURE_C);
  r->check.temperature_c = t;
  return SP_OK;
}

static sp_status set_before(const char *v, cli_request *r, sp_error *err)
{
  (void)err;
  r->before = v;
  return SP_OK;
}

static sp_status set_correct(const char *v, cli_request *r, sp_error *err)
{
  (void)err;
  r->correct = v;
  return SP_OK;
}

static sp_status set_tang(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_POSITIVE, &r->check.kerf_mm, err);
}

static sp_status set_max_pixels(const char *v, cli_request *r, sp_error *err)
{
  char *end = NULL;
  errno = 0;
  const unsigned long long n = strtoull(v, &end, 10);
  if (!*v || strspn(v, "0123456789") != strlen(v) || *end || errno || n == 0)
    return sp_fail(err, SP_E_USAGE, "'%.40s' will not do; give the number of pixels a picture may have", v);
  r->check.read.max_pixels = n;
  return SP_OK;
}

static sp_status set_nut_place(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_SIGNED, &r->nut_mm, err);
}

static sp_status set_saddle(const char *v, cli_request *r, sp_error *err)
{
  r->saddle_count = 0;
  for (const char *at = v; at;) {
    const char *comma = strchr(at, ',');
    const size_t length = comma ? (size_t)(comma - at) : strlen(at);
    char part[64];
    if (length >= sizeof part || r->saddle_count == SP_MAX_STRINGS)
      return sp_fail(err, SP_E_USAGE, "'%.40s' will not do; give one length, or one for each of at most %d strings", v,
                     SP_MAX_STRINGS);
    memcpy(part, at, length);
    part[length] = '\0';
    const sp_status status = sp_parse_length(part, SP_LENGTH_POSITIVE, &r->saddle_mm[r->saddle_count++], err);
    if (status)
      return status;
    at = comma ? comma + 1 : NULL;
  }
  return SP_OK;
}

static sp_status set_strings(const char *v, cli_request *r, sp_error *err)
{
  (void)err;
  r->strings = v;
  return SP_OK;
}

static sp_status set_readings(const char *v, cli_request *r, sp_error *err)
{
  (void)err;
  r->readings = v;
  return SP_OK;
}

static sp_status set_reading_u(const char *v, cli_request *r, sp_error *err)
{
  const char *end = v;
  double u = NAN;
  if (!decimal(v, &end, &u) || (*end && strcmp(end, "c") != 0) || !(u > 0.0 && u <= MOST_READING_U_CENTS))
    return sp_fail(err, SP_E_USAGE, "'%.40s' will not do; give cents above 0 and at most %.0f, as 1.5", v,
                   MOST_READING_U_CENTS);
  r->reading_u_cents = u;
  return SP_OK;
}

static sp_status set_corners(const char *v, cli_request *r, sp_error *err)
{
  const char *x = strchr(v, 'x');
  char columns[8] = "";
  int32_t c, n;
  if (!x || x == v || x - v >= (long)sizeof columns)
    return sp_fail(err, SP_E_USAGE, "'%.40s' will not do; give inner corners along both sides, as 9x6", v);
  memcpy(columns, v, (size_t)(x - v));
  sp_status status = whole_number(columns, SP_CHESSBOARD_LEAST, SP_CHESSBOARD_MOST, &c, err);
  if (!status)
    status = whole_number(x + 1, SP_CHESSBOARD_LEAST, SP_CHESSBOARD_MOST, &n, err);
  if (status)
    return status;
  r->corners = (sp_chessboard){(uint32_t)c, (uint32_t)n};
  r->corners_told = true;
  return SP_OK;
}

static sp_status set_square(const char *v, cli_request *r, sp_error *err)
{
  return sp_parse_length(v, SP_LENGTH_POSITIVE, &r->square_mm, err);
}

static sp_status set_profile(const char *v, cli_request *r, sp_error *err)
{
  (void)err;
  r->profile_path = v;
  return SP_OK;
}

static sp_status set_list(const char *v, cli_request *r, sp_error *err)
{
  (void)v;
  (void)err;
  r->scan_list = true;
  return SP_OK;
}

static sp_status set_device(const char *v, cli_request *r, sp_error *err)
{
  (void)err;
  r->scan.device = v;
  return SP_OK;
}

static sp_status set_resolution(const char *v, cli_request *r, sp_error *err)
{
  const char *end = v;
  if (!decimal(v, &end, &r->scan.dpi) || *end || !(r->scan.dpi >= 50.0 && r->scan.dpi <= 4800.0))
    return sp_fail(err, SP_E_USAGE, "'%.40s' will not do; give dots per inch from 50 to 4800, as 600", v);
  return SP_OK;
}

static sp_status set_bits(const char *v, cli_request *r, sp_error *err)
{
  static const char *const WORDS[] = {"8", "16"};
  const int i = word_index(v, WORDS, 2);
  if (i < 0)
    return sp_fail(err, SP_E_USAGE, "'%.40s' will not do; give 8 or 16", v);
  r->scan.bits = i ? 16 : 8;
  return SP_OK;
}

static sp_status set_area(const char *v, cli_request *r, sp_error *err)
{
  double *const values[] = {&r->scan.left_mm, &r->scan.top_mm, &r->scan.width_mm, &r->scan.height_mm};
  const char *at = v;
  for (size_t i = 0; i < 4; i++) {
    const char *comma = at ? strchr(at, ',') : NULL;
    char part[64];
    const size_t length = !at ? 0 : comma ? (size_t)(comma - at) : strlen(at);
    if (!at || (comma == NULL) != (i == 3) || length >= sizeof part)
      return sp_fail(err, SP_E_USAGE, "'%.40s' will not do; give left,top,width,height, as 0mm,20mm,60mm,297mm", v);
    memcpy(part, at, length);
    part[length] = '\0';
    const sp_status status = sp_parse_length(part, i < 2 ? SP_LENGTH_NOT_NEGATIVE : SP_LENGTH_POSITIVE, values[i], err);
    if (status)
      return status;
    at = comma ? comma + 1 : NULL;
  }
  return SP_OK;
}

static sp_status set_profiles(const char *v, cli_request *r, sp_error *err)
{
  (void)err;
  r->profiles = v;
  return SP_OK;
}

static sp_status set_length(const char *v, cli_request *r, sp_error *err)
{
  double length_mm = NAN;
  const sp_status status = sp_parse_length(v, SP_LENGTH_POSITIVE, &length_mm, err);
  if (status)
    return status;
  r->sheet.pieces = sp_strip_pieces_for(length_mm);
  return r->sheet.pieces ? SP_OK
                         : sp_fail(err, SP_E_USAGE, "'%.40s' is too long; a strip has at most %.0f mm", v,
                                   SP_STRIP_PIECES * SP_STRIP_LENGTH_MM);
}

static sp_status set_page(const char *v, cli_request *r, sp_error *err)
{
  return whole_number(v, 1, SP_STRIP_PIECES, &r->sheet.page, err);
}

static sp_status set_dpi(const char *v, cli_request *r, sp_error *err)
{
  const char *end = v;
  if (!decimal(v, &end, &r->sheet.dpi) || *end || !(r->sheet.dpi >= 150.0 && r->sheet.dpi <= 1200.0))
    return sp_fail(err, SP_E_USAGE, "'%.40s' will not do; give dots per inch from 150 to 1200, as 600", v);
  return SP_OK;
}

static sp_status set_sheet_format(const char *v, cli_request *r, sp_error *err)
{
  static const char *const WORDS[] = {"pdf", "svg", "png"};
  static const sp_strip_format FORMATS[] = {SP_STRIP_PDF, SP_STRIP_SVG, SP_STRIP_PNG};
  const int i = word_index(v, WORDS, 3);
  if (i < 0)
    return sp_fail(err, SP_E_USAGE, "'%.40s' is no format of this command; give pdf, svg or png", v);
  r->sheet.format = FORMATS[i];
  return SP_OK;
}

static sp_status set_format(const char *v, cli_request *r, sp_error *err)
{
  static const char *const WORDS[] = {"text", "json", "csv", "svg", "pdf", "html", "board"};
  static const cli_format FORMATS[] = {CLI_TEXT, CLI_JSON, CLI_CSV, CLI_SVG, CLI_PDF, CLI_HTML, CLI_BOARD};
  if (r->command == CLI_TARGET)
    return set_sheet_format(v, r, err);
  const bool no_csv = r->command == CLI_REFERENCE || r->command == CLI_DIAGNOSE, draws = r->command == CLI_LAYOUT;
  const bool html = r->command == CLI_CHECK || r->command == CLI_BATCH;
  const char *choice = draws    ? "text, json, csv, svg, pdf or board"
                       : no_csv ? "text or json"
                       : html   ? "text, json, csv or html"
                                : "text, json or csv";
  const int i = word_index(v, WORDS, 7);
  if (i < 0 || (i == 2 && no_csv) || ((i == 3 || i == 4 || i == 6) && !draws))
    return sp_fail(err, SP_E_USAGE, "'%.40s' is no format of this command; give %s", v, choice);
  if (i == 5 && !html)
    return sp_fail(err, SP_E_USAGE, "%s is not part of this version; give %s", v, choice);
  r->format = FORMATS[i];
  return SP_OK;
}

static sp_status set_output(const char *v, cli_request *r, sp_error *err)
{
  (void)err;
  r->output = strcmp(v, "-") == 0 ? NULL : v;
  return SP_OK;
}

static sp_status set_overlay(const char *v, cli_request *r, sp_error *err)
{
  (void)err;
  r->overlay = v;
  return SP_OK;
}

static sp_status set_results(const char *v, cli_request *r, sp_error *err)
{
  (void)err;
  r->results = v;
  return SP_OK;
}

static sp_status set_overlays(const char *v, cli_request *r, sp_error *err)
{
  (void)v;
  (void)err;
  r->overlays = true;
  return SP_OK;
}

static sp_status set_pieces(const char *v, cli_request *r, sp_error *err)
{
  (void)v;
  (void)err;
  r->pieces = true;
  return SP_OK;
}

static sp_status set_workers(const char *v, cli_request *r, sp_error *err)
{
  return whole_number(v, 1, MAX_WORKERS, &r->workers, err);
}

static sp_status set_history(const char *v, cli_request *r, sp_error *err)
{
  (void)err;
  r->history = v;
  return SP_OK;
}

static sp_status set_study(const char *v, cli_request *r, sp_error *err)
{
  (void)err;
  r->study = v;
  return SP_OK;
}

static sp_status set_port(const char *v, cli_request *r, sp_error *err)
{
  return whole_number(v, 0, 65535, &r->port, err);
}

static sp_status set_listen(const char *v, cli_request *r, sp_error *err)
{
  (void)err;
  r->listen = v;
  return SP_OK;
}

static sp_status set_data(const char *v, cli_request *r, sp_error *err)
{
  (void)err;
  r->data = v;
  return SP_OK;
}

static sp_status set_upload(const char *v, cli_request *r, sp_error *err)
{
  return whole_number(v, 1, 4000, &r->upload_mb, err);
}

static sp_status set_help(const char *v, cli_request *r, sp_error *err)
{
  (void)v;
  (void)err;
  r->help = true;
  return SP_OK;
}

/* ---- the table -------------------------------------------------------------------------------------------------- */

enum {
  MEASURE = CLI_CHECK | CLI_BATCH,
  PICTURE = MEASURE | CLI_REFERENCE,
  BOARD = MEASURE | CLI_LAYOUT,
  RULED = PICTURE | CLI_CALIBRATE,
  REPORTING = PICTURE | BOARD | CLI_DIAGNOSE | CLI_TARGET,
  ANY = REPORTING | CLI_CALIBRATE | CLI_SCAN
};

static const option_entry OPTIONS[] = {
    {BOARD, "board", "FILE", set_board, "a board description; options on the command line win (none)"},
    {BOARD, "scale-length", "LEN", set_scale_length,
     "nut to theoretical saddle, without compensation: 648mm, 25 1/2in"},
    {BOARD, "scale-length-bass", "LEN", set_scale_bass, "fanned frets, instead of one: scale length of the bass side"},
    {BOARD, "scale-length-treble", "LEN", set_scale_treble, "and of the treble side"},
    {BOARD, "spread-nut", "LEN", set_spread_nut, "fanned: between those two strings at the nut (the board's width)"},
    {BOARD, "spread-saddle", "LEN", set_spread_saddle, "and at the saddle (the board's width, drawn on)"},
    {BOARD, "square-fret", "N", set_square_fret, "fanned: the fret that is square to the centre line: 0 (nut), 7, 7.5"},
    {BOARD, "left-handed", NULL, set_left_handed, "the bass is on the left, seen from the nut (on the right)"},
    {BOARD, "frets", "N", set_frets, "number of frets after the nut"},
    {BOARD, "divisions", "N", set_divisions, "equal divisions of the octave (12)"},
    {BOARD, "steps", "FILE", set_steps, "instead: cents above the open string, one a line"},
    {BOARD, "zero-fret", NULL, set_zero_fret, "the nut is a zero fret, with a nut behind it"},
    {BOARD, "nut-behind", "LEN", set_nut_behind, "how far behind the zero fret that nut stands (found)"},
    {BOARD, "nut-shift", "LEN", set_nut_shift, "how much nearer to fret 1 a compensated nut stands (0mm)"},
    {BOARD, "partial-frets", "LIST", set_partial_frets, "frets over a part of the width: '7 treble 40%, 13 bass 12mm'"},
    {CLI_LAYOUT, "nut-width", "LEN", set_nut_width, "width of the board at the nut, which gives each slot's length"},
    {CLI_LAYOUT, "end-width", "LEN", set_end_width, "its width farther on; between, it changes evenly (as at the nut)"},
    {CLI_LAYOUT, "end-at", "LEN", set_end_at, "where end width and end radius hold, from the nut (the last fret)"},
    {CLI_LAYOUT, "radius", "LEN", set_radius, "radius of the rounded face at the nut (flat)"},
    {CLI_LAYOUT, "end-radius", "LEN", set_end_radius,
     "its radius farther on; between, it changes evenly (as at the nut)"},
    {CLI_LAYOUT, "tang-depth", "LEN", set_tang_depth, "depth of the fret's tang, which gives each slot's depth"},
    {CLI_LAYOUT, "clearance", "LEN", set_clearance, "how much deeper than the tang the slot is (0mm)"},
    {CLI_LAYOUT, "thickness", "LEN", set_thickness, "of the board at its middle: what is left under the slots"},
    {CLI_LAYOUT | CLI_TARGET, "paper", "a4|letter", set_paper, "sheets of the pdf drawing, of the strip (a4)"},
    {MEASURE, "marks", "KIND", set_marks, "what is measured: knife (lines) or slot (sawn) (knife)"},
    {MEASURE, "nut", "KIND", set_nut, "the nut is a line, or the squared end of the board: auto, line, end (auto)"},
    {MEASURE, "tolerance", "TOL", set_tolerance, "what counts as within: 0.2mm, 2c, or 0.2mm,2c (0.2mm)"},
    {PICTURE, "reference", "KIND", set_reference, "whence the scale: auto, rule, strip, profile, distance, dpi (auto)"},
    {PICTURE, "profile", "FILE", set_profile, "profile of the scanner (gives the scale) or the camera (beside a rule)"},
    {CLI_CALIBRATE, "corners", "COLSxROWS", set_corners, "camera: inner corners of the chessboard (9x6)"},
    {CLI_CALIBRATE, "square", "LEN", set_square, "camera: side of a square, to tell from how far (not told)"},
    {RULED, "graduation", "LEN", set_graduation, "finest graduation of the rule: 1mm, 0.5mm, 1/64in ... (found)"},
    {RULED, "reference-mpe", "LEN", set_mpe, "maximum permissible error of the reference over its length"},
    {PICTURE, "strip-length", "LEN", set_strip_length, "A to B or A to C of the printed strip, as measured"},
    {PICTURE, "strip-width", "LEN", set_strip_width, "P to Q across the printed sheet, as measured"},
    {PICTURE, "distance", "LEN", set_distance, "a known distance in the picture, between the two places below"},
    {PICTURE, "from", "X,Y", set_from, "first place, px; 0,0 is the centre of the top-left pixel"},
    {PICTURE, "to", "X,Y", set_to, "second place, px"},
    {PICTURE, "reference-height", "LEN", set_reference_height,
     "photographs: how much higher than the board's face the rule lies (0mm)"},
    {PICTURE, "camera-distance", "LEN", set_camera_distance,
     "photographs: from the camera to the rule (from the picture)"},
    {MEASURE, "radius", "LEN", set_face_radius, "photographs: radius of the board's face (flat)"},
    {MEASURE, "temperature", "C", set_temperature, "of rule and board in the picture, degrees Celsius (no correction)"},
    {MEASURE, "tang", "LEN", set_tang, "width of the fret's tang, which is the kerf that is wanted (0.584mm)"},
    {CLI_CHECK, "before", "RECORD", set_before, "record of the same board's knife lines: how far the saw left each"},
    {CLI_CHECK, "correct", "FILE.json", set_correct,
     "what was said by hand of this picture: a list, or a record with one"},
    {RULED | CLI_SERVE, "max-pixels", "N", set_max_pixels, "refuse larger pictures (1000000000)"},
    {CLI_DIAGNOSE, "saddle", "LEN[,LEN...]", set_saddle,
     "datum to each string's saddle contact, highest first; or one"},
    {CLI_DIAGNOSE, "nut", "LEN", set_nut_place, "the nut's face beyond the datum, + toward the bridge (0mm)"},
    {CLI_DIAGNOSE, "strings", "FILE", set_strings, "csv: string, note_hz, diameter_mm, young_gpa, ... (none)"},
    {CLI_DIAGNOSE, "readings", "FILE", set_readings, "csv: string, fret, cents (none: the notes are predicted)"},
    {CLI_DIAGNOSE, "reading-u", "CENTS", set_reading_u, "standard uncertainty of a reading (1)"},
    {CLI_TARGET, "length", "LEN", set_length, "length of the strip, made of pieces of 254 mm (508mm)"},
    {CLI_TARGET, "page", "N", set_page, "only this page; svg and png hold one (all)"},
    {CLI_TARGET, "dpi", "N", set_dpi, "dots per inch of a png (600)"},
    {REPORTING, "format", "KIND", set_format, "what is written: text, json, csv; check, batch: html too (text)"},
    {ANY, "output", "FILE", set_output, "write there instead of standard output, whole or not at all"},
    {CLI_CHECK | CLI_REFERENCE, "overlay", "FILE.png", set_overlay,
     "the picture with everything that was found drawn in"},
    {CLI_CHECK, "profiles", "FILE.json", set_profiles, "each mark's grey across it, averaged along it (none)"},
    {CLI_SCAN, "list", NULL, set_list, "the scanners that can be seen, one a line"},
    {CLI_SCAN, "device", "NAME", set_device, "which of them (the only one)"},
    {CLI_SCAN, "resolution", "DPI", set_resolution, "dots per inch (600)"},
    {CLI_SCAN, "bits", "N", set_bits, "grey in 8 or 16 bits (8)"},
    {CLI_SCAN, "area", "AREA", set_area, "left,top,width,height on the glass, as 0mm,20mm,60mm,297mm (all)"},
    {CLI_BATCH, "results", "FOLDER", set_results, "keep each board's record there; go on where a run stopped"},
    {CLI_BATCH, "overlays", NULL, set_overlays, "and its picture with everything that was found drawn in"},
    {CLI_BATCH, "pieces", NULL, set_pieces, "each folder holds the scans of one board, in order of name from the nut"},
    {CLI_BATCH | CLI_SERVE, "workers", "N", set_workers, "boards checked at a time (as many as there are cores)"},
    {CLI_BATCH, "history", "FILE", set_history,
     "database of all boards so far; this run's are added and all summed up"},
    {CLI_BATCH, "study", "FILE.csv", set_study, "how well the gauge repeats: csv with file, part, appraiser, trial"},
    {CLI_SERVE, "port", "N", set_port, "where the page is; 0: any that is free (8737)"},
    {CLI_SERVE, "listen", "ADDRESS", set_listen, "for other machines too: this one's address, or 0.0.0.0 (127.0.0.1)"},
    {CLI_SERVE, "data", "FOLDER", set_data, "where boards are kept (~/.local/share/slotproof)"},
    {CLI_SERVE, "max-upload", "MB", set_upload, "largest picture that is received (400)"},
    {ANY | CLI_SERVE, "help", NULL, set_help, "this list"},
};
enum { OPTION_COUNT = sizeof OPTIONS / sizeof *OPTIONS };
_Static_assert(sizeof OPTIONS / sizeof *OPTIONS <= CLI_OPTIONS_MOST, "make room in cli_request");

void cli_print_options(unsigned command, FILE *file)
{
  for (size_t i = 0; i < OPTION_COUNT; i++) {
    const option_entry *o = &OPTIONS[i];
    char left[40];
    if (!(o->commands & command))
      continue;
    snprintf(left, sizeof left, "--%s %s", o->name, o->value ? o->value : "");
    const char *help = o->help;
    if (o->set == set_format && command & (CLI_REFERENCE | CLI_DIAGNOSE))
      help = "what is written: text, json (text)";
    if (o->set == set_format && command & CLI_TARGET)
      help = "what is written: pdf, svg, png (pdf)";
    if (o->set == set_format && command & CLI_LAYOUT)
      help = "what is written: text, json, csv, board, or a 1:1 drawing: svg, pdf (text)";
    fprintf(file, "  %-22s %s\n", left, help);
  }
}

/* ---- reading ---------------------------------------------------------------------------------------------------- */

static void init_request(unsigned command, cli_request *request)
{
  memset(request, 0, sizeof *request);
  request->command = command;
  request->scale_length_mm = NAN;
  sp_fan_init(&request->fan);
  request->nut_behind_mm = request->nut_shift_mm = NAN;
  request->port = -1;
  request->nut_mm = request->reading_u_cents = request->square_mm = NAN;
  request->sheet = (sp_strip_sheet){.pieces = 2, .dpi = 600.0};
  sp_check_options_init(&request->check);
  sp_board_shape_init(&request->shape);
  sp_scan_options_init(&request->scan);
}

/* getopt's own list: val is the place in OPTIONS, beyond all letters, because '?' and ':' mean something else. */
enum { FIRST_VALUE = 256 };

static void fill_list(unsigned command, struct option list[OPTION_COUNT + 1])
{
  size_t n = 0;
  for (size_t i = 0; i < OPTION_COUNT; i++)
    if (OPTIONS[i].commands & command)
      list[n++] = (struct option){OPTIONS[i].name, OPTIONS[i].value ? required_argument : no_argument, NULL,
                                  (int)i + FIRST_VALUE};
  list[n] = (struct option){0};
}

static int refuse_option(const char *word, bool value_missing, const char *command)
{
  if (value_missing)
    return cli_refuse(word, SP_E_USAGE, "a value is missing; 'slotproof %s --help' says what it takes", command);
  return cli_refuse(word, SP_E_USAGE, "no such option of '%s', or a value it does not take; see 'slotproof %s --help'",
                    command, command);
}

/* getopt_long takes a beginning for the whole; here one option's name may begin another's and mean something else. */
static bool whole_name(const char *word, const char *name)
{
  const size_t length = strlen(name);
  return strncmp(word, "--", 2) == 0 && strncmp(word + 2, name, length) == 0 &&
         (word[2 + length] == '\0' || word[2 + length] == '=');
}

static int apply(const option_entry *entry, const char *value, cli_request *request)
{
  sp_error err = {0};
  char name[40];
  if (entry->set(value, request, &err) == SP_OK)
    return 0;
  snprintf(name, sizeof name, "--%s", entry->name);
  return cli_complain(name, &err);
}

int cli_parse(int argc, char **argv, unsigned command, cli_request *request)
{
  struct option list[OPTION_COUNT + 1];
  int found;
  init_request(command, request);
  fill_list(command, list);
  opterr = 0;
  while ((found = getopt_long(argc, argv, ":", list, NULL)) != -1) {
    if (found == '?' || found == ':')
      return refuse_option(argv[optind - 1], found == ':', argv[0]);
    const char *word = argv[optind - 1 - (optarg && optarg == argv[optind - 1])];
    if (!whole_name(word, OPTIONS[found - FIRST_VALUE].name))
      return cli_refuse(word, SP_E_USAGE, "is not the whole name of an option; write --%s if that is meant",
                        OPTIONS[found - FIRST_VALUE].name);
    const int failed = apply(&OPTIONS[found - FIRST_VALUE], optarg, request);
    request->given[found - FIRST_VALUE] = optarg ? optarg : "";
    if (failed)
      return failed;
  }
  request->images = argv + optind;
  request->image_count = argc - optind;
  return 0;
}

bool cli_begin(int argc, char **argv, unsigned command, void (*print_help)(void), cli_request *request, int *status)
{
  *status = cli_parse(argc, argv, command, request);
  if (*status)
    return false;
  if (request->help)
    print_help();
  return !request->help;
}

const char *cli_given(const cli_request *request, const char *name)
{
  for (size_t i = 0; i < OPTION_COUNT; i++)
    if (strcmp(OPTIONS[i].name, name) == 0 && OPTIONS[i].commands & request->command)
      return request->given[i];
  return NULL;
}

/* ---- settings --------------------------------------------------------------------------------------------------- */

/* Does this option bear on what is measured, and not only on where it goes? */
static bool bears_on_measurement(const option_entry *o)
{
  return (o->commands & MEASURE) == MEASURE && o->set != set_format && o->set != set_output && o->set != set_help;
}

/* A board counts by what it means, its list of steps included. */
static int board_digest(const char *path, char digest[SP_SHA256_TEXT])
{
  sp_boardfile board;
  sp_error err = {0};
  char *text = NULL;
  size_t size = 0;
  if (sp_boardfile_read(path, &board, &err))
    return cli_complain(path, &err);
  FILE *memory = open_memstream(&text, &size);
  sp_status status = memory ? sp_boardfile_write(&board, true, memory, &err) : sp_fail_memory(&err);
  if (memory && fclose(memory) != 0 && !status)
    status = sp_fail_memory(&err);
  if (!status)
    sp_sha256(text, size, digest);
  free(text);
  sp_boardfile_free(&board);
  return status ? cli_complain(path, &err) : 0;
}

/* A value that names a file counts by what is in it. */
static int settings_value(const option_entry *o, const char *value, char digest[SP_SHA256_TEXT], const char **shown)
{
  sp_error err = {0};
  *shown = value;
  if (!o->value || strncmp(o->value, "FILE", 4) != 0)
    return 0;
  if (o->set == set_board) {
    *shown = digest;
    return board_digest(value, digest);
  }
  if (sp_sha256_file(value, digest, &err))
    return cli_complain(value, &err);
  *shown = digest;
  return 0;
}

int cli_settings(const cli_request *r, char **settings)
{
  size_t size = 0;
  FILE *text = open_memstream(settings, &size);
  int failed = text ? 0 : cli_refuse("batch", SP_E_INTERNAL, "no memory left; close other programs");
  for (size_t i = 0; !failed && i < OPTION_COUNT; i++) {
    char digest[SP_SHA256_TEXT];
    const char *value = NULL;
    if (!r->given[i] || !bears_on_measurement(&OPTIONS[i]))
      continue;
    failed = settings_value(&OPTIONS[i], r->given[i], digest, &value);
    if (!failed)
      fprintf(text, "%s--%s%s%s", ftell(text) > 0 ? " " : "", OPTIONS[i].name, *value ? " " : "", value);
  }
  if (text && fclose(text) != 0 && !failed)
    failed = cli_refuse("batch", SP_E_INTERNAL, "no memory left; close other programs");
  if (failed) {
    free(*settings);
    *settings = NULL;
  }
  return failed;
}
