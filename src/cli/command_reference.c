/* slotproof reference: how the scale of a picture was read; and the rules for the options that govern it. */
#include <math.h>

#include "cli.h"

/* Places closer than this make no scale. */
static const double LEAST_DISTANCE_PX = 10.0;

/* Reads the profile: a scanner's is the scale, a camera's helps a rule. */
static int take_profile(cli_request *r)
{
  sp_reference_options *o = &r->check.reference;
  sp_error err = {0};
  if (!r->profile_path && o->kind == SP_REFERENCE_PROFILE)
    return cli_refuse("--profile", SP_E_USAGE,
                      "is missing; name the scanner's profile that 'slotproof calibrate' wrote");
  if (!r->profile_path)
    return 0;
  if (sp_profile_read(r->profile_path, &r->profile, &err))
    return cli_complain(r->profile_path, &err);
  o->profile = &r->profile;
  const bool camera = r->profile.kind == SP_PROFILE_CAMERA;
  if (camera && o->kind == SP_REFERENCE_PROFILE)
    return cli_refuse(r->profile_path, SP_E_USAGE,
                      "a camera's profile holds no scale; leave --reference out and lay a rule beside the board");
  if (camera && o->kind != SP_REFERENCE_NONE && o->kind != SP_REFERENCE_RULE)
    return cli_refuse("--profile", SP_E_USAGE, "of a camera goes with a rule only; leave one of the two out");
  if (!camera && o->kind == SP_REFERENCE_NONE)
    o->kind = SP_REFERENCE_PROFILE;
  if (!camera && o->kind != SP_REFERENCE_PROFILE)
    return cli_refuse("--profile", SP_E_USAGE, "of a scanner goes with --reference profile; leave one of the two out");
  return 0;
}

int cli_check_reference_options(cli_request *r)
{
  const int failed = take_profile(r);
  if (failed)
    return failed;
  sp_reference_options *o = &r->check.reference;
  const bool distance = !isnan(o->distance_mm), from = !isnan(o->from_px.x), to = !isnan(o->to_px.x);
  if (o->kind == SP_REFERENCE_NONE && distance)
    o->kind = SP_REFERENCE_DISTANCE;
  if (o->kind != SP_REFERENCE_DISTANCE && (distance || from || to))
    return cli_refuse(distance ? "--distance"
                      : from   ? "--from"
                               : "--to",
                      SP_E_USAGE, "goes with --reference distance only; give that, or leave it out");
  if (o->kind == SP_REFERENCE_DISTANCE && !(distance && from && to))
    return cli_refuse(!distance ? "--distance"
                      : !from   ? "--from"
                                : "--to",
                      SP_E_USAGE, "is missing; a known distance takes --distance LEN --from X,Y --to X,Y");
  if (o->kind == SP_REFERENCE_DISTANCE &&
      hypot(o->to_px.x - o->from_px.x, o->to_px.y - o->from_px.y) < LEAST_DISTANCE_PX)
    return cli_refuse("--to", SP_E_USAGE, "is too close to --from to give a scale; take two places far apart");
  if (!isnan(o->graduation_mm) && o->kind != SP_REFERENCE_NONE && o->kind != SP_REFERENCE_RULE)
    return cli_refuse("--graduation", SP_E_USAGE, "goes with a rule only; leave it out, or give --reference rule");
  if ((!isnan(o->strip_length_mm) || !isnan(o->strip_width_mm)) && o->kind != SP_REFERENCE_NONE &&
      o->kind != SP_REFERENCE_RULE && o->kind != SP_REFERENCE_STRIP)
    return cli_refuse(isnan(o->strip_length_mm) ? "--strip-width" : "--strip-length", SP_E_USAGE,
                      "goes with a printed strip only; leave it out, or give --reference strip");
  return 0;
}

static sp_status write_text(const void *record, FILE *file, sp_error *err)
{
  return sp_report_reference_text(record, file, err);
}

static sp_status write_json(const void *record, FILE *file, sp_error *err)
{
  return sp_report_reference_json(record, file, err);
}

static void print_help(void)
{
  printf("usage: slotproof reference [options] IMAGE\n\n"
         "Shows how the scale of a picture was read, without looking for marks.\n"
         "Exit status: 0 there is a scale, 2 there is none.\n\n");
  cli_print_options(CLI_REFERENCE, stdout);
}

static int refuse_images(const cli_request *r)
{
  if (r->image_count == 0)
    return cli_refuse("reference", SP_E_USAGE, "a picture is missing; name a PNG, JPEG or TIFF file");
  if (r->image_count > 1)
    return cli_refuse(r->images[1], SP_E_USAGE, "one picture at a time; run the command once for each");
  return 0;
}

static int read_scale(const cli_request *r)
{
  sp_record record;
  sp_raster raster = {0};
  sp_error err = {0};
  sp_record_init(&record);
  int status = (int)sp_check_reference(r->images[0], &r->check.reference, &r->check.read, &record,
                                       r->overlay ? &raster : NULL, &err);
  if (status)
    status = cli_complain(r->images[0], &err);
  else
    status = cli_deliver(r, &record, r->format == CLI_JSON ? write_json : write_text, sp_report_reference_overlay,
                         &record, &raster);
  if (!status)
    status = sp_check_exit_status(&record);
  sp_raster_free(&raster);
  sp_record_free(&record);
  return status;
}

int cli_reference(int argc, char **argv)
{
  cli_request r;
  int status;
  if (!cli_begin(argc, argv, CLI_REFERENCE, print_help, &r, &status))
    return status;
  status = refuse_images(&r);
  if (!status)
    status = cli_check_reference_options(&r);
  if (!status)
    status = cli_check_outputs(&r);
  return status ? status : read_scale(&r);
}
