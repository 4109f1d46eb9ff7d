/* Records, lists of strings and readings: the first byte chooses. What is accepted is diagnosed and told. */
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "slotproof/diagnosis.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void demand(int condition)
{
  if (!condition)
    abort();
}

static const char RECORD[] =
    "{\"schema\":\"slotproof/record/1\",\"layout\":{\"scale_length_mm\":400},\"datum\":{\"u_mm\":0.01},\"marks\":["
    "{\"fret\":0,\"state\":\"found\",\"x_mm\":0,\"layout_mm\":0,\"u_mm\":0},"
    "{\"fret\":1,\"state\":\"found\",\"x_mm\":22.4,\"layout_mm\":22.45,\"u_mm\":0.02},"
    "{\"fret\":2,\"state\":\"missing\",\"x_mm\":null,\"layout_mm\":43.64,\"u_mm\":null},"
    "{\"fret\":3,\"state\":\"found\",\"x_mm\":63.7,\"layout_mm\":63.64,\"u_mm\":0.02}]}";

static void tell(sp_complaint *c)
{
  sp_error err = {0};
  sp_diagnosis d;
  if (sp_diagnose(&c->instrument, c->reading, c->reading_count, &d, &err) != SP_OK) {
    demand(err.text[0] != '\0' && d.notes == NULL);
    return;
  }
  FILE *nowhere = fopen("/dev/null", "wb");
  for (size_t j = 0; j < d.note_count; j++)
    demand(isfinite(d.notes[j].cents));
  if (nowhere) {
    demand(sp_diagnosis_text(c, &d, nowhere, &err) == SP_OK);
    demand(sp_diagnosis_json(c, &d, nowhere, &err) == SP_OK);
    fclose(nowhere);
  }
  sp_diagnosis_free(&d);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
  sp_complaint c;
  sp_error err = {0};
  if (size == 0)
    return 0;
  const char *text = (const char *)data + 1;
  const size_t length = size - 1;
  sp_complaint_init(&c);
  sp_status status = data[0] == 'R' ? sp_complaint_parse_record(text, length, &c, &err)
                                    : sp_complaint_parse_record(RECORD, sizeof RECORD - 1, &c, &err);
  c.instrument.nut_mm = 0.0;
  const double saddle_mm = c.instrument.scale_length_mm + 2.0;
  sp_complaint_set_saddles(&c, &saddle_mm, 1);
  if (!status && data[0] == 'S')
    status = sp_complaint_parse_strings(text, length, &c, &err);
  else if (!status && data[0] != 'R')
    status = sp_complaint_parse_readings(text, length, &c, &err);
  sp_complaint_keep_named_strings(&c);
  if (status)
    demand(err.text[0] != '\0' && !strchr(err.text, '\n'));
  else
    tell(&c);
  sp_complaint_free(&c);
  return 0;
}
