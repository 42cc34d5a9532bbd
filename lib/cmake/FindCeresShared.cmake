# Ceres Solver's shared library: the target of Debian's own CMake package links the static archive
# and with it everything that Ceres was built from. Target: CeresShared::ceres.
find_path(CeresShared_INCLUDE_DIR ceres/ceres.h)
find_path(CeresShared_EIGEN_INCLUDE_DIR Eigen/Core PATH_SUFFIXES eigen3)
find_library(CeresShared_LIBRARY NAMES libceres.so ceres)
find_library(CeresShared_GLOG_LIBRARY glog)
include(FindPackageHandleStandardArgs)
find_package_handle_standard_args(CeresShared REQUIRED_VARS CeresShared_LIBRARY
  CeresShared_INCLUDE_DIR CeresShared_EIGEN_INCLUDE_DIR CeresShared_GLOG_LIBRARY)
if(CeresShared_FOUND AND NOT TARGET CeresShared::ceres)
  add_library(CeresShared::ceres UNKNOWN IMPORTED)
  set_target_properties(CeresShared::ceres PROPERTIES
    IMPORTED_LOCATION ${CeresShared_LIBRARY}
    INTERFACE_LINK_LIBRARIES ${CeresShared_GLOG_LIBRARY}
    INTERFACE_INCLUDE_DIRECTORIES "${CeresShared_INCLUDE_DIR};${CeresShared_EIGEN_INCLUDE_DIR}"
    INTERFACE_SYSTEM_INCLUDE_DIRECTORIES
      "${CeresShared_INCLUDE_DIR};${CeresShared_EIGEN_INCLUDE_DIR}")
endif()
