/* Slots: lengths, depths, what is left, and what is refused. */
#include "check_close.h"

#include <cjson/cJSON.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/layout.h"

static sp_layout guitar(void)
{
  sp_layout l;
  sp_error err = {0};
  assert_int_equal(sp_layout_equal(648.0, 22, 12, &l, &err), SP_OK);
  return l;
}

static sp_slots planned(const sp_layout *l, const sp_board_shape *shape)
{
  sp_slots p;
  sp_error err = {0};
  assert_int_equal(sp_slots_plan(l, shape, &p, &err), SP_OK);
  return p;
}

/* Right triangles in whole numbers (3-4-5, 5-12-13, 7-24-25, 8-15-17): radius the hypotenuse, half width one side, so
 * the sagitta is the hypotenuse less the other side. */
static void sagitta_of_whole_triangles(void **state)
{
  (void)state;
  static const double TRIANGLES[][3] = {{3, 4, 5}, {4, 3, 5}, {5, 12, 13}, {7, 24, 25}, {24, 7, 25}, {8, 15, 17}};
  for (size_t i = 0; i < sizeof TRIANGLES / sizeof *TRIANGLES; i++)
    CHECK_CLOSE(sp_sagitta_mm(TRIANGLES[i][2], 2.0 * TRIANGLES[i][0]), TRIANGLES[i][2] - TRIANGLES[i][1], 1e-14);
  CHECK_CLOSE(sp_sagitta_mm(25.0, 50.0), 25.0, 0.0); /* a half circle */
  CHECK_CLOSE(sp_sagitta_mm(254.0, 0.0), 0.0, 0.0);
}

/* Machinery's Handbook, "Segments of circles for radius = 1": chord c and height h by the angle at the centre, four
 * decimals and five (figures from memory; they are 2 sin(a/2) and 1 - cos(a/2), which the test recomputes). */
static void sagitta_of_the_handbook(void **state)
{
  (void)state;
  static const struct {
    double degrees, chord, height;
  } ROWS[] = {{30, 0.5176, 0.03407},  {60, 1.0000, 0.13397},  {90, 1.4142, 0.29289},
              {120, 1.7321, 0.50000}, {150, 1.9319, 0.74118}, {180, 2.0000, 1.00000}};
  for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
    const double half = 0.5 * ROWS[i].degrees * acos(-1.0) / 180.0;
    CHECK_CLOSE(ROWS[i].chord, 2.0 * sin(half), 5.1e-5);
    CHECK_CLOSE(ROWS[i].height, 1.0 - cos(half), 5.1e-6);
    CHECK_CLOSE(sp_sagitta_mm(1.0, fmin(2.0 * sin(half), 2.0)), ROWS[i].height, 5.1e-6);
  }
}

/* Euclid, Elements III.35: of two chords that cross, the parts have equal products; here one of them is the diameter:
 * (w/2)^2 = s (2r - s). Also where r - sqrt(r^2 - w^2/4) has lost its digits. */
static void sagitta_of_euclid(void **state)
{
  (void)state;
  static const double RADII_MM[] = {184.15, 241.3, 254, 304.8, 406.4, 508, 1e4, 1e7};
  for (size_t i = 0; i < sizeof RADII_MM / sizeof *RADII_MM; i++)
    for (double width = 28.0; width <= 70.0; width += 3.5) {
      const double s = sp_sagitta_mm(RADII_MM[i], width), square = 0.25 * width * width;
      CHECK_CLOSE(s * (2.0 * RADII_MM[i] - s) / square, 1.0, 1e-15 * 4);
    }
}

/* A partial fret is sawn as far as it reaches: two fifths of a board that is 50 mm wide all along. */
static void slots_of_partial_frets(void **state)
{
  (void)state;
  sp_layout l = guitar();
  sp_error err = {0};
  assert_int_equal(sp_layout_set_part(&l, 7, (sp_width_part){.end = 0.4}, &err), SP_OK);
  assert_int_equal(sp_layout_set_part(&l, 9, (sp_width_part){.in_mm = true, .begin = 10.0, .end = 22.5}, &err), SP_OK);
  sp_board_shape shape;
  sp_board_shape_init(&shape);
  shape.nut_width_mm = 50.0;
  sp_slots p = planned(&l, &shape);
  CHECK_CLOSE(p.slot[6].length_mm, 50.0, 1e-12);
  CHECK_CLOSE(p.slot[7].length_mm, 20.0, 1e-12);
  CHECK_CLOSE(p.slot[9].length_mm, 12.5, 1e-12);
  sp_slots_free(&p);
  sp_layout_free(&l);
}

