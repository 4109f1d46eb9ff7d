/* The program from outside, through a shell: exit statuses and messages by a table, files whole or not at all, the
 * examples of the manual page. Called with the program as its one argument; works in a folder of its own, which must be
 * empty of leftovers at the end. */
/* for realpath and mkdtemp */
#define _XOPEN_SOURCE 700
#include "check_close.h"
#include "drawn.h"

#include <cjson/cJSON.h>
#include <dirent.h>
#include <errno.h>
#include <png.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

enum { TEXT_MAX = 200000, COMMAND_MAX = 4000 };

typedef struct outcome {
  int status;
  char out[TEXT_MAX], err[TEXT_MAX];
} outcome;

static char *slurp(const char *path, char *into)
{
  FILE *f = fopen(path, "rb");
  into[0] = '\0';
  if (!f)
    return into;
  const size_t n = fread(into, 1, TEXT_MAX - 1, f);
  into[n] = '\0';
  fclose(f);
  return into;
}

/* Runs a shell line; `slotproof` in it is the program (a link to it stands in ./bin, which leads PATH). */
static const outcome *run(const char *line)
{
  static outcome o; /* large, and looked at before the next run */
  char command[COMMAND_MAX];
  const int n = snprintf(command, sizeof command, "{ %s\n} >.out 2>.err", line);
  assert_true(n > 0 && n < COMMAND_MAX);
  const int raw = system(command);
  o.status = WIFEXITED(raw) ? WEXITSTATUS(raw) : -1;
  slurp(".out", o.out);
  slurp(".err", o.err);
  unlink(".out");
  unlink(".err");
  return &o;
}

static void put_file(const char *name, const void *bytes, size_t size)
{
  FILE *f = fopen(name, "wb");
  assert_non_null(f);
  assert_int_equal(fwrite(bytes, 1, size, f), size);
  assert_int_equal(fclose(f), 0);
}

static void put_text(const char *name, const char *text)
{
  put_file(name, text, strlen(text));
}

static size_t line_count(const char *text)
{
  size_t n = 0;
  for (; *text; text++)
    n += *text == '\n';
  return n;
}

/* One line "slotproof: WHERE: what; what next", and not a word on standard output. */
static void check_refusal(const char *line, int status, const char *where, const char *says)
{
  const outcome *o = run(line);
  const bool fine = o->status == status && line_count(o->err) == 1 && strncmp(o->err, "slotproof: ", 11) == 0 &&
                    strncmp(o->err + 11, where, strlen(where)) == 0 && strstr(o->err, says) && !o->out[0];
  if (!fine)
    fprintf(stderr, "%s\n  status %d, wanted %d\n  stderr: %s  wanted: slotproof: %s: ... %s\n  stdout: %.80s\n", line,
            o->status, status, o->err, where, says, o->out);
  assert_true(fine);
  const char *after = strstr(o->err + 11 + strlen(where), ": ");
  assert_non_null(after);
  assert_non_null(strpbrk(after, ";")); /* what is wrong; what to do next */
}

#define CHECK               "slotproof check --scale-length 648mm --frets 20 "
#define LAYOUT              "slotproof layout --scale-length 648mm --frets 3 "
#define REFERENCE           "slotproof reference "
#define BATCH               "slotproof batch --scale-length 648mm --frets 20 "
#define DIAGNOSE            "slotproof diagnose board.json --saddle 650mm "
#define TABLE(text, option) "printf '" text "' >bad.csv; " DIAGNOSE option " bad.csv; rc=$?; rm bad.csv; exit $rc"

