/* The pages of `slotproof serve` under a browser: a picture goes in, the verdict comes out, a mark is picked in three
 * places, with the pointer and with keys alone, on a desk's screen and a telephone's.
 *
 * With SLOTPROOF_SHOTS naming a folder, pictures of the pages are left there. */
#define _GNU_SOURCE /* realpath */
#include "browser.h"

#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "check_close.h"
#include "drawn.h"
#include "outside.h"

static browser chromium;
static talk_program server;
static char board_id[40];
static char *program;

static void url_of(char url[200], const char *path)
{
  snprintf(url, 200, "http://127.0.0.1:%u%.120s", (unsigned)server.port, path);
}

static void go(const char *path)
{
  char url[200];
  url_of(url, path);
  browser_go(&chromium, url);
}

static double number_in_page(const char *script)
{
  cJSON *value = browser_run(&chromium, script);
  assert_true(cJSON_IsNumber(value));
  const double number = value->valuedouble;
  cJSON_Delete(value);
  return number;
}

static void check_text(const char *script, const char *wanted)
{
  cJSON *value = browser_run(&chromium, script);
  assert_true(cJSON_IsString(value));
  if (!strstr(value->valuestring, wanted))
    fprintf(stderr, "%s gives '%s', not '%s'\n", script, value->valuestring, wanted);
  assert_non_null(strstr(value->valuestring, wanted));
  cJSON_Delete(value);
}

/* Nothing broader than the screen, nothing said in the console. */
static void check_sound(void)
{
  assert_false(browser_complained(&chromium));
  assert_true(number_in_page("return document.documentElement.scrollWidth - innerWidth") <= 0.0);
}

static void shot(const char *name, int width, bool dark)
{
  const char *folder = getenv("SLOTPROOF_SHOTS");
  char path[300];
  browser_screen(&chromium, width, width < 600 ? 844 : 900, dark);
  browser_until(&chromium, "return document.readyState === 'complete'");
  cJSON_Delete(
      browser_run(&chromium, "return new Promise(d => setTimeout(() => requestAnimationFrame(() => d(1)), 250))"));
  check_sound();
  if (!folder)
    return;
  snprintf(path, sizeof path, "%s/%s-%d-%s.png", folder, name, width, dark ? "dark" : "light");
  browser_shot(&chromium, path);
}

static void shots(const char *name)
{
  shot(name, 390, true);
  shot(name, 390, false);
  shot(name, 1280, true);
  shot(name, 1280, false);
}

static const char DONE[] =
    "return !document.getElementById('see').hidden && document.getElementById('progress').hidden";

/* ---- in ------------------------------------------------------------------------------------------------------------
 */

static void type_into(const char *id, const char *text)
{
  char script[200];
  snprintf(script, sizeof script, "const e = document.getElementById('%s'); e.value = ''; e.focus()", id);
  cJSON_Delete(browser_run(&chromium, script));
  browser_keys(&chromium, text);
}

static void test_picture_in_verdict_out(void **state)
{
  (void)state;
  go("/");
  shots("start");
  browser_choose(&chromium, "#files", SAMPLES_DIR "/kittiwake.png");
  type_into("f-scale_length", "381");
  type_into("f-frets", "14");
  browser_click(&chromium, "#go");
  browser_until(&chromium, "return document.getElementById('f-scale_length-wrong').textContent !== ''");
  check_text("return document.getElementById('f-scale_length-wrong').textContent", "unit");
  browser_complained(&chromium); /* a refusal is told in the console, too */
  shot("start-wrong", 390, false);
  browser_screen(&chromium, 1280, 900, false);
  type_into("f-scale_length", "15 in" KEY_ENTER);
  browser_until(&chromium, "return location.pathname.startsWith('/board/')");
  browser_until(&chromium, DONE);
  check_text("return document.querySelector('#first h2').textContent", "Out of tolerance");
  check_text("return document.querySelector('#first .counts').textContent", "2 of 14 frets are out");
  check_text("return document.getElementById('name').textContent", "kittiwake.png");
  cJSON *id = browser_run(&chromium, "return location.pathname.split('/')[2]");
  snprintf(board_id, sizeof board_id, "%s", id->valuestring);
  cJSON_Delete(id);
  shots("board");
}

/* Known again when the page is loaded anew, and kept as a board file that the command line reads. */
static void test_board_is_remembered(void **state)
{
  (void)state;
  go("/");
  browser_until(&chromium, "return document.getElementById('f-frets').value === '14'"); /* what was asked last */
  type_into("f-scale_length", "25 1/2 in");
  browser_click(&chromium, "#remember");
  browser_keys(&chromium, "Dunlin tenor" KEY_ENTER);
  browser_until(&chromium, "return document.getElementById('board').selectedOptions[0].textContent === 'Dunlin tenor'");
  const outside_result *r = outside_run("layout --board data/boards/*.board --format csv");
  assert_int_equal(r->status, 0);
  assert_non_null(strstr(r->out, "323.85")); /* half of 25 1/2 in, 12 frets on */
  go("/");
  browser_until(&chromium, "return document.querySelectorAll('#board option').length === 2");
  type_into("f-scale_length", "");
  cJSON_Delete(browser_run(&chromium, "const b = document.getElementById('board'); b.selectedIndex = 1;"
                                      "b.dispatchEvent(new Event('change'))"));
  check_text("return document.getElementById('f-scale_length').value", "25 1/2 in");
  shot("boards", 1280, false);
  shot("boards", 390, true);
  browser_screen(&chromium, 1280, 900, false);
  browser_click(&chromium, "#forget");
  browser_until(&chromium, "return document.getElementById('known').hidden");
  check_sound();
}

