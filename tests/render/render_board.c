/* render_board.c: the program. Exit status 0 done, 64 usage, 73 output cannot be created. */
#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "render.h"

enum { EXIT_USAGE = 64, EXIT_OUTPUT = 73 };

static const char usage[] = "usage: render_board [--seed N] [--random NAME] [--dpi D] [--set key=value ...]\n"
                            "                    [--png FILE] [--jpeg FILE] [--truth FILE] [--stem NAME]\n"
                            "       render_board --list\n"
                            "NAME: plain, full, faint, burr, chatter, slot, oracle; photo, photofull, photoslot;\n"
                            "wire, wirefull.\n"
                            "Draws a fingerboard with a rule beside it as a scanner sees it, and writes what is true "
                            "of it. --seed and --random are\n"
                            "taken first, wherever they stand; then --dpi and --set in their order. --stem writes "
                            "NAME.json and, as the parameter\n"
                            "jpeg says, NAME.png or NAME.jpg.\n";

typedef struct request {
  render_params params;
  const char *png, *jpeg, *truth, *stem;
} request;

static void print_line(void *context, const char *line)
{
  fprintf(context, "%s\n", line);
}

static const char *value_of(int argc, char **argv, const char *option)
{
  for (int i = 1; i + 1 < argc; i++) {
    if (strcmp(argv[i], option) == 0) {
      return argv[i + 1];
    }
  }
  return NULL;
}

static bool begin_params(int argc, char **argv, render_params *params, char *message)
{
  const char *seed_text = value_of(argc, argv, "--seed"), *random_text = value_of(argc, argv, "--random");
  uint64_t seed = 1;
  if (seed_text) {
    char *end = NULL;
    errno = 0;
    seed = strtoull(seed_text, &end, 10);
    if (end == seed_text || *end != '\0' || errno != 0) {
      snprintf(message, RENDER_MESSAGE, "--seed '%.40s': give a whole number", seed_text);
      return false;
    }
  }
  render_difficulty difficulty = RENDER_PLAIN;
  if (random_text && !render_difficulty_named(random_text, &difficulty)) {
    snprintf(message, RENDER_MESSAGE, "--random '%.40s': give one of the names of --help", random_text);
    return false;
  }
  render_params_init(params);
  if (random_text) {
    render_params_random(params, seed, difficulty);
  }
  params->seed = seed;
  return true;
}

static bool take_option(request *to, const char *option, const char *value, char *message)
{
  char assignment[RENDER_MESSAGE];
  if (strcmp(option, "--set") == 0) {
    return render_params_set(&to->params, value, message);
  }
  if (strcmp(option, "--dpi") == 0) {
    snprintf(assignment, sizeof assignment, "dpi=%.40s", value);
    return render_params_set(&to->params, assignment, message);
  }
  if (strcmp(option, "--png") == 0) {
    to->png = value;
  } else if (strcmp(option, "--jpeg") == 0) {
    to->jpeg = value;
  } else if (strcmp(option, "--truth") == 0) {
    to->truth = value;
  } else if (strcmp(option, "--stem") == 0) {
    to->stem = value;
  } else if (strcmp(option, "--seed") != 0 && strcmp(option, "--random") != 0) {
    snprintf(message, RENDER_MESSAGE, "'%.60s': no such option; --help lists them", option);
    return false;
  }
  return true;
}

static bool read_request(int argc, char **argv, request *to, char *message)
{
  memset(to, 0, sizeof *to);
  if (!begin_params(argc, argv, &to->params, message)) {
    return false;
  }
  for (int i = 1; i < argc; i += 2) {
    if (i + 1 >= argc) {
      snprintf(message, RENDER_MESSAGE, "'%.60s': a value must follow; --help lists the options", argv[i]);
      return false;
    }
    if (!take_option(to, argv[i], argv[i + 1], message)) {
      return false;
    }
  }
  if (!to->png && !to->jpeg && !to->truth && !to->stem) {
    snprintf(message, RENDER_MESSAGE, "nothing to write; give --stem, --png, --jpeg or --truth");
    return false;
  }
  return true;
}

static bool write_stem(const request *of, const render_image *image, const render_truth *truth, char *message)
{
  char path[1024];
  bool jpeg = of->params.jpeg != 0;
  int length = snprintf(path, sizeof path, "%s.%s", of->stem, jpeg ? "jpg" : "png");
  if (length < 0 || (size_t)length >= sizeof path - 1) {
    snprintf(message, RENDER_MESSAGE, "--stem is too long; give a shorter path");
    return false;
  }
  bool ok = jpeg ? render_write_jpeg(image, path, of->params.quality, message) : render_write_png(image, path, message);
  snprintf(path, sizeof path, "%s.json", of->stem);
  return ok && render_write_truth(truth, path, message);
}

static int draw_request(const request *of, render_truth *truth)
{
  render_image image;
  char message[RENDER_MESSAGE] = "";
  if (!render_board(&of->params, &image, truth, message)) {
    fprintf(stderr, "render_board: %s\n", message);
    return EXIT_USAGE;
  }
  bool ok = !of->png || render_write_png(&image, of->png, message);
  ok = ok && (!of->jpeg || render_write_jpeg(&image, of->jpeg, of->params.quality, message));
  ok = ok && (!of->truth || render_write_truth(truth, of->truth, message));
  ok = ok && (!of->stem || write_stem(of, &image, truth, message));
  if (!ok) {
    fprintf(stderr, "render_board: %s\n", message);
  }
  render_image_free(&image);
  render_truth_free(truth);
  return ok ? 0 : EXIT_OUTPUT;
}

int main(int argc, char **argv)
{
  if (argc == 2 && strcmp(argv[1], "--list") == 0) {
    render_params_list(print_line, stdout);
    return fflush(stdout) == 0 ? 0 : EXIT_OUTPUT;
  }
  if (argc == 2 && strcmp(argv[1], "--help") == 0) {
    return fputs(usage, stdout) >= 0 && fflush(stdout) == 0 ? 0 : EXIT_OUTPUT;
  }
  request of;
  char message[RENDER_MESSAGE] = "";
  if (!read_request(argc, argv, &of, message)) {
    fprintf(stderr, "render_board: %s\n", message);
    return EXIT_USAGE;
  }
  render_truth *truth = malloc(sizeof *truth);
  if (!truth) {
    fprintf(stderr, "render_board: no memory\n");
    return EXIT_USAGE;
  }
  int status = draw_request(&of, truth);
  free(truth);
  return status;
}