static void test_refusals(void **state)
{
  (void)state;
  static const struct {
    const char *line;
    int status;
    const char *where, *says;
  } cases[] = {
      {"slotproof", 64, "command line", "command is missing"},
      {"slotproof measure", 64, "measure", "no such command"},
      {"slotproof calibrate", 64, "calibrate", "say what"},
      {"slotproof calibrate tripod", 64, "calibrate", "say what"},
      {"slotproof calibrate camera", 64, "calibrate", "name the pictures"},
      {"slotproof calibrate camera --corners 9", 64, "--corners", "as 9x6"},
      {"slotproof calibrate camera --corners 9x2 small.png", 64, "--corners", "3 to 60"},
      {"slotproof calibrate camera --square 25 small.png", 64, "--square", "unit"},
      {"slotproof calibrate camera --graduation 1mm small.png", 64, "calibrate camera", "takes no rule"},
      {"slotproof calibrate camera small.png", 65, "calibrate camera", "at least 5"},
      {"slotproof calibrate scanner --corners 9x6 small.png", 64, "calibrate scanner", "no chessboard"},
      {"slotproof calibrate scanner small.png", 64, "calibrate scanner", "pairs"},
      {"slotproof calibrate scanner --output small.png small.png small.png", 64, "small.png", "overwrite"},
      {REFERENCE "--strip-length 200mm a.png", 64, "--strip-length", "neither"},
      {REFERENCE "--strip-length 139.7 a.png", 64, "--strip-length", "unit"},
      {REFERENCE "--strip-width 139.7mm a.png", 64, "--strip-width", "P to Q"},
      {REFERENCE "--reference dpi --strip-length 139.7mm a.png", 64, "--strip-length", "printed strip only"},
      {"slotproof target --paper a5", 64, "--paper", "a4 or letter"},
      {"slotproof target --length 300", 64, "--length", "unit"},
      {"slotproof target --length 8000mm", 64, "--length", "too long"},
      {"slotproof target --format text", 64, "--format", "pdf, svg or png"},
      {"slotproof target --dpi 72", 64, "--dpi", "150 to 1200"},
      {"slotproof target --page 2", 64, "--page", "no page 2"},
      {"slotproof target --format png --length 2000mm", 64, "--page", "2 pages"},
      {"slotproof target a.png", 64, "a.png", "no picture"},
      {"slotproof target --scale-length 648mm", 64, "--scale-length", "no such option"},
      {"slotproof target --output none/strip.pdf", 73, "none/strip.pdf", ""},
      {"slotproof batch", 64, "batch", "nothing to check"},
      {"slotproof batch --frets 20 blank.png", 64, "--scale-length", "missing"},
      {BATCH "--overlays blank.png", 64, "--overlays", "--results"},
      {BATCH "--before board.json blank.png", 64, "--before", "no such option"},
      {BATCH "--workers 0 blank.png", 64, "--workers", "whole number"},
      {BATCH "--output ./blank.png blank.png", 64, "./blank.png", "overwrite"},
      {BATCH "--results . --overlays blank.png", 64, ".", "overwrite the picture"},
      {BATCH "--results text.txt blank.png", 73, "text.txt", "no folder"},
      {BATCH "--results none/made blank.png", 73, "none/made", "cannot be created"},
      {BATCH "folder", 66, "folder", "holds no picture"},
      {BATCH "--history text.txt blank.png", 65, "text.txt", "not a history"},
      {BATCH "--history folder blank.png", 73, "folder", "cannot be written"},
      {BATCH "--study none.csv blank.png", 66, "none.csv", "cannot be opened"},
      {BATCH "--study readings.csv blank.png", 65, "readings.csv", "no column of a study"},
      {"slotproof batch --study readings.csv --history made.sqlite; rc=$?; rm -f made.sqlite; exit $rc", 64, "--study",
       "pictures or records"},
      {"slotproof diagnose", 64, "diagnose", "record is missing"},
      {"slotproof diagnose board.json", 64, "--saddle", "missing"},
      {"slotproof diagnose --saddle 650mm board.json board.json", 64, "board.json", "one record"},
      {DIAGNOSE "--saddle 650", 64, "--saddle", "unit"},
      {DIAGNOSE "--saddle 650mm,", 64, "--saddle", "empty"},
      {DIAGNOSE "--saddle 65mm", 65, "board.json", "--saddle"},
      {DIAGNOSE "--nut 50mm", 65, "board.json", "fret 1"},
      {DIAGNOSE "--nut line", 64, "--nut", "not a length"},
      {DIAGNOSE "--reading-u 0", 64, "--reading-u", "above 0"},
      {DIAGNOSE "--reading-u nan", 64, "--reading-u", "above 0"},
      {DIAGNOSE "--format csv", 64, "--format", "text or json"},
      {DIAGNOSE "--overlay a.png", 64, "--overlay", "no such option"},
      {DIAGNOSE "--output ./board.json", 64, "./board.json", "overwrite the record"},
      {DIAGNOSE "--readings readings.csv --output readings.csv", 64, "readings.csv", "overwrite a table"},
      {"slotproof diagnose --saddle 650mm none.json", 66, "none.json", "cannot be opened"},
      {"slotproof diagnose --saddle 650mm folder", 66, "folder", "folder"},
      {"slotproof diagnose --saddle 650mm text.txt", 65, "text.txt", "not JSON"},
      {"slotproof diagnose --saddle 650mm empty.png", 65, "empty.png", "not JSON"},
      {"echo '{}' >bad.json; slotproof diagnose --saddle 650mm bad.json; rc=$?; rm bad.json; exit $rc", 65, "bad.json",
       "no record"},
      {"sed 's/\"u_mm\":0.02/\"u_mm\":-1/' board.json >bad.json; slotproof diagnose --saddle 650mm bad.json; rc=$?; "
       "rm bad.json; exit $rc",
       65, "bad.json", "u_mm"},
      {DIAGNOSE "--readings none.csv", 66, "none.csv", "cannot be opened"},
      {DIAGNOSE "--readings text.txt", 65, "text.txt", "line 1"},
      {TABLE("string,fret,cents\\n1,3,sharp\\n", "--readings"), 65, "bad.csv", "line 2"},
      {TABLE("string,fret,cents\\n1,3,1\\n\\n1,13,1\\n", "--readings"), 65, "bad.csv", "line 4"},
      {TABLE("string,fret,cents\\n1,3.5,1\\n", "--readings"), 65, "bad.csv", "whole"},
      {TABLE("string,fret,cents\\n1,3\\n", "--readings"), 65, "bad.csv", "fewer fields"},
      {TABLE("string,fret,cents\\n1,3,1,2\\n", "--readings"), 65, "bad.csv", "more fields"},
      {TABLE("string,fret,cents\\n3,3,1\\n", "--saddle 650mm,650mm --readings"), 65, "bad.csv", "no saddle"},
      {TABLE("string,fret,cents\\n\"1,3,1\\n", "--readings"), 65, "bad.csv", "line"},
      {TABLE("string,fret,cents\\n1,\"3\"x,1\\n", "--readings"), 65, "bad.csv", "quotation"},
      {TABLE("string,fret\\n1,3\\n", "--readings"), 65, "bad.csv", "'cents' is missing"},
      {TABLE("string,fret,cents\\n", "--readings"), 65, "bad.csv", "no line"},
      {TABLE("string,gauge\\n1,10\\n", "--strings"), 65, "bad.csv", "'gauge'"},
      {TABLE("string,note_hz\\n1,330\\n1,330\\n", "--strings"), 65, "bad.csv", "twice"},
      {TABLE("string,young_gpa\\n1,0\\n", "--strings"), 65, "bad.csv", "line 2"},
      {"slotproof layout", 64, "--scale-length and --frets", "missing"},
      {"slotproof layout --frets 3", 64, "--scale-length", "missing"},
      {"slotproof layout --scale-length 648mm", 64, "--frets", "missing"},
      {"slotproof check --frets 3 text.txt", 64, "--scale-length", "missing"},
      {"slotproof check --scale-length 648mm text.txt", 64, "--frets", "missing"},
      {"slotproof layout --scale-length 648 --frets 3", 64, "--scale-length", "unit"},
      {"slotproof layout --scale-length 0mm --frets 3", 64, "--scale-length", ""},
      {"slotproof layout --scale-length -5mm --frets 3", 64, "--scale-length", ""},
      {"slotproof layout --scale-length nanmm --frets 3", 64, "--scale-length", ""},
      {"slotproof layout --scale-length 1e3mm --frets 3", 64, "--scale-length", ""},
      {"slotproof layout --scale-length 648mm --frets 0", 64, "--frets", "1 to 200"},
      {"slotproof layout --scale-length 648mm --frets 201", 64, "--frets", "1 to 200"},
      {"slotproof layout --scale-length 648mm --frets 99999999999999999999", 64, "--frets", "1 to 200"},
      {"slotproof layout --scale-length 648mm --frets ' 20'", 64, "--frets", "whole number"},
      {"slotproof layout --scale-length 648mm --frets 2x", 64, "--frets", "whole number"},
      {"slotproof layout --scale-length 648mm --frets ''", 64, "--frets", "whole number"},
      {LAYOUT "--divisions 0", 64, "--divisions", "1 to 1200"},
      {LAYOUT "--divisions 1201", 64, "--divisions", "1 to 1200"},
      {"slotproof layout --scale-length 648mm --frets 200 --divisions 12", 64, "layout", ""}, /* 16 octaves */
      {LAYOUT "--divisions 12 --steps steps.txt", 64, "--steps", "--divisions"},
      {LAYOUT "--steps none.txt", 66, "none.txt", ""},
      {LAYOUT "--steps text.txt", 65, "text.txt", ""},
      {"slotproof layout --scale-length 648mm --frets 9 --steps steps.txt", 64, "steps.txt", ""}, /* lists five */
      {LAYOUT "--format html", 64, "--format", "not part of this version"},
      {LAYOUT "--end-width 56mm", 64, "layout", "--nut-width"},
      {LAYOUT "--nut-width 43", 64, "--nut-width", "unit"},
      {LAYOUT "--nut-width 0mm", 64, "--nut-width", ""},
      {LAYOUT "--clearance -1mm --tang-depth 2mm", 64, "--clearance", ""},
      {LAYOUT "--nut-width 43mm --radius 20mm", 64, "layout", "half the width"},
      {LAYOUT "--tang-depth 1.6mm --thickness 1.5mm", 64, "layout", "no wood is left"},
      {LAYOUT "--tang 0.584mm", 64, "--tang", "--tang-depth"}, /* check's --tang is a width */
      {LAYOUT "--tang=0.584mm", 64, "--tang=0.584mm", "--tang-depth"},
      {LAYOUT "--paper a4", 64, "--paper", "--format pdf"},
      {LAYOUT "--paper a3 --format pdf", 64, "--paper", "a4 or letter"},
      {LAYOUT "--format pdf --nut-width 120mm", 64, "layout", "svg"},
      {LAYOUT "--format pdf --output none/layout.pdf", 73, "none/layout.pdf", "cannot be created"},
      {LAYOUT "--format xml", 64, "--format", "no format"},
      {LAYOUT "board.png", 64, "board.png", "takes no picture"},
      {LAYOUT "--overlay a.png", 64, "--overlay", "no such option"},
      {LAYOUT "--nonsense", 64, "--nonsense", "no such option"},
      {LAYOUT "--output", 64, "--output", "value is missing"},
      {LAYOUT "--output none/layout.txt", 73, "none/layout.txt", "cannot be created"},
      {LAYOUT "--output folder", 73, "folder", "folder"},
      {LAYOUT "--output ''", 73, "", "no name"},
      {LAYOUT "--output steps.txt --steps steps.txt", 64, "steps.txt", "overwrite"},
      {CHECK, 64, "check", "picture is missing"},
      {CHECK "--format pdf small.png", 64, "--format", "no format"},
      {CHECK "a.png b.png a.png", 64, "a.png", "named twice"},
      {CHECK "--reference dpi a.png b.png", 64, "--reference", "pieces of a board"},
      {CHECK "none.png", 66, "none.png", ""},
      {CHECK "folder", 66, "folder", ""},
      {CHECK "empty.png", 65, "empty.png", ""},
      {CHECK "text.txt", 65, "text.txt", ""},
      {CHECK "short.png", 65, "short.png", ""},
      {CHECK "small.png", 65, "small.png", ""},
      {CHECK "--max-pixels 10 small.png", 65, "small.png", ""},
      {CHECK "--max-pixels 0 small.png", 64, "--max-pixels", ""},
      {CHECK "--max-pixels -1 small.png", 64, "--max-pixels", ""},
      {"slotproof check --board none.board small.png", 66, "none.board", "cannot be opened"},
      {"slotproof check --board folder small.png", 66, "folder", "is a folder"},
      {"slotproof check --board text.txt small.png", 65, "text.txt", "line 1: has no '='"},
      {"slotproof check --board small.png small.png", 65, "small.png", "line 1: is not text"},
      {"slotproof check --board bad.board small.png", 65, "bad.board", "line 3: 'colour' is no key"},
      {"slotproof check --board wren.board --output wren.board small.png", 64, "wren.board", "the board file"},
      {"slotproof check --board wren.board --frets 6 small.png", 64, "wren.board", "list of steps has 5"},
      {"slotproof batch --board bad.board blank.png", 65, "bad.board", "line 3"},
      {"slotproof batch --board wren.board --output wren.board blank.png", 64, "wren.board", "overwrite"},
      {"slotproof layout --board bad.board", 65, "bad.board", "line 3"},
      {"slotproof layout --board lost.board", 66, "lost.board", "line 2: steps file 'none.txt'"},
      {"slotproof layout --board wren.board --nut-width 20mm --radius 9mm", 64, "layout", "half the width"},
      {"slotproof layout --board lines.board --steps text.txt", 65, "text.txt", "line 1"},
      {LAYOUT "--nut-shift 6mm", 64, "layout", "a nut shifted by 6 mm"},
      {LAYOUT "--nut-shift 0.3mm --zero-fret", 64, "--nut-shift", "--zero-fret"},
      {LAYOUT "--nut-behind 8mm", 64, "--nut-behind", "--zero-fret"},
      {LAYOUT "--zero-fret --nut-behind 80mm", 64, "layout", "a nut 80 mm behind"},
      {LAYOUT "--partial-frets '2 treble'", 64, "--partial-frets", "no partial fret"},
      {LAYOUT "--partial-frets '4 treble 40%'", 64, "layout", "no fret 4"},
      {CHECK "--zero-fret --nut end small.png", 64, "--zero-fret", "contradicts"},
      {CHECK "--format board small.png", 64, "--format", "no format of this command"},
      {CHECK "--marks wire small.png", 65, "small.png", ""},
      {CHECK "--marks pencil small.png", 64, "--marks", "knife, slot or wire"},
      {CHECK "--nut zero small.png", 64, "--nut", "line"},
      {CHECK "--reference profile small.png", 64, "--profile", "is missing"},
      {CHECK "--reference profile --profile missing.json small.png", 66, "missing.json", "check the name"},
      {CHECK "--profile small.png small.png", 65, "small.png", "not a profile"},
      {CHECK "--reference ruler small.png", 64, "--reference", "rule"},
      {CHECK "--reference distance small.png", 64, "--distance", "missing"},
      {CHECK "--reference distance --distance 100mm small.png", 64, "--from", "missing"},
      {CHECK "--distance 100mm --from 1,1 small.png", 64, "--to", "missing"},
      {CHECK "--distance 100mm --from 1,1 --to 5,1 small.png", 64, "--to", "too close"},
      {CHECK "--reference rule --distance 100mm --from 1,1 --to 500,1 small.png", 64, "--distance", "distance only"},
      {CHECK "--from 1 small.png", 64, "--from", "X,Y"},
      {CHECK "--from 1,nan small.png", 64, "--from", "X,Y"},
      {CHECK "--from 1,2,3 small.png", 64, "--from", "X,Y"},
      {CHECK "--reference dpi --graduation 1mm small.png", 64, "--graduation", "rule"},
      {CHECK "--graduation 1 small.png", 64, "--graduation", "unit"},
      {CHECK "--graduation 3mm small.png", 64, "--graduation", "are not known; give 1mm"},
      {CHECK "--reference-mpe -1mm small.png", 64, "--reference-mpe", ""},
      {CHECK "--tolerance 0 small.png", 64, "--tolerance", ""},
      {CHECK "--tolerance 0.2 small.png", 64, "--tolerance", ""},
      {CHECK "--temperature 500 small.png", 64, "--temperature", "Celsius"},
      {CHECK "--temperature warm small.png", 64, "--temperature", "Celsius"},
      {CHECK "--temperature 2e1 small.png", 64, "--temperature", "Celsius"},
      {CHECK "--format svg small.png", 64, "--format", "no format of this command"},
      {CHECK "--format svg small.png", 64, "--format", "no format"},
      {CHECK "--output small.png small.png", 64, "small.png", "overwrite the picture"},
      {CHECK "--overlay ./small.png small.png", 64, "./small.png", "overwrite the picture"},
      {CHECK "--overlay link.png small.png", 64, "link.png", "overwrite the picture"},
      {CHECK "--overlay - small.png", 64, "--overlay", "standard output already"},
      {CHECK "--output new --overlay ./new small.png", 64, "new", "share a file"},
      {REFERENCE, 64, "reference", "picture is missing"},
      {REFERENCE "a.png b.png", 64, "b.png", "one picture"},
      {REFERENCE "none.png", 66, "none.png", ""},
      {REFERENCE "text.txt", 65, "text.txt", ""},
      {REFERENCE "--format csv small.png", 64, "--format", "text or json"},
      {REFERENCE "--tolerance 1mm small.png", 64, "--tolerance", "no such option"},
      {REFERENCE "\"$(printf 'a\\033[2J.png')\"", 66, "a\xef\xbf\xbd[2J.png", ""},
  };
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++)
    check_refusal(cases[i].line, cases[i].status, cases[i].where, cases[i].says);
}

