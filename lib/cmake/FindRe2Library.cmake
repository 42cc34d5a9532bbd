# RE2 by header and library: its pkg-config file would put -pthread into every compile command.
# Target: Re2Library::re2.
find_path(Re2Library_INCLUDE_DIR re2/re2.h)
find_library(Re2Library_LIBRARY re2)
include(FindPackageHandleStandardArgs)
find_package_handle_standard_args(Re2Library REQUIRED_VARS Re2Library_LIBRARY
  Re2Library_INCLUDE_DIR)
if(Re2Library_FOUND AND NOT TARGET Re2Library::re2)
  add_library(Re2Library::re2 UNKNOWN IMPORTED)
  set_target_properties(Re2Library::re2 PROPERTIES
    IMPORTED_LOCATION ${Re2Library_LIBRARY}
    INTERFACE_INCLUDE_DIRECTORIES ${Re2Library_INCLUDE_DIR})
endif()
