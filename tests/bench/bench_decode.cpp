// bench_decode FILE unchanged|grey: the time OpenCV's imread needs for one picture, in ms of processor time and of the
// clock, on standard output. A program of its own, so that neither loading libraries nor anything read before counts.
#include <cstdio>
#include <cstring>
#include <ctime>
#include <exception>

#include <opencv2/imgcodecs.hpp>

static double seconds(clockid_t clock)
{
  timespec t{};
  clock_gettime(clock, &t);
  return static_cast<double>(t.tv_sec) + 1e-9 * static_cast<double>(t.tv_nsec);
}

int main(int argc, char **argv)
{
  if (argc != 3) {
    std::fputs("usage: bench_decode FILE unchanged|grey\n", stderr);
    return 64;
  }
  const int mode = std::strcmp(argv[2], "grey") == 0 ? cv::IMREAD_GRAYSCALE : cv::IMREAD_UNCHANGED;
  try {
    const double cpu = seconds(CLOCK_PROCESS_CPUTIME_ID), wall = seconds(CLOCK_MONOTONIC);
    const cv::Mat picture = cv::imread(argv[1], mode);
    const double used = seconds(CLOCK_PROCESS_CPUTIME_ID) - cpu, passed = seconds(CLOCK_MONOTONIC) - wall;
    if (picture.empty()) {
      std::fprintf(stderr, "%s: not read\n", argv[1]);
      return 65;
    }
    std::printf("%.3f %.3f\n", 1e3 * used, 1e3 * passed);
  } catch (const std::exception &e) {
    std::fprintf(stderr, "%s: %s\n", argv[1], e.what());
    return 70;
  }
  return std::fflush(stdout) == 0 ? 0 : 74;
}