static void test_layout_formats(void **state)
{
  (void)state;
  const outcome *o = run(LAYOUT);
  assert_int_equal(o->status, 0);
  assert_non_null(strstr(o->out, "36.369")); /* 648 (1 - 2^(-1/12)) */
  o = run(LAYOUT "--format csv");
  assert_int_equal(o->status, 0);
  assert_non_null(strstr(o->out, "\r\n"));
  o = run(LAYOUT "--format json");
  assert_int_equal(o->status, 0);
  cJSON *root = cJSON_Parse(o->out);
  assert_non_null(root);
  cJSON_Delete(root);
  o = run(LAYOUT "--steps steps.txt");
  assert_int_equal(o->status, 0);
  assert_non_null(strstr(o->out, "129.600")); /* a just major third, 5/4: 648 (1 - 4/5) */
}

/* Drawings go to a file or to standard output; what text and JSON would warn of is said on standard error. */
/* The board file says what the options say, and the options win. */
static void test_boards(void **state)
{
  (void)state;
  static char plain[TEXT_MAX];
  snprintf(plain, sizeof plain, "%s", run("slotproof layout --scale-length 330mm --frets 10 --format csv")->out);
  const outcome *o = run("slotproof layout --board lines.board --format csv");
  assert_int_equal(o->status, 0);
  assert_string_equal(o->out, plain);
  o = run("slotproof layout --board wren.board --divisions 12 --frets 10 --scale-length 33cm --format csv");
  assert_string_equal(o->out, plain);
  o = run("slotproof layout --board lines.board --steps steps.txt --frets 2");
  assert_non_null(strstr(o->out, "66.000")); /* a just major third of 330 mm, 5/4 */
  o = run("slotproof layout --board wren.board --format json");
  cJSON *root = cJSON_Parse(o->out);
  assert_string_equal(cJSON_GetObjectItem(root, "name")->valuestring, "Wren");
  assert_true(cJSON_IsNull(cJSON_GetObjectItem(root, "divisions")));
  cJSON_Delete(root);
  o = run("slotproof layout --board wren.board --format board >copy.board && "
          "slotproof layout --board copy.board --format board | cmp - copy.board && cat copy.board && rm copy.board");
  assert_int_equal(o->status, 0);
  assert_non_null(strstr(o->out, "steps           = 203.91, 386.3137139, 498.045, 701.955, 1200\n"));
}

