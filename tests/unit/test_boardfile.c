/* Board files: what is read, every way to be refused with the line that is to blame, and what is written back. */
#include "check_close.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "slotproof/boardfile.h"

static sp_status parse(const char *text, sp_boardfile *board, sp_error *err)
{
  return sp_boardfile_parse(text, strlen(text), NULL, board, err);
}

static void reads(void **state)
{
  (void)state;
  static const char TEXT[] = "\xef\xbb\xbf# the second one\r\n"
                             "Name = Redwing # no. 2\r\n"
                             "scale length=25 1/2 in\r\n"
                             "\r\n"
                             "FRETS\t=\t20\r\n"
                             "   # a remark with a blank before it\r\n"
                             "divisions = 19\r\n"
                             "marks = Slot\r\n"
                             "nut = end ; as inih has it\r\n"
                             "tang = 0.023in\r\n"
                             "tolerance = 0.2mm, 2 c\r\n"
                             "nut-width = 1 11/16 in\r\n"
                             "end__width = 57.15 mm\r\n"
                             "End  At = 48 cm\r\n"
                             "radius = 10in\r\nend radius = 16in\r\n"
                             "tang depth = 1.6mm\r\nclearance = 0mm\r\nthickness = 1/4in";
  sp_boardfile b;
  sp_error err = {0};
  if (parse(TEXT, &b, &err))
    fail_msg("%s", err.text);
  assert_string_equal(b.name, "Redwing");
  CHECK_CLOSE(b.scale_length_mm, 647.7, 0);
  assert_int_equal(b.frets, 20);
  assert_int_equal(b.divisions, 19);
  assert_int_equal(b.steps.count, 0);
  assert_null(b.steps_file);
  assert_true(b.marks_given && b.nut_given);
  assert_int_equal(b.marks, SP_MARK_SLOT);
  assert_int_equal(b.nut, SP_NUT_END);
  CHECK_CLOSE(b.tang_mm, 0.5842, 0);
  CHECK_CLOSE(b.tolerance.tolerance_mm, 0.2, 0);
  CHECK_CLOSE(b.tolerance.tolerance_cents, 2, 0);
  CHECK_CLOSE(b.shape.nut_width_mm, 42.8625, 0);
  CHECK_CLOSE(b.shape.end_width_mm, 57.15, 0);
  CHECK_CLOSE(b.shape.end_at_mm, 480, 0);
  CHECK_CLOSE(b.shape.radius_mm, 254, 0);
  CHECK_CLOSE(b.shape.end_radius_mm, 406.4, 0);
  CHECK_CLOSE(b.shape.tang_depth_mm, 1.6, 0);
  CHECK_CLOSE(b.shape.clearance_mm, 0, 0);
  CHECK_CLOSE(b.shape.thickness_mm, 6.35, 0);
  sp_boardfile_free(&b);
  assert_true(isnan(b.scale_length_mm));
  sp_boardfile_free(NULL);
}

/* A fan, and what of it may be left out: without spreads the scale lengths lie at the board's edges. 45 mm at the nut
 * and 55 mm at 400 mm make 45 + 10 667 / 400 mm at the saddle. */
