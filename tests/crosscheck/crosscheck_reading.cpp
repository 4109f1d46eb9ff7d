// crosscheck_reading.cpp: pictures encoded by OpenCV's imgcodecs, decoded by it and by slotproof, compared sample by
// sample.
//
// Grey has to agree exactly. For colour OpenCV decodes to BGR and the luma (Rec. ITU-R BT.601) is computed here in
// reals. JPEG colour: the file's own luma against the luma of OpenCV's RGB, which has been rounded per channel:
// within 1.
#include <cmath>
#include <cstdio>
#include <string>
#include <vector>

#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>

extern "C" {
#include "slotproof/reading.h"
}

namespace
{

enum { W = 203, H = 117 };

double texture(int x, int y, int c)
{
  return 0.5 + 0.25 * std::sin(0.13 * x + 0.4 * c) * std::cos(0.17 * y - 0.2 * c) + 0.1 * ((x / 9 + y / 7) % 2);
}

cv::Mat picture(int depth, int channels)
{
  cv::Mat m(H, W, CV_MAKETYPE(depth, channels));
  const double full = depth == CV_8U ? 255 : 65535;
  for (int y = 0; y < H; y++)
    for (int i = 0; i < W * channels; i++) {
      const double v = std::floor(texture(i / channels, y, i % channels) * full);
      if (depth == CV_8U)
        m.ptr<uchar>(y)[i] = static_cast<uchar>(v);
      else
        m.ptr<ushort>(y)[i] = static_cast<ushort>(v);
    }
  return m;
}

double sample(const cv::Mat &m, int x, int y, int c)
{
  const int i = x * m.channels() + c;
  return m.depth() == CV_8U ? m.ptr<uchar>(y)[i] : m.ptr<ushort>(y)[i];
}

double grey(const cv::Mat &m, int x, int y)
{
  if (m.channels() == 1)
    return sample(m, x, y, 0);
  return 0.114 * sample(m, x, y, 0) + 0.587 * sample(m, x, y, 1) + 0.299 * sample(m, x, y, 2);
}

double largest_difference(const sp_raster &r, const cv::Mat &theirs)
{
  double largest = 0;
  for (int y = 0; y < theirs.rows; y++)
    for (int x = 0; x < theirs.cols; x++) {
      const size_t i = static_cast<size_t>(y) * r.width_px + static_cast<size_t>(x);
      const double ours = r.u8 ? r.u8[i] : r.u16[i];
      largest = std::max(largest, std::fabs(ours - grey(theirs, x, y)));
    }
  return largest;
}

bool agrees(const std::string &ending, int depth, int channels, const std::vector<int> &how, double tolerance)
{
  std::vector<uchar> file;
  if (!cv::imencode(ending, picture(depth, channels), file, how)) {
    std::printf("%s: OpenCV does not write this\n", ending.c_str());
    return false;
  }
  const cv::Mat theirs = cv::imdecode(file, cv::IMREAD_UNCHANGED);
  sp_raster ours;
  sp_picture_info info;
  sp_error err = {};
  if (sp_read_picture_memory(file.data(), file.size(), nullptr, &ours, &info, &err) != SP_OK) {
    std::printf("%s: %s\n", ending.c_str(), err.text);
    return false;
  }
  bool same = theirs.cols == W && theirs.rows == H && ours.width_px == W && ours.height_px == H &&
              (ours.u16 != nullptr) == (theirs.depth() == CV_16U);
  const double difference = same ? largest_difference(ours, theirs) : INFINITY;
  std::printf("%s, %d bits, %d channels: largest difference %.3g, allowed %.3g\n", ending.c_str(),
              depth == CV_8U ? 8 : 16, channels, difference, tolerance);
  sp_raster_free(&ours);
  return difference <= tolerance;
}

} // namespace

int main()
{
  const double rounding = 0.52, rounding_16 = 0.9; // the fixed-point weights are off by up to 5.6e-6, of 65535
  bool good = true;
  for (const int depth : {CV_8U, CV_16U}) {
    const double luma = depth == CV_8U ? rounding : rounding_16;
    good = agrees(".png", depth, 1, {}, 0) && good;
    good = agrees(".png", depth, 3, {}, luma) && good;
    for (const int compression : {1, 5, 32773}) { // none, LZW, PackBits
      good = agrees(".tif", depth, 1, {cv::IMWRITE_TIFF_COMPRESSION, compression}, 0) && good;
      good = agrees(".tif", depth, 3, {cv::IMWRITE_TIFF_COMPRESSION, compression}, luma) && good;
    }
  }
  for (const int progressive : {0, 1}) {
    good =
        agrees(".jpg", CV_8U, 1, {cv::IMWRITE_JPEG_QUALITY, 90, cv::IMWRITE_JPEG_PROGRESSIVE, progressive}, 0) && good;
    good =
        agrees(".jpg", CV_8U, 3, {cv::IMWRITE_JPEG_QUALITY, 90, cv::IMWRITE_JPEG_PROGRESSIVE, progressive}, 1) && good;
  }
  return good ? 0 : 1;
}
