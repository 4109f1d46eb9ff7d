/* fuzz_profile.c: any bytes as a profile. What is let through must be possible: finite numbers in range, places in
 * order, and it must come back unchanged in kind when written and read again. */
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/profile.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void demand(int true_)
{
  if (!true_)
    abort();
}

static void demand_possible(const sp_profile *p)
{
  demand(p->width_px >= 1 && p->height_px >= 1);
  if (p->kind == SP_PROFILE_CAMERA) {
    demand(p->camera.lens.f_px >= 10.0 && isfinite(p->camera.u.f_px));
    return;
  }
  for (int i = 0; i < 2; i++) {
    const sp_profile_axis *a = &p->axis[i];
    demand(!a->known || (a->px_per_mm >= 1.0 && a->count >= SP_PROFILE_LEAST_KNOTS && a->count <= SP_PROFILE_KNOTS));
    for (size_t k = 1; k < a->count; k++)
      demand(a->u_px[k] > a->u_px[k - 1] && isfinite(a->departure_mm[k]));
  }
}

static void demand_comes_back(const sp_profile *p)
{
  static char text[200000];
  sp_profile again;
  sp_error err = {0};
  FILE *file = tmpfile();
  if (!file)
    return;
  if (sp_profile_write(p, file, &err) == SP_OK) {
    rewind(file);
    const size_t n = fread(text, 1, sizeof text, file);
    demand(sp_profile_parse(text, n, &again, &err) == SP_OK);
    demand(again.kind == p->kind && again.width_px == p->width_px);
  }
  fclose(file);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
  sp_profile p;
  sp_error err = {0};
  if (sp_profile_parse((const char *)data, size, &p, &err)) {
    demand(err.text[0] != '\0' && !strchr(err.text, '\n'));
    return 0;
  }
  demand_possible(&p);
  demand_comes_back(&p);
  return 0;
}
