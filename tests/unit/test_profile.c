/* Profiles: written and read back, damaged ones refused, held against pictures, turned with them. */
#include <stdlib.h>
#include <string.h>

#include "check_close.h"
#include "slotproof/camera.h"
#include "slotproof/profile.h"

enum { TEXT = 60000 };

static sp_profile a_camera(void)
{
  sp_profile p;
  sp_profile_init(&p, SP_PROFILE_CAMERA);
  strcpy(p.make, "Heron");
  strcpy(p.model, "Shoreline 4");
  p.focal_35mm = 26.0;
  p.width_px = 4000;
  p.height_px = 3000;
  p.camera = (sp_profile_camera){.lens = {3005.25, 2010.5, 1490.125, 0.08, -0.12, 0.0008, -0.0005},
                                 .u = {1.5, 2.5, 3.5, 0.001, 0.002, 0.0001, 0.0002},
                                 .rms_px = 0.1,
                                 .pictures = 9,
                                 .corners = 486,
                                 .near_mm = 300.0,
                                 .far_mm = NAN};
  return p;
}

static sp_profile a_scanner(void)
{
  sp_profile p;
  sp_profile_init(&p, SP_PROFILE_SCANNER);
  p.width_px = 5100;
  p.height_px = 7020;
  p.stated_dpi[0] = 600.0;
  p.mpe_mm = 0.15;
  sp_profile_axis *a = &p.axis[1];
  *a = (sp_profile_axis){.known = true,
                         .px_per_mm = 23.61,
                         .u_relative = 5e-5,
                         .uneven_mm = 0.006,
                         .scans = 2,
                         .span_mm = 250.0,
                         .repeat_mm = NAN,
                         .turned_mm = 0.001,
                         .count = 100};
  for (size_t i = 0; i < a->count; i++) {
    a->u_px[i] = 100.0 + 59.6 * (double)i;
    a->departure_mm[i] = 0.02 * sin(0.3 * (double)i);
  }
  return p;
}

static size_t written(const sp_profile *p, char text[TEXT])
{
  sp_error err = {0};
  FILE *file = tmpfile();
  assert_non_null(file);
  assert_int_equal(sp_profile_write(p, file, &err), SP_OK);
  rewind(file);
  const size_t n = fread(text, 1, TEXT - 1, file);
  text[n] = '\0';
  fclose(file);
  return n;
}

static void same_double(double a, double b)
{
  if (isnan(b))
    assert_true(isnan(a));
  else
    CHECK_CLOSE(a, b, 1e-15 * fabs(b));
}

static void same_lens(const sp_lens *a, const sp_lens *b)
{
  same_double(a->f_px, b->f_px);
  same_double(a->cx_px, b->cx_px);
  same_double(a->cy_px, b->cy_px);
  same_double(a->k1, b->k1);
  same_double(a->k2, b->k2);
  same_double(a->p1, b->p1);
  same_double(a->p2, b->p2);
}

static void test_camera_comes_back(void **state)
{
  static char text[TEXT];
  sp_profile p = a_camera(), q;
  sp_error err = {0};
  (void)state;
  const size_t n = written(&p, text);
  assert_int_equal(sp_profile_parse(text, n, &q, &err), SP_OK);
  assert_int_equal(q.kind, SP_PROFILE_CAMERA);
  assert_string_equal(q.make, p.make);
  assert_string_equal(q.model, p.model);
  same_double(q.focal_35mm, 26.0);
  assert_int_equal(q.width_px, 4000);
  assert_int_equal(q.height_px, 3000);
  same_lens(&q.camera.lens, &p.camera.lens);
  same_lens(&q.camera.u, &p.camera.u);
  same_double(q.camera.rms_px, 0.1);
  assert_int_equal(q.camera.corners, 486);
  same_double(q.camera.near_mm, 300.0);
  assert_true(isnan(q.camera.far_mm));
}

static void test_scanner_comes_back(void **state)
{
  static char text[TEXT];
  sp_profile p = a_scanner(), q;
  sp_error err = {0};
  (void)state;
  const size_t n = written(&p, text);
  assert_int_equal(sp_profile_parse(text, n, &q, &err), SP_OK);
  assert_int_equal(q.kind, SP_PROFILE_SCANNER);
  assert_string_equal(q.make, "");
  same_double(q.stated_dpi[0], 600.0);
  assert_true(isnan(q.stated_dpi[1]));
  assert_false(q.axis[0].known);
  const sp_profile_axis *a = &p.axis[1], *b = &q.axis[1];
  assert_true(b->known);
  same_double(b->px_per_mm, a->px_per_mm);
  same_double(b->u_relative, a->u_relative);
  same_double(b->uneven_mm, a->uneven_mm);
  same_double(b->span_mm, a->span_mm);
  assert_true(isnan(b->repeat_mm));
  assert_int_equal(b->count, a->count);
  for (size_t i = 0; i < a->count; i++) {
    same_double(b->u_px[i], a->u_px[i]);
    same_double(b->departure_mm[i], a->departure_mm[i]);
  }
}