static void test_first_views_are_light(void **state)
{
  (void)state;
  static const char SIZE[] = "return performance.getEntriesByType('navigation')[0].transferSize + "
                             "performance.getEntriesByType('resource').filter(e => !e.name.includes('/tile/'))"
                             ".reduce((n, e) => n + e.transferSize, 0)";
  char path[100];
  go("/");
  browser_until(&chromium, "return document.querySelectorAll('#jobs li').length > 0");
  assert_true(number_in_page(SIZE) < 150e3);
  snprintf(path, sizeof path, "/board/%s", board_id);
  go(path);
  browser_until(&chromium, DONE);
  assert_true(number_in_page(SIZE) < 150e3);
  check_sound();
}

/* ---- one mark in three places ----------------------------------------------------------------------------------- */

static void check_picked(const char *fret, const char *close_up)
{
  char script[400];
  snprintf(script, sizeof script,
           "return document.querySelectorAll('#rest .plot .at.picked[data-fret=\"%s\"]').length >= 2 && "
           "document.querySelectorAll('#marks tr.picked[data-fret=\"%s\"]').length === 1 && "
           "document.querySelectorAll('#over .picked').length === 1 && "
           "document.querySelectorAll('.picked[data-fret]:not([data-fret=\"%s\"])').length === 0",
           fret, fret, fret);
  browser_until(&chromium, script);
  snprintf(script, sizeof script,
           "return document.querySelector('#close-up figcaption')?.textContent.includes('%s') === true", close_up);
  browser_until(&chromium, script);
  browser_until(&chromium, "return document.querySelectorAll('#close-up svg.plot image').length === 2 && "
                           "document.querySelector('#close-up svg.plot .curve') !== null");
}

static void open_board(void)
{
  browser_screen(&chromium, 1280, 900, false);
  char path[100];
  snprintf(path, sizeof path, "/board/%s", board_id);
  go(path);
  browser_until(&chromium, DONE);
}

static void test_picked_in_three_places(void **state)
{
  (void)state;
  open_board();
  browser_click(&chromium, "#marks tr[data-fret='3'] button.pick");
  check_picked("3", "Fret 3");
  browser_click(&chromium, "#error-mm, #plots .at[data-fret='9'] .ground");
  check_picked("9", "Fret 9");
  /* in the picture: where its tick is drawn */
  cJSON_Delete(browser_run(
      &chromium, "const t = [...document.querySelectorAll('#over .on-picture')].find(g => g.textContent === '5')"
                 ".querySelectorAll('line'); const b = document.getElementById('view').getBoundingClientRect();"
                 "const x = b.left + (+t[2].getAttribute('x1') + +t[3].getAttribute('x1')) / 2,"
                 "y = b.top + (+t[2].getAttribute('y1') + +t[2].getAttribute('y2')) / 2;"
                 "for (const type of ['pointerdown', 'pointerup']) document.getElementById('view').dispatchEvent("
                 "new PointerEvent(type, {clientX: x, clientY: y, pointerId: 1, bubbles: true}))"));
  check_picked("5", "Fret 5");
  shots("picked");
  browser_click(&chromium, "#pixels");
  shot("pixels", 1280, false);
  check_text("return location.hash", "#fret-5");
  cJSON_Delete(browser_run(&chromium, "location.reload()"));
  browser_until(&chromium, DONE);
  check_picked("5", "Fret 5");
  check_sound();
}

/* ---- by keys alone ---------------------------------------------------------------------------------------------- */

static void tab_until(const char *script)
{
  for (int i = 0; i < 80; i++) {
    cJSON *there = browser_run(&chromium, script);
    const bool yes = cJSON_IsTrue(there);
    cJSON_Delete(there);
    if (yes)
      return;
    browser_keys(&chromium, KEY_TAB);
  }
  fail_msg("the key Tab never comes to where %s", script);
}

static void tab_to(const char *id)
{
  char script[200];
  snprintf(script, sizeof script, "return document.activeElement.id === '%s'", id);
  tab_until(script);
}