/* Options and keys of the same name say the same. */
static void test_boards_apart(void **state)
{
  (void)state;
  static char plain[TEXT_MAX];
  static const char OPTIONS[] = " --nut-shift 0.4mm --partial-frets '2 treble 40%,3 bass 1/2in to 20mm' ";
  char line[COMMAND_MAX];
  snprintf(line, sizeof line, LAYOUT "%s --format json", OPTIONS);
  snprintf(plain, sizeof plain, "%s", run(line)->out);
  assert_non_null(strstr(plain, "\"nut_shift_mm\":\t0.4"));
  snprintf(line, sizeof line, LAYOUT "%s --format board >b.board && slotproof layout --board b.board --format json",
           OPTIONS);
  assert_string_equal(run(line)->out, plain);
  /* a zero fret drives out the shift that the file tells */
  const outcome *o = run("slotproof layout --board b.board --zero-fret --nut-behind 8mm --format board; rm b.board");
  assert_int_equal(o->status, 0);
  assert_non_null(strstr(o->out, "zero fret       = yes\nnut behind      = 8 mm\npartial frets   = 2 treble 40%"));
  assert_null(strstr(o->out, "nut shift"));
  for (const char *format = "svg"; format; format = strcmp(format, "svg") == 0 ? "pdf" : NULL) {
    snprintf(line, sizeof line, LAYOUT "%s --format %s | wc -c", OPTIONS, format);
    assert_true(atoi(run(line)->out) > 2000);
  }
}

static void put_record(const char *name);

/* A compensated nut is where it stands: told from there or not, the strings' ends are the same. */
static void test_diagnose_from_a_shifted_nut(void **state)
{
  (void)state;
  put_record("plain.json");
  /* the same board, its nut 0.5 mm nearer to fret 1 */
  const outcome *o =
      run("sed 's/\"fret\":0,\"state\":\"found\",\"x_mm\":0.000000,\"layout_mm\":0.000000/"
          "\"fret\":0,\"state\":\"found\",\"x_mm\":0.5,\"layout_mm\":0.5/' plain.json >shifted.json\n"
          "slotproof diagnose --nut 0.5mm --saddle 650mm --readings readings.csv plain.json | sed '/datum/d;/Record/d' "
          ">a.txt\n"
          "slotproof diagnose --saddle 649.5mm --readings readings.csv shifted.json | sed '/datum/d;/Record/d' >b.txt\n"
          "cmp plain.json shifted.json; diff a.txt b.txt; rm a.txt b.txt plain.json shifted.json");
  assert_non_null(strstr(o->out, "differ")); /* the two records, */
  assert_null(strstr(o->out, "\n>"));        /* and nothing else */
}

