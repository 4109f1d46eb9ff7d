/* A record read back, and compared with a check of the same board: whatever the bytes, refused with one sentence, or
 * every number that comes out is one. */
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/record.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

enum { MARKS = 13 };

static void demand(int condition)
{
  if (!condition)
    abort();
}

static void compare(const sp_earlier *e)
{
  sp_mark_record marks[MARKS];
  sp_record r;
  sp_error err = {0};
  sp_record_init(&r);
  for (int k = 0; k < MARKS; k++)
    marks[k] =
        (sp_mark_record){.fret = k, .found = k != 5, .x_mm = 20.0 * k, .from_line_mm = NAN, .u_from_line_mm = NAN};
  r.marks = marks;
  r.mark_count = MARKS;
  r.scale_length_mm = e->scale_length_mm;
  demand(sp_record_compare_with(&r, e, &err) == SP_OK);
  for (int k = 0; k < MARKS; k++)
    demand(!isinf(marks[k].from_line_mm) && !isinf(marks[k].u_from_line_mm));
  r.scale_length_mm += 1.0;
  demand(sp_record_compare_with(&r, e, &err) == SP_E_DATA && err.text[0] != '\0');
  r.marks = NULL; /* not the record's own */
  r.mark_count = 0;
  sp_record_free(&r);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
  sp_earlier e;
  sp_error err = {0};
  if (sp_earlier_parse((const char *)data, size, &e, &err) != SP_OK) {
    demand(err.text[0] != '\0' && !strchr(err.text, '\n') && e.marks == NULL);
    return 0;
  }
  demand(e.count >= 2 && e.count <= SP_EARLIER_MAX_FRETS + 1 && isfinite(e.scale_length_mm));
  for (size_t k = 0; k < e.count; k++)
    demand(isfinite(e.marks[k].layout_mm) && !isinf(e.marks[k].x_mm) && (e.marks[k].found || isnan(e.marks[k].x_mm)));
  compare(&e);
  sp_earlier_free(&e);
  return 0;
}
