// Measuring a frame against reading its pixels with CFITSIO alone, in one process: the ratio is
// what counts. The argument is the frame's side in pixels (one star a 60 x 60 patch).
#include <benchmark/benchmark.h>
#include <fitsio.h>
#include <unistd.h>

#include <cmath>
#include <cstdint>
#include <filesystem>
#include <map>
#include <string>
#include <vector>

#include "starwaist/frame.h"
#include "starwaist/stars.h"

namespace {

constexpr int kPatchPx = 60;
constexpr double kSigmaPx = 2.0;

// A 16-bit frame with sky noise and Gaussian stars, written once a size.
const std::string& frame_of(int side) {
  static std::map<int, std::string> made;
  std::string& path = made[side];
  if (!path.empty()) return path;
  path = (std::filesystem::temp_directory_path() /
          ("measure_bench_" + std::to_string(getpid()) + "_" + std::to_string(side) + ".fits"))
             .string();
  std::vector<std::uint16_t> pixels(static_cast<std::size_t>(side) *
                                    static_cast<std::size_t>(side));
  std::uint64_t state = 88172645463325252ULL;
  for (int y = 0; y < side; ++y) {
    for (int x = 0; x < side; ++x) {
      int noise = 0;  // four uniform numbers: near enough to Gaussian, sigma 13
      for (int k = 0; k < 4; ++k) {
        state ^= state << 13U;
        state ^= state >> 7U;
        state ^= state << 17U;
        noise += static_cast<int>(state % 23);
      }
      const double dx = x % kPatchPx - kPatchPx / 2.0 - 0.3;
      const double dy = y % kPatchPx - kPatchPx / 2.0 + 0.2;
      // Peaks differ, as equal ones would pass for a ceiling of the converter.
      const int patch = y / kPatchPx * 31 + x / kPatchPx * 17;
      const double star =
          (2000 + 60 * (patch % 97)) * std::exp(-0.5 * (dx * dx + dy * dy) / (kSigmaPx * kSigmaPx));
      pixels[static_cast<std::size_t>(y) * static_cast<std::size_t>(side) +
             static_cast<std::size_t>(x)] = static_cast<std::uint16_t>(900 + noise + star);
    }
  }
  fitsfile* file = nullptr;
  int status = 0;
  long axes[2] = {side, side};
  fits_create_diskfile(&file, path.c_str(), &status);
  fits_create_img(file, USHORT_IMG, 2, axes, &status);
  fits_write_img(file, TUSHORT, 1, static_cast<LONGLONG>(pixels.size()), pixels.data(), &status);
  fits_close_file(file, &status);
  return path;
}

void BM_ReadWithCfitsioAlone(benchmark::State& state) {
  const int side = static_cast<int>(state.range(0));
  const std::string& path = frame_of(side);
  std::vector<std::uint16_t> pixels(static_cast<std::size_t>(side) *
                                    static_cast<std::size_t>(side));
  for (auto _ : state) {
    fitsfile* file = nullptr;
    int status = 0;
    fits_open_diskfile(&file, path.c_str(), READONLY, &status);
    fits_read_img(file, TUSHORT, 1, static_cast<LONGLONG>(pixels.size()), nullptr, pixels.data(),
                  nullptr, &status);
    fits_close_file(file, &status);
    if (status != 0) state.SkipWithError("CFITSIO could not read the frame");
    benchmark::DoNotOptimize(pixels.data());
  }
}

void BM_ReadAndMeasure(benchmark::State& state) {
  const int side = static_cast<int>(state.range(0));
  const std::string& path = frame_of(side);
  for (auto _ : state) {
    const auto frame = starwaist::read_frame(path);
    const auto measured = starwaist::measure_frame(*frame);
    const int patches = (side / kPatchPx) * (side / kPatchPx);
    // 1.1774 sigma with the pixel's 1/12 px^2 in it.
    const double truth = 1.1774 * std::sqrt(kSigmaPx * kSigmaPx + 1.0 / 12);
    if (!measured || !measured->hfr_px || std::abs(*measured->hfr_px - truth) > 0.03 * truth ||
        measured->star_count < patches / 2) {
      state.SkipWithError("the answer is wrong");
    }
  }
}

BENCHMARK(BM_ReadWithCfitsioAlone)->Arg(1000)->Arg(3000)->Unit(benchmark::kMillisecond);
BENCHMARK(BM_ReadAndMeasure)->Arg(1000)->Arg(3000)->Unit(benchmark::kMillisecond);

}  // namespace

int main(int argc, char** argv) {
  benchmark::Initialize(&argc, argv);
  benchmark::RunSpecifiedBenchmarks();
  for (const int side : {1000, 3000}) std::filesystem::remove(frame_of(side));
  return 0;
}
