/* The bridge to OpenCV: thin on purpose. What is drawn, and where, is decided in C. */
extern "C" {
#include "slotproof/bridge.h"
}

#include <algorithm>
#include <climits>
#include <cmath>
#include <cstdint>
#include <exception>
#include <new>
#include <vector>

#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>

struct sp_canvas {
  cv::Mat rgb; /* CV_8UC3 in the order R, G, B */
};

namespace
{

constexpr int SHIFT = 8; /* fractional bits of a coordinate */
constexpr double ONE = 256.0;
constexpr int FONT = cv::FONT_HERSHEY_SIMPLEX;
constexpr double FONT_DIGIT_PX = 21.0; /* height of a digit at scale 1 */

struct not_a_place : std::exception {
};

/* Runs `work`; whatever it throws becomes a status. */
template <typename Work> sp_status guarded(sp_error *err, Work work) noexcept
{
  try {
    work();
    return SP_OK;
  } catch (const std::bad_alloc &) {
    return sp_fail_memory(err);
  } catch (const not_a_place &) {
    return sp_fail(err, SP_E_INTERNAL, "asked to draw at a place that is not in reach; report this fault");
  } catch (const cv::Exception &e) {
    if (e.code == cv::Error::StsNoMem)
      return sp_fail_memory(err);
    return sp_fail(err, SP_E_INTERNAL, "drawing failed (%s); report this fault", e.err.c_str());
  } catch (const std::exception &e) {
    return sp_fail(err, SP_E_INTERNAL, "drawing failed (%s); report this fault", e.what());
  } catch (...) {
    return sp_fail(err, SP_E_INTERNAL, "drawing failed; report this fault");
  }
}

double in_reach(double value)
{
  if (!(std::fabs(value) <= SP_CANVAS_REACH_PX))
    throw not_a_place();
  return value;
}

int fixed(double value)
{
  return static_cast<int>(std::lround(in_reach(value) * ONE));
}

cv::Point fixed(sp_point p)
{
  return cv::Point(fixed(p.x), fixed(p.y));
}

cv::Scalar scalar(sp_colour c)
{
  return cv::Scalar(c.r, c.g, c.b);
}

/* Adds the sums over `reduce` neighbours of one row of the picture. */
template <typename Sample> void add_row(const Sample *row, uint32_t reduce, std::vector<uint64_t> &sums)
{
  for (uint64_t &sum : sums)
    for (uint32_t i = 0; i < reduce; i++)
      sum += *row++;
}

void fill(const sp_raster &raster, uint32_t reduce, cv::Mat &rgb)
{
  const uint64_t full = raster.u8 ? 1 : 257, divisor = full * reduce * reduce;
  std::vector<uint64_t> sums(static_cast<size_t>(rgb.cols));
  for (int y = 0; y < rgb.rows; y++) {
    std::fill(sums.begin(), sums.end(), 0);
    for (uint32_t i = 0; i < reduce; i++) {
      const size_t start = (static_cast<size_t>(y) * reduce + i) * raster.width_px;
      if (raster.u8)
        add_row(raster.u8 + start, reduce, sums);
      else
        add_row(raster.u16 + start, reduce, sums);
    }
    uint8_t *out = rgb.ptr<uint8_t>(y);
    for (const uint64_t sum : sums) {
      const uint8_t grey = static_cast<uint8_t>((sum + divisor / 2) / divisor);
      *out++ = grey;
      *out++ = grey;
      *out++ = grey;
    }
  }
}

struct lettering {
  double scale;
  int stroke, rim;
  cv::Size size;
};

lettering lettering_of(const char *text, double height_px)
{
  if (!(height_px >= 1.0 && height_px <= 10000.0))
    throw not_a_place();
  lettering l;
  l.scale = height_px / FONT_DIGIT_PX;
  l.stroke = std::max(1, static_cast<int>(std::lround(height_px / 8.0)));
  l.rim = l.stroke + 2 * std::max(1, static_cast<int>(std::lround(height_px / 10.0)));
  int below = 0;
  l.size = cv::getTextSize(text, FONT, l.scale, l.stroke, &below);
  return l;
}

/* ---- pieces of the picture ------------------------------------------------------------------------------------- */

struct piece {
  sp_point origin, step_x, step_y;
  int width, height;
};

double checked_step(double step, double most)
{
  if (!(std::fabs(step) <= most))
    throw not_a_place();
  return step;
}

/* The part of the picture that the piece needs, with room for the cubic; empty if they do not meet. */
cv::Rect needed(const piece &p, const cv::Mat &picture)
{
  const double dx = (p.width - 1) * p.step_x.x, dy = (p.width - 1) * p.step_x.y;
  const double ex = (p.height - 1) * p.step_y.x, ey = (p.height - 1) * p.step_y.y;
  const double room_x = 4.0 + 4.0 * std::max(std::fabs(p.step_x.x), std::fabs(p.step_y.x));
  const double room_y = 4.0 + 4.0 * std::max(std::fabs(p.step_x.y), std::fabs(p.step_y.y));
  const auto span = [](double at, double d, double e, double room, int size) {
    const double lo = in_reach(at) + std::min({0.0, d, e, d + e}) - room;
    const double hi = at + std::max({0.0, d, e, d + e}) + room;
    return cv::Range(static_cast<int>(std::clamp(std::floor(lo), 0.0, static_cast<double>(size))),
                     static_cast<int>(std::clamp(std::ceil(hi), 0.0, static_cast<double>(size))));
  };
  const cv::Range x = span(p.origin.x, dx, ex, room_x, picture.cols);
  const cv::Range y = span(p.origin.y, dy, ey, room_y, picture.rows);
  return cv::Rect(x.start, y.start, x.size(), y.size());
}

/* Whole pixels that one step covers on an axis of the picture. */
int averaged(double a, double b, int size)
{
  return std::clamp(static_cast<int>(std::floor(std::max(std::fabs(a), std::fabs(b)))), 1, std::max(1, size));
}

/* Means over blocks first, which is exact and quick; then the turn, which may interpolate. */
void cut_piece(const cv::Mat &picture, const piece &p, uint8_t beyond, cv::Mat &out)
{
  out.setTo(beyond);
  cv::Rect part = needed(p, picture);
  const int fx = averaged(p.step_x.x, p.step_y.x, part.width), fy = averaged(p.step_x.y, p.step_y.y, part.height);
  part.width -= part.width % fx;
  part.height -= part.height % fy;
  if (part.empty())
    return;
  cv::Mat small, grey;
  cv::resize(picture(part), small, cv::Size(part.width / fx, part.height / fy), 0.0, 0.0, cv::INTER_AREA);
  small.convertTo(grey, CV_8U, picture.depth() == CV_16U ? 1.0 / 257.0 : 1.0);
  const auto x = [&](double at) { return (at - part.x + 0.5) / fx - 0.5; };
  const auto y = [&](double at) { return (at - part.y + 0.5) / fy - 0.5; };
  const cv::Matx23d back(p.step_x.x / fx, p.step_y.x / fx, x(p.origin.x), p.step_x.y / fy, p.step_y.y / fy,
                         y(p.origin.y));
  cv::warpAffine(grey, out, back, out.size(), cv::INTER_CUBIC | cv::WARP_INVERSE_MAP, cv::BORDER_CONSTANT,
                 cv::Scalar(beyond));
}

} // namespace

