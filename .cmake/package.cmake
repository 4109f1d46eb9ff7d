# `cpack` in the build folder makes slotproof_VERSION_ARCHITECTURE.deb for the Debian release it is run on. What it depends on is
# found out from the program itself (dpkg-shlibdeps). With SOURCE_DATE_EPOCH set the same source gives the same bytes.
set(CPACK_GENERATOR DEB)
set(CPACK_PACKAGE_NAME slotproof)
set(CPACK_PACKAGE_VENDOR "slotproof contributors")
set(CPACK_PACKAGE_CONTACT "slotproof contributors <slotproof@project.invalid>")
set(CPACK_PACKAGE_DESCRIPTION_SUMMARY "${PROJECT_DESCRIPTION}")
set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
set(CPACK_STRIP_FILES ON)
set(CPACK_INSTALL_CMAKE_PROJECTS "${CMAKE_BINARY_DIR};slotproof;program;/;${CMAKE_BINARY_DIR};slotproof;debian;/")
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEBIAN_PACKAGE_SECTION science)
set(CPACK_DEBIAN_PACKAGE_PRIORITY optional)
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
# What src/late loads is not named in the program, so the packages that hold these files are asked for.
foreach(file IN LISTS SLOTPROOF_LATE_FILES)
  string(REGEX REPLACE "^/usr(/lib/.*)" "\\1" unmerged ${file}) # dpkg may know it by either name
  execute_process(COMMAND dpkg-query -S ${file} ${unmerged} OUTPUT_VARIABLE owner ERROR_QUIET)
  if(owner MATCHES "^([a-z0-9.+-]+):")
    list(APPEND late_packages ${CMAKE_MATCH_1})
  endif()
endforeach()
list(JOIN late_packages ", " CPACK_DEBIAN_PACKAGE_DEPENDS)
set(CPACK_DEBIAN_PACKAGE_DESCRIPTION
    "Takes a flatbed scan of a fingerboard with a rule beside it, finds knife lines or slots to a small part of a pixel, and says for each fret how far it is from the computed place, how sure that is, and what to do.")
include(CPack)
