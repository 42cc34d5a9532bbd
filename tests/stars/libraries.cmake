# SEP's C library, an independent measurer of stars, to hold ours against.
find_path(SEP_INCLUDE_DIR sep.h REQUIRED)
find_library(SEP_LIBRARY sep REQUIRED)
target_include_directories(stars_tests SYSTEM PRIVATE ${SEP_INCLUDE_DIR})
target_link_libraries(stars_tests PRIVATE ${SEP_LIBRARY})