/* What is measured comes from the board file, too. */
static void test_check_by_board(void **state)
{
  (void)state;
  static char plain[TEXT_MAX];
  snprintf(plain, sizeof plain, "%s",
           run("slotproof check --scale-length 330mm --frets 10 --tolerance 0.3mm,9c --nut line --tang 0.5mm "
               "--format csv lines.png")
               ->out);
  const outcome *o = run("slotproof check --board lines.board --format csv lines.png");
  assert_int_equal(o->status, 1);
  assert_string_equal(o->out, plain);
  o = run("slotproof check --board lines.board --tolerance 0.6mm --reference-mpe 0mm --format csv lines.png");
  assert_int_equal(o->status, 0);
  o = run("slotproof check --board lines.board --marks slot --scale-length 339mm --format json lines.png");
  cJSON *root = cJSON_Parse(o->out);
  assert_string_equal(cJSON_GetObjectItem(root, "marks_kind")->valuestring, "slot");
  CHECK_CLOSE(cJSON_GetObjectItem(cJSON_GetObjectItem(root, "layout"), "scale_length_mm")->valuedouble, 339, 0);
  cJSON_Delete(root);
}

/* A batch goes on where it stopped if the board means the same, whatever its remarks are. */
static void test_batch_by_board(void **state)
{
  (void)state;
  const outcome *o =
      run("set -e; cp lines.board b.board; made() { stat -c %i kept/lines.json; }\n"
          "again() { slotproof batch --board b.board --results kept lines.png >.batch || [ $? -lt 3 ]; }\n"
          "again; one=$(made); sed -i 's/^# .*/# another remark/' b.board; again; [ $one = $(made) ]\n"
          "sed -i 's/0.3mm/0.31mm/' b.board; again; [ $one != $(made) ]; rm -r kept b.board .batch");
  if (o->status)
    fprintf(stderr, "%s", o->err);
  assert_int_equal(o->status, 0);
}

static void test_layout_drawings(void **state)
{
  (void)state;
  static const char *const MAGIC[] = {"%PDF-", "<?xml"};
  static const char *const FORMAT[] = {"pdf", "svg"};
  for (int i = 0; i < 2; i++) {
    char line[200], head[TEXT_MAX];
    snprintf(line, sizeof line, LAYOUT "--format %s --output made.%s", FORMAT[i], FORMAT[i]);
    const outcome *o = run(line);
    assert_int_equal(o->status, 0);
    assert_string_equal(o->out, "");
    assert_string_equal(o->err, "");
    snprintf(line, sizeof line, "made.%s", FORMAT[i]);
    assert_memory_equal(slurp(line, head), MAGIC[i], 5);
    assert_int_equal(unlink(line), 0);
    snprintf(line, sizeof line, LAYOUT "--format %s", FORMAT[i]);
    assert_memory_equal(run(line)->out, MAGIC[i], 5);
  }
  const outcome *o = run(LAYOUT "--format csv --tang-depth 1.6mm --thickness 3mm");
  assert_int_equal(o->status, 0);
  assert_int_equal(strncmp(o->err, "slotproof: layout: warning: only 1.40 mm", 40), 0);
  assert_int_equal(line_count(o->err), 1);
}

/* Quoted fields, CR LF, any order of columns, blank lines: the same answer. */
static void test_diagnose_tables(void **state)
{
  (void)state;
  static char plain[TEXT_MAX];
  const outcome *o = run(DIAGNOSE "--readings readings.csv --format json");
  assert_int_equal(o->status, 0);
  strcpy(plain, o->out);
  o = run("awk -F, '{printf \"\\\"%s\\\",%s ,\\\"%s\\\"\\r\\n\\r\\n\", $3, $1, $2}' readings.csv >other.csv; " DIAGNOSE
          "--readings other.csv --format json; rc=$?; rm other.csv; exit $rc");
  assert_int_equal(o->status, 0);
  assert_string_equal(o->out, plain);
  cJSON *root = cJSON_Parse(plain);
  assert_non_null(root);
  assert_string_equal(cJSON_GetObjectItemCaseSensitive(root, "schema")->valuestring, "slotproof/diagnosis/1");
  assert_int_equal(cJSON_GetArraySize(cJSON_GetObjectItemCaseSensitive(root, "notes")), 14);
  cJSON_Delete(root);
}

/* Only the record: frets alone. Fret 5 is 0.3 mm off: K ln((S - c)/(S - c - 0.3)), S = 650 mm, c = 162.5485: 1.07
 * cents. */
static void test_diagnose_record_alone(void **state)
{
  (void)state;
  const outcome *o = run(DIAGNOSE);
  assert_int_equal(o->status, 0);
  assert_non_null(strstr(o->out, "worst +1.1 on string 1, fret 5"));
  assert_non_null(strstr(o->out, "Slacken the strings"));
  for (char *line = strtok(((outcome *)o)->out, "\n"); line; line = strtok(NULL, "\n"))
    assert_true(strlen(line) <= 100);
}

static void test_help_and_version(void **state)
{
  (void)state;
  static const char *const LINES[] = {
      "slotproof --help",          "slotproof layout --help", "slotproof check --help", "slotproof reference --help",
      "slotproof diagnose --help", "slotproof batch --help",  "slotproof --version"};
  for (size_t i = 0; i < sizeof LINES / sizeof *LINES; i++) {
    const outcome *o = run(LINES[i]);
    assert_int_equal(o->status, 0);
    assert_true(strlen(o->out) > 10);
    assert_string_equal(o->err, "");
    for (char *line = strtok(((outcome *)o)->out, "\n"); line; line = strtok(NULL, "\n"))
      assert_true(strlen(line) <= 100);
  }
}

static void test_output_file(void **state)
{
  (void)state;
  static char content[TEXT_MAX];
  const outcome *o = run(LAYOUT "--output made.txt");
  assert_int_equal(o->status, 0);
  assert_string_equal(o->out, "");
  slurp("made.txt", content);
  o = run(LAYOUT "--output -");
  assert_int_equal(o->status, 0);
  assert_string_equal(o->out, content);
  o = run("slotproof layout --scale-length 648mm --frets 300 --output made.txt");
  assert_int_equal(o->status, 64);
  static char again[TEXT_MAX];
  assert_string_equal(slurp("made.txt", again), content); /* a refusal leaves the old file */
  assert_int_equal(unlink("made.txt"), 0);
}

