# The parts of OpenCV that are used, found by header and library, so that the small packages
# libopencv-core-dev and -imgproc-dev suffice (the CMake package of OpenCV comes only with the whole
# of it). Targets: OpenCvParts::core, ::imgproc.
find_path(OpenCvParts_INCLUDE_DIR opencv2/core.hpp PATH_SUFFIXES opencv4)
set(OpenCvParts_libraries)
foreach(part core imgproc)
  find_library(OpenCvParts_${part}_LIBRARY opencv_${part})
  list(APPEND OpenCvParts_libraries OpenCvParts_${part}_LIBRARY)
endforeach()
include(FindPackageHandleStandardArgs)
find_package_handle_standard_args(OpenCvParts REQUIRED_VARS OpenCvParts_INCLUDE_DIR
  ${OpenCvParts_libraries})
foreach(part core imgproc)
  if(OpenCvParts_FOUND AND NOT TARGET OpenCvParts::${part})
    add_library(OpenCvParts::${part} UNKNOWN IMPORTED)
    set_target_properties(OpenCvParts::${part} PROPERTIES
      IMPORTED_LOCATION ${OpenCvParts_${part}_LIBRARY}
      INTERFACE_SYSTEM_INCLUDE_DIRECTORIES ${OpenCvParts_INCLUDE_DIR}
      INTERFACE_INCLUDE_DIRECTORIES ${OpenCvParts_INCLUDE_DIR})
  endif()
endforeach()
