/* Devices, and rows as they come.
 *
 * Rows are kept in memory until the last one is there: what is broken off leaves no half picture, and a scanner that
 * does not know beforehand how many rows it will send can be served as well. */
#include "scan_internal.h"

#ifdef SLOTPROOF_SCAN

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "settings.h"
#include "slotproof/late.h"

enum { CHUNK = 1 << 16 };
/* More than A3 at 2400 dpi and 16 bits: what sends more has run wild. */
static const size_t MOST_BYTES = (size_t)3 << 30;

bool sp_scan_is_built(void)
{
  return true;
}

/* ---- devices ---------------------------------------------------------------------------------------------------- */

static void take_text(const char *from, char into[SP_SCAN_TEXT])
{
  size_t n = 0;
  for (; from && from[n] && n + 1 < SP_SCAN_TEXT; n++)
    into[n] = from[n] >= 0x20 && from[n] < 0x7f ? from[n] : '?';
  into[n] = '\0';
}

static sp_status list_devices(bool local_only, sp_scan_devices_list *devices, sp_error *err)
{
  const SANE_Device **found = NULL;
  const SANE_Status status = sane_get_devices(&found, local_only ? SANE_TRUE : SANE_FALSE);
  if (status != SANE_STATUS_GOOD)
    return scan_failed(status, "be looked for", err);
  size_t count = 0;
  while (found && found[count])
    count++;
  devices->list = calloc(count + 1, sizeof *devices->list);
  if (!devices->list)
    return sp_fail_memory(err);
  for (; devices->count < count; devices->count++) {
    sp_scan_device *d = &devices->list[devices->count];
    const SANE_Device *from = found[devices->count];
    take_text(from->name, d->name);
    take_text(from->vendor, d->vendor);
    take_text(from->model, d->model);
    take_text(from->type, d->type);
  }
  return SP_OK;
}

static sp_status start_sane(sp_error *err)
{
  const sp_status there = sp_late_library(SP_LATE_SANE, err);
  if (there)
    return there;
  const SANE_Status status = sane_init(NULL, NULL);
  if (status == SANE_STATUS_GOOD)
    return SP_OK;
  return sp_fail(err, SP_E_INTERNAL, "the scanner drivers (SANE) cannot be started (%s)", sane_strstatus(status));
}

sp_status sp_scan_devices(bool local_only, sp_scan_devices_list *devices, sp_error *err)
{
  *devices = (sp_scan_devices_list){NULL, 0};
  sp_status status = start_sane(err);
  if (status)
    return status;
  status = list_devices(local_only, devices, err);
  sane_exit();
  return status;
}

/* The one that was named, or the only one. */
static sp_status choose_device(const char *named, char name[SP_SCAN_TEXT], sp_error *err)
{
  if (named) {
    if (strlen(named) >= SP_SCAN_TEXT)
      return sp_fail(err, SP_E_NOINPUT, "there is no scanner of such a name; 'slotproof scan --list' shows them");
    memcpy(name, named, strlen(named) + 1);
    return SP_OK;
  }
  sp_scan_devices_list devices = {NULL, 0};
  sp_status status = list_devices(false, &devices, err);
  if (!status && devices.count == 0)
    status = sp_fail(err, SP_E_NOINPUT, "no scanner was found; switch it on, connect it and try again");
  else if (!status && devices.count > 1)
    status = sp_fail(err, SP_E_USAGE, "there are %zu scanners; name one with --device, as --device %s", devices.count,
                     devices.list[0].name);
  else if (!status)
    memcpy(name, devices.list[0].name, SP_SCAN_TEXT);
  sp_scan_devices_free(&devices);
  return status;
}

/* ---- rows ------------------------------------------------------------------------------------------------------- */

static sp_status check_frame(const SANE_Parameters *p, int bits, sp_error *err)
{
  if (p->format != SANE_FRAME_GRAY || !p->last_frame)
    return sp_fail(err, SP_E_DATA, "the scanner sends no grey picture; scan with another program");
  if (p->depth != bits || p->pixels_per_line <= 0 ||
      (int64_t)p->bytes_per_line < (int64_t)p->pixels_per_line * (bits / 8))
    return sp_fail(err, SP_E_DATA, "the scanner sends %d bits where %d were asked for; scan with another program",
                   (int)p->depth, bits);
  return SP_OK;
}

static sp_status make_room(scan_rows *rows, sp_error *err)
{
  if (rows->room - rows->size >= CHUNK)
    return SP_OK;
  if (rows->size > MOST_BYTES)
    return sp_fail(err, SP_E_DATA, "the scanner sends more than any picture has; switch it off and on and try again");
  const size_t room = rows->room + rows->room / 2 + CHUNK;
  unsigned char *longer = realloc(rows->bytes, room);
  if (!longer)
    return sp_fail_memory(err);
  rows->bytes = longer;
  rows->room = room;
  return SP_OK;
}