static void test_full_disk_and_closed_output(void **state)
{
  (void)state;
  if (access("/dev/full", W_OK) != 0) /* a device of Linux that is always full */
    skip();
  static const char *const LINES[] = {LAYOUT ">/dev/full",
                                      LAYOUT "--format json >/dev/full",
                                      "slotproof --help >/dev/full",
                                      "slotproof --version >/dev/full",
                                      LAYOUT "--format pdf >/dev/full",
                                      LAYOUT "--format svg >/dev/full",
                                      LAYOUT ">&-",
                                      "slotproof --help >&-"};
  for (size_t i = 0; i < sizeof LINES / sizeof *LINES; i++)
    check_refusal(LINES[i], 74, "standard output", "");
  check_refusal(LAYOUT "--output /dev/full", 74, "/dev/full", "");
}

/* Where no permission holds (the superuser) this cannot be tried. */
static void test_folder_without_permission(void **state)
{
  (void)state;
  if (geteuid() == 0)
    skip();
  assert_int_equal(mkdir("closed", 0555), 0);
  check_refusal(LAYOUT "--output closed/made.txt", 73, "closed/made.txt", "cannot be created");
  assert_int_equal(rmdir("closed"), 0);
}

/* A sound picture with nothing in it: undecided, and both results are there; if one cannot be written, neither is. */
/* The formats by their first bytes (ISO 32000, W3C SVG, W3C PNG). */
static void test_target_formats(void **state)
{
  (void)state;
  static const struct {
    const char *format, *begins;
  } cases[] = {{"", "%PDF-1."}, {"--format svg", "<?xml"}, {"--format png --dpi 150", "\x89PNG\r\n"}};
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    char line[200], bytes[16] = "";
    snprintf(line, sizeof line, "slotproof target %s --length 1in --output strip.out", cases[i].format);
    const outcome *o = run(line);
    assert_int_equal(o->status, 0);
    assert_int_equal(o->out[0] | o->err[0], 0);
    FILE *f = fopen("strip.out", "rb");
    assert_non_null(f);
    assert_true(fread(bytes, 1, sizeof bytes - 1, f) > 10);
    fclose(f);
    assert_memory_equal(bytes, cases[i].begins, strlen(cases[i].begins));
    unlink("strip.out");
  }
}

static void test_report_and_overlay_together(void **state)
{
  (void)state;
  const outcome *o = run(CHECK "--format json --output made.json --overlay made.png blank.png");
  static char content[TEXT_MAX];
  assert_int_equal(o->status, 2);
  assert_string_equal(o->out, "");
  cJSON *root = cJSON_Parse(slurp("made.json", content));
  assert_non_null(root);
  assert_string_equal(cJSON_GetObjectItemCaseSensitive(root, "verdict")->valuestring, "undecided");
  assert_string_equal(cJSON_GetObjectItemCaseSensitive(root, "schema")->valuestring, "slotproof/record/1");
  assert_int_equal(cJSON_GetArraySize(cJSON_GetObjectItemCaseSensitive(root, "marks")), 21);
  cJSON_Delete(root);
  png_image image = {.version = PNG_IMAGE_VERSION};
  assert_true(png_image_begin_read_from_file(&image, "made.png"));
  assert_int_equal(image.width, 400);
  assert_int_equal(image.height, 300);
  png_image_free(&image);
  assert_int_equal(unlink("made.json") | unlink("made.png"), 0);
  check_refusal(CHECK "--output made.json --overlay none/made.png blank.png", 73, "none/made.png", "cannot be created");
  assert_int_not_equal(access("made.json", F_OK), 0);
  check_refusal(CHECK "--overlay made.png --output none/made.json blank.png", 73, "none/made.json",
                "cannot be created");
  assert_int_not_equal(access("made.png", F_OK), 0);
  if (access("/dev/full", W_OK) != 0)
    return;
  check_refusal(CHECK "--output /dev/full --overlay made.png blank.png", 74, "/dev/full", "");
  check_refusal(CHECK "--overlay made.png blank.png >/dev/full", 74, "standard output", "");
  check_refusal(CHECK "--overlay /dev/full --output made.json blank.png", 74, "/dev/full", "");
  assert_int_not_equal(access("made.png", F_OK), 0);
  assert_int_not_equal(access("made.json", F_OK), 0);
}

/* The page goes out like any report; a name that would be markup is only text in it. */
static void test_page(void **state)
{
  (void)state;
  static char content[TEXT_MAX];
  const outcome *o = run("cp blank.png '<b>&x.png'; " CHECK
                         "--format html --output made.html '<b>&x.png'; rc=$?; rm '<b>&x.png'; exit $rc");
  assert_int_equal(o->status, 2);
  assert_string_equal(o->out, "");
  slurp("made.html", content);
  assert_int_equal(strncmp(content, "<!DOCTYPE html>", 15), 0);
  assert_non_null(strstr(content, "</html>"));
  assert_non_null(strstr(content, "&lt;b&gt;&amp;x.png"));
  assert_null(strstr(content, "<b>&"));
  assert_int_equal(unlink("made.html"), 0);
  o = run(CHECK "--format html blank.png");
  assert_int_equal(o->status, 2);
  assert_int_equal(strncmp(o->out, "<!DOCTYPE html>", 15), 0);
  check_refusal(CHECK "--format html --output none/made.html blank.png", 73, "none/made.html", "cannot be created");
  if (access("/dev/full", W_OK) != 0)
    return;
  check_refusal(CHECK "--format html blank.png >/dev/full", 74, "standard output", "");
  check_refusal(CHECK "--format html --output /dev/full --overlay made.png blank.png", 74, "/dev/full", "");
  assert_int_not_equal(access("made.png", F_OK), 0);
}

static void test_batch_page(void **state)
{
  (void)state;
  static char content[TEXT_MAX];
  const outcome *o = run(BATCH "--format html --output made.html blank.png");
  assert_int_equal(o->status, 2);
  assert_string_equal(o->out, "");
  slurp("made.html", content);
  assert_int_equal(strncmp(content, "<!DOCTYPE html>", 15), 0);
  assert_non_null(strstr(content, "blank.png"));
  assert_non_null(strstr(content, "</html>"));
  assert_int_equal(unlink("made.html"), 0);
  check_refusal(BATCH "--format html --output none/made.html blank.png", 73, "none/made.html", "cannot be created");
  check_refusal(BATCH "--format svg blank.png", 64, "--format", "text, json, csv or html");
  if (access("/dev/full", W_OK) == 0)
    check_refusal(BATCH "--format html blank.png >/dev/full", 74, "standard output", "");
}