extern "C" sp_status sp_canvas_create(const sp_raster *raster, uint32_t reduce, sp_canvas **canvas, sp_error *err)
{
  *canvas = nullptr;
  if (reduce == 0 || raster->width_px / reduce == 0 || raster->height_px / reduce == 0 || reduce > 65536)
    return sp_fail(err, SP_E_INTERNAL, "the picture cannot be reduced by %u; report this fault", reduce);
  const uint32_t width = raster->width_px / reduce, height = raster->height_px / reduce;
  if (width > INT_MAX / 3 || height > INT_MAX || SIZE_MAX / 3 / width < height)
    return sp_fail(err, SP_E_DATA, "the picture is too large to draw in; use a smaller one");
  return guarded(err, [&] {
    sp_canvas *made = new sp_canvas;
    try {
      made->rgb.create(static_cast<int>(height), static_cast<int>(width), CV_8UC3);
      fill(*raster, reduce, made->rgb);
    } catch (...) {
      delete made;
      throw;
    }
    *canvas = made;
  });
}

extern "C" void sp_canvas_free(sp_canvas *canvas)
{
  delete canvas;
}

extern "C" uint32_t sp_canvas_width_px(const sp_canvas *canvas)
{
  return static_cast<uint32_t>(canvas->rgb.cols);
}

