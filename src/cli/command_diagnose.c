/* slotproof diagnose: an intonation complaint, explained from a record and, where given, a tuner's readings. */
#include <math.h>

#include "cli.h"
#include "slotproof/diagnosis.h"

typedef struct findings {
  const sp_complaint *complaint;
  const sp_diagnosis *diagnosis;
} findings;

static sp_status write_text(const void *what, FILE *file, sp_error *err)
{
  const findings *f = what;
  return sp_diagnosis_text(f->complaint, f->diagnosis, file, err);
}

static sp_status write_json(const void *what, FILE *file, sp_error *err)
{
  const findings *f = what;
  return sp_diagnosis_json(f->complaint, f->diagnosis, file, err);
}

static void print_help(void)
{
  printf("usage: slotproof diagnose --saddle LEN[,LEN...] [options] RECORD.json\n\n"
         "Explains an intonation complaint from a record of 'slotproof check --format json'.\n"
         "Exit status: 0 there is a diagnosis.\n\n");
  cli_print_options(CLI_DIAGNOSE, stdout);
}

static int refuse_missing(const cli_request *r)
{
  if (r->image_count == 0)
    return cli_refuse("diagnose", SP_E_USAGE,
                      "a record is missing; name one written by 'slotproof check --format json'");
  if (r->image_count > 1)
    return cli_refuse(r->images[1], SP_E_USAGE, "one record at a time; run the command once for each");
  if (!r->saddle_count)
    return cli_refuse("--saddle", SP_E_USAGE,
                      "is missing; give the distance from the datum to each string's contact, string 1 first");
  return 0;
}

static int read_record(const cli_request *r, sp_complaint *c)
{
  sp_error err = {0};
  if (sp_complaint_read_record(r->images[0], c, &err))
    return cli_complain(r->images[0], &err);
  if (isfinite(r->reading_u_cents))
    c->reading_u_cents = r->reading_u_cents;
  if (isfinite(r->nut_mm))
    c->instrument.nut_mm += r->nut_mm;
  sp_complaint_set_saddles(c, r->saddle_mm, r->saddle_count);
  return 0;
}

static int read_tables(const cli_request *r, sp_complaint *c)
{
  sp_error err = {0};
  if (r->strings && sp_complaint_read_strings(r->strings, c, &err))
    return cli_complain(r->strings, &err);
  if (r->readings && sp_complaint_read_readings(r->readings, c, &err))
    return cli_complain(r->readings, &err);
  if (r->saddle_count == 1)
    sp_complaint_keep_named_strings(c);
  return 0;
}

static int diagnose(const cli_request *r, sp_complaint *c)
{
  sp_error err = {0};
  sp_diagnosis d;
  int status = read_record(r, c);
  if (!status)
    status = read_tables(r, c);
  if (status)
    return status;
  if (sp_diagnose(&c->instrument, c->reading, c->reading_count, &d, &err))
    return cli_complain(r->readings ? r->readings : r->images[0], &err);
  const findings found = {c, &d};
  status = cli_deliver(r, &found, r->format == CLI_JSON ? write_json : write_text, NULL, NULL, NULL);
  sp_diagnosis_free(&d);
  return status;
}

int cli_diagnose(int argc, char **argv)
{
  cli_request r;
  sp_complaint c;
  int status;
  if (!cli_begin(argc, argv, CLI_DIAGNOSE, print_help, &r, &status))
    return status;
  status = refuse_missing(&r);
  if (!status)
    status = cli_check_outputs(&r);
  if (status)
    return status;
  sp_complaint_init(&c);
  status = diagnose(&r, &c);
  sp_complaint_free(&c);
  return status;
}