static void test_keys_alone(void **state)
{
  (void)state;
  open_board();
  tab_to("view");
  browser_keys(&chromium, KEY_RIGHT KEY_RIGHT KEY_RIGHT);
  check_picked("2", "Fret 2");
  check_text("return document.getElementById('live').textContent", "Fret 2, within");
  browser_keys(&chromium, KEY_LEFT);
  check_picked("1", "Fret 1");
  browser_keys(&chromium, "++");
  browser_keys(&chromium, "m");
  browser_until(&chromium, "return !document.getElementById('hint').hidden");
  browser_keys(&chromium, KEY_ESCAPE);
  browser_until(&chromium, "return document.getElementById('hint').hidden");
  check_sound();
}

/* The report in its own page: its style is let in, nothing is refused, and it prints. */
static void test_page_to_print(void **state)
{
  (void)state;
  char head[6] = "";
  open_board();
  browser_click(&chromium, "#report");
  browser_until(&chromium, "return location.pathname.endsWith('/report') && document.readyState === 'complete'");
  check_text("return getComputedStyle(document.querySelector('.verdict h2')).color",
             "rgb(199, 84, 4)"); /* its orange */
  assert_true(number_in_page("return [...document.querySelectorAll('image')].length") >= 7.0);
  check_sound();
  browser_print(&chromium, "report.pdf");
  FILE *file = fopen("report.pdf", "rb");
  assert_non_null(file);
  assert_int_equal(fread(head, 1, 5, file), 5);
  assert_int_equal(fseek(file, 0, SEEK_END), 0);
  assert_true(ftell(file) > 50000);
  fclose(file);
  assert_string_equal(head, "%PDF-"); /* ISO 32000-1, 7.5.2 */
}

/* ---- said by hand -------------------------------------------------------------------------------------------------
 */

static void check_fret(const char *fret, const char *verdict)
{
  char script[200];
  browser_until(&chromium, DONE);
  snprintf(script, sizeof script,
           "return document.querySelector(\"#marks tr[data-fret='%s']\").classList.contains('%s')", fret, verdict);
  browser_until(&chromium, script);
}

static void check_said(int all, int undone)
{
  char script[300];
  snprintf(
      script, sizeof script,
      "return document.querySelectorAll('#said li').length === %d && document.querySelectorAll('#said .undone').length "
      "=== %d",
      all, undone);
  browser_until(&chromium, script);
}

static void test_said_by_hand(void **state)
{
  (void)state;
  open_board();
  browser_click(&chromium, "#marks tr[data-fret='5'] button.pick");
  browser_until(&chromium, "return !document.getElementById('not-a-mark').disabled");
  browser_click(&chromium, "#not-a-mark");
  check_said(1, 0);
  check_fret("5", "missing");
  /* by keys: the cross stands in the middle of the view, where the mark that was chosen has been brought */
  browser_click(&chromium, "#marks tr[data-fret='5'] button.pick");
  browser_click(&chromium, "#pixels");
  browser_click(&chromium, "#mark-here");
  browser_until(&chromium, "return document.activeElement.id === 'view'");
  shot("placing", 390, false);
  browser_screen(&chromium, 1280, 900, false);
  browser_keys(&chromium, KEY_RIGHT KEY_LEFT KEY_ENTER);
  check_said(2, 0);
  browser_until(&chromium, DONE);
  shots("said");
  browser_click(&chromium, "#undo");
  check_said(2, 1);
  check_fret("5", "missing");
  cJSON_Delete(browser_run(&chromium, "location.reload()")); /* nothing of it is lost */
  browser_until(&chromium, DONE);
  check_said(2, 1);
  browser_click(&chromium, "#undo");
  check_said(2, 2);
  check_fret("5", "within");
  browser_click(&chromium, "#redo");
  check_said(2, 1);
  check_fret("5", "missing");
  browser_click(&chromium, "#undo");
  check_said(2, 2);
  check_fret("5", "within");
  check_sound();
}

static void test_ask_again(void **state)
{
  (void)state;
  open_board();
  browser_click(&chromium, "#again summary");
  type_into("f-tolerance", "2 mm" KEY_ENTER);
  browser_until(&chromium, "return document.getElementById('asked').textContent.includes('tolerance 2 mm')");
  browser_until(&chromium,
                "return document.querySelector('#first .counts')?.textContent.includes('13 are within') === true || "
                "document.querySelector('#first .counts')?.textContent.includes('within 2 mm') === true");
  check_sound();
}

static void test_thrown_away(void **state)
{
  (void)state;
  open_board();
  browser_click(&chromium, "#remove");
  browser_click(&chromium, "#really");
  browser_until(&chromium, "return location.pathname === '/'");
  browser_until(&chromium, "return document.querySelectorAll('#jobs li').length >= 4");
  browser_until(&chromium, "return ![...document.querySelectorAll('#jobs bdi')].some(b => b.textContent === "
                           "'kittiwake.png')");
}

/* A stroke of the rule is touched in the picture and said to read so much; what the click means in pixels is worked out
 * from where two marks are drawn. */