/* Refused with one sentence that names what is wrong. */
static void refuse(const char *text, const char *says)
{
  sp_profile p;
  sp_error err = {0};
  assert_int_equal(sp_profile_parse(text, strlen(text), &p, &err), SP_E_DATA);
  if (!strstr(err.text, says))
    fail_msg("'%s' does not say '%s'", err.text, says);
  assert_true(isnan(p.camera.lens.f_px)); /* nothing of it is left */
  assert_int_equal(p.width_px, 0);
}

/* The same profile with the first `from` become `to`. */
static void refuse_with(const sp_profile *p, const char *from, const char *to, const char *says)
{
  static char text[TEXT], changed[TEXT];
  written(p, text);
  char *at = strstr(text, from);
  assert_non_null(at);
  snprintf(changed, sizeof changed, "%.*s%s%s", (int)(at - text), text, to, at + strlen(from));
  refuse(changed, says);
}

static void test_damaged_is_refused(void **state)
{
  static char text[TEXT];
  const sp_profile camera = a_camera(), scanner = a_scanner();
  (void)state;
  refuse("", "not a profile");
  refuse("[1, 2]", "not a profile");
  refuse("{\"schema\": \"slotproof/record/1\", \"kind\": \"camera\"}", "not a profile");
  refuse("{\"schema\": \"slotproof/profile/1\", \"kind\": 3}", "not a profile");
  refuse("{\"schema\": \"slotproof/profile/1\", \"kind\": \"camera\"}", "damaged");
  refuse_with(&camera, "3005.25", "-3005.25", "f_px");
  refuse_with(&camera, "3005.25", "1e999", "f_px");
  refuse_with(&camera, "3005.25", "null", "f_px");
  refuse_with(&camera, "2010.5", "20105", "cx_px");
  refuse_with(&camera, "4000", "4000.5", "width_px");
  refuse_with(&camera, "4000", "-1", "width_px");
  refuse_with(&camera, "Heron", "He\\u0007ron", "make");
  refuse_with(&camera, "Heron", "a name that is longer than any that a file states of a device", "make");
  refuse_with(&scanner, "23.61", "0", "px_per_mm");
  refuse_with(&scanner, "600", "\"600\"", "stated_dpi");
  refuse_with(&scanner, "159.6", "59.6", "u_px");                                            /* places fall */
  refuse_with(&scanner, "219.2", "9219.2", "u_px");                                          /* outside the picture */
  refuse_with(&scanner, "\"departure_mm\":\t[0,", "\"departure_mm\":\t[", "departure_mm");   /* one too few */
  refuse_with(&scanner, "\"departure_mm\":\t[0,", "\"departure_mm\":\t[5,", "departure_mm"); /* goes backwards */
  const size_t n = written(&scanner, text);
  for (size_t cut = 0; cut < n - 2; cut += 97) { /* cut short anywhere */
    sp_profile p;
    sp_error err = {0};
    assert_int_equal(sp_profile_parse(text, cut, &p, &err), SP_E_DATA);
  }
}

static void test_files(void **state)
{
  sp_profile p;
  sp_error err = {0};
  (void)state;
  assert_int_equal(sp_profile_read("no-such-profile.json", &p, &err), SP_E_NOINPUT);
  assert_int_equal(sp_profile_read(".", &p, &err), SP_E_NOINPUT);
  assert_int_equal(sp_profile_read(SAMPLES_DIR "/kittiwake.png", &p, &err), SP_E_DATA);
}