typedef struct listener {
  sp_scan_progress progress;
  void *context;
} listener;

static bool goes_on(const listener *l, const SANE_Parameters *p, size_t size)
{
  const double all = (double)p->bytes_per_line * p->lines;
  return !l->progress || l->progress(l->context, p->lines > 0 ? fmin(1.0, (double)size / all) : NAN);
}

static sp_status read_rows(SANE_Handle device, const SANE_Parameters *p, const listener *l, scan_rows *rows,
                           sp_scan_result *result, sp_error *err)
{
  for (;;) {
    SANE_Int got = 0;
    const sp_status room = make_room(rows, err);
    if (room)
      return room;
    const SANE_Status status = sane_read(device, rows->bytes + rows->size, CHUNK, &got);
    if (status == SANE_STATUS_EOF)
      return SP_OK;
    rows->size += got > 0 && got <= CHUNK ? (size_t)got : 0;
    if (!goes_on(l, p, rows->size)) {
      result->stopped = true;
      return sp_fail(err, SP_E_IO, "the scan was stopped; nothing was written");
    }
    if (status != SANE_STATUS_GOOD)
      return scan_failed(status, "go on with the scan", err);
  }
}

/* Rows may be padded: closes them up. */
static sp_status close_up(const SANE_Parameters *p, int bits, scan_rows *rows, sp_scan_result *result, sp_error *err)
{
  const size_t wide = (size_t)p->bytes_per_line, row = (size_t)p->pixels_per_line * (size_t)(bits / 8);
  const size_t height = rows->size / wide;
  if (height == 0 || (p->lines > 0 && height < (size_t)p->lines) || height > INT32_MAX)
    return sp_fail(err, SP_E_IO, "the scan broke off after %zu of %d rows; try again", height, (int)p->lines);
  for (size_t y = 1; y < height && wide > row; y++)
    memmove(rows->bytes + y * row, rows->bytes + y * wide, row);
  result->width_px = (uint32_t)p->pixels_per_line;
  result->height_px = (uint32_t)height;
  return SP_OK;
}

static sp_status scan_rows_of(SANE_Handle device, const sp_scan_options *o, const listener *l, scan_rows *rows,
                              sp_scan_result *result, sp_error *err)
{
  SANE_Parameters p = {.format = SANE_FRAME_GRAY};
  sp_status status = scan_set_up(device, o, result, err);
  if (status)
    return status;
  SANE_Status sane = sane_start(device);
  if (sane == SANE_STATUS_GOOD)
    sane = sane_get_parameters(device, &p);
  status = sane == SANE_STATUS_GOOD ? check_frame(&p, o->bits, err) : scan_failed(sane, "start", err);
  if (!status)
    status = read_rows(device, &p, l, rows, result, err);
  sane_cancel(device); /* at the end of every scan, finished or not */
  return status ? status : close_up(&p, o->bits, rows, result, err);
}

static sp_status with_device(const sp_scan_options *o, const listener *l, scan_rows *rows, sp_scan_result *result,
                             sp_error *err)
{
  SANE_Handle device = NULL;
  sp_status status = choose_device(o->device, result->device, err);
  if (status)
    return status;
  const SANE_Status sane = sane_open(result->device, &device);
  if (sane == SANE_STATUS_INVAL)
    return sp_fail(err, SP_E_NOINPUT, "there is no such scanner; 'slotproof scan --list' shows those there are");
  if (sane != SANE_STATUS_GOOD)
    return scan_failed(sane, "be opened", err);
  status = scan_rows_of(device, o, l, rows, result, err);
  sane_close(device);
  return status;
}

sp_status sp_scan_to_png(const char *path, const sp_scan_options *o, sp_scan_progress progress, void *context,
                         sp_scan_result *result, sp_error *err)
{
  const listener l = {progress, context};
  scan_rows rows = {NULL, 0, 0};
  *result = (sp_scan_result){.dpi = NAN};
  if ((o->bits != 8 && o->bits != 16) || !(o->dpi >= 1.0 && o->dpi <= 100000.0))
    return sp_fail(err, SP_E_USAGE, "8 or 16 bits and a resolution above 1 dpi are needed");
  sp_status status = start_sane(err);
  if (status)
    return status;
  status = with_device(o, &l, &rows, result, err);
  sane_exit();
  if (!status)
    status = scan_write_png(path, &rows, result->width_px, result->height_px, o->bits, result->dpi, err);
  free(rows.bytes);
  return status;
}

#endif