static void sagitta_outside_its_domain(void **state)
{
  (void)state;
  static const double CASES[][2] = {{20, 40.001}, {0, 0}, {-5, 1}, {5, -1}, {NAN, 4}, {5, NAN}, {INFINITY, 4}};
  for (size_t i = 0; i < sizeof CASES / sizeof *CASES; i++)
    assert_true(isnan(sp_sagitta_mm(CASES[i][0], CASES[i][1])));
}

/* 42 mm at the nut, 54 mm at half the scale length, where fret 12 lies: 48 mm at a quarter of it, fret 4.98; 60 mm
 * would be reached at three quarters, fret 24. Radius 250 mm to 370 mm the same way. */
static void a_cone(void **state)
{
  (void)state;
  sp_layout l;
  sp_error err = {0};
  assert_int_equal(sp_layout_equal(600.0, 24, 12, &l, &err), SP_OK);
  sp_board_shape shape;
  sp_board_shape_init(&shape);
  assert_false(sp_board_shape_given(&shape));
  shape.nut_width_mm = 42.0, shape.end_width_mm = 54.0, shape.end_at_mm = 300.0;
  shape.radius_mm = 250.0, shape.end_radius_mm = 370.0;
  shape.tang_depth_mm = 1.6, shape.clearance_mm = 0.4, shape.thickness_mm = 6.0;
  assert_true(sp_board_shape_given(&shape));
  sp_slots p = planned(&l, &shape);
  CHECK_CLOSE(p.slot[0].length_mm, 42.0, 0.0);
  CHECK_CLOSE(p.slot[12].length_mm, 54.0, 1e-12);
  CHECK_CLOSE(p.slot[24].length_mm, 60.0, 1e-12);
  CHECK_CLOSE(p.slot[24].radius_mm, 430.0, 1e-12);
  CHECK_CLOSE(sp_board_width_mm(&p.shape, 150.0), 48.0, 1e-12);
  CHECK_CLOSE(sp_board_width_mm(&p.shape, -10.0), 41.6, 1e-12);
  for (int n = 0; n <= 24; n++) {
    const sp_slot *s = &p.slot[n];
    CHECK_CLOSE(s->sagitta_mm, s->radius_mm - sqrt(s->radius_mm * s->radius_mm - 0.25 * s->length_mm * s->length_mm),
                1e-12);
    CHECK_CLOSE(s->depth_mm, 2.0, 1e-15);
    CHECK_CLOSE(s->straight_mm, 2.0 + s->sagitta_mm, 1e-15);
    CHECK_CLOSE(s->left_middle_mm, 4.0, 1e-15);
    CHECK_CLOSE(s->left_edge_mm, 4.0 - s->sagitta_mm, 1e-14);
    assert_true(n == 0 || s->left_edge_mm >= p.least_left_mm);
  }
  CHECK_CLOSE(p.slot[p.least_left_fret].left_edge_mm, p.least_left_mm, 0.0);
  sp_slots_free(&p);
  sp_layout_free(&l);
}

/* Against a cone itself: a point of the face a half width aside, met square to the crown line. With the cone's tip in
 * the origin and the crown line along x, the axis is tilted by a; on the cone the angle to the axis is a. Solved by
 * bisection for the height z below the crown line; tan a = (end radius - radius) / distance. */
static double cone_drop_mm(double tip_distance_mm, double half_width_mm, double tangent)
{
  const double a = atan(tangent), axis_x = cos(a), axis_z = sin(a);
  double low = 0.0, high = half_width_mm;
  for (int i = 0; i < 200; i++) {
    const double z = 0.5 * (low + high), x = tip_distance_mm, y = half_width_mm;
    const double along = x * axis_x + z * axis_z, length = sqrt(x * x + y * y + z * z);
    if (along / length < cos(a))
      low = z;
    else
      high = z;
  }
  return 0.5 * (low + high);
}

static void the_circle_is_near_enough_to_the_cone(void **state)
{
  (void)state;
  sp_layout l = guitar();
  sp_board_shape shape;
  sp_board_shape_init(&shape);
  shape.nut_width_mm = 43.0, shape.end_width_mm = 57.0, shape.radius_mm = 254.0, shape.end_radius_mm = 406.4;
  sp_slots p = planned(&l, &shape);
  const double tangent = (406.4 - 254.0) / l.position_mm[22];
  for (int n = 0; n <= 22; n++) {
    const double drop = cone_drop_mm(p.slot[n].radius_mm / tangent, 0.5 * p.slot[n].length_mm, tangent);
    CHECK_CLOSE(p.slot[n].sagitta_mm, drop, 0.001);
    CHECK_BELOW(0.5, drop);
  }
  sp_slots_free(&p);
  sp_layout_free(&l);
}

