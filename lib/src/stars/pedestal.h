// The sky under a star over what the mesh says.
#pragma once

#include <optional>
#include <vector>

namespace starwaist::stars {

// What an annulus round a star shows over the mesh: the sky, and the star's own wings.
struct AnnulusSky {
  double value_adu = 0;
  double sigma_adu = 0;
};

struct AnnulusOfStar {
  AnnulusSky annulus;
  double flux_adu = 0;
};

struct SkyOffset {
  double value_adu = 0;
  double sigma_adu = 0;
  double shared_sigma_adu = 0;  // the part of it that all stars of the frame have in common
};

// The sky's pedestal over the mesh. An annulus shows the common pedestal and the star's own wings,
// which go with its light: a line in the light distinguishes them. A star's departure from the
// line counts as its sky as far as departures scatter more than their errors (empirical Bayes: a
// smooth sky trusts the mesh, a nebula the annulus).
class Pedestal {
 public:
  // The mesh alone.
  explicit Pedestal(double noise_adu);
  // From clean stars; the mesh alone where they are too few.
  Pedestal(const std::vector<AnnulusOfStar>& stars, double noise_adu);

  [[nodiscard]] SkyOffset at(const std::optional<AnnulusSky>& annulus, double flux_adu) const;

 private:
  double level_adu_ = 0;
  double level_sigma_adu_ = 0;
  double wing_per_flux_ = 0;  // in the annulus
  double scatter2_ = 0;       // of the sky from star to star, variance
};

}  // namespace starwaist::stars
