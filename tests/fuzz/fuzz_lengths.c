/* Whatever is typed as a length, a tolerance or a list of steps: a number that can be meant, or one sentence. */
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/layout.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void demand(int condition)
{
  if (!condition)
    abort();
}

static void demand_sentence(const sp_error *err)
{
  demand(err->status != SP_OK && err->text[0] != '\0' && !strchr(err->text, '\n'));
}

static void lengths(const char *text)
{
  for (int sign = SP_LENGTH_POSITIVE; sign <= SP_LENGTH_SIGNED; sign++) {
    sp_error err = {0};
    double length_mm = 1.0;
    if (sp_parse_length(text, (sp_length_sign)sign, &length_mm, &err) == SP_OK)
      demand(isfinite(length_mm) && (sign == SP_LENGTH_SIGNED || length_mm >= 0.0) &&
             (sign != SP_LENGTH_POSITIVE || length_mm > 0.0));
    else {
      demand(isnan(length_mm));
      demand_sentence(&err);
    }
  }
}

static void tolerances(const char *text)
{
  sp_error err = {0};
  sp_tolerance t = {1.0, 1.0};
  if (sp_parse_tolerance(text, &t, &err) == SP_OK) {
    demand(!(isnan(t.tolerance_mm) && isnan(t.tolerance_cents)));
    demand(isnan(t.tolerance_mm) || (t.tolerance_mm > 0.0 && isfinite(t.tolerance_mm)));
    demand(isnan(t.tolerance_cents) || (t.tolerance_cents > 0.0 && isfinite(t.tolerance_cents)));
  } else {
    demand(isnan(t.tolerance_mm) && isnan(t.tolerance_cents));
    demand_sentence(&err);
  }
}

static void step_lists(const uint8_t *data, size_t size)
{
  sp_error err = {0};
  sp_steps s;
  sp_layout l;
  if (sp_steps_parse((const char *)data, size, &s, &err) != SP_OK) {
    demand(s.cents == NULL && s.count == 0);
    demand_sentence(&err);
    return;
  }
  demand(s.count >= 1 && s.count <= SP_LAYOUT_MAX_FRETS);
  if (sp_layout_steps(650.0, (int32_t)s.count, s.cents, s.count, &l, &err) == SP_OK) {
    for (int32_t n = 1; n <= l.frets; n++)
      demand(l.position_mm[n] > l.position_mm[n - 1] && l.position_mm[n] < 650.0);
    sp_layout_free(&l);
  } else {
    demand_sentence(&err);
  }
  sp_steps_free(&s);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
  char *text = malloc(size + 1);
  if (!text)
    return 0;
  if (size > 0)
    memcpy(text, data, size);
  text[size] = '\0';
  lengths(text);
  tolerances(text);
  step_lists(data, size);
  free(text);
  return 0;
}