/* What is not given stays unknown; the end lies at the last fret unless told; no clearance is none. */
static void only_what_follows(void **state)
{
  (void)state;
  sp_layout l = guitar();
  sp_board_shape shape;
  sp_board_shape_init(&shape);
  shape.tang_depth_mm = 1.5;
  sp_slots p = planned(&l, &shape);
  CHECK_CLOSE(p.slot[7].depth_mm, 1.5, 0.0);
  CHECK_CLOSE(p.slot[7].straight_mm, 1.5, 0.0);
  CHECK_CLOSE(p.slot[7].sagitta_mm, 0.0, 0.0);
  assert_true(isnan(p.slot[7].length_mm) && isnan(p.slot[7].radius_mm) && isnan(p.slot[7].left_edge_mm));
  assert_true(isnan(p.least_left_mm));
  char text[SP_SLOTS_WARNING_MAX];
  assert_false(sp_slots_warning(&p, 0, text));
  sp_slots_free(&p);
  sp_board_shape_init(&shape);
  shape.nut_width_mm = 43.0;
  p = planned(&l, &shape);
  CHECK_CLOSE(p.slot[22].length_mm, 43.0, 0.0);
  assert_true(isnan(p.slot[22].depth_mm));
  sp_slots_free(&p);
  shape.end_width_mm = 56.0;
  p = planned(&l, &shape);
  CHECK_CLOSE(p.slot[22].length_mm, 56.0, 1e-12);
  CHECK_CLOSE(p.shape.end_at_mm, l.position_mm[22], 0.0);
  sp_slots_free(&p);
  sp_layout_free(&l);
}

static void refusals(void **state)
{
  (void)state;
  static const struct {
    sp_board_shape shape; /* nut width, end width, end at, radius, end radius, tang, clearance, thickness */
    const char *says;
  } CASES[] = {
      {{NAN, 56, NAN, NAN, NAN, NAN, NAN, NAN}, "--nut-width"},
      {{43, NAN, 400, NAN, NAN, NAN, NAN, NAN}, "--end-width or --end-radius"},
      {{NAN, NAN, NAN, 254, NAN, NAN, NAN, NAN}, "--nut-width"},
      {{43, NAN, NAN, NAN, 300, NAN, NAN, NAN}, "give --radius"},
      {{NAN, NAN, NAN, NAN, NAN, NAN, 0.3, NAN}, "--tang-depth"},
      {{NAN, NAN, NAN, NAN, NAN, NAN, NAN, 6}, "--tang-depth"},
      {{-43, NAN, NAN, NAN, NAN, NAN, NAN, NAN}, "above 0"},
      {{INFINITY, NAN, NAN, NAN, NAN, NAN, NAN, NAN}, "above 0"},
      {{NAN, NAN, NAN, NAN, NAN, 1.5, -0.1, NAN}, "clearance"},
      {{43, 56, 20, NAN, NAN, NAN, NAN, NAN}, "before fret 1"},
      {{43, 56, 700, NAN, NAN, NAN, NAN, NAN}, "beyond the saddle"},
      {{43, 10, 200, NAN, NAN, NAN, NAN, NAN}, "run out of width"},
      {{700, NAN, NAN, NAN, NAN, NAN, NAN, NAN}, "check the unit"},
      {{43, NAN, NAN, 21.4, NAN, NAN, NAN, NAN}, "half the width"},
      {{43, 56, NAN, 27, NAN, NAN, NAN, NAN}, "fret 1"}, /* wide enough for the nut only: 54 mm at fret 18 */
      {{43, 56, NAN, 254, NAN, 2.0, 0.5, 2.5}, "no wood is left"},
      {{43, 56, NAN, 254, NAN, 2.0, 0.5, 3.4}, "no wood is left"}, /* left at the middle, none at the edge */
  };
  sp_layout l = guitar();
  for (size_t i = 0; i < sizeof CASES / sizeof *CASES; i++) {
    sp_slots p;
    sp_error err = {0};
    assert_int_equal(sp_slots_plan(&l, &CASES[i].shape, &p, &err), SP_E_USAGE);
    const bool said = strstr(err.text, CASES[i].says) != NULL;
    if (!said)
      fprintf(stderr, "case %zu says: %s\n", i, err.text);
    assert_true(said);
    assert_non_null(strchr(err.text, ';'));
    assert_null(p.slot);
  }
  sp_layout_free(&l);
}

