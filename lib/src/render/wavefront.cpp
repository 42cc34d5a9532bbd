#include "render/wavefront.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace starwaist::render {

namespace {
constexpr double kRadians = std::numbers::pi / 180;
}

Wavefront::Wavefront(const RenderOptions& options, double defocus_um)
    : f_number_(options.f_number),
      defocus_w020_um_(defocus_um / (8 * options.f_number * options.f_number)),
      spherical_um_(options.aberrations.spherical_w040_waves * kReferenceWavelengthUm),
      coma_x_um_(options.aberrations.coma_w131_waves * kReferenceWavelengthUm *
                 std::cos(options.aberrations.coma_angle_deg * kRadians)),
      coma_y_um_(options.aberrations.coma_w131_waves * kReferenceWavelengthUm *
                 std::sin(options.aberrations.coma_angle_deg * kRadians)),
      astigmatism_um_(options.aberrations.astigmatism_w222_waves * kReferenceWavelengthUm),
      astigmatism_cos_(std::cos(options.aberrations.astigmatism_angle_deg * kRadians)),
      astigmatism_sin_(std::sin(options.aberrations.astigmatism_angle_deg * kRadians)) {}

double Wavefront::error_um(double u, double v) const {
  const double r2 = u * u + v * v;
  const double along = astigmatism_cos_ * u + astigmatism_sin_ * v;
  return defocus_w020_um_ * r2 + spherical_um_ * r2 * r2 + r2 * (coma_x_um_ * u + coma_y_um_ * v) +
         astigmatism_um_ * along * along;
}

void Wavefront::landing_um(double u, double v, double& x_um, double& y_um) const {
  const double r2 = u * u + v * v;
  const double round = 2 * defocus_w020_um_ + 4 * spherical_um_ * r2;
  const double coma = coma_x_um_ * u + coma_y_um_ * v;
  const double along = astigmatism_cos_ * u + astigmatism_sin_ * v;
  x_um =
      2 * f_number_ *
      (round * u + 2 * u * coma + r2 * coma_x_um_ + 2 * astigmatism_um_ * along * astigmatism_cos_);
  y_um =
      2 * f_number_ *
      (round * v + 2 * v * coma + r2 * coma_y_um_ + 2 * astigmatism_um_ * along * astigmatism_sin_);
}

double Wavefront::spot_radius_um() const {
  double farthest = 0;
  for (int ring = 1; ring <= 16; ++ring) {
    for (int spoke = 0; spoke < 32; ++spoke) {
      const double angle = 2 * std::numbers::pi * spoke / 32;
      double x = 0;
      double y = 0;
      landing_um(ring / 16.0 * std::cos(angle), ring / 16.0 * std::sin(angle), x, y);
      farthest = std::max(farthest, std::hypot(x, y));
    }
  }
  return farthest;
}

}  // namespace starwaist::render