static void say_stroke(const char *which, const char *reading)
{
  char script[1500];
  browser_click(&chromium, "#all");
  browser_click(&chromium, "#graduation");
  browser_until(&chromium, "return document.activeElement.id === 'view'");
  snprintf(
      script, sizeof script,
      "return fetch(location.pathname.replace('/board/', '/api/jobs/') + '/record').then(a => a.json()).then(r => {"
      "const at = f => { const l = [...document.querySelectorAll('#over .on-picture')].find(g => g.textContent === "
      "String(f)).querySelectorAll('line'); const m = (n, k) => (+l[2].getAttribute(n + '1') + "
      "+l[2].getAttribute(n + '2') + +l[3].getAttribute(n + '1') + +l[3].getAttribute(n + '2')) / 4;"
      "return [m('x'), m('y')]; }; const a = at(2), b = at(9), p = r.marks[2].centre_px, q = r.marks[9].centre_px;"
      "const k = Math.hypot(b[0] - a[0], b[1] - a[1]) / Math.hypot(q[0] - p[0], q[1] - p[1]);"
      "const s = r.reference.%s, v = document.getElementById('view').getBoundingClientRect();"
      "for (const type of ['pointerdown', 'pointerup']) document.getElementById('view').dispatchEvent(new "
      "PointerEvent(type, {clientX: v.left + a[0] + k * (s[0] - p[0]), clientY: v.top + a[1] + k * (s[1] - p[1]), "
      "pointerId: 1, bubbles: true})); return true; })",
      which);
  cJSON_Delete(browser_run(&chromium, script));
  browser_until(&chromium, "return document.activeElement.id === 'reads'");
  browser_keys(&chromium, reading);
}

static void test_nut_and_strokes(void **state)
{
  (void)state;
  open_board();
  check_said(2, 2);
  browser_click(&chromium, "#marks tr[data-fret='1'] button.pick");
  browser_until(&chromium, "return !document.getElementById('nut-here').disabled");
  browser_click(&chromium, "#nut-here");
  check_said(1, 0);
  browser_until(&chromium, DONE);
  browser_until(&chromium, "return document.querySelector('#said li.applied, #said li.refused, #said li.already-so')"
                           " !== null");
  shot("nut", 1280, false);
  browser_screen(&chromium, 1280, 900, false);
  browser_click(&chromium, "#undo");
  check_said(1, 1);
  browser_until(&chromium, DONE);
  check_fret("5", "within");
  say_stroke("first_px", "20 mm" KEY_ENTER);
  check_said(1, 0);
  browser_until(&chromium, DONE);
  say_stroke("last_px", "20");
  browser_keys(&chromium, KEY_ENTER); /* no unit: refused, and nothing is said */
  browser_until(&chromium, "return !document.getElementById('say-trouble').hidden");
  check_said(1, 0);
  cJSON *record = browser_run(&chromium, "return fetch(location.pathname.replace('/board/', '/api/jobs/') + '/record')"
                                         ".then(a => a.json())");
  char reading[120];
  snprintf(reading, sizeof reading, "const e = document.getElementById('reads'); e.value = '%g mm'; e.focus()",
           20.0 + number(member(record, "reference"), "span_mm"));
  cJSON_Delete(record);
  cJSON_Delete(browser_run(&chromium, reading));
  browser_keys(&chromium, KEY_ENTER);
  check_said(2, 0);
  browser_until(&chromium, DONE);
  browser_until(&chromium, "return document.querySelectorAll('#said li.applied, #said li.already-so').length === 2");
  shot("strokes", 390, true);
  browser_screen(&chromium, 1280, 900, false);
  browser_click(&chromium, "#undo");
  check_said(2, 1);
  browser_click(&chromium, "#undo");
  check_said(2, 2);
  browser_until(&chromium, DONE);
  check_fret("5", "within");
  check_sound();
}

/* ---- boards in words, boards in pieces, boards summed up -----------------------------------------------------------
 */

#define GODWIT_FILE SAMPLES_DIR "/godwit.jpg"
#define PIECE(n)    SAMPLES_DIR "/redshank-" n ".jpg"

static void check_counts(const char *words)
{
  browser_until(&chromium, "return location.pathname.startsWith('/board/')");
  browser_until(&chromium, DONE);
  check_text("return document.querySelector('#first .counts').textContent", words);
}