static void reads_a_fan(void **state)
{
  (void)state;
  static const char TEXT[] = "scale length bass = 686 mm\nscale-length-treble = 648mm\nspread nut = 42mm\n"
                             "spread saddle = 54mm\nsquare fret = 7.5\nleft handed = yes\nfrets = 24\n",
                    EDGES[] = "scale length bass = 686 mm\nscale length treble = 648mm\nsquare fret = 7\nfrets = 20\n"
                              "nut width = 45mm\nend width = 55mm\nend at = 400mm\n";
  sp_boardfile b;
  sp_error err = {0};
  sp_layout l;
  assert_int_equal(parse(TEXT, &b, &err), SP_OK);
  assert_int_equal(sp_boardfile_layout(&b, &l, &err), SP_OK);
  assert_true(l.fanned && l.left_handed);
  CHECK_CLOSE(l.fan.bass_mm, 686, 0);
  CHECK_CLOSE(l.fan.treble_mm, 648, 0);
  CHECK_CLOSE(l.fan.spread_nut_mm, 42, 0);
  CHECK_CLOSE(l.fan.spread_saddle_mm, 54, 0);
  CHECK_CLOSE(l.fan.square_fret, 7.5, 0);
  CHECK_CLOSE(l.position_mm[12], 333.5, 1e-9);
  sp_layout_free(&l);
  sp_boardfile_free(&b);
  assert_int_equal(parse(EDGES, &b, &err), SP_OK);
  assert_int_equal(sp_boardfile_layout(&b, &l, &err), SP_OK);
  CHECK_CLOSE(l.fan.spread_nut_mm, 45, 0);
  CHECK_CLOSE(l.fan.spread_saddle_mm, 45.0 + 10.0 * 667.0 / 400.0, 1e-9);
  sp_layout_free(&l);
  sp_boardfile_free(&b);
  static const char *const WRONG[] = {
      "scale length = 650mm\nscale length bass = 686mm\nscale length treble = 648mm\nsquare fret = 7\n",
      "scale length bass = 686mm\nsquare fret = 7\n",
      "scale length bass = 686mm\nscale length treble = 648mm\n",
      "spread nut = 42mm\nscale length = 650mm\n",
      "square fret = 7th\n",
      "left handed = up\n",
      ("scale length bass = 686mm\nscale length treble = 648mm\nsquare fret = 30\nspread nut = 42mm\n"
       "spread saddle = 54mm\nfrets = 24\n")};
  for (size_t i = 0; i < sizeof WRONG / sizeof *WRONG; i++) {
    err.text[0] = '\0';
    assert_int_equal(parse(WRONG[i], &b, &err), SP_E_DATA);
    assert_memory_equal(err.text, "line ", 5);
  }
}

static void reads_steps_over_several_lines(void **state)
{
  (void)state;
  sp_boardfile b;
  sp_error err = {0};
  sp_layout l;
  assert_int_equal(parse("scale length = 720 mm\nfrets = 7\nsteps = 9/8 5/4,  # the rest below\n"
                         "  4/3 , 3/2\n\n\t884.358712999c 15/8,\n   2/1\nname = just\n",
                         &b, &err),
                   SP_OK);
  assert_int_equal(b.steps.count, 7);
  assert_int_equal(b.steps.ratio[0].numerator, 9);
  assert_int_equal(b.steps.ratio[4].numerator, 0);
  assert_int_equal(sp_boardfile_layout(&b, &l, &err), SP_OK);
  assert_string_equal(l.name, "just");
  /* the string stopped at 1/ratio: Euclid, Section of the Canon, divides it so */
  CHECK_CLOSE(l.position_mm[1], 80, 1e-12);
  CHECK_CLOSE(l.position_mm[2], 144, 1e-12);
  CHECK_CLOSE(l.position_mm[3], 180, 1e-12);
  CHECK_CLOSE(l.position_mm[4], 240, 1e-12);
  CHECK_CLOSE(l.position_mm[5], 288, 1e-9);
  CHECK_CLOSE(l.position_mm[6], 336, 1e-12);
  CHECK_CLOSE(l.position_mm[7], 360, 1e-12);
  sp_layout_free(&l);
  sp_boardfile_free(&b);
}

typedef struct bad {
  const char *text, *said;
} bad;

#define LONG_LINE                                                                                                      \
  "name = xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx"     \
  "xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx"
#define BOARD "scale length = 650mm\nfrets = 20\n"