static void test_reference_without_a_rule(void **state)
{
  (void)state;
  const outcome *o = run(REFERENCE "blank.png");
  assert_int_equal(o->status, 2);
  assert_int_equal(strncmp(o->out, "NO SCALE", 8), 0);
  o = run(REFERENCE "--format json --overlay - --output made.json blank.png");
  assert_int_equal(o->status, 2);
  assert_memory_equal(o->out, "\x89PNG", 4);
  assert_int_equal(unlink("made.json"), 0);
}

/* ---- the manual page -------------------------------------------------------------------------------------------- */

/* The text of one line of the page as it is shown: \- and \e are the only escapes the examples use. */
static void shown(char *line)
{
  char *to = line;
  for (const char *from = line; *from; from++, to++) {
    if (from[0] == '\\' && (from[1] == '-' || from[1] == 'e'))
      *to = *++from == 'e' ? '\\' : '-';
    else
      *to = *from;
  }
  *to = '\0';
}

static void check_example(const char *command, const char *expected)
{
  outcome *o = (outcome *)run(command);
  char *to = o->out;
  for (const char *from = o->out; *from; from++) /* the page has no CR */
    if (*from != '\r')
      *to++ = *from;
  *to = '\0';
  assert_in_range(o->status, 0, strncmp(command, "slotproof check ", 16) == 0 ? 2 : 0);
  if (strcmp(o->out, expected) != 0)
    fprintf(stderr, "the manual page says of\n  %s\n%s\nbut it is\n%s\n", command, expected, o->out);
  assert_string_equal(o->out, expected);
}

/* Pictures are there but for the board of the examples that go over several lines. */
static bool can_be_run(const char *command)
{
  static const char *const STARTS[] = {"slotproof layout ", "slotproof diagnose ", "slotproof check ", "cat ", "grep "};
  const size_t length = strlen(command);
  for (size_t i = 0; i < sizeof STARTS / sizeof *STARTS; i++)
    if (strncmp(command, STARTS[i], strlen(STARTS[i])) == 0 && command[length - 1] != '\\')
      return true;
  return false;
}

static void test_manual_examples(void **state)
{
  (void)state;
  FILE *page = fopen(MANUAL_PAGE, "r");
  char line[1000], command[1000] = "";
  static char expected[TEXT_MAX];
  bool inside = false;
  int examples = 0;
  assert_non_null(page);
  while (fgets(line, sizeof line, page)) {
    if (strcmp(line, ".EX\n") == 0) {
      inside = true;
      command[0] = expected[0] = '\0';
    } else if (strcmp(line, ".EE\n") == 0) {
      inside = false;
      if (can_be_run(command)) {
        check_example(command, expected);
        examples++;
      }
    } else if (inside && strncmp(line, "$ ", 2) == 0) {
      shown(line);
      strcpy(command, line + 2);
      command[strcspn(command, "\n")] = '\0';
    } else if (inside) {
      shown(line);
      assert_true(strlen(expected) + strlen(line) < TEXT_MAX);
      strcat(expected, line);
    }
  }
  fclose(page);
  assert_true(examples >= 8);
  assert_int_equal(unlink("lines.json"), 0); /* made by one of them */
}

/* What the example that makes a page leaves behind. */
static void test_manual_example_of_a_page(void **state)
{
  (void)state;
  static char content[TEXT_MAX];
  FILE *page = fopen(MANUAL_PAGE, "r");
  char line[1000], command[1200] = "";
  assert_non_null(page);
  while (!command[0] && fgets(line, sizeof line, page)) {
    shown(line);
    if (strncmp(line, "$ slotproof check ", 18) == 0 && strstr(line, "--format html"))
      snprintf(command, sizeof command, "%s", line + 2);
  }
  fclose(page);
  assert_true(command[0]);
  const outcome *o = run(command);
  assert_in_range(o->status, 0, 2);
  assert_string_equal(o->out, "");
  assert_int_equal(strncmp(slurp("lines.html", content), "<!DOCTYPE html>", 15), 0);
  assert_int_equal(unlink("lines.html"), 0);
}

/* Every long option that the help names stands in the manual page. */
static void test_manual_is_complete(void **state)
{
  (void)state;
  static const char *const COMMANDS[] = {"slotproof layout --help", "slotproof check --help",
                                         "slotproof reference --help", "slotproof diagnose --help",
                                         "slotproof batch --help"};
  static char page[TEXT_MAX];
  slurp(MANUAL_PAGE, page);
  shown(page);
  int options = 0;
  for (size_t i = 0; i < sizeof COMMANDS / sizeof *COMMANDS; i++) {
    outcome *o = (outcome *)run(COMMANDS[i]);
    for (char *line = strtok(o->out, "\n"); line; line = strtok(NULL, "\n")) {
      char name[60];
      if (sscanf(line, " --%50s", name) != 1 || line[0] != ' ')
        continue;
      char option[64];
      snprintf(option, sizeof option, "--%s", name);
      if (!strstr(page, option))
        fprintf(stderr, "%s is not in the manual page\n", option);
      assert_non_null(strstr(page, option));
      options++;
    }
  }
  assert_true(options > 20);
}

/* ---- the folder ------------------------------------------------------------------------------------------------- */

static char folder[] = "cli-test-XXXXXX";

/* A sound PNG with nothing in it. */
static void put_picture(const char *name, uint32_t width, uint32_t height)
{
  static uint8_t grey[400 * 300];
  png_image image = {.version = PNG_IMAGE_VERSION, .width = width, .height = height, .format = PNG_FORMAT_GRAY};
  memset(grey, 128, sizeof grey);
  assert_true(png_image_write_to_file(&image, name, 0, grey, 0, NULL));
}

/* A record of an invented guitar: twelve frets where they belong on 648 mm but the fifth, 0.3 mm too near the bridge.
 */
static void put_record(const char *name)
{
  FILE *f = fopen(name, "wb");
  assert_non_null(f);
  fprintf(f, "{\"schema\":\"slotproof/record/1\",\"layout\":{\"scale_length_mm\":648,\"frets\":12,\"divisions\":12},"
             "\"datum\":{\"kind\":\"line\",\"u_mm\":0.01},\"marks\":[");
  for (int k = 0; k <= 12; k++) {
    const double layout_mm = 648.0 * (1.0 - exp2(-k / 12.0));
    fprintf(f, "%s{\"fret\":%d,\"state\":\"found\",\"x_mm\":%.6f,\"layout_mm\":%.6f,\"u_mm\":%s}", k ? "," : "", k,
            layout_mm + (k == 5 ? 0.3 : 0.0), layout_mm, k ? "0.02" : "0");
  }
  fprintf(f, "]}\n");
  assert_int_equal(fclose(f), 0);
}

