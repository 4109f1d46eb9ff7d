/* The bridge to OpenCV: thin on purpose. What is drawn, and where, and what a calibration is worth, is decided in C. */
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

#include <opencv2/calib3d.hpp>
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
template <typename Work> sp_status guarded(sp_error *err, Work work, const char *doing = "drawing") noexcept
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
    return sp_fail(err, SP_E_INTERNAL, "%s failed (%s); report this fault", doing, e.err.c_str());
  } catch (const std::exception &e) {
    return sp_fail(err, SP_E_INTERNAL, "%s failed (%s); report this fault", doing, e.what());
  } catch (...) {
    return sp_fail(err, SP_E_INTERNAL, "%s failed; report this fault", doing);
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

/* ---- chessboards --------------------------------------------------------------------------------------------------
 */

namespace
{

constexpr double SEARCH_PX = 1000.0; /* longer side of the picture in which a board is sought */
/* Half side of the window about a corner, as a part of the way to the next one, and its limits. */
constexpr double WINDOW_PART = 0.35, LEAST_WINDOW_PX = 3.0, MOST_WINDOW_PX = 40.0;

bool is_board(sp_chessboard b)
{
  return b.columns >= SP_CHESSBOARD_LEAST && b.columns <= SP_CHESSBOARD_MOST && b.rows >= SP_CHESSBOARD_LEAST &&
         b.rows <= SP_CHESSBOARD_MOST;
}

/* 8 bits, as the finders want it; shares the raster's memory where it can. */
cv::Mat eight_bits(const sp_raster &raster)
{
  const int rows = static_cast<int>(raster.height_px), columns = static_cast<int>(raster.width_px);
  if (raster.u8)
    return cv::Mat(rows, columns, CV_8UC1, const_cast<uint8_t *>(raster.u8)); /* only read */
  cv::Mat grey;
  cv::Mat(rows, columns, CV_16UC1, const_cast<uint16_t *>(raster.u16)).convertTo(grey, CV_8U, 1.0 / 257.0);
  return grey;
}

/* The least way from a corner to its neighbours in row and column. */
double spacing(const std::vector<cv::Point2f> &corners, int columns)
{
  double least = 1e9;
  const int count = static_cast<int>(corners.size());
  for (int i = 0; i < count; i++) {
    const cv::Point2f &at = corners[static_cast<size_t>(i)];
    if ((i + 1) % columns != 0)
      least = std::min(least, cv::norm(corners[static_cast<size_t>(i + 1)] - at));
    if (i + columns < count)
      least = std::min(least, cv::norm(corners[static_cast<size_t>(i + columns)] - at));
  }
  return least;
}

bool find_corners(const cv::Mat &picture, cv::Size board, std::vector<cv::Point2f> &corners)
{
  const double reduce = std::max(1.0, std::max(picture.cols, picture.rows) / SEARCH_PX);
  cv::Mat small = picture;
  if (reduce > 1.0)
    cv::resize(picture, small, cv::Size(), 1.0 / reduce, 1.0 / reduce, cv::INTER_AREA);
  /* the finder by sectors: the older one, by quadrangles, may search for a quarter of a minute before it gives up */
  if (!cv::findChessboardCornersSB(small, board, corners, cv::CALIB_CB_NORMALIZE_IMAGE))
    return false;
  const double fx = static_cast<double>(picture.cols) / small.cols, fy = static_cast<double>(picture.rows) / small.rows;
  for (cv::Point2f &p : corners)
    p = cv::Point2f(static_cast<float>((p.x + 0.5) * fx - 0.5), static_cast<float>((p.y + 0.5) * fy - 0.5));
  const double window = WINDOW_PART * spacing(corners, board.width);
  const int half = static_cast<int>(std::min(MOST_WINDOW_PX, std::max(LEAST_WINDOW_PX, window)));
  cv::cornerSubPix(picture, corners, cv::Size(half, half), cv::Size(-1, -1),
                   cv::TermCriteria(cv::TermCriteria::COUNT + cv::TermCriteria::EPS, 60, 1e-4));
  return true;
}

/* The corners on the board, in sides of a square, about its middle. */
std::vector<cv::Point3f> on_the_board(sp_chessboard board)
{
  std::vector<cv::Point3f> places;
  for (uint32_t y = 0; y < board.rows; y++)
    for (uint32_t x = 0; x < board.columns; x++)
      places.emplace_back(static_cast<float>(x) - 0.5f * static_cast<float>(board.columns - 1),
                          static_cast<float>(y) - 0.5f * static_cast<float>(board.rows - 1), 0.0f);
  return places;
}

/* The library takes the variance of a corner for that of a coordinate of it and divides by corners less parameters;
 * there are two coordinates a corner, so its deviations come out too large by about sqrt(2). */
double for_coordinates(size_t corners, size_t pictures, bool with_k3)
{
  const double n = static_cast<double>(corners), free = (with_k3 ? 8.0 : 7.0) + 6.0 * static_cast<double>(pictures);
  return std::sqrt((n - free) / (2.0 * n - free));
}

void take_lens(const cv::Mat &matrix, const cv::Mat &bend, const cv::Mat &u, double factor, sp_lens_fit *fit)
{
  fit->f_px = matrix.at<double>(0, 0);
  fit->cx_px = matrix.at<double>(0, 2);
  fit->cy_px = matrix.at<double>(1, 2);
  double *const out[] = {&fit->k1, &fit->k2, &fit->p1, &fit->p2, &fit->k3};
  double *const u_out[] = {&fit->u_k1, &fit->u_k2, &fit->u_p1, &fit->u_p2, &fit->u_k3};
  for (int i = 0; i < 5; i++) {
    *out[i] = bend.at<double>(i);
    *u_out[i] = factor * u.at<double>(4 + i);
  }
  fit->u_f_px = factor * u.at<double>(1); /* fx follows fy */
  fit->u_cx_px = factor * u.at<double>(2);
  fit->u_cy_px = factor * u.at<double>(3);
}

void calibrate(const std::vector<std::vector<cv::Point2f>> &seen, sp_chessboard board, cv::Size size, bool with_k3,
               sp_lens_fit *fit, double *picture_rms_px, double *distance, double *tilt_rad)
{
  const std::vector<std::vector<cv::Point3f>> places(seen.size(), on_the_board(board));
  cv::Mat matrix = cv::Mat::eye(3, 3, CV_64F), bend = cv::Mat::zeros(5, 1, CV_64F), u, u_pose, each;
  std::vector<cv::Mat> turns, shifts;
  const int flags = cv::CALIB_FIX_ASPECT_RATIO | (with_k3 ? 0 : cv::CALIB_FIX_K3);
  fit->rms_px = cv::calibrateCamera(places, seen, size, matrix, bend, turns, shifts, u, u_pose, each, flags,
                                    cv::TermCriteria(cv::TermCriteria::COUNT + cv::TermCriteria::EPS, 200, 1e-12));
  take_lens(matrix, bend, u, for_coordinates(places.size() * places[0].size(), places.size(), with_k3), fit);
  for (size_t i = 0; i < seen.size(); i++) {
    cv::Mat turn;
    cv::Rodrigues(turns[i], turn);
    picture_rms_px[i] = each.at<double>(static_cast<int>(i));
    distance[i] = cv::norm(shifts[i]);
    tilt_rad[i] = std::acos(std::min(1.0, std::fabs(turn.at<double>(2, 2))));
  }
}

/* ---- sums of products ---- */

cv::Mat spectrum(const sp_grid &grid, cv::Size size)
{
  cv::Mat padded = cv::Mat::zeros(size, CV_64F);
  const cv::Mat given(grid.rows, grid.columns, CV_32F, const_cast<float *>(grid.value));
  given.convertTo(padded(cv::Rect(0, 0, grid.columns, grid.rows)), CV_64F);
  cv::dft(padded, padded, 0, grid.rows);
  return padded;
}

/* A place of a circle of n: what lies before its beginning stands at its end. */
int on_circle(int at, int n)
{
  return at < 0 ? at + n : at;
}

void correlate(const sp_grid &a, const sp_grid &b, int from, int count, double *sums)
{
  const int shifts = a.columns + b.columns - 1, last = from + count - 1;
  /* so large that no row or column meets another one round the circle */
  const cv::Size size(cv::getOptimalDFTSize(shifts),
                      cv::getOptimalDFTSize(std::max({a.rows, b.rows, b.rows + last, a.rows - from})));
  cv::Mat product;
  cv::mulSpectrums(spectrum(a, size), spectrum(b, size), product, 0, true);
  cv::dft(product, product, cv::DFT_INVERSE | cv::DFT_SCALE);
  for (int k = 0; k < count; k++) {
    const double *row = product.ptr<double>(on_circle(from + k, size.height));
    for (int s = 0; s < shifts; s++)
      *sums++ = row[on_circle(s - (b.columns - 1), size.width)];
  }
}

bool is_grid(const sp_grid &grid)
{
  return grid.columns > 0 && grid.rows > 0 && grid.columns <= SP_GRID_MOST && grid.rows <= SP_GRID_MOST;
}

} // namespace

extern "C" sp_status sp_correlate(sp_grid a, sp_grid b, int32_t from, int32_t count, double *sums, sp_error *err)
{
  if (!is_grid(a) || !is_grid(b) || count < 1 || from <= -b.rows || from >= a.rows || count > a.rows - from)
    return sp_fail(err, SP_E_INTERNAL, "asked for sums of what has nothing in common; report this fault");
  return guarded(
      err, [&] { correlate(a, b, from, count, sums); }, "comparing two pictures");
}

extern "C" sp_status sp_chessboard_find(const sp_raster *picture, sp_chessboard board, sp_point *corners, bool *found,
                                        sp_error *err)
{
  *found = false;
  if (!is_board(board) || picture->width_px > INT_MAX || picture->height_px > INT_MAX)
    return sp_fail(err, SP_E_USAGE, "a chessboard has %d to %d inner corners a side", SP_CHESSBOARD_LEAST,
                   SP_CHESSBOARD_MOST);
  return guarded(
      err,
      [&] {
        std::vector<cv::Point2f> seen;
        const cv::Size size(static_cast<int>(board.columns), static_cast<int>(board.rows));
        if (!find_corners(eight_bits(*picture), size, seen) || seen.size() != size_t{board.columns} * board.rows)
          return;
        for (size_t i = 0; i < seen.size(); i++)
          corners[i] = sp_point{seen[i].x, seen[i].y};
        *found = true;
      },
      "looking for the chessboard");
}

extern "C" sp_status sp_lens_calibrate(const sp_point *corners, size_t pictures, sp_chessboard board, uint32_t width_px,
                                       uint32_t height_px, bool with_k3, sp_lens_fit *fit, double *picture_rms_px,
                                       double *distance, double *tilt_rad, sp_error *err)
{
  *fit = sp_lens_fit{};
  const size_t coordinates = 2 * pictures * board.columns * board.rows;
  if (!is_board(board) || pictures < 2 || coordinates / 2 <= 8 + 6 * pictures || width_px > INT_MAX ||
      height_px > INT_MAX)
    return sp_fail(err, SP_E_DATA, "too few corners to tell the lens by; give more pictures");
  const sp_status status = guarded(
      err,
      [&] {
        const size_t each = size_t{board.columns} * board.rows;
        std::vector<std::vector<cv::Point2f>> seen(pictures);
        for (size_t i = 0; i < pictures * each; i++)
          seen[i / each].emplace_back(static_cast<float>(corners[i].x), static_cast<float>(corners[i].y));
        calibrate(seen, board, cv::Size(static_cast<int>(width_px), static_cast<int>(height_px)), with_k3, fit,
                  picture_rms_px, distance, tilt_rad);
      },
      "fitting the lens");
  if (!status && !(std::isfinite(fit->f_px) && fit->f_px > 0.0 && std::isfinite(fit->rms_px)))
    return sp_fail(err, SP_E_DATA, "the pictures do not tell how the lens draws; take more, from other sides");
  return status;
}
