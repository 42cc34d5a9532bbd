// Reads a frame's pixels with CFITSIO and does nothing else: what a program that looks at every
// pixel cannot beat. Prints the seconds from opening to closing, start-up not counted.
//
// Usage: read_with_cfitsio FRAME
#include <fitsio.h>

#include <chrono>
#include <cstdint>
#include <cstdio>
#include <vector>

int main(int argc, char** argv) {
  if (argc != 2) {
    std::fprintf(stderr, "usage: read_with_cfitsio FRAME\n");
    return 2;
  }
  const auto begin = std::chrono::steady_clock::now();
  fitsfile* file = nullptr;
  int status = 0;
  long axes_px[2] = {0, 0};
  fits_open_diskfile(&file, argv[1], READONLY, &status);
  fits_get_img_size(file, 2, axes_px, &status);
  if (status == 0 && axes_px[0] == 0) {  // a compressed image stands in the first extension
    fits_movabs_hdu(file, 2, nullptr, &status);
    fits_get_img_size(file, 2, axes_px, &status);
  }
  std::vector<std::uint16_t> pixels(static_cast<std::size_t>(axes_px[0]) *
                                    static_cast<std::size_t>(axes_px[1]));
  fits_read_img(file, TUSHORT, 1, static_cast<LONGLONG>(pixels.size()), nullptr, pixels.data(),
                nullptr, &status);
  fits_close_file(file, &status);
  const std::chrono::duration<double> inside_s = std::chrono::steady_clock::now() - begin;
  if (status != 0) {
    fits_report_error(stderr, status);
    return 3;
  }
  std::printf("%.6f\n", inside_s.count());
  return 0;
}
