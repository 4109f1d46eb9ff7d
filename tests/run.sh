#!/bin/sh
# sh tests/run.sh       installs what is missing, builds, passes the tests
# sh tests/run.sh all   the same with gcc, clang and the sanitizers: what a change must pass
set -eu
cd "$(dirname "$0")/.."
. .cmake/packages.sh
need_packages $program_packages $test_packages
jobs=$(nproc)

build_and_test() { # folder, preset, ctest arguments...
  folder=$1
  preset=$2
  shift 2
  cmake -G Ninja -C ".cmake/presets/$preset.cmake" -S . -B "$folder" >"$folder.log" 2>&1 || { cat "$folder.log"; exit 1; }
  cmake --build "$folder" -j "$jobs" >"$folder.log" 2>&1 || { tail -n 60 "$folder.log"; exit 1; }
  rm -f "$folder.log"
  echo "== $preset"
  # one more than there are cores: the tests of `serve` and of the browser mostly wait
  ctest --test-dir "$folder" -j "$((jobs + 1))" --output-on-failure "$@"
}

build_and_test .build-release release
if [ "${1:-}" = all ]; then
  build_and_test .build-clang clang -LE 'slow|long'
  # the driver that SANE brings for tests forks, and under the sanitizers its child may stand still at a lock
  build_and_test .build-sanitize sanitize -LE slow --repeat after-timeout:3
fi
