# cmake -C .cmake/presets/debug.cmake -B build-debug
set(CMAKE_BUILD_TYPE Debug CACHE STRING "")