static void test_described_in_words(void **state)
{
  (void)state;
  browser_screen(&chromium, 1280, 900, false);
  go("/");
  browser_click(&chromium, "#describe summary");
  type_into("words", "scale length = 25");
  browser_click(&chromium, "#keep-words");
  browser_until(&chromium, "return document.getElementById('words-wrong').textContent.startsWith('Line 1')");
  browser_complained(&chromium);
  shot("words-wrong", 390, false);
  browser_screen(&chromium, 1280, 900, false);
  browser_choose(&chromium, "#board-file", SAMPLES_DIR "/redshank.board\n" SAMPLES_DIR "/meantone.steps");
  browser_until(&chromium,
                "return document.getElementById('words').value.includes('steps = 76.048999\\n  193.156857')");
  browser_click(&chromium, "#keep-words");
  browser_until(&chromium, "return document.getElementById('board').selectedOptions[0].textContent === 'Redshank'");
  check_text("return document.getElementById('more-of-it').textContent", "steps of its own, compensated nut");
  browser_choose(&chromium, "#board-file", SAMPLES_DIR "/godwit.board");
  browser_until(&chromium, "return document.getElementById('words').value.includes('square fret')");
  browser_click(&chromium, "#keep-words");
  browser_until(&chromium, "return document.getElementById('board').selectedOptions[0].textContent === 'Godwit'");
  shots("described");
  browser_screen(&chromium, 1280, 900, false);
  browser_choose(&chromium, "#files", GODWIT_FILE);
  browser_click(&chromium, "#go");
  check_counts("13 frets");
  check_text("return document.getElementById('asked').textContent", "Godwit (fanned frets");
  shot("fan", 1280, true);
  shot("fan", 390, false);
  /* and is there again the next time */
  browser_screen(&chromium, 1280, 900, false);
  go("/");
  browser_until(&chromium, "return document.getElementById('board').selectedOptions[0].textContent === 'Godwit'");
  check_sound();
}

static void check_order(const char *wanted)
{
  char script[300];
  snprintf(script, sizeof script,
           "return [...document.querySelectorAll('#pictures bdi, #pieces bdi')].map(b => b.textContent.slice(9, "
           "10)).join('') === '%s'",
           wanted);
  browser_until(&chromium, script);
}

static void test_one_board_in_pieces(void **state)
{
  (void)state;
  browser_screen(&chromium, 1280, 900, false);
  go("/");
  browser_until(&chromium, "return document.querySelectorAll('#board option').length === 3");
  cJSON_Delete(browser_run(&chromium, "const b = document.getElementById('board'); b.value = '';"
                                      "b.dispatchEvent(new Event('change'))"));
  browser_choose(&chromium, "#files", PIECE("1") "\n" PIECE("3") "\n" PIECE("2"));
  browser_until(&chromium, "return !document.getElementById('which').hidden");
  check_text("return document.getElementById('go').textContent", "Measure 3 boards");
  browser_click(&chromium, "label[for=which-pieces]");
  check_text("return document.getElementById('go').textContent", "Measure one board");
  check_order("132");
  browser_click(&chromium, "#pictures li:nth-child(2) .shift:last-child"); /* further from the nut */
  check_order("123");
  type_into("f-scale_length", "648 mm");
  type_into("f-frets", "22");
  shots("pieces-chosen");
  browser_screen(&chromium, 1280, 900, false);
  browser_click(&chromium, "#go");
  check_counts("of 22 frets");
  check_text("return document.getElementById('asked').textContent", "3 pieces");
  assert_true(number_in_page("return document.querySelectorAll('#over .on-picture').length") >= 23.0);
  browser_click(&chromium, "#marks tr[data-fret='20'] button.pick");
  check_picked("20", "Fret 20");
  shots("pieces");
  /* in another order it is another board, and back */
  browser_screen(&chromium, 1280, 900, false);
  browser_click(&chromium, "#again summary");
  check_order("123");
  browser_click(&chromium, "#pieces li:nth-child(1) .shift:last-child");
  check_order("213");
  browser_click(&chromium, "#form button[type=submit]");
  browser_until(&chromium, DONE);
  browser_until(&chromium, "return document.querySelector('#first h2').textContent.includes('Not decided')");
  shot("pieces-wrong", 1280, false);
  browser_screen(&chromium, 1280, 900, false);
  browser_click(&chromium, "#again summary");
  browser_click(&chromium, "#pieces li:nth-child(2) .shift:first-of-type");
  check_order("123");
  browser_click(&chromium, "#form button[type=submit]");
  browser_until(&chromium, DONE);
  browser_until(&chromium, "return document.querySelectorAll('#marks tr.missing').length === 0");
  check_sound();
}

/* With SANE's test device: progress, a stop, and a scan that is measured. */
static void test_scan_from_the_page(void **state)
{
  (void)state;
  browser_screen(&chromium, 1280, 900, false);
  go("/");
  cJSON *built = browser_run(&chromium, "return fetch('/api/scanner').then(a => a.json()).then(a => a.built)");
  const bool is_built = cJSON_IsTrue(built);
  cJSON_Delete(built);
  if (!is_built)
    return;
  browser_until(&chromium, "return !document.getElementById('scan').hidden");
  talk_scanners(1, true);
  cJSON_Delete(browser_run(&chromium, "document.getElementById('dpi').value = '1200'"));
  browser_click(&chromium, "#scan");
  browser_until(&chromium, "return !document.getElementById('scanning').hidden");
  browser_until(&chromium, "return /[1-9] %/.test(document.getElementById('scan-words').textContent)");
  shot("scanning", 1280, false);
  browser_click(&chromium, "#stop");
  browser_until(&chromium, "return document.getElementById('scan-trouble').textContent.includes('stopped')");
  check_text("return location.pathname", "/");
  talk_scanners(1, false);
  cJSON_Delete(browser_run(&chromium, "document.getElementById('dpi').value = '300'"));
  browser_click(&chromium, "#scan");
  browser_until(&chromium, "return location.pathname.startsWith('/board/')");
  browser_until(&chromium, DONE);
  check_text("return document.querySelector('#first h2').textContent", "Not decided");
  shot("undecided", 1280, false);
  shot("undecided", 390, true);
  browser_screen(&chromium, 1280, 900, false);
  check_sound();
}