static const bad BAD[] = {
    {"", "line 1: the file describes nothing"},
    {"# only this\n\n", "line 1: the file describes nothing"},
    {"name = a\nscale lenght = 650mm", "line 2: 'scale lenght' is no key of a board file; write 'scale length'"},
    {"fret = 3", "line 1: 'fret' is no key of a board file; write 'frets' if that is meant"},
    {"name = a\n\ncolour = red", "line 3: 'colour' is no key of a board file; correct it or delete the line"},
    {"a_very-long   key of more than forty letters altogether = 3",
     "line 1: 'a very long key of more than forty lett'"},
    {" = 3", "line 1: '' is no key"},
    {"frets = 20\nname = a\nFrets = 21", "line 3: 'frets' stands on line 1 already; delete one of the two"},
    {"frets = 20\nname =", "line 2: 'name' has no value"},
    {"frets = # 20", "line 1: 'frets' has no value"},
    {"frets = 20\nscale length 650mm", "line 2: has no '='"},
    {"frets = 20\nscale length 650mm\ncolour = red", "line 2: has no '='"},
    {"colour = red\nscale length 650mm\n", "line 1: 'colour'"},
    {"[board]\nfrets = 20", "line 1: begins with '['"},
    {"frets = 20\n  scale length = 650mm", "line 2: begins with a blank, so it would go on with 'frets'"},
    {"frets = 20\n[board", "line 2: begins with '['"},
    {"frets = 20\nname = a\x01z", "line 2: is not text"},
    {LONG_LINE, "line 1: is longer than 198 bytes"},
    {"scale length = 650", "line 1: scale length: '650' has no unit"},
    {"scale length = 650mm 3", "line 1: scale length: '650mm 3' does not end in a unit"},
    {"scale length = -3mm", "line 1: scale length: '-3mm' is negative"},
    {"scale length = 650in", "line 1: scale length: 16510 mm is outside 10 to 10000 mm"},
    {"scale length = 9mm", "line 1: scale length: 9 mm is outside"},
    {"frets = 0", "line 1: frets: '0' will not do; write a whole number from 1 to 200"},
    {"frets = 201", "line 1: frets: '201'"},
    {"frets = 20.5", "line 1: frets: '20.5'"},
    {"frets = 99999999999999999999", "line 1: frets: '9999"},
    {"divisions = 1201", "line 1: divisions: '1201' will not do; write a whole number from 1 to 1200"},
    {"marks = pencil", "line 1: marks: 'pencil' is not a kind of mark; write knife, slot or wire"},
    {"nut = bone", "line 1: nut: 'bone' will not do; write auto, line or end"},
    {"tolerance = 2", "line 1: tolerance:"},
    {"tang = 0mm", "line 1: tang: '0mm' is zero"},
    {"clearance = -1mm\ntang depth = 1mm", "line 1: clearance: '-1mm' is negative"},
    {"name = 1234567890123456789012345678901234567890123456789012345678901234",
     "line 1: name: is longer than 63 bytes"},
    {"steps = 9/8 3/2,, 2/1", "line 1: steps: '' is not a number of cents"},
    {"steps = 9/8 10/9", "line 1: steps: 182.404 cents is not above the step before it (203.91)"},
    {"name = a\nsteps = 9/8\n 3/2\n  x", "line 4: steps: 'x' is not a number of cents"},
    {"steps = 1/1", "line 1: steps: a ratio of 1 is the open string"},
    {"steps = 0.111111111111111111111111111111111111111111", "line 1: steps: '0.11111"},
    {"divisions = 12\nsteps = 9/8", "line 2: 'steps' contradicts 'divisions' of line 1; delete one of them"},
    {"steps = 9/8\ndivisions = 12", "line 2: 'divisions' contradicts 'steps' of line 1"},
    {"steps file = a\nsteps = 9/8", "line 2: 'steps' contradicts 'steps file' of line 1"},
    {"steps file = a\ndivisions = 9", "line 1: a steps file cannot be read here"},
    {"name = a\nsteps file = a", "line 2: a steps file cannot be read here; write 'steps = '"},
    {"zero fret = maybe", "line 1: zero fret: 'maybe' will not do; write yes or no"},
    {"zero fret = yes\nnut = end", "line 2: a zero fret is a line, so 'nut = end' contradicts it"},
    {"nut = end\nzero fret = yes", "line 2: a zero fret is a line"},
    {"nut behind = 8mm", "line 1: 'nut behind' means nothing without 'zero fret'"},
    {"nut behind = 8mm\nzero fret = no", "line 1: 'nut behind' means nothing with 'zero fret = no'"},
    {"zero fret = yes\nnut shift = 0.3mm", "line 2: 'nut shift' contradicts 'zero fret' of line 1"},
    {"zero fret = yes\nnut behind = 80mm\n" BOARD, "line 2: a nut 80 mm behind the zero fret cannot be"},
    {"nut shift = 6mm\n" BOARD, "line 1: a nut shifted by 6 mm cannot be"},
    {"partial frets = 7 treble 40", "line 1: partial frets: '7 treble 40' is no partial fret"},
    {"partial frets = 7 treble 40%,\n 7 bass 3mm", "line 2: partial frets: fret 7 is named twice"},
    {BOARD "partial frets = 21 treble 40%", "line 3: there is no fret 21 to span a part of the width"},
    {"end width = 40mm", "line 1: 'end width' means nothing without 'nut width'; add that, or delete the line"},
    {"end radius = 40mm", "line 1: 'end radius' means nothing without 'radius'"},
    {"clearance = 1mm", "line 1: 'clearance' means nothing without 'tang depth'"},
    {"thickness = 1mm", "line 1: 'thickness' means nothing without 'tang depth'"},
    {"nut width = 40mm\nend at = 1mm", "line 2: 'end at' means nothing without 'end width' or 'end radius'"},
    {BOARD "steps = 9/8 5/4", "line 3: 20 frets are asked for and the list of steps has 2"},
    {"divisions = 1\nscale length = 650mm\nfrets = 11", "line 3: 11 frets at 1 to the octave go beyond"},
    {BOARD "nut width = 40mm\nend width = 50mm\nend at = 700mm",
     "line 5: 700 mm from the nut lies beyond the saddle; give as 'end at' a place on the board"},
    {BOARD "nut width = 40mm\nend width = 1mm\nend at = 200 mm",
     "the board has run out of width at fret 7; check 'end width' and 'end at'"},
    {BOARD "nut width = 40mm\nradius = 19mm", "line 4: at the nut a radius of 19 mm is smaller than half the width"},
    {BOARD "tang depth = 2mm\nthickness = 2mm", "line 4: no wood is left under the slot of fret"},
};

