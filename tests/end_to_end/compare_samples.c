/* compare_samples SAMPLES MADE: are the pictures and truths that samples/make.sh has just drawn those of the
 * repository?
 *
 * Not byte for byte: the renderer uses the C library's exp, cos and erf, which may differ in the last bit from machine
 * to machine, and a value on the edge between two greys then falls to the other side. A truth's numbers must agree to
 * 1e-6 (relative to 1), a picture's greys to one level, and all but one in a thousand exactly. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cjson/cJSON.h>

#include "slotproof/reading.h"

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

/* JPEG's own rounding makes more of a last bit than PNG does. */
static int same_greys(const sp_raster *a, const sp_raster *b, int jpeg)
{
  const size_t count = (size_t)a->width_px * a->height_px;
  size_t differing = 0;
  for (size_t i = 0; i < count; i++) {
    if (abs(a->u8[i] - b->u8[i]) > (jpeg ? 8 : 1))
      return 0;
    differing += a->u8[i] != b->u8[i];
  }
  return (double)differing <= GREYS_DIFFERING * (double)count * (jpeg ? 10.0 : 1.0);
}

static int same_picture(const char *a, const char *b, int jpeg)
{
  sp_raster x = {0}, y = {0};
  sp_picture_info unused;
  const int read = !sp_read_picture(a, NULL, &x, &unused, NULL) && !sp_read_picture(b, NULL, &y, &unused, NULL);
  const int same =
      read && x.u8 && y.u8 && x.width_px == y.width_px && x.height_px == y.height_px && same_greys(&x, &y, jpeg);
  sp_raster_free(&x);
  sp_raster_free(&y);
  return same;
}

int main(int argc, char **argv)
{
  static const char *const NAMES[] = {"sandpiper", "kittiwake", "curlew",     "dunlin",    "dotterel",
                                      "turnstone", "redshank-1", "redshank-2", "redshank-3"};
  enum { PNGS = 4 }; /* the others are JPEGs */
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
    const char *end = i < PNGS ? "png" : "jpg";
    snprintf(a, sizeof a, "%s/%s.%s", argv[1], NAMES[i], end);
    snprintf(b, sizeof b, "%s/%s.%s", argv[2], NAMES[i], end);
    const int picture = same_picture(a, b, i >= PNGS);
    if (!truth || !picture)
      fprintf(stderr,
              "%s: %s%s differ from what samples/make.sh draws; run it if the renderer was changed on purpose\n",
              NAMES[i], truth ? "" : "truth ", picture ? "" : "picture");
    failed |= !truth || !picture;
  }
  return failed;
}
