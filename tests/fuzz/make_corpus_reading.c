/* make_corpus_reading.c: writes the starting pictures for the fuzz target of reading into a folder: one small file for
 * every way a decoder can go, some of them cut short. */
#include "test_reading_pictures.h"

static const char *folder;

static void save(const char *name, blob *b)
{
  char path[4096];
  const int n = snprintf(path, sizeof path, "%s/%s", folder, name);
  FILE *f = n > 0 && (size_t)n < sizeof path ? fopen(path, "wb") : NULL;
  if (!f || fwrite(b->bytes, 1, b->size, f) != b->size || fclose(f) != 0) {
    fprintf(stderr, "%s: cannot be written\n", path);
    exit(73);
  }
  blob_free(b);
}

static uint8_t noise[8192];

static void pngs(void)
{
  static const png_color palette[4] = {{0, 0, 0}, {255, 0, 0}, {0, 255, 0}, {255, 255, 255}};
  static const uint8_t alpha[2] = {0, 100};
  static const struct {
    const char *name;
    int colour, bits;
  } kinds[] = {{"grey1", 0, 1},  {"grey4", 0, 4},    {"grey8", 0, 8},  {"grey16", 0, 16}, {"rgb8", 2, 8},
               {"rgb16", 2, 16}, {"palette2", 3, 2}, {"alpha8", 4, 8}, {"rgba16", 6, 16}};
  blob exif = make_exif(6, 300, 1, 2);
  for (size_t k = 0; k < sizeof kinds / sizeof *kinds; k++)
    for (int interlaced = 0; interlaced < 2; interlaced++) {
      const bool with_palette = kinds[k].colour == PNG_COLOR_TYPE_PALETTE;
      blob b = make_png(&(png_spec){.width = 9,
                                    .height = 7,
                                    .colour = kinds[k].colour,
                                    .bits = kinds[k].bits,
                                    .interlaced = interlaced,
                                    .rows = noise,
                                    .row_bytes = 80,
                                    .per_metre_x = 11811,
                                    .per_metre_y = 11811,
                                    .palette = with_palette ? palette : NULL,
                                    .palette_size = 4,
                                    .alpha = with_palette ? alpha : NULL,
                                    .alphas = 2,
                                    .exif = k % 3 == 2 ? &exif : NULL,
                                    .exif_behind = k % 2});
      char name[64];
      (void)snprintf(name, sizeof name, "%s%s.png", kinds[k].name, interlaced ? "-adam7" : "");
      if (k == 4)
        b.size -= 30; /* one that ends early */
      save(name, &b);
    }
  blob_free(&exif);
}

static void jpegs(void)
{
  static const struct {
    const char *name;
    J_COLOR_SPACE space;
    int samples;
  } kinds[] = {{"grey", JCS_GRAYSCALE, 1}, {"ycbcr", JCS_YCbCr, 3}, {"rgb", JCS_RGB, 3}, {"cmyk", JCS_CMYK, 4}};
  blob exif = make_exif(8, 2400000, 10000, 3);
  for (size_t k = 0; k < sizeof kinds / sizeof *kinds; k++)
    for (int progressive = 0; progressive < 2; progressive++) {
      blob b = make_jpeg(&(jpeg_spec){.width = 17,
                                      .height = 9,
                                      .given = kinds[k].space,
                                      .stored = kinds[k].space,
                                      .samples = kinds[k].samples,
                                      .rows = noise,
                                      .progressive = progressive,
                                      .restart_interval = k == 1,
                                      .density_unit = 2,
                                      .density = 118,
                                      .exif = k == 0 ? &exif : NULL});
      char name[64];
      (void)snprintf(name, sizeof name, "%s%s.jpg", kinds[k].name, progressive ? "-progressive" : "");
      if (k == 2)
        b.size = b.size * 3 / 4;
      save(name, &b);
    }
  blob_free(&exif);
}

