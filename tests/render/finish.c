/* finish.c: light, noise and the scanner's numbers.
 *
 * Noise is drawn from a table of 65536 normal quantiles, four to a 64-bit number: normal to the fourth standard
 * deviation and quick enough for tens of megapixels. */
#include <math.h>
#include <stdlib.h>

#include "scene.h"

enum { QUANTILES = 65536 };

/* Inverse of the normal distribution by Newton's steps from the neighbour: monotone, so it never strays. */
static void fill_quantiles(float *table)
{
  double z = 0.0;
  for (int i = QUANTILES / 2; i < QUANTILES; i++) {
    double wanted = ((double)i + 0.5) / QUANTILES;
    for (int step = 0; step < 4; step++) {
      double below = 0.5 * erfc(-z * 0.7071067811865476);
      z -= (below - wanted) / (exp(-0.5 * z * z) / 2.5066282746310002);
    }
    table[i] = (float)z;
    table[QUANTILES - 1 - i] = (float)-z;
  }
}

/* Light as 1 + a few slow products of one function of the column and one of the row. */
typedef struct light_field {
  double tilt_x, tilt_y, wave_x, wave_y, turn_x, turn_y, scale; /* waves in periods a picture */
} light_field;

static light_field light_of(const render_params *params)
{
  random_source source = random_stream(scene_scan_seed(params), STREAM_LIGHT);
  light_field light = {random_between(&source, -1.0, 1.0),
                       random_between(&source, -1.0, 1.0),
                       random_between(&source, 0.5, 1.5),
                       random_between(&source, 0.5, 1.5),
                       random_between(&source, 0.0, 6.28),
                       random_between(&source, 0.0, 6.28),
                       0.0};
  light.scale = params->light / (0.5 * fabs(light.tilt_x) + 0.5 * fabs(light.tilt_y) + 0.5);
  return light;
}

typedef struct finisher {
  const canvas *on;
  const render_params *params;
  render_image *image;
  const float *quantiles;
  const float *column_wave; /* the light's wave along the columns */
  float *line_noise;        /* of the lines across the travel */
  random_source noise;
} finisher;

static void store_pixel(const finisher *with, size_t index, double grey)
{
  static const double tint[3] = {1.16, 0.985, 0.72};
  double full = (double)with->image->full_scale;
  double wood = with->on->wood ? (double)with->on->wood[index] / 255.0 : 0.0;
  for (int channel = 0; channel < with->image->channels; channel++) {
    double value = with->image->channels == 3 ? grey * (1.0 + wood * (tint[channel] - 1.0)) : grey;
    value = floor(value * full + 0.5);
    value = value < 0.0 ? 0.0 : (value > full ? full : value);
    with->image->sample[index * (size_t)with->image->channels + (size_t)channel] = (uint16_t)value;
  }
}

static void finish_row(finisher *with, const light_field *light, int32_t row)
{
  const canvas *on = with->on;
  double v = (double)row / (double)on->height_px, per_column = light->scale * light->tilt_x / (double)on->width_px;
  double row_light = 1.0 + light->scale * (light->tilt_y * (v - 0.5) - 0.5 * light->tilt_x);
  double row_wave = 0.5 * light->scale * cos(6.283 * light->wave_y * v + light->turn_y);
  double sd = with->params->noise;
  uint64_t bits = 0;
  for (int32_t column = 0; column < on->width_px; column++) {
    size_t index = (size_t)row * (size_t)on->width_px + (size_t)column;
    double grey = (double)on->grey[index] *
                  (row_light + per_column * (double)column + row_wave * (double)with->column_wave[column]);
    if (sd > 0.0) {
      if (column % 4 == 0) {
        bits = random_bits(&with->noise);
      }
      /* Half of the variance is the electronics', half grows with the light. */
      double strength = sd * sqrt(0.5 + 0.5 * fmin(fmax(grey, 0.0), 1.0));
      grey += strength * (double)with->quantiles[bits & 0xFFFF];
      bits >>= 16;
    }
    if (with->line_noise) {
      grey += (double)with->line_noise[with->params->carriage == 1 ? row : column];
    }
    store_pixel(with, index, grey);
  }
}

static float *make_line_noise(const canvas *on, const render_params *params)
{
  int32_t count = params->carriage == 1 ? on->height_px : on->width_px;
  float *noise = malloc((size_t)count * sizeof *noise);
  random_source source = random_stream(scene_scan_seed(params), STREAM_LINE_NOISE);
  for (int32_t i = 0; noise && i < count; i++) {
    noise[i] = (float)(params->line_noise * random_normal(&source));
  }
  return noise;
}

static float *make_column_wave(const canvas *on, const light_field *light)
{
  float *wave = malloc((size_t)on->width_px * sizeof *wave);
  for (int32_t column = 0; wave && column < on->width_px; column++) {
    double u = (double)column / (double)on->width_px;
    wave[column] = (float)cos(6.283 * light->wave_x * u + light->turn_x);
  }
  return wave;
}

static bool store_photo(const canvas *on, const render_params *params, render_image *image)
{
  size_t count = (size_t)on->width_px * (size_t)on->height_px;
  finisher with = {.on = on, .params = params, .image = image};
  for (size_t i = 0; i < count; i++) {
    store_pixel(&with, i, (double)on->grey[i]);
  }
  return true;
}

bool finish_image(const canvas *on, const render_params *params, const render_truth *truth, render_image *image)
{
  size_t count = (size_t)on->width_px * (size_t)on->height_px;
  *image = (render_image){.width_px = truth->width_px,
                          .height_px = truth->height_px,
                          .channels = params->colour ? 3 : 1,
                          .full_scale = params->bits == 16 ? 65535 : 255,
                          .stated_dpi = params->stated_dpi < 0.0 ? params->dpi : params->stated_dpi};
  image->sample = malloc(count * (size_t)image->channels * sizeof *image->sample);
  if (params->photo) {
    image->stated_dpi = fmax(0.0, params->stated_dpi);
    image->orientation = params->photo_orientation;
    image->focal_35mm = params->photo_states_focal ? (int)lround(params->photo_focal_35mm) : 0;
    return image->sample && store_photo(on, params, image); /* its light and noise are in it already */
  }
  float *quantiles = malloc(QUANTILES * sizeof *quantiles);
  light_field light = light_of(params);
  float *column_wave = make_column_wave(on, &light);
  float *line_noise = params->line_noise > 0.0 ? make_line_noise(on, params) : NULL;
  bool ok = quantiles && column_wave && image->sample && (line_noise || params->line_noise <= 0.0);
  if (ok) {
    fill_quantiles(quantiles);
    finisher with = {on, params, image, quantiles, column_wave, line_noise, random_stream(scene_scan_seed(params), STREAM_NOISE)};
    for (int32_t row = 0; row < on->height_px; row++) {
      finish_row(&with, &light, row);
    }
  } else {
    render_image_free(image);
  }
  free(quantiles);
  free(column_wave);
  free(line_noise);
  return ok;
}