static void test_history_page(void **state)
{
  (void)state;
  browser_screen(&chromium, 1280, 900, false);
  go("/history");
  browser_until(&chromium, "return document.querySelectorAll('#layouts section').length >= 3");
  check_text("return document.getElementById('layouts').textContent", "381 mm, 14 frets, knife lines");
  check_text("return document.getElementById('layouts').textContent", "648 mm, 22 frets");
  check_text("return document.getElementById('layouts').textContent", "worst +1.00 mm at fret 9");
  shots("history");
  browser_screen(&chromium, 1280, 900, false);
  browser_click(&chromium, "#sum-up");
  browser_until(&chromium, "return location.pathname.endsWith('/report') && document.readyState === 'complete'");
  check_text("return document.body.textContent", "kittiwake.png");
  shot("history-report", 1280, false);
  check_sound();
}

/* Names are text wherever they stand: of pictures, of boards, in the list, on the page, in a sum. */
static void test_names_are_text(void **state)
{
  (void)state;
  static const char NAME[] = "%3Cimg%20src%3Dx%20onerror%3D%22window.hit%3D1%22%3E%26amp%3B%22%27.png";
  static const char SEEN[] = "<img src=x onerror=\"window.hit=1\">&amp;\"'.png";
  char id[40], path[100], query[200];
  go("/");
  browser_until(&chromium, "return document.querySelectorAll('#board option').length >= 3");
  cJSON_Delete(browser_run(&chromium, "document.getElementById('describe').open = true;"
                                      "document.getElementById('words').value = 'name = <b onclick=hit>&lt;</b>\\n"
                                      "scale length = 381 mm\\nfrets = 14\\n'"));
  browser_click(&chromium, "#keep-words");
  browser_until(&chromium, "return document.getElementById('board').selectedOptions[0].textContent === "
                           "'<b onclick=hit>&lt;</b>'");
  cJSON *board = browser_run(&chromium, "return document.getElementById('board').value");
  snprintf(query, sizeof query, "board=%s", board->valuestring);
  cJSON_Delete(board);
  talk_send(server.port, SAMPLES_DIR "/kittiwake.png", NAME, query, id);
  cJSON_Delete(talk_wait(server.port, id));
  go("/");
  browser_until(&chromium, "return document.querySelectorAll('#jobs li').length > 0");
  check_text("return document.querySelector('#jobs bdi').textContent", SEEN);
  snprintf(path, sizeof path, "/board/%s", id);
  go(path);
  browser_until(&chromium, DONE);
  check_text("return document.getElementById('name').textContent", SEEN);
  check_text("return document.title", SEEN);
  check_text("return document.getElementById('asked').textContent", "<b onclick=hit>&lt;</b>");
  check_text("return document.getElementById('rest').textContent", SEEN);
  snprintf(path, sizeof path, "/api/jobs/%s/report", id);
  go(path);
  check_text("return document.body.textContent", SEEN);
  assert_true(number_in_page("return document.querySelectorAll('img, b[onclick], [onerror]').length") <= 0.0);
  cJSON *hit = browser_run(&chromium, "return window.hit === undefined");
  assert_true(cJSON_IsTrue(hit));
  cJSON_Delete(hit);
  check_sound();
}

/* Choosing is pressing a key on the chooser: what opens then is the browser's own window. */
static void test_file_by_keys(void **state)
{
  (void)state;
  browser_screen(&chromium, 1280, 900, false);
  go("/");
  tab_to("files");
  assert_true(number_in_page("return parseFloat(getComputedStyle(document.querySelector('label[for=files]'))"
                             ".outlineWidth)") >= 2.0); /* it is seen to have the focus */
  cJSON_Delete(browser_run(&chromium, "document.getElementById('files').addEventListener('click', e => {"
                                      "window.opened = true; e.preventDefault(); })"));
  browser_keys(&chromium, KEY_SPACE);
  browser_until(&chromium, "return window.opened === true");
  browser_choose(&chromium, "#files", GODWIT_FILE);
  cJSON_Delete(browser_run(&chromium, "document.getElementById('files').focus()"));
  tab_until("return document.activeElement.getAttribute('aria-label') === 'leave out godwit.jpg'");
  tab_to("go");
  browser_keys(&chromium, KEY_ENTER);
  browser_until(&chromium, "return location.pathname.startsWith('/board/')");
  browser_until(&chromium, DONE);
  check_sound();
}

