// crosscheck_camera.cpp: the renderer's camera and its turned JPEGs against OpenCV's calib3d and imgcodecs.
//
// The same places through cv::projectPoints with the truth's rotation, position, focal length and distortion: within
// 1e-6 px. A picture stored in each EXIF orientation comes back upright, as OpenCV turns it, within JPEG's rounding.
#include <cmath>
#include <cstdio>
#include <memory>
#include <string>
#include <vector>

#include <opencv2/calib3d.hpp>
#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>

extern "C" {
#include "render.h"
}

namespace
{

struct picture {
  render_image image = {};
  render_truth truth = {};
  ~picture()
  {
    render_image_free(&image);
    render_truth_free(&truth);
  }
};

bool set_all(render_params *params, const std::vector<std::string> &settings)
{
  char message[RENDER_MESSAGE] = "";
  for (const std::string &setting : settings)
    if (!render_params_set(params, setting.c_str(), message)) {
      std::fprintf(stderr, "%s\n", message);
      return false;
    }
  return true;
}

bool draw(const render_params &params, picture *made)
{
  char message[RENDER_MESSAGE] = "";
  if (render_board(&params, &made->image, &made->truth, message))
    return true;
  std::fprintf(stderr, "%s\n", message);
  return false;
}

double farthest_from_opencv(const render_truth &truth)
{
  const render_camera &c = truth.camera;
  cv::Matx33d turn;
  for (int i = 0; i < 9; i++)
    turn(i / 3, i % 3) = c.rotation[i / 3][i % 3];
  const cv::Vec3d shift = -(turn * cv::Vec3d(c.position_mm[0], c.position_mm[1], c.position_mm[2]));
  cv::Vec3d turn_vector;
  cv::Rodrigues(turn, turn_vector);
  const cv::Matx33d matrix(c.f_px, 0, c.centre_px.x, 0, c.f_px, c.centre_px.y, 0, 0, 1);
  const cv::Vec4d lens(c.k1, c.k2, c.p1, c.p2);
  std::vector<cv::Point3d> places;
  for (int i = 0; i < 75; i++)
    places.emplace_back(-60.0 + 30.0 * (i % 5), -20.0 + 80.0 * (i / 5 % 5), 5.0 * (i / 25) - 5.0);
  std::vector<cv::Point2d> seen;
  cv::projectPoints(places, turn_vector, shift, matrix, lens, seen);
  double farthest = 0.0;
  for (size_t i = 0; i < places.size(); i++) {
    const render_point ours = render_seen_px(&truth, render_point{places[i].x, places[i].y}, -places[i].z);
    farthest = std::fmax(farthest, std::hypot(ours.x - seen[i].x, ours.y - seen[i].y));
  }
  return farthest;
}

int check_projection()
{
  int failed = 0;
  for (int seed = 1; seed <= 3; seed++) {
    auto made = std::make_unique<picture>();
    render_params params;
    render_params_random(&params, static_cast<uint64_t>(seed), RENDER_PHOTO_FULL);
    if (!set_all(&params, {"photo_width_px=400", "photo_height_px=400", "photo_p1=0.0005", "photo_p2=-0.0004",
                           "photo_k2=0.015", "pores_per_mm2=0"}) ||
        !draw(params, made.get()))
      return 1;
    const double off = farthest_from_opencv(made->truth);
    if (!(off < 1e-6)) {
      std::fprintf(stderr, "seed %d: %.3g px from cv::projectPoints\n", seed, off);
      failed = 1;
    }
  }
  return failed;
}

int check_orientation(int orientation)
{
  const char *const path = "crosscheck_camera.jpg";
  auto made = std::make_unique<picture>();
  char message[RENDER_MESSAGE] = "";
  render_params params;
  render_params_random(&params, 3, RENDER_PHOTO);
  if (!set_all(&params, {"photo_width_px=310", "photo_height_px=220", "noise=0", "pores_per_mm2=0",
                         "photo_orientation=" + std::to_string(orientation)}) ||
      !draw(params, made.get()) || !render_write_jpeg(&made->image, path, 100, message))
    return 1;
  const cv::Mat upright = cv::imread(path, cv::IMREAD_GRAYSCALE);
  const cv::Mat stored = cv::imread(path, cv::IMREAD_GRAYSCALE | cv::IMREAD_IGNORE_ORIENTATION);
  std::remove(path);
  const bool turned = orientation == 6 || orientation == 8;
  if (upright.cols != 310 || upright.rows != 220 || stored.cols != (turned ? 220 : 310)) {
    std::fprintf(stderr, "orientation %d: %d x %d, stored %d broad\n", orientation, upright.cols, upright.rows,
                 stored.cols);
    return 1;
  }
  double largest = 0.0;
  for (int y = 0; y < upright.rows; y++)
    for (int x = 0; x < upright.cols; x++)
      largest = std::fmax(largest, std::abs(upright.at<uchar>(y, x) - made->image.sample[y * 310 + x]));
  if (!(largest <= 4.0)) {
    std::fprintf(stderr, "orientation %d: off by %g greys\n", orientation, largest);
    return 1;
  }
  return 0;
}

} // namespace

int main()
{
  int failed = check_projection();
  for (int orientation : {0, 1, 3, 6, 8})
    failed |= check_orientation(orientation);
  return failed;
}
