# cmake -C .cmake/presets/sanitize.cmake -B build-sanitize: AddressSanitizer and UndefinedBehaviorSanitizer
set(CMAKE_BUILD_TYPE RelWithDebInfo CACHE STRING "")
set(SLOTPROOF_SANITIZE ON CACHE BOOL "")
