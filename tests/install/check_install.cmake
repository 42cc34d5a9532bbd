# Installs the build tree into a folder of its own, then builds and runs a stranger's program against
# it, by CMake and by pkg-config. Run by ctest with BUILD, SOURCE, WORK, CXX, FLAGS, STATIC, LIBDIR.
function(must)
  execute_process(COMMAND ${ARGV} RESULT_VARIABLE status OUTPUT_VARIABLE out ERROR_VARIABLE out)
  if(NOT status EQUAL 0)
    string(REPLACE ";" " " words "${ARGV}")
    message(FATAL_ERROR "${words}\nended with ${status}:\n${out}")
  endif()
  set(out "${out}" PARENT_SCOPE)
endfunction()

function(must_answer)
  must(${ARGV})
  if(NOT out MATCHES "\"schema\": \"starwaist/fit/1\"" OR NOT out MATCHES "\"best_focus_steps\": (4999|5000)")
    message(FATAL_ERROR "not the answer that was expected:\n${out}")
  endif()
endfunction()

file(REMOVE_RECURSE ${WORK})
set(prefix ${WORK}/prefix)
must(${CMAKE_COMMAND} --install ${BUILD} --prefix ${prefix})
if(NOT EXISTS ${prefix}/share/starwaist/schema/fit.json)
  message(FATAL_ERROR "the schemas of the answers were not installed")
endif()

must(${CMAKE_COMMAND} -S ${SOURCE}/stranger -B ${WORK}/by_cmake -G ${GENERATOR}
  -DCMAKE_CXX_COMPILER=${CXX} -DCMAKE_CXX_FLAGS=${FLAGS} -DCMAKE_PREFIX_PATH=${prefix})
must(${CMAKE_COMMAND} --build ${WORK}/by_cmake)
must_answer(${WORK}/by_cmake/stranger)

# The .pc file is where pkg-config looks; its prefix is that of the real installation.
if(STATIC)
  set(static --static)
endif()
must(${CMAKE_COMMAND} -E env PKG_CONFIG_PATH=${prefix}/${LIBDIR}/pkgconfig
  pkg-config --define-variable=prefix=${prefix} --cflags --libs ${static} starwaist)
separate_arguments(package UNIX_COMMAND "${out}")
separate_arguments(flags UNIX_COMMAND "${FLAGS}")
must(${CXX} -std=c++20 ${flags} ${SOURCE}/stranger/stranger.cpp -o ${WORK}/by_pkg_config ${package})
must_answer(${CMAKE_COMMAND} -E env LD_LIBRARY_PATH=${prefix}/${LIBDIR} ${WORK}/by_pkg_config)

must(${CMAKE_COMMAND} -E env LD_LIBRARY_PATH=${prefix}/${LIBDIR} ${prefix}/bin/starwaist --version)
