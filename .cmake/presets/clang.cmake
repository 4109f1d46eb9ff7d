# cmake -C .cmake/presets/clang.cmake -B build-clang
set(CMAKE_C_COMPILER clang CACHE STRING "")
set(CMAKE_CXX_COMPILER clang++ CACHE STRING "")
set(CMAKE_BUILD_TYPE Release CACHE STRING "")
