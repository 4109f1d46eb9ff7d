/* fuzz_corrections.c: any bytes as a list of corrections. What is let through must be possible, and come back unchanged
 * when written and read again. */
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/corrections.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void demand(int true_)
{
  if (!true_)
    abort();
}

static void demand_possible(const sp_corrections *c)
{
  demand(c->count <= SP_CORRECTIONS_MOST);
  for (size_t i = 0; i < c->count; i++) {
    const sp_correction *one = &c->list[i];
    demand((unsigned)one->kind < SP_CORRECTION_KINDS && one->source >= 0);
    demand(isfinite(one->at_px.x) && isfinite(one->at_px.y));
    demand(isfinite(one->reading_mm) == (one->kind == SP_CORRECTION_GRADUATION));
  }
}

static void demand_comes_back(const sp_corrections *c)
{
  static char text[400000];
  sp_corrections again;
  sp_error err = {0};
  FILE *file = tmpfile();
  if (!file)
    return;
  if (sp_corrections_write(c, file, &err) == SP_OK) {
    rewind(file);
    const size_t n = fread(text, 1, sizeof text, file);
    demand(sp_corrections_parse(text, n, &again, &err) == SP_OK && again.count == c->count);
    for (size_t i = 0; i < c->count; i++)
      demand(again.list[i].kind == c->list[i].kind && again.list[i].at_px.x == c->list[i].at_px.x &&
             again.list[i].at_px.y == c->list[i].at_px.y && again.list[i].source == c->list[i].source);
    sp_corrections_free(&again);
  }
  fclose(file);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
  sp_corrections c;
  sp_error err = {0};
  if (sp_corrections_parse((const char *)data, size, &c, &err)) {
    demand(err.text[0] != '\0' && !strchr(err.text, '\n') && !c.list && !c.count);
    return 0;
  }
  demand_possible(&c);
  demand_comes_back(&c);
  sp_corrections_free(&c);
  return 0;
}
