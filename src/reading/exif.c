/* exif.c: orientation, resolution and camera from EXIF (JEITA CP-3451), through libexif.
 *
 * libexif, left alone, adds the tags the standard demands where a file has none, among them a resolution of 72 dpi that
 * nobody stated. The option that does so is switched off.
 */
#include "exif.h"

#include <libexif/exif-data.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const uint8_t EXIF_HEAD[6] = {'E', 'x', 'i', 'f', 0, 0};

double sp_exif_dpi(double value, int unit)
{
  const double cm_per_inch = 2.54;
  const double dpi = unit == 2 ? value : unit == 3 ? value * cm_per_inch : 0.0;
  return isfinite(dpi) && dpi > 0.0 ? dpi : 0.0;
}

static int short_tag(ExifData *data, ExifIfd where, ExifTag tag, int fallback)
{
  const ExifEntry *entry = exif_content_get_entry(data->ifd[where], tag);
  if (!entry || !entry->data || entry->format != EXIF_FORMAT_SHORT || entry->components < 1 || entry->size < 2)
    return fallback;
  return exif_get_short(entry->data, exif_data_get_byte_order(data));
}

static double rational_tag(ExifData *data, ExifTag tag)
{
  const ExifEntry *entry = exif_content_get_entry(data->ifd[EXIF_IFD_0], tag);
  if (!entry || !entry->data || entry->format != EXIF_FORMAT_RATIONAL || entry->components < 1 || entry->size < 8)
    return 0.0;
  const ExifRational value = exif_get_rational(entry->data, exif_data_get_byte_order(data));
  return value.denominator == 0 ? 0.0 : (double)value.numerator / (double)value.denominator;
}

void sp_exif_name(const char *stated, size_t length, char name[SP_DEVICE_TEXT])
{
  size_t n = 0;
  for (size_t i = 0; i < length && stated[i] && n + 1 < SP_DEVICE_TEXT; i++)
    if (stated[i] > 0x20 && stated[i] < 0x7f)
      name[n++] = stated[i];
    else if (stated[i] == ' ' && n > 0 && name[n - 1] != ' ')
      name[n++] = ' ';
  while (n > 0 && name[n - 1] == ' ')
    n--;
  name[n] = '\0';
}

static void name_tag(ExifData *data, ExifTag tag, char name[SP_DEVICE_TEXT])
{
  const ExifEntry *entry = exif_content_get_entry(data->ifd[EXIF_IFD_0], tag);
  if (entry && entry->data && entry->format == EXIF_FORMAT_ASCII)
    sp_exif_name((const char *)entry->data, entry->size, name);
}

static ExifData *load(const uint8_t *tiff, size_t size)
{
  if (size < 8 || size > 0xffff)
    return NULL;
  uint8_t *block = malloc(sizeof EXIF_HEAD + size);
  ExifData *data = block ? exif_data_new() : NULL;
  if (data) {
    memcpy(block, EXIF_HEAD, sizeof EXIF_HEAD);
    memcpy(block + sizeof EXIF_HEAD, tiff, size);
    exif_data_unset_option(data, EXIF_DATA_OPTION_FOLLOW_SPECIFICATION);
    exif_data_load_data(data, block, (unsigned)(sizeof EXIF_HEAD + size));
  }
  free(block);
  return data;
}

sp_exif sp_exif_read(const uint8_t *tiff, size_t size)
{
  sp_exif exif = {.orientation = 1};
  ExifData *data = load(tiff, size);
  if (!data)
    return exif;
  const int orientation = short_tag(data, EXIF_IFD_0, EXIF_TAG_ORIENTATION, 1);
  if (orientation >= 1 && orientation <= 8)
    exif.orientation = orientation;
  const int unit = short_tag(data, EXIF_IFD_0, EXIF_TAG_RESOLUTION_UNIT, 2);
  exif.dpi_x = sp_exif_dpi(rational_tag(data, EXIF_TAG_X_RESOLUTION), unit);
  exif.dpi_y = sp_exif_dpi(rational_tag(data, EXIF_TAG_Y_RESOLUTION), unit);
  const int focal = short_tag(data, EXIF_IFD_EXIF, EXIF_TAG_FOCAL_LENGTH_IN_35MM_FILM, 0);
  exif.focal_35mm = focal >= 8 && focal <= 400 ? focal : 0.0;
  name_tag(data, EXIF_TAG_MAKE, exif.make);
  name_tag(data, EXIF_TAG_MODEL, exif.model);
  exif.exposed = focal > 0 || exif_content_get_entry(data->ifd[EXIF_IFD_EXIF], EXIF_TAG_EXPOSURE_TIME) ||
                 exif_content_get_entry(data->ifd[EXIF_IFD_EXIF], EXIF_TAG_FNUMBER);
  exif_data_unref(data);
  return exif;
}