extern "C" uint32_t sp_canvas_height_px(const sp_canvas *canvas)
{
  return static_cast<uint32_t>(canvas->rgb.rows);
}

extern "C" const uint8_t *sp_canvas_row(const sp_canvas *canvas, uint32_t y)
{
  return y < sp_canvas_height_px(canvas) ? canvas->rgb.ptr<uint8_t>(static_cast<int>(y)) : nullptr;
}

extern "C" sp_status sp_canvas_line(sp_canvas *canvas, sp_point from, sp_point to, int width_px, sp_colour colour,
                                    sp_error *err)
{
  return guarded(err, [&] {
    cv::line(canvas->rgb, fixed(from), fixed(to), scalar(colour), std::max(1, width_px), cv::LINE_AA, SHIFT);
  });
}

extern "C" sp_status sp_canvas_disc(sp_canvas *canvas, sp_point centre, double radius_px, sp_colour colour,
                                    sp_error *err)
{
  return guarded(err, [&] {
    cv::circle(canvas->rgb, fixed(centre), std::max(1, fixed(radius_px)), scalar(colour), cv::FILLED, cv::LINE_AA,
               SHIFT);
  });
}

extern "C" sp_status sp_canvas_polygon(sp_canvas *canvas, const sp_point *corners, size_t count, sp_colour colour,
                                       sp_error *err)
{
  return guarded(err, [&] {
    if (count < 3 || count > SP_CANVAS_MAX_CORNERS)
      throw not_a_place();
    std::vector<cv::Point> points;
    for (size_t i = 0; i < count; i++)
      points.push_back(fixed(corners[i]));
    cv::fillPoly(canvas->rgb, std::vector<std::vector<cv::Point>>{points}, scalar(colour), cv::LINE_AA, SHIFT);
  });
}

extern "C" sp_status sp_canvas_text(sp_canvas *canvas, const char *text, sp_point centre, double height_px,
                                    sp_colour colour, sp_colour rim, sp_error *err)
{
  return guarded(err, [&] {
    const lettering l = lettering_of(text, height_px);
    const cv::Point start(static_cast<int>(std::lround(in_reach(centre.x))) - l.size.width / 2,
                          static_cast<int>(std::lround(in_reach(centre.y) + height_px / 2.0)));
    cv::putText(canvas->rgb, text, start, FONT, l.scale, scalar(rim), l.rim, cv::LINE_AA);
    cv::putText(canvas->rgb, text, start, FONT, l.scale, scalar(colour), l.stroke, cv::LINE_AA);
  });
}

extern "C" sp_status sp_canvas_text_width(const char *text, double height_px, double *width_px, sp_error *err)
{
  *width_px = NAN;
  return guarded(err, [&] { *width_px = lettering_of(text, height_px).size.width; });
}

extern "C" sp_status sp_piece_grey(const sp_raster *raster, sp_point origin, sp_point step_x, sp_point step_y,
                                   uint32_t width_px, uint32_t height_px, uint8_t beyond, uint8_t *out, sp_error *err)
{
  return guarded(err, [&] {
    if (width_px == 0 || height_px == 0 || width_px > SP_PIECE_MAX_PX || height_px > SP_PIECE_MAX_PX ||
        raster->width_px > INT_MAX || raster->height_px > INT_MAX)
      throw not_a_place();
    const double most = std::max(raster->width_px, raster->height_px);
    for (const double step : {step_x.x, step_x.y, step_y.x, step_y.y})
      checked_step(step, most);
    const int columns = static_cast<int>(raster->width_px), rows = static_cast<int>(raster->height_px);
    const cv::Mat picture =
        raster->u8 ? cv::Mat(rows, columns, CV_8UC1, raster->u8) : cv::Mat(rows, columns, CV_16UC1, raster->u16);
    const int width = static_cast<int>(width_px), height = static_cast<int>(height_px);
    cv::Mat piece_of_picture(height, width, CV_8UC1, out);
    cut_piece(picture, piece{origin, step_x, step_y, width, height}, beyond, piece_of_picture);
  });
}