static void refuses(void **state)
{
  (void)state;
  for (size_t k = 0; k < sizeof BAD / sizeof *BAD; k++) {
    sp_boardfile b;
    sp_error err = {0};
    if (parse(BAD[k].text, &b, &err) != SP_E_DATA || !strstr(err.text, BAD[k].said) ||
        strncmp(err.text, "line ", 5) != 0) {
      fprintf(stderr, "case %zu: '%s', not '%s'\n", k, err.text, BAD[k].said);
      fail();
    }
    assert_true(isnan(b.scale_length_mm));
    assert_null(b.steps.cents);
    assert_null(b.steps_file);
  }
  sp_boardfile b;
  assert_int_equal(sp_boardfile_parse("frets\0= 3\n", 10, NULL, &b, NULL), SP_E_DATA);
}

static char *written(const sp_boardfile *b, bool steps_inline)
{
  char *text = NULL;
  size_t size = 0;
  sp_error err = {0};
  FILE *file = open_memstream(&text, &size);
  assert_non_null(file);
  assert_int_equal(sp_boardfile_write(b, steps_inline, file, &err), SP_OK);
  fclose(file);
  return text;
}

static void check_same(const sp_boardfile *a, const sp_boardfile *b)
{
  assert_string_equal(a->name, b->name);
  assert_memory_equal(&a->scale_length_mm, &b->scale_length_mm, sizeof a->scale_length_mm);
  assert_int_equal(a->frets, b->frets);
  assert_int_equal(a->divisions, b->divisions);
  assert_int_equal(a->steps.count, b->steps.count);
  for (size_t i = 0; i < a->steps.count; i++) {
    CHECK_CLOSE(a->steps.cents[i], b->steps.cents[i], 0);
    assert_int_equal(a->steps.ratio[i].numerator, b->steps.ratio[i].numerator);
  }
  assert_int_equal(a->marks_given, b->marks_given);
  assert_int_equal(a->marks, b->marks);
  assert_int_equal(a->nut_given, b->nut_given);
  assert_int_equal(a->nut, b->nut);
  assert_memory_equal(&a->tang_mm, &b->tang_mm, sizeof a->tang_mm);
  assert_memory_equal(&a->tolerance, &b->tolerance, sizeof a->tolerance);
  assert_memory_equal(&a->shape, &b->shape, sizeof a->shape);
  assert_int_equal(a->zero_fret, b->zero_fret);
  assert_memory_equal(&a->nut_behind_mm, &b->nut_behind_mm, sizeof a->nut_behind_mm);
  assert_memory_equal(&a->nut_shift_mm, &b->nut_shift_mm, sizeof a->nut_shift_mm);
  assert_int_equal(a->partial_count, b->partial_count);
  for (size_t i = 0; i < a->partial_count; i++) {
    assert_int_equal(a->partial[i].fret, b->partial[i].fret);
    assert_int_equal(a->partial[i].part.from_bass, b->partial[i].part.from_bass);
    assert_int_equal(a->partial[i].part.in_mm, b->partial[i].part.in_mm);
    CHECK_CLOSE(a->partial[i].part.begin, b->partial[i].part.begin, 0);
    CHECK_CLOSE(a->partial[i].part.end, b->partial[i].part.end, 0);
  }
}

