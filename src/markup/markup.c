/* Markup through libxml2's text writer.
 *
 * The library would print to standard error when a write fails, so it is told that all went well; the stream remembers
 * a failed write itself, and the flush at the end finds it. A negative answer of the writer is then a lack of memory or
 * a slip in the order of calls. */
#include "slotproof/markup.h"

#include <libxml/xmlwriter.h>
#include <limits.h>
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>

#include "slotproof/writing.h"

enum { FORMATTED_MAX = 1000 };

struct sp_markup {
  xmlTextWriterPtr writer;
  FILE *file;
  bool failed;
};

static const xmlChar *chars(const char *text)
{
  return (const xmlChar *)text;
}

static int write_to_file(void *file, const char *bytes, int size)
{
  if (size > 0)
    fwrite(bytes, 1, (size_t)size, file); /* a failed write shows in the flush */
  return size;
}

sp_status sp_markup_open(FILE *file, sp_markup **markup, sp_error *err)
{
  sp_markup *m = calloc(1, sizeof *m);
  xmlOutputBufferPtr buffer = m ? xmlOutputBufferCreateIO(write_to_file, NULL, file, NULL) : NULL;
  *markup = NULL;
  if (buffer)
    m->writer = xmlNewTextWriter(buffer); /* takes the buffer over, or fails and leaves it */
  if (!buffer || !m->writer) {
    if (buffer)
      xmlOutputBufferClose(buffer);
    free(m);
    return sp_fail_memory(err);
  }
  m->file = file;
  *markup = m;
  return SP_OK;
}

sp_status sp_markup_close(sp_markup *m, sp_error *err)
{
  if (!m)
    return SP_OK;
  FILE *file = m->file;
  const bool failed = m->failed || xmlTextWriterFlush(m->writer) < 0;
  xmlFreeTextWriter(m->writer);
  free(m);
  return failed ? sp_fail_memory(err) : sp_flush_file(file, err);
}

static void keep(sp_markup *m, int answer)
{
  m->failed = m->failed || answer < 0;
}

/* ---- elements --------------------------------------------------------------------------------------------------- */

void sp_markup_doctype(sp_markup *m)
{
  sp_markup_raw(m, "<!DOCTYPE html>\n");
}

void sp_markup_begin(sp_markup *m, const char *element)
{
  if (!m->failed)
    keep(m, xmlTextWriterStartElement(m->writer, chars(element)));
}

void sp_markup_end(sp_markup *m)
{
  if (!m->failed)
    keep(m, xmlTextWriterFullEndElement(m->writer));
}

void sp_markup_end_empty(sp_markup *m)
{
  if (!m->failed)
    keep(m, xmlTextWriterEndElement(m->writer));
}

/* ---- attributes and texts --------------------------------------------------------------------------------------- */

void sp_markup_set(sp_markup *m, const char *attribute, const char *value)
{
  char *clean = m->failed ? NULL : sp_clean_text(value);
  keep(m, clean ? xmlTextWriterWriteAttribute(m->writer, chars(attribute), chars(clean)) : -1);
  free(clean);
}

void sp_markup_set_number(sp_markup *m, const char *attribute, double value)
{
  const double rounded = round(100.0 * value) / 100.0 + 0.0; /* adding zero turns -0 into 0 */
  if (isfinite(value))
    sp_markup_setf(m, attribute, "%.10g", rounded);
  else
    m->failed = true; /* a place that is not known must not be drawn */
}

void sp_markup_set_data(sp_markup *m, const char *attribute, const char *type, const void *bytes, size_t size)
{
  if (m->failed || size > INT_MAX) {
    m->failed = true;
    return;
  }
  keep(m, xmlTextWriterStartAttribute(m->writer, chars(attribute)));
  keep(m, xmlTextWriterWriteFormatString(m->writer, "data:%s;base64,", type));
  keep(m, xmlTextWriterWriteBase64(m->writer, bytes, 0, (int)size));
  keep(m, xmlTextWriterEndAttribute(m->writer));
}

void sp_markup_text(sp_markup *m, const char *text)
{
  char *clean = m->failed ? NULL : sp_clean_text(text);
  keep(m, clean ? xmlTextWriterWriteString(m->writer, chars(clean)) : -1);
  free(clean);
}

void sp_markup_raw(sp_markup *m, const char *text)
{
  if (!m->failed)
    keep(m, xmlTextWriterWriteRaw(m->writer, chars(text)));
}

void sp_markup_put(sp_markup *m, const char *element, const char *class_name, const char *text)
{
  sp_markup_begin(m, element);
  if (class_name)
    sp_markup_set(m, "class", class_name);
  sp_markup_text(m, text);
  sp_markup_end(m);
}

/* ---- formatted -------------------------------------------------------------------------------------------------- */

static void format_into(char into[static FORMATTED_MAX], const char *format, va_list args)
{
  if (vsnprintf(into, FORMATTED_MAX, format, args) < 0)
    into[0] = '\0';
}

void sp_markup_setf(sp_markup *m, const char *attribute, const char *format, ...)
{
  char text[FORMATTED_MAX];
  va_list args;
  va_start(args, format);
  format_into(text, format, args);
  va_end(args);
  sp_markup_set(m, attribute, text);
}

void sp_markup_textf(sp_markup *m, const char *format, ...)
{
  char text[FORMATTED_MAX];
  va_list args;
  va_start(args, format);
  format_into(text, format, args);
  va_end(args);
  sp_markup_text(m, text);
}

void sp_markup_putf(sp_markup *m, const char *element, const char *class_name, const char *format, ...)
{
  char text[FORMATTED_MAX];
  va_list args;
  va_start(args, format);
  format_into(text, format, args);
  va_end(args);
  sp_markup_put(m, element, class_name, text);
}
