# cmake -C .cmake/presets/release.cmake -B build
set(CMAKE_BUILD_TYPE Release CACHE STRING "")