static void test_fits(void **state)
{
  const sp_profile camera = a_camera(), scanner = a_scanner();
  sp_picture_info info = {.orientation = 1, .focal_35mm = 26.0, .make = "Heron", .model = "Shoreline 4"};
  sp_error err = {0};
  (void)state;
  assert_int_equal(sp_profile_fits(&camera, &info, 4000, 3000, &err), SP_OK);
  assert_int_equal(sp_profile_fits(&camera, &info, 3000, 4000, &err), SP_E_DATA);
  info.orientation = 6; /* stored lying, shown upright */
  assert_int_equal(sp_profile_fits(&camera, &info, 3000, 4000, &err), SP_OK);
  info.focal_35mm = 52.0;
  assert_int_equal(sp_profile_fits(&camera, &info, 3000, 4000, &err), SP_E_DATA);
  info.focal_35mm = 0.0; /* states none */
  assert_int_equal(sp_profile_fits(&camera, &info, 3000, 4000, &err), SP_OK);
  strcpy(info.model, "Shoreline 5");
  assert_int_equal(sp_profile_fits(&camera, &info, 3000, 4000, &err), SP_E_DATA);
  assert_non_null(strstr(err.text, "Shoreline 5"));
  sp_picture_info scan = {.orientation = 1, .stated_dpi_x = 599.9988, .stated_dpi_y = 599.9988};
  assert_int_equal(sp_profile_fits(&scanner, &scan, 5100, 7020, &err), SP_OK);
  assert_int_equal(sp_profile_fits(&scanner, &scan, 5100, 7021, &err), SP_E_DATA);
  scan.stated_dpi_x = 300.0;
  assert_int_equal(sp_profile_fits(&scanner, &scan, 5100, 7020, &err), SP_E_DATA);
}

/* The lens seen upright draws a place where the stored picture has it: for all orientations, by the definition of each
 * (TIFF 6.0, tag 274: where the stored picture's row 0 and column 0 are shown). */
static void test_orientations(void **state)
{
  const sp_profile p = a_camera();
  const sp_lens *s = &p.camera.lens;
  static const double ROW[9][2] = {{0}, {0, -1}, {0, -1}, {0, 1}, {0, 1}, {-1, 0}, {1, 0}, {1, 0}, {-1, 0}};
  static const double COLUMN[9][2] = {{0}, {-1, 0}, {1, 0}, {1, 0}, {-1, 0}, {0, -1}, {0, -1}, {0, 1}, {0, 1}};
  (void)state;
  for (int o = 1; o <= 8; o++) {
    const double w = o >= 5 ? 3000.0 : 4000.0, h = o >= 5 ? 4000.0 : 3000.0;
    /* the side on which stored (0, 0) is shown: row 0's side and column 0's side together */
    const sp_point zero = sp_upright_px((sp_point){0.0, 0.0}, o, 4000, 3000);
    CHECK_CLOSE(zero.x, ROW[o][0] + COLUMN[o][0] > 0 ? w - 1.0 : 0.0, 0.0);
    CHECK_CLOSE(zero.y, ROW[o][1] + COLUMN[o][1] > 0 ? h - 1.0 : 0.0, 0.0);
    sp_lens upright, u;
    sp_lens_upright(&p, o, &upright, &u);
    const sp_camera stored_camera = {s->f_px, s->cx_px, s->cy_px, s->k1, s->k2, s->p1, s->p2, {0}, {0, 0, 1}};
    const sp_camera upright_camera = {upright.f_px, upright.cx_px, upright.cy_px, upright.k1, upright.k2,
                                      upright.p1,   upright.p2,    {0},           {0, 0, 1}};
    const sp_camera_view a = sp_camera_view_of(&stored_camera), b = sp_camera_view_of(&upright_camera);
    const sp_point at = {3210.0, 640.0}, ray = sp_camera_unproject(&a, at, 0.0);
    /* the ray turned as the picture is: its coordinates are those of a picture of size 1, about the middle */
    const sp_point turned = sp_upright_px(ray, o, 1, 1);
    const sp_point shown = sp_camera_project(&b, turned.x, turned.y, 0.0), expected = sp_upright_px(at, o, 4000, 3000);
    CHECK_CLOSE(shown.x, expected.x, 1e-6);
    CHECK_CLOSE(shown.y, expected.y, 1e-6);
    const sp_point back = sp_stored_px(expected, o, 4000, 3000);
    CHECK_CLOSE(back.x, at.x, 0.0);
    CHECK_CLOSE(back.y, at.y, 0.0);
    CHECK_CLOSE(u.cx_px, o >= 5 ? 3.5 : 2.5, 0.0);
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_camera_comes_back),
      cmocka_unit_test(test_scanner_comes_back),
      cmocka_unit_test(test_damaged_is_refused),
      cmocka_unit_test(test_files),
      cmocka_unit_test(test_fits),
      cmocka_unit_test(test_orientations),
  };
  return cmocka_run_group_tests_name("profile", tests, NULL, NULL);
}
