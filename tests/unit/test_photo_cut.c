/* A photograph by places that are known already: as much of it is drawn as lines run across. Truth: a camera that looks
 * straight down, 10 pixels a millimetre. */
#include <stdlib.h>
#include <string.h>

#include "check_close.h"
#include "slotproof/photo.h"

enum { WIDTH_PX = 3000, HEIGHT_PX = 2200, GRADUATIONS = 158, PX_PER_MM = 10, STRIP_X_PX = 500, STRIP_Y_PX = 500 };
enum { BOARD_FROM_PX = 700, BOARD_TO_PX = 1200, LINES = 12, APART_PX = 150, FIRST_LINE_PX = 600 };
static const double PITCH_MM = 1.27, FAR_RAIL_MM = 11.43;

/* Even grey, and a board's lines. */
static sp_raster board(void)
{
  sp_raster r;
  assert_int_equal(sp_raster_create(WIDTH_PX, HEIGHT_PX, 8, &r, NULL), SP_OK);
  memset(r.u8, 180, (size_t)WIDTH_PX * HEIGHT_PX);
  for (size_t y = BOARD_FROM_PX; y < BOARD_TO_PX; y++)
    for (size_t line = 0; line < LINES; line++)
      memset(r.u8 + y * WIDTH_PX + FIRST_LINE_PX + line * APART_PX, 90, 3);
  return r;
}

static sp_camera_sighting seen(double x_mm, double y_mm, bool is_y)
{
  const sp_point at = {STRIP_X_PX + PX_PER_MM * x_mm, STRIP_Y_PX + PX_PER_MM * y_mm};
  return (sp_camera_sighting){at, is_y, is_y ? y_mm : x_mm, 0.05, 0.0, 0};
}

static size_t sight_strip(sp_camera_sighting *list)
{
  size_t n = 0;
  for (int i = 0; i < GRADUATIONS; i++) {
    list[n++] = seen(i * PITCH_MM, 0.0, false);
    list[n++] = seen(i * PITCH_MM, 4.0, false);
    list[n++] = seen(i * PITCH_MM, 0.0, true);
    list[n++] = seen(i * PITCH_MM, FAR_RAIL_MM, true);
  }
  return n;
}

static void test_cut(void **state)
{
  (void)state;
  sp_camera_sighting list[4 * GRADUATIONS];
  sp_raster picture = board();
  sp_photo photo;
  const double last_mm = (GRADUATIONS - 1) * PITCH_MM, middle_px = STRIP_X_PX + 0.5 * last_mm * PX_PER_MM;
  const sp_photo_known known = {.sightings = list,
                                .count = sight_strip(list),
                                .last = last_mm,
                                .at_px = {middle_px, STRIP_Y_PX},
                                .ahead_px = {middle_px + PX_PER_MM, STRIP_Y_PX}};
  assert_int_equal(sp_photo_straighten_by(&picture, 26.0, NULL, &known, &photo, NULL), SP_OK);
  assert_true(photo.found);
  assert_true(photo.cut[0] && photo.cut[1]);
  const sp_point first = sp_photo_straight_px(&photo, (sp_point){FIRST_LINE_PX, STRIP_Y_PX});
  const sp_point last = sp_photo_straight_px(&photo, (sp_point){FIRST_LINE_PX, BOARD_TO_PX});
  CHECK_BELOW(100.0, first.y); /* the strip lies above the board: with room */
  CHECK_BELOW(last.y + 100.0, photo.straight.height_px);
  CHECK_BELOW((double)photo.straight.height_px, 1100.0); /* 1500 could be drawn */
  const uint32_t width = photo.straight.width_px;
  const sp_point line = sp_photo_straight_px(&photo, (sp_point){FIRST_LINE_PX + 1, 900.0});
  const uint16_t *row = photo.straight.u16 + (size_t)line.y * width;
  CHECK_CLOSE(row[(size_t)(line.x + 0.5)], 90 * 257, 10 * 257); /* each grey is 257 counts */
  CHECK_CLOSE(row[(size_t)(line.x + 50.5)], 180 * 257, 257);
  sp_photo_free(&photo);
  sp_raster_free(&picture);
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_cut)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