static void test_summed_up(void **state)
{
  (void)state;
  browser_screen(&chromium, 1280, 900, false);
  go("/");
  browser_until(&chromium, "return !document.getElementById('sum').hidden");
  browser_click(&chromium, "#choose");
  browser_until(&chromium, "return document.querySelectorAll('#jobs [type=checkbox]').length >= 3");
  browser_click(&chromium, "#jobs [type=checkbox]");
  check_text("return document.getElementById('together').textContent", "Sum up 1");
  shots("choosing");
  browser_screen(&chromium, 1280, 900, false);
  browser_click(&chromium, "#every");
  browser_click(&chromium, "#together");
  browser_until(&chromium, "return document.querySelector('#jobs a[href$=\"/report\"]') !== null");
  shot("list", 1280, false);
  shot("list", 390, true);
  browser_screen(&chromium, 1280, 900, false);
  browser_click(&chromium, "#jobs a[href$='/report']");
  browser_until(&chromium, "return location.pathname.endsWith('/report') && document.readyState === 'complete'");
  check_text("return document.body.textContent", "kittiwake.png");
  check_text("return document.body.textContent", "godwit.jpg");
  check_sound();
}

/* ---- what goes wrong ------------------------------------------------------------------------------------------------
 */

static void test_refused_picture(void **state)
{
  (void)state;
  char id[40], path[100];
  talk_send(server.port, SAMPLES_DIR "/README.md", "notes.png", "scale_length=381mm&frets=14", id);
  cJSON_Delete(talk_wait(server.port, id));
  snprintf(path, sizeof path, "/board/%s", id);
  go(path);
  browser_until(&chromium, "return !document.getElementById('trouble').hidden");
  check_text("return document.getElementById('trouble').textContent", "notes.png");
  check_text("return document.title", "not measured");
  assert_true(number_in_page("return document.getElementById('not-measured').getBoundingClientRect().height") > 20.0);
  shots("refused");
  browser_screen(&chromium, 1280, 900, false);
  go("/board/0123456789abcdef0123456789abcdef");
  browser_until(&chromium, "return !document.getElementById('trouble').hidden");
  check_text("return document.getElementById('trouble').textContent", "no such board");
  browser_complained(&chromium); /* a 404 is told in the console */
  shot("gone", 390, true);
}

/* For other machines: nothing is shown before the code, which is typed and entered by keys. */
static void test_code_is_asked_for(void **state)
{
  (void)state;
  static const char *const OPEN[] = {"--listen", "0.0.0.0", NULL};
  char code[16] = "";
  const talk_program other = server;
  talk_serve(program, "open", OPEN, &server);
  const char *said = strstr(server.said, "Access code");
  assert_non_null(said);
  assert_int_equal(sscanf(said, "Access code for other machines: %9s", code), 1);
  browser_screen(&chromium, 1280, 900, false);
  go("/history");
  browser_until(&chromium, "return location.pathname === '/enter' && document.activeElement.id === 'code'");
  browser_keys(&chromium, "wrong" KEY_ENTER);
  browser_until(&chromium, "return document.getElementById('wrong').textContent.includes('not the code')");
  browser_complained(&chromium);
  shots("enter");
  browser_screen(&chromium, 1280, 900, false);
  cJSON_Delete(
      browser_run(&chromium, "document.getElementById('code').select(); document.getElementById('code').focus()"));
  browser_keys(&chromium, code);
  browser_keys(&chromium, KEY_ENTER);
  browser_until(&chromium, "return location.pathname === '/' && document.getElementById('jobs') !== null");
  check_sound();
  browser_go(&chromium, "about:blank"); /* nobody asks a server that is gone */
  assert_int_equal(talk_end(&server, SIGTERM), 0);
  server = other;
}

/* ---- a large scan ------------------------------------------------------------------------------------------------ */

/* Zooms to single pixels, drags about, zooms out, one step a frame, as hands do; tells how long the frames were. */
static const char MOVES[] =
    "const v = document.getElementById('view'), b = v.getBoundingClientRect(), times = [];"
    "const at = (type, x, y, more) => new (type === 'wheel' ? WheelEvent : PointerEvent)(type, {clientX: b.left + x, "
    "clientY: b.top + y, pointerId: 1, bubbles: true, cancelable: true, ...more});"
    "const steps = [];"
    "for (let i = 0; i < 60; i++) steps.push(() => v.dispatchEvent(at('wheel', b.width / 2, b.height / 2, {deltaY: "
    "-45})));"
    "steps.push(() => v.dispatchEvent(at('pointerdown', 300, 150)));"
    "for (let i = 0; i < 90; i++) steps.push(() => v.dispatchEvent(at('pointermove', 300 + 9 * i % 280, 150 + 5 * i % "
    "150)));"
    "steps.push(() => v.dispatchEvent(at('pointerup', 300, 150)));"
    "for (let i = 0; i < 60; i++) steps.push(() => v.dispatchEvent(at('wheel', b.width / 2, b.height / 2, {deltaY: "
    "45})));"
    "return new Promise(done => { let last = 0; const frame = now => { if (last) times.push(now - last); last = now;"
    "const step = steps.shift(); if (step) { step(); requestAnimationFrame(frame); } else { times.sort((a, b) => a - "
    "b);"
    "const part = p => times[Math.floor(p * (times.length - 1))]; const tiles = "
    "performance.getEntriesByType('resource')"
    ".map(e => e.name).filter(n => n.includes('/tile/')); done({median: part(0.5), most: part(0.95), worst: part(1), "
    "frames: times.length, tiles: tiles.length, once: new Set(tiles).size}); } }; requestAnimationFrame(frame); })";

