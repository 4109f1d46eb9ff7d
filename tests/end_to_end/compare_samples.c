/* compare_samples SAMPLES MADE: are the pictures and truths that samples/make.sh has just drawn those of the repository?
 *
 * Not byte for byte: the renderer uses the C library's exp, cos and erf, which may differ in the last bit from machine to
 * machine, and a value on the edge between two greys then falls to the other side. A truth's numbers must agree to 1e-6
 * (relative to 1), a picture's greys to one level, and all but one in a thousand exactly. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cjson/cJSON.h>
#include <png.h>

static const double NUMBER_TOLERANCE = 1e-6, GREYS_DIFFERING = 1e-3;

static char *read_text(const char *path)
{
  enum { MOST = 1 << 20 };
  FILE *file = fopen(path, "rb");
  char *text = file ? malloc(MOST) : NULL;
  if (text)
    text[fread(text, 1, MOST - 1, file)] = '\0';
  if (file)
    fclose(file);
  return text;
}

static cJSON *read_json(const char *path)
{
  char *text = read_text(path);
  cJSON *root = text ? cJSON_Parse(text) : NULL;
  free(text);
  return root;
}

/* Same structure, same words, numbers close. */
static int same_json(const cJSON *a, const cJSON *b)
{
  if (!a || !b || (a->type & 0xff) != (b->type & 0xff))
    return 0;
  if (cJSON_IsNumber(a))
    return fabs(a->valuedouble - b->valuedouble) <= NUMBER_TOLERANCE * (1.0 + fabs(a->valuedouble));
  if (cJSON_IsString(a))
    return strcmp(a->valuestring, b->valuestring) == 0;
  const cJSON *x = a->child, *y = b->child;
  for (; x && y; x = x->next, y = y->next)
    if ((x->string && (!y->string || strcmp(x->string, y->string) != 0)) || !same_json(x, y))
      return 0;
  return !x && !y;
}

static int same_truth(const char *a, const char *b)
{
  cJSON *x = read_json(a), *y = read_json(b);
  const int same = same_json(x, y);
  cJSON_Delete(x);
  cJSON_Delete(y);
  return same;
}

static png_bytep read_grey(const char *path, png_image *image)
{
  memset(image, 0, sizeof *image);
  image->version = PNG_IMAGE_VERSION;
  if (!png_image_begin_read_from_file(image, path))
    return NULL;
  image->format = PNG_FORMAT_GRAY;
  png_bytep grey = malloc(PNG_IMAGE_SIZE(*image));
  if (grey && png_image_finish_read(image, NULL, grey, 0, NULL))
    return grey;
  free(grey);
  png_image_free(image);
  return NULL;
}

static int same_greys(const png_byte *a, const png_byte *b, size_t count)
{
  size_t differing = 0;
  for (size_t i = 0; i < count; i++) {
    if (abs(a[i] - b[i]) > 1)
      return 0;
    differing += a[i] != b[i];
  }
  return (double)differing <= GREYS_DIFFERING * (double)count;
}

static int same_picture(const char *a, const char *b)
{
  png_image p, q;
  png_bytep x = read_grey(a, &p), y = read_grey(b, &q);
  const int same = x && y && p.width == q.width && p.height == q.height && same_greys(x, y, PNG_IMAGE_SIZE(p));
  free(x);
  free(y);
  return same;
}

int main(int argc, char **argv)
{
  static const char *const NAMES[] = {"sandpiper", "kittiwake", "curlew", "dunlin"};
  int failed = 0;
  if (argc != 3) {
    fprintf(stderr, "usage: compare_samples SAMPLES MADE\n");
    return 64;
  }
  for (size_t i = 0; i < sizeof NAMES / sizeof *NAMES; i++) {
    char a[1000], b[1000];
    snprintf(a, sizeof a, "%s/%s.json", argv[1], NAMES[i]);
    snprintf(b, sizeof b, "%s/%s.json", argv[2], NAMES[i]);
    const int truth = same_truth(a, b);
    snprintf(a, sizeof a, "%s/%s.png", argv[1], NAMES[i]);
    snprintf(b, sizeof b, "%s/%s.png", argv[2], NAMES[i]);
    const int picture = same_picture(a, b);
    if (!truth || !picture)
      fprintf(stderr, "%s: %s%s differ from what samples/make.sh draws; run it if the renderer was changed on purpose\n",
              NAMES[i], truth ? "" : "truth ", picture ? "" : "picture");
    failed |= !truth || !picture;
  }
  return failed;
}