/* The readings of the manual page's example. */
static const char READINGS[] = "string,fret,cents\n"
                               "1,0,1.3\n1,1,0.8\n1,3,0.5\n1,5,1.4\n1,7,0.9\n1,9,0.9\n1,12,-0.2\n"
                               "2,0,-0.7\n2,1,0.2\n2,3,0.8\n2,5,2.6\n2,7,2.1\n2,9,3.0\n2,12,5.2\n";

/* The board of the manual page: laid out with a rule that slipped after fret 5, then sawn with a saw that leans. */
static void put_board(void)
{
  static const char *const LINES[] = {"dpi=400",
                                      "scale_length_mm=330",
                                      "frets=10",
                                      "placement_sd_mm=0.02",
                                      "misplace=6:0.41,7:0.42,8:0.37,9:0.44,10:0.40",
                                      NULL};
  static const char *const SLOTS[] = {"dpi=400",
                                      "scale_length_mm=330",
                                      "frets=10",
                                      "placement_sd_mm=0.03",
                                      "marks=slot",
                                      "slot_level=0.2",
                                      "slot_width_mm=0.56",
                                      "slot_widening_mm=0.09",
                                      "misplace=6:0.45,7:0.43,8:0.42,9:0.44,10:0.49",
                                      NULL};
  draw(330, LINES, "lines.png", NULL);
  draw(330, SLOTS, "slots.png", NULL);
}

/* The board file of the manual page. */
static const char ROBIN[] = "# A cigar box guitar's board, just intonation, frets of one octave.\n"
                            "name            = Robin\n"
                            "scale length    = 25 1/2 in\n"
                            "frets           = 7\n"
                            "steps           = 9/8, 5/4, 4/3, 3/2,   # do re mi fa sol\n"
                            "                  5/3, 15/8, 2/1        # la ti do\n"
                            "marks           = slot\n"
                            "tolerance       = 0.2 mm, 3c\n";

static int enter_folder(void **state)
{
  static const char STEPS[] = "# five steps\n203.910\n386.3137139\n498.045\n701.955\n1200\n";
  static const unsigned char SHORT_PNG[] = {0x89, 'P', 'N', 'G', 0x0d, 0x0a, 0x1a, 0x0a, 0,
                                            0,    0,   13,  'I', 'H',  'D',  'R',  0,    0};
  (void)state;
  put_file("steps.txt", STEPS, sizeof STEPS - 1);
  put_record("board.json");
  put_file("readings.csv", READINGS, sizeof READINGS - 1);
  put_file("text.txt", "no numbers here\n", 16);
  put_file("empty.png", "", 0);
  put_file("short.png", SHORT_PNG, sizeof SHORT_PNG);
  put_picture("small.png", 40, 30); /* too small to be a scan */
  put_picture("blank.png", 400, 300);
  put_board();
  put_text("bad.board", "# one\nname = a\ncolour = red\n");
  put_text("lost.board", "frets = 3\nsteps file = none.txt\n");
  put_text("wren.board", "name = Wren\nscale length = 648 mm\nfrets = 5\nsteps file = steps.txt\n");
  put_text("robin.board", ROBIN);
  put_text("lines.board", "# as marked\nscale length = 33 cm\nfrets = 10\nmarks = knife\nnut = line\n"
                          "tolerance = 0.3mm, 9c\ntang = 0.5mm\nradius = 10 in\n");
  return symlink("small.png", "link.png") != 0 || mkdir("folder", 0755) != 0;
}

/* Fails if the program has left anything behind. */
static int leave_folder(void **state)
{
  static const char *const OURS[] = {"steps.txt",   "text.txt",   "empty.png",     "short.png",  "small.png",
                                     "link.png",    "blank.png",  "bin/slotproof", "board.json", "readings.csv",
                                     "lines.png",   "slots.png",  "bad.board",     "lost.board", "wren.board",
                                     "lines.board", "robin.board"};
  (void)state;
  int failed = 0;
  for (size_t i = 0; i < sizeof OURS / sizeof *OURS; i++)
    failed |= unlink(OURS[i]);
  failed |= rmdir("folder") | rmdir("bin") | chdir("..") | rmdir(folder);
  if (failed)
    fprintf(stderr, "something was left behind in %s\n", folder);
  return failed;
}

/* Makes the folder, a link to the program in it, and leads PATH there. */
static bool prepare(const char *program)
{
  char *full = realpath(program, NULL), *here = NULL;
  static char path[COMMAND_MAX];
  const char *old = getenv("PATH");
  bool fine =
      full && mkdtemp(folder) && chdir(folder) == 0 && mkdir("bin", 0755) == 0 && symlink(full, "bin/slotproof") == 0;
  fine = fine && (here = realpath("bin", NULL)) != NULL;
  fine = fine && snprintf(path, sizeof path, "%s:%s", here, old ? old : "/usr/bin:/bin") < COMMAND_MAX;
  fine = fine && setenv("PATH", path, 1) == 0;
  free(full);
  free(here);
  return fine;
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_refusals),
      cmocka_unit_test(test_layout_formats),
      cmocka_unit_test(test_boards),
      cmocka_unit_test(test_boards_apart),
      cmocka_unit_test(test_diagnose_from_a_shifted_nut),
      cmocka_unit_test(test_check_by_board),
      cmocka_unit_test(test_batch_by_board),
      cmocka_unit_test(test_layout_drawings),
      cmocka_unit_test(test_diagnose_tables),
      cmocka_unit_test(test_diagnose_record_alone),
      cmocka_unit_test(test_help_and_version),
      cmocka_unit_test(test_output_file),
      cmocka_unit_test(test_full_disk_and_closed_output),
      cmocka_unit_test(test_folder_without_permission),
      cmocka_unit_test(test_target_formats),
      cmocka_unit_test(test_report_and_overlay_together),
      cmocka_unit_test(test_reference_without_a_rule),
      cmocka_unit_test(test_manual_examples),
      cmocka_unit_test(test_manual_example_of_a_page),
      cmocka_unit_test(test_page),
      cmocka_unit_test(test_batch_page),
      cmocka_unit_test(test_manual_is_complete),
  };
  if (argc != 2 || !prepare(argv[1])) {
    fprintf(stderr, "usage: test_cli PROGRAM, in a folder that may be written to\n");
    return 2;
  }
  return cmocka_run_group_tests(tests, enter_folder, leave_folder);
}