static long peak_kb(pid_t pid)
{
  char path[60], line[200];
  long kb = -1;
  snprintf(path, sizeof path, "/proc/%ld/status", (long)pid);
  FILE *file = fopen(path, "r");
  assert_non_null(file);
  while (fgets(line, sizeof line, file))
    if (sscanf(line, "VmHWM: %ld kB", &kb) == 1)
      break;
  fclose(file);
  return kb;
}

/* A4 at 600 dpi, 35 million pixels: its levels are made once, every tile is sent once, and the server itself never
 * holds the picture. How long frames take depends on the machine: told, not judged. */
static void test_large_scan(void **state)
{
  (void)state;
  static const char *const A4[] = {"scale_length_mm=430", "frets=14",     "sheet_width_mm=210",
                                   "sheet_height_mm=297", "skew_deg=0.4", NULL};
  char id[40], path[200];
  struct stat before, after;
  talk_program own;
  const talk_program other = server;
  draw(5, A4, "a4.png", "a4.json");
  talk_serve(program, "large", NULL, &own);
  server = own;
  talk_send(server.port, "a4.png", "a4.png", "scale_length=430mm&frets=14", id);
  cJSON_Delete(talk_wait(server.port, id));
  snprintf(path, sizeof path, "large/jobs/%s/tiles.pack", id);
  assert_int_equal(stat(path, &before), 0);
  browser_screen(&chromium, 1280, 900, false);
  snprintf(path, sizeof path, "/board/%s", id);
  go(path);
  browser_until(&chromium, DONE);
  cJSON *moves = browser_run(&chromium, MOVES);
  if (getenv("SLOTPROOF_FIGURES"))
    printf("%g frames: median %.1f ms, 95 %% below %.1f ms, worst %.1f ms; %g tiles; server's peak %ld kB\n",
           number(moves, "frames"), number(moves, "median"), number(moves, "most"), number(moves, "worst"),
           number(moves, "tiles"), peak_kb(server.pid));
  assert_true(number(moves, "tiles") >= 12.0);
  CHECK_CLOSE(number(moves, "tiles"), number(moves, "once"), 0.0);
  cJSON_Delete(moves);
  browser_click(&chromium, "#again summary");
  type_into("f-tolerance", "2 mm" KEY_ENTER);
  browser_until(&chromium, "return document.getElementById('asked').textContent.includes('tolerance 2 mm')");
  browser_until(&chromium, DONE);
  snprintf(path, sizeof path, "large/jobs/%s/tiles.pack", id);
  assert_int_equal(stat(path, &after), 0);
  assert_true(before.st_ino == after.st_ino && before.st_mtim.tv_nsec == after.st_mtim.tv_nsec);
#if !defined(__SANITIZE_ADDRESS__)
  assert_true(peak_kb(server.pid) > 0 &&
              peak_kb(server.pid) < 64 * 1024); /* the picture alone has 35 MB, as floats 140 */
#endif
  check_sound();
  assert_int_equal(talk_end(&server, SIGTERM), 0);
  server = other;
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_picture_in_verdict_out),
      cmocka_unit_test(test_board_is_remembered),
      cmocka_unit_test(test_first_views_are_light),
      cmocka_unit_test(test_picked_in_three_places),
      cmocka_unit_test(test_keys_alone),
      cmocka_unit_test(test_page_to_print),
      cmocka_unit_test(test_said_by_hand),
      cmocka_unit_test(test_nut_and_strokes),
      cmocka_unit_test(test_described_in_words),
      cmocka_unit_test(test_one_board_in_pieces),
      cmocka_unit_test(test_scan_from_the_page),
      cmocka_unit_test(test_file_by_keys),
      cmocka_unit_test(test_summed_up),
      cmocka_unit_test(test_history_page),
      cmocka_unit_test(test_names_are_text),
      cmocka_unit_test(test_ask_again),
      cmocka_unit_test(test_thrown_away),
      cmocka_unit_test(test_refused_picture),
      cmocka_unit_test(test_code_is_asked_for),
      cmocka_unit_test(test_large_scan),
  };
  program = argc == 2 ? realpath(argv[1], NULL) : NULL;
  if (!program || !outside_enter(argv[1]))
    return 1;
  talk_scanners(1, false);
  talk_serve(program, "data", NULL, &server);
  browser_open(&chromium);
  int failed = cmocka_run_group_tests(tests, NULL, NULL);
  browser_close(&chromium);
  failed |= talk_end(&server, SIGTERM);
  free(program);
  return outside_leave() || failed;
}