static void reads_back_what_it_wrote(void **state)
{
  (void)state;
  static const char *const TEXTS[] = {
      "scale length = 25 1/3 in\nfrets = 24\nname = Number #3\nnut width = 43 3/7mm\ntang = 584.2 um",
      "tolerance = 1c",
      BOARD "zero fret = yes\nnut behind = 5/16in\npartial frets = 7 treble 40%, 9 bass 12.5 mm,\n"
            "  13 treble 33.333% to 66.6667%, 14 bass 1/3in to 2/3 in",
      BOARD "nut shift = -0.35mm",
      "tolerance = 1/64 in, 0.333333333333333c\nmarks = wire\nnut = line",
      "marks = knife\nnut = auto\nradius = 12.0000000000001in",
      "scale length = 10mm\nfrets = 200\ndivisions = 1200",
      BOARD
      "nut width = 40 1/9mm\nend width = 17/8in\nend at = 500.123456789012mm\nradius = 9 1/2in\nend radius = 16in\n"
      "tang depth = 0.062in\nclearance = 0mm\nthickness = 23/97in",
      "steps = 16/15 9/8 6/5 5/4 4/3 45/32 3/2 8/5 5/3 9/5 15/8 2/1 1301.1 1400.000000001 1500c",
  };
  for (size_t k = 0; k < sizeof TEXTS / sizeof *TEXTS; k++) {
    sp_boardfile a, b;
    sp_error err = {0};
    if (parse(TEXTS[k], &a, &err))
      fail_msg("case %zu: %s", k, err.text);
    char *text = written(&a, false);
    if (parse(text, &b, &err))
      fail_msg("case %zu: %s", k, err.text);
    check_same(&a, &b);
    char *again = written(&b, false);
    assert_string_equal(text, again);
    free(again);
    free(text);
    sp_boardfile_free(&a);
    sp_boardfile_free(&b);
  }
}

static void writes_plainly(void **state)
{
  (void)state;
  sp_boardfile b;
  sp_error err = {0};
  assert_int_equal(
      parse("frets=2\nscale-length = 25 1/3in\nsteps = 3/2 2/1\ntolerance=2c,0.2mm\nname=a\ntang=1/64in", &b, &err),
      SP_OK);
  char *text = written(&b, true);
  assert_string_equal(text, "name            = a\n"
                            "scale length    = 25 1/3 in\n"
                            "frets           = 2\n"
                            "steps           = 3/2, 2/1\n"
                            "tang            = 0.396875 mm\n"
                            "tolerance       = 0.2 mm, 2c\n");
  free(text);
  strcpy(b.name, "a #b");
  FILE *file = fopen("/dev/null", "w");
  assert_int_equal(sp_boardfile_write(&b, true, file, &err), SP_E_USAGE);
  strcpy(b.name, "a\nb");
  assert_int_equal(sp_boardfile_write(&b, true, file, &err), SP_E_USAGE);
  fclose(file);
  b.name[0] = '\0';
  file = fopen("/dev/full", "w");
  assert_non_null(file);
  assert_int_equal(sp_boardfile_write(&b, true, file, &err), SP_E_IO);
  fclose(file);
  sp_boardfile_free(&b);
}

/* What no text says is kept to 15 digits. */
static void writes_any_number(void **state)
{
  (void)state;
  sp_boardfile a, b;
  sp_error err = {0};
  sp_boardfile_init(&a);
  a.scale_length_mm = 650.0 * sqrt(2.0);
  a.tang_mm = acos(-1.0) / 10.0;
  a.tolerance.tolerance_cents = exp(1.0);
  char *text = written(&a, false);
  assert_int_equal(parse(text, &b, &err), SP_OK);
  CHECK_CLOSE(b.scale_length_mm, a.scale_length_mm, 1e-11);
  CHECK_CLOSE(b.tang_mm, a.tang_mm, 1e-14);
  CHECK_CLOSE(b.tolerance.tolerance_cents, a.tolerance.tolerance_cents, 1e-13);
  free(text);
  sp_boardfile_free(&b);
}