static void warnings(void **state)
{
  (void)state;
  sp_layout l = guitar();
  sp_board_shape shape = {56, 43, NAN, NAN, NAN, 1.6, 0.3, 3.0};
  sp_slots p = planned(&l, &shape);
  char text[SP_SLOTS_WARNING_MAX];
  assert_true(sp_slots_warning(&p, 0, text));
  assert_non_null(strstr(text, "only 1.10 mm"));
  assert_true(sp_slots_warning(&p, 1, text));
  assert_non_null(strstr(text, "swapped"));
  assert_false(sp_slots_warning(&p, 2, text));
  sp_slots_free(&p);
  shape = (sp_board_shape){43, 56, NAN, NAN, NAN, 1.6, 0.3, 3.41}; /* 1.51 mm left */
  p = planned(&l, &shape);
  assert_false(sp_slots_warning(&p, 0, text));
  sp_slots_free(&p);
  sp_layout_free(&l);
}

/* ---- as written ------------------------------------------------------------------------------------------------- */

static const sp_board_shape FULL = {43, 56, NAN, 254, 406.4, 1.6, 0.3, 6};

static const char *written(const sp_layout *l, const sp_slots *p, sp_layout_format format)
{
  static char text[200000];
  FILE *file = tmpfile();
  sp_error err = {0};
  assert_non_null(file);
  assert_int_equal(sp_layout_write(l, p, format, file, &err), SP_OK);
  rewind(file);
  text[fread(text, 1, sizeof text - 1, file)] = '\0';
  fclose(file);
  return text;
}

static void check_text(const sp_layout *l, const sp_slots *p)
{
  const char *at = written(l, p, SP_LAYOUT_TEXT);
  for (const char *line = at; *line; line += strcspn(line, "\n") + 1)
    assert_true(strcspn(line, "\n") <= 100);
  assert_non_null(strstr(at, "Care: "));
  at = strstr(at, "\n nut      0.00 "); /* the second table */
  assert_non_null(at);
  for (int32_t n = 1; n <= l->frets; n++) {
    int fret;
    double v[8];
    at = strchr(at + 1, '\n');
    assert_non_null(at);
    assert_int_equal(
        sscanf(at, "%d %lf %lf %lf %lf %lf %lf %lf %lf", &fret, &v[0], &v[1], &v[2], &v[3], &v[4], &v[5], &v[6], &v[7]),
        9);
    const sp_slot *s = &p->slot[n];
    const double want[8] = {l->position_mm[n], s->length_mm,   s->radius_mm,      s->sagitta_mm,
                            s->depth_mm,       s->straight_mm, s->left_middle_mm, s->left_edge_mm};
    assert_int_equal(fret, n);
    for (int i = 0; i < 8; i++)
      CHECK_CLOSE(v[i], want[i], 5.01e-3);
  }
}

static void text_tables(void **state)
{
  (void)state;
  static const double CENTS[3] = {203.910, 498.045, 701.955};
  sp_layout l = guitar(), steps;
  sp_error err = {0};
  sp_slots p = planned(&l, &FULL);
  check_text(&l, &p);
  sp_slots_free(&p);
  assert_int_equal(sp_layout_steps(9999.0, 3, CENTS, 3, &steps, &err), SP_OK);
  p = planned(&steps, &FULL);
  check_text(&steps, &p);
  sp_slots_free(&p);
  const sp_board_shape bare = {NAN, NAN, NAN, NAN, NAN, 1.6, NAN, 3}; /* flat, thin, and no clearance: both are said */
  p = planned(&l, &bare);
  const char *text = written(&l, &p, SP_LAYOUT_TEXT);
  assert_non_null(strstr(text, "without clearance"));
  assert_non_null(strstr(text, "Warning: only 1.40 mm"));
  assert_null(strstr(text, "Sagitta"));
  assert_null(strstr(text, "nan"));
  sp_slots_free(&p);
  sp_layout_free(&steps);
  sp_layout_free(&l);
}

