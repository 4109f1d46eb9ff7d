/* slotproof calibrate: a profile of a camera or a scanner, from pictures of a known target. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "cli.h"
#include "slotproof/calibrate.h"

/* Pictures on one command line. */
enum { MOST_PICTURES = 500 };

static void print_help(void)
{
  printf("usage: slotproof calibrate camera [options] PICTURE...\n"
         "       slotproof calibrate scanner [options] SCAN SCAN-TURNED...\n\n"
         "Makes a profile: of a camera from photographs of a chessboard, of a scanner from scans of a steel\n"
         "rule as laid and turned by half a turn in the same place. The profile is JSON; with --output it\n"
         "goes there, and a summary is printed.\n"
         "Exit status: 0 the profile was made.\n\n");
  cli_print_options(CLI_CALIBRATE, stdout);
}

static sp_status write_profile(const void *profile, FILE *file, sp_error *err)
{
  return sp_profile_write(profile, file, err);
}

/* ---- the summary --------------------------------------------------------------------------------------------------
 */

static void print_pictures(const sp_calibration *c, char **names)
{
  const bool camera = c->profile.kind == SP_PROFILE_CAMERA;
  for (size_t i = 0; i < c->picture_count; i++) {
    const sp_calibrated_picture *p = &c->pictures[i];
    char *name = sp_clean_text(names[i]);
    printf("  %s: ", name ? name : "?");
    free(name);
    if (!p->seen)
      printf("left out, the chessboard was not found whole\n");
    else if (!camera)
      printf("rule along %s, %s, %.4f px per mm\n", p->along == SP_ALONG_X ? "x" : "y", i % 2 ? "turned" : "as laid",
             p->px_per_mm);
    else
      printf("%s%.3f px (rms), tilted by %.0f degrees\n",
             p->used ? "" : "left out, it does not agree with the others: ", p->rms_px, p->tilt_deg);
  }
}

static void print_camera(const sp_profile *p)
{
  const sp_lens *l = &p->camera.lens, *u = &p->camera.u;
  printf("Camera profile from %u pictures, %u corners; they agree with the lens to %.3f px (rms).\n",
         p->camera.pictures, p->camera.corners, p->camera.rms_px);
  printf("  focal length    %10.2f px  +/- %.2f\n", l->f_px, 2.0 * u->f_px);
  printf("  principal point %10.2f, %.2f px  +/- %.2f, %.2f\n", l->cx_px, l->cy_px, 2.0 * u->cx_px, 2.0 * u->cy_px);
  printf("  distortion      k1 %.5f +/- %.5f, k2 %.5f +/- %.5f\n", l->k1, 2.0 * u->k1, l->k2, 2.0 * u->k2);
  printf("                  p1 %.6f +/- %.6f, p2 %.6f +/- %.6f\n", l->p1, 2.0 * u->p1, l->p2, 2.0 * u->p2);
  if (isfinite(p->camera.near_mm))
    printf("  taken from      %.0f to %.0f mm; use it for pictures focused at such a distance\n", p->camera.near_mm,
           p->camera.far_mm);
}

static void print_axis(const char *name, const sp_profile_axis *a)
{
  if (!a->known) {
    printf("  along %s: not scanned\n", name);
    return;
  }
  double square = 0.0;
  for (size_t i = 0; i < a->count; i++)
    square += a->departure_mm[i] * a->departure_mm[i] / (double)a->count;
  printf("  along %s: %.4f px per mm +/- %.4f over %.0f mm, %u scans\n", name, a->px_per_mm,
         2.0 * a->u_relative * a->px_per_mm, a->span_mm, a->scans);
  printf("    unevenness that repeats %.4f mm (rms); left in doubt %.4f mm\n", sqrt(square), a->uneven_mm);
  if (isfinite(a->repeat_mm))
    printf("    scans in one position differ by %.4f mm; turning the rule changes it by %.4f mm\n", a->repeat_mm,
           a->turned_mm);
  else
    printf("    turned and not turned differ by 2 x %.4f mm; two more scans would tell the rule's part from chance\n",
           a->turned_mm);
}

static void print_scanner(const sp_profile *p)
{
  printf("Scanner profile for scans of %u x %u pixels.\n", p->width_px, p->height_px);
  print_axis("x", &p->axis[0]);
  print_axis("y", &p->axis[1]);
  printf("  the rule may be wrong by %.4g mm over that length; boards measured with the profile inherit it\n",
         p->mpe_mm);
}

static void print_summary(const cli_request *r, const sp_calibration *c)
{
  if (c->profile.kind == SP_PROFILE_CAMERA)
    print_camera(&c->profile);
  else
    print_scanner(&c->profile);
  print_pictures(c, r->images);
  for (size_t i = 0; i < c->warning_count; i++)
    printf("Note: %s.\n", c->warnings[i]);
}

/* ---- the command --------------------------------------------------------------------------------------------------
 */

static int refuse_options(const cli_request *r, bool camera)
{
  if (r->image_count == 0 || r->image_count > MOST_PICTURES)
    return cli_refuse("calibrate", SP_E_USAGE, "name the pictures, up to %d; 'slotproof calibrate --help' says of what",
                      MOST_PICTURES);
  if (camera && (!isnan(r->check.reference.graduation_mm) || !isnan(r->check.reference.mpe_mm)))
    return cli_refuse("calibrate camera", SP_E_USAGE, "takes no rule; leave --graduation and --reference-mpe out");
  if (!camera && (r->corners_told || !isnan(r->square_mm)))
    return cli_refuse("calibrate scanner", SP_E_USAGE, "takes no chessboard; leave --corners and --square out");
  return 0;
}

static int run(const cli_request *r, bool camera)
{
  sp_calibrate_options options;
  sp_calibration calibration;
  sp_error err = {0};
  size_t at;
  sp_calibrate_options_init(&options);
  if (r->corners_told)
    options.board = r->corners;
  options.square_mm = r->square_mm;
  options.reference = r->check.reference;
  options.read = r->check.read;
  const char *const *paths = (const char *const *)r->images;
  int status = (int)(camera ? sp_calibrate_camera : sp_calibrate_scanner)(paths, (size_t)r->image_count, &options,
                                                                          &calibration, &at, &err);
  if (status)
    status =
        cli_complain(at == SP_CALIBRATE_ALL ? (camera ? "calibrate camera" : "calibrate scanner") : paths[at], &err);
  else
    status = cli_deliver(r, &calibration.profile, write_profile, NULL, NULL, NULL);
  if (!status && r->output)
    print_summary(r, &calibration);
  sp_calibration_free(&calibration);
  return status;
}

int cli_calibrate(int argc, char **argv)
{
  cli_request r;
  if (argc > 1 && strcmp(argv[1], "--help") == 0) {
    print_help();
    return 0;
  }
  const bool camera = argc > 1 && strcmp(argv[1], "camera") == 0;
  if (!camera && !(argc > 1 && strcmp(argv[1], "scanner") == 0))
    return cli_refuse("calibrate", SP_E_USAGE,
                      "say what; 'slotproof calibrate camera' or 'slotproof calibrate scanner'");
  argv[1] = argv[0];
  int status;
  if (!cli_begin(argc - 1, argv + 1, CLI_CALIBRATE, print_help, &r, &status))
    return status;
  status = refuse_options(&r, camera);
  if (!status)
    status = cli_check_outputs(&r);
  return status ? status : run(&r, camera);
}