static void put(const char *folder, const char *name, const char *text)
{
  char path[160];
  snprintf(path, sizeof path, "%s/%s", folder, name);
  FILE *file = fopen(path, "w");
  assert_non_null(file);
  fputs(text, file);
  fclose(file);
}

static void finds_the_steps_beside_it(void **state)
{
  (void)state;
  char folder[] = "/tmp/boardfileXXXXXX", path[160];
  sp_boardfile b;
  sp_error err = {0};
  assert_non_null(mkdtemp(folder));
  put(folder, "a.board", "frets = 2\nscale length = 300mm\nsteps file = just.steps\n");
  put(folder, "just.steps", "3/2 # fifth\n1200\n");
  snprintf(path, sizeof path, "%s/a.board", folder);
  assert_int_equal(sp_boardfile_read(path, &b, &err), SP_OK);
  assert_int_equal(b.steps.count, 2);
  char *text = written(&b, false);
  assert_non_null(strstr(text, "steps file      = just.steps\n"));
  assert_null(strstr(text, "steps           ="));
  free(text);
  text = written(&b, true);
  assert_non_null(strstr(text, "steps           = 3/2, 1200\n"));
  free(text);
  sp_boardfile_free(&b);

  put(folder, "just.steps", "3/2\n1/2\n");
  assert_int_equal(sp_boardfile_read(path, &b, &err), SP_E_DATA);
  assert_non_null(strstr(err.text, "line 3: steps file 'just.steps': line 2: '1/2' is below the open string"));
  put(folder, "a.board", "frets = 2\n\nsteps file = other.steps\n");
  assert_int_equal(sp_boardfile_read(path, &b, &err), SP_E_NOINPUT);
  assert_non_null(strstr(err.text, "line 3: steps file 'other.steps': cannot be opened"));
  put(folder, "a.board", "frets = 2\ndivisions = 3\nsteps file = just.steps\n");
  put(folder, "just.steps", "3/2\n");
  assert_int_equal(sp_boardfile_read(path, &b, &err), SP_E_DATA);
  assert_non_null(strstr(err.text, "line 3: 'steps file' contradicts 'divisions' of line 2"));
  char name[160];
  snprintf(name, sizeof name, "%s/just.steps", folder);
  unlink(name);
  unlink(path);
  assert_int_equal(sp_boardfile_read(path, &b, &err), SP_E_NOINPUT);
  assert_int_equal(sp_boardfile_read(folder, &b, &err), SP_E_NOINPUT);
  rmdir(folder);
}

/* Every key stands in the manual page. */
static void lists_its_keys(void **state)
{
  (void)state;
  static char page[200000];
  FILE *file = fopen(TEST_DATA_DIR "/../src/cli/slotproof.1", "r");
  assert_non_null(file);
  page[fread(page, 1, sizeof page - 1, file)] = '\0';
  fclose(file);
  const char *section = strstr(page, "\n.SH THE BOARD FILE\n");
  assert_non_null(section);
  size_t n = 0;
  for (; sp_boardfile_key(n); n++) {
    char entry[60];
    snprintf(entry, sizeof entry, "\n.B %s\n", sp_boardfile_key(n));
    if (!strstr(section, entry))
      fail_msg("'%s' is not in the manual page", sp_boardfile_key(n));
  }
  assert_true(n >= 18);
  assert_string_equal(sp_nut_choice_word(SP_NUT_AUTO), "auto");
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(reads),
      cmocka_unit_test(reads_a_fan),
      cmocka_unit_test(reads_steps_over_several_lines),
      cmocka_unit_test(refuses),
      cmocka_unit_test(reads_back_what_it_wrote),
      cmocka_unit_test(writes_plainly),
      cmocka_unit_test(writes_any_number),
      cmocka_unit_test(finds_the_steps_beside_it),
      cmocka_unit_test(lists_its_keys),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