static void csv_columns(void **state)
{
  (void)state;
  sp_layout l = guitar();
  const sp_board_shape shape = {43, NAN, NAN, NAN, NAN, 1.6, NAN, NAN};
  sp_slots p = planned(&l, &shape);
  const char *at = written(&l, &p, SP_LAYOUT_CSV);
  assert_non_null(strstr(at, ",cents_per_tenth_mm,slot_length_mm,radius_mm,sagitta_mm,slot_depth_mm,straight_depth_mm,"
                             "left_middle_mm,left_edge_mm\r\n"));
  int lines = 0;
  for (; *at; at += strcspn(at, "\n") + 1, lines++) {
    int commas = 0;
    for (const char *c = at; *c != '\n'; c++)
      commas += *c == ',';
    assert_int_equal(commas, 13);
    if (lines)
      assert_non_null(strstr(at, ",43.000000,,0.000000,1.600000,1.600000,,\r\n")); /* unknown: empty, never 0 */
  }
  assert_int_equal(lines, 24);
  sp_slots_free(&p);
  sp_layout_free(&l);
}

static double number(const cJSON *object, const char *name)
{
  const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, name);
  assert_true(cJSON_IsNumber(item));
  return item->valuedouble;
}

static void json_fields(void **state)
{
  (void)state;
  sp_layout l = guitar();
  sp_slots p = planned(&l, &FULL);
  cJSON *root = cJSON_Parse(written(&l, &p, SP_LAYOUT_JSON));
  const cJSON *board = cJSON_GetObjectItemCaseSensitive(root, "board");
  const cJSON *slots = cJSON_GetObjectItemCaseSensitive(root, "slots");
  CHECK_CLOSE(number(board, "end_radius_mm"), 406.4, 1e-9);
  CHECK_CLOSE(number(board, "end_at_mm"), l.position_mm[22], 1e-9);
  assert_int_equal(cJSON_GetArraySize(slots), 23);
  for (int n = 0; n <= 22; n++) {
    const cJSON *s = cJSON_GetArrayItem(slots, n);
    CHECK_CLOSE(number(s, "fret"), n, 0);
    CHECK_CLOSE(number(s, "length_mm"), p.slot[n].length_mm, 1e-9);
    CHECK_CLOSE(number(s, "radius_mm"), p.slot[n].radius_mm, 1e-9);
    CHECK_CLOSE(number(s, "sagitta_mm"), p.slot[n].sagitta_mm, 1e-9);
    CHECK_CLOSE(number(s, "depth_mm"), p.slot[n].depth_mm, 1e-9);
    CHECK_CLOSE(number(s, "straight_mm"), p.slot[n].straight_mm, 1e-9);
    CHECK_CLOSE(number(s, "left_middle_mm"), p.slot[n].left_middle_mm, 1e-9);
    CHECK_CLOSE(number(s, "left_edge_mm"), p.slot[n].left_edge_mm, 1e-9);
  }
  assert_int_equal(cJSON_GetArraySize(cJSON_GetObjectItemCaseSensitive(root, "warnings")), 0);
  cJSON_Delete(root);
  sp_slots_free(&p);
  const sp_board_shape thin = {NAN, NAN, NAN, NAN, NAN, 1.6, NAN, 3};
  p = planned(&l, &thin);
  root = cJSON_Parse(written(&l, &p, SP_LAYOUT_JSON));
  slots = cJSON_GetObjectItemCaseSensitive(root, "slots");
  assert_true(cJSON_IsNull(cJSON_GetObjectItemCaseSensitive(cJSON_GetArrayItem(slots, 3), "length_mm")));
  assert_int_equal(cJSON_GetArraySize(cJSON_GetObjectItemCaseSensitive(root, "warnings")), 1);
  cJSON_Delete(root);
  sp_slots_free(&p);
  root = cJSON_Parse(written(&l, NULL, SP_LAYOUT_JSON));
  assert_true(cJSON_IsNull(cJSON_GetObjectItemCaseSensitive(root, "board")));
  assert_true(cJSON_IsNull(cJSON_GetObjectItemCaseSensitive(root, "slots")));
  cJSON_Delete(root);
  sp_layout_free(&l);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(sagitta_of_whole_triangles),
      cmocka_unit_test(sagitta_of_the_handbook),
      cmocka_unit_test(sagitta_of_euclid),
      cmocka_unit_test(sagitta_outside_its_domain),
      cmocka_unit_test(slots_of_partial_frets),
      cmocka_unit_test(a_cone),
      cmocka_unit_test(the_circle_is_near_enough_to_the_cone),
      cmocka_unit_test(only_what_follows),
      cmocka_unit_test(refusals),
      cmocka_unit_test(warnings),
      cmocka_unit_test(text_tables),
      cmocka_unit_test(csv_columns),
      cmocka_unit_test(json_fields),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