static void tiffs(void)
{
  static const struct {
    const char *name;
    tiff_spec spec;
  } kinds[] = {
      {"grey8", {.bits = 8, .samples = 1, .photometric = 1, .extra_kind = -1, .resolution = 300, .unit = 2}},
      {"grey16-big-endian",
       {.mode = "wb", .bits = 16, .samples = 1, .photometric = 1, .extra_kind = -1, .orientation = 6}},
      {"grey12", {.bits = 12, .samples = 1, .photometric = 0, .extra_kind = -1, .rows_per_strip = 2}},
      {"grey8-bigtiff", {.mode = "wl8", .bits = 8, .samples = 1, .photometric = 1, .extra_kind = -1, .orientation = 3}},
      {"fax3", {.bits = 1, .samples = 1, .photometric = 0, .extra_kind = -1, .compression = COMPRESSION_CCITTFAX3}},
      {"fax4", {.bits = 1, .samples = 1, .photometric = 0, .extra_kind = -1, .compression = COMPRESSION_CCITTFAX4}},
      {"lzw", {.bits = 8, .samples = 3, .photometric = 2, .extra_kind = -1, .compression = COMPRESSION_LZW}},
      {"packbits", {.bits = 4, .samples = 1, .photometric = 1, .extra_kind = -1, .compression = COMPRESSION_PACKBITS}},
      {"deflate-planes",
       {.bits = 8,
        .samples = 4,
        .photometric = 2,
        .planar = PLANARCONFIG_SEPARATE,
        .rows_per_strip = 3,
        .extra_kind = EXTRASAMPLE_UNASSALPHA,
        .compression = COMPRESSION_ADOBE_DEFLATE}},
      {"cmyk-planes", {.bits = 16, .samples = 4, .photometric = 5, .planar = PLANARCONFIG_SEPARATE, .extra_kind = -1}},
      {"tiles",
       {.bits = 8, .samples = 1, .photometric = 1, .extra_kind = -1, .tile_w = 16, .tile_h = 16, .orientation = 5}},
      {"tiles-planes",
       {.bits = 8,
        .samples = 3,
        .photometric = 2,
        .planar = PLANARCONFIG_SEPARATE,
        .extra_kind = -1,
        .tile_w = 16,
        .tile_h = 16,
        .compression = COMPRESSION_LZW}},
      {"jpeg", {.bits = 8, .samples = 3, .photometric = 6, .extra_kind = -1, .compression = COMPRESSION_JPEG}},
      {"preview", {.bits = 8, .samples = 1, .photometric = 1, .extra_kind = -1, .subfile = FILETYPE_REDUCEDIMAGE}},
      {"float", {.bits = 32, .samples = 1, .photometric = 1, .extra_kind = -1, .format = SAMPLEFORMAT_IEEEFP}}};
  for (size_t k = 0; k < sizeof kinds / sizeof *kinds; k++) {
    tiff_spec spec = kinds[k].spec;
    spec.width = 16;
    spec.height = 8;
    spec.rows = noise;
    const int together = spec.planar == PLANARCONFIG_SEPARATE ? 1 : spec.samples;
    spec.row_bytes = (size_t)(16 * together * spec.bits + 7) / 8;
    blob b = make_tiff(&spec);
    char name[64];
    (void)snprintf(name, sizeof name, "%s.tif", kinds[k].name);
    save(name, &b);
  }
}

int main(int argc, char **argv)
{
  if (argc != 2) {
    fprintf(stderr, "usage: %s FOLDER\n", argv[0]);
    return 64;
  }
  folder = argv[1];
  for (unsigned i = 0; i < sizeof noise; i++)
    noise[i] = (uint8_t)((i * i * 2654435761u) >> 13);
  pngs();
  jpegs();
  tiffs();
  blob text = {0};
  blob_write(&text, "22 frets\n", 9);
  save("text", &text);
  blob pdf = {0};
  blob_write(&pdf, "%PDF-1.7\n", 9);
  save("pdf", &pdf);
  return 0;
}
