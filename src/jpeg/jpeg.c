/* libjpeg reports errors by longjmp; nothing that lives across it is changed after setjmp but through pointers. */
#include "slotproof/jpeg.h"

#include <setjmp.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>

#include <jpeglib.h>

typedef struct jpeg_failure {
  struct jpeg_error_mgr manager;
  jmp_buf back;
} jpeg_failure;

static void give_up(j_common_ptr info)
{
  jpeg_failure *failure = (jpeg_failure *)(void *)info->err;
  longjmp(failure->back, 1);
}

static void say_nothing(j_common_ptr info, int level)
{
  (void)info;
  (void)level;
}

/* False for lack of memory. */
static bool encode(const uint8_t *grey, uint32_t width, uint32_t height, size_t stride, int quality, FILE *file)
{
  struct jpeg_compress_struct info;
  jpeg_failure failure;
  info.err = jpeg_std_error(&failure.manager);
  failure.manager.error_exit = give_up;
  failure.manager.emit_message = say_nothing;
  if (setjmp(failure.back)) {
    jpeg_destroy_compress(&info);
    return false;
  }
  jpeg_create_compress(&info);
  jpeg_stdio_dest(&info, file);
  info.image_width = width;
  info.image_height = height;
  info.input_components = 1;
  info.in_color_space = JCS_GRAYSCALE;
  jpeg_set_defaults(&info);
  jpeg_set_quality(&info, quality, TRUE);
  info.optimize_coding = TRUE;
  jpeg_start_compress(&info, TRUE);
  while (info.next_scanline < height) {
    JSAMPROW row = (JSAMPROW)(uintptr_t)(grey + (size_t)info.next_scanline * stride);
    jpeg_write_scanlines(&info, &row, 1);
  }
  jpeg_finish_compress(&info);
  jpeg_destroy_compress(&info);
  return true;
}

sp_status sp_jpeg_grey(const uint8_t *grey, uint32_t width, uint32_t height, size_t stride, int quality, char **bytes,
                       size_t *size, sp_error *err)
{
  *bytes = NULL;
  FILE *file = open_memstream(bytes, size);
  if (!file)
    return sp_fail_memory(err);
  const bool done = encode(grey, width, height, stride, quality, file);
  if (fclose(file) == 0 && done)
    return SP_OK;
  free(*bytes);
  *bytes = NULL;
  return sp_fail_memory(err);
}
