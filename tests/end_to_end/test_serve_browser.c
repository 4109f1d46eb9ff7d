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

#include "check_close.h"
#include "outside.h"

static browser chromium;
static talk_program server;
static char board_id[40];

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

static void tab_to(const char *id)
{
  char script[200];
  snprintf(script, sizeof script, "return document.activeElement.id === '%s'", id);
  for (int i = 0; i < 80; i++) {
    cJSON *there = browser_run(&chromium, script);
    const bool yes = cJSON_IsTrue(there);
    cJSON_Delete(there);
    if (yes)
      return;
    browser_keys(&chromium, KEY_TAB);
  }
  fail_msg("the key Tab never comes to %s", id);
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
  browser_until(&chromium, "return !document.getElementById('none').hidden");
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
      cmocka_unit_test(test_ask_again),
      cmocka_unit_test(test_thrown_away),
  };
  char *slotproof = argc == 2 ? realpath(argv[1], NULL) : NULL;
  if (!slotproof || !outside_enter(argv[1]))
    return 1;
  talk_serve(slotproof, "data", NULL, &server);
  browser_open(&chromium);
  int failed = cmocka_run_group_tests(tests, NULL, NULL);
  browser_close(&chromium);
  failed |= talk_end(&server, SIGTERM);
  free(slotproof);
  return outside_leave() || failed;
}
