// What a frame says of itself before its stars are measured one by one.
#pragma once

#include <algorithm>
#include <memory>
#include <optional>
#include <vector>

#include "stars/background.h"
#include "stars/camera.h"
#include "stars/detect.h"
#include "stars/field_sizes.h"
#include "stars/growth_profile.h"
#include "stars/one_star.h"
#include "stars/pedestal.h"
#include "stars/stamp.h"
#include "starwaist/stars.h"

namespace starwaist {

namespace stars {

// Levels of the smoothing that match stars of a size.
struct Levels {
  int first = 0;
  int last = 0;
};

// Candidates at the scales that match the frame's stars.
struct Found {
  std::vector<Candidate> candidates;
  double size_px = 0;  // that the frame's stars share
  double polarisation = 0;
  Levels levels;
  Detection detection;
};

inline void add_places(const std::vector<PixelPlace>& pixels, std::vector<StarPlace>& places) {
  for (const PixelPlace& pixel : pixels) {
    places.push_back({static_cast<double>(pixel.x_px), static_cast<double>(pixel.y_px)});
  }
}

// Absent where nothing has a size; `defects` are reported either way.
std::optional<Found> find_stars(const FrameContext& context, double threshold_snr, int threads,
                                std::vector<StarPlace>& defects);

// Where the stars are wide: looks again for faint ones with a sky in which the bright ones are
// masked by `discs`. False where the stars are small enough for the first look.
bool find_again(const FrameContext& context, const SkyMap& first_sky,
                const std::vector<MaskedDisc>& discs, double threshold_snr, int threads,
                Found& found);

// A star to be measured from a place and an expected half-flux radius.
MeasuredStar star_at(double x_px, double y_px, double expected_px);

// Sets the flags of objects that are no clean stars: lines, galaxies, what is too small or too
// large for its place, blends. Returns the sizes over the field, which the clean ones show.
FieldSizes tell_apart(const FrameContext& context, const Found& found, const GrowthProfile& profile,
                      std::vector<MeasuredStar>& stars);

// What some hundred of the frame's stars say of all of them.
struct BrightStars {
  GrowthProfile profile = GrowthProfile::gaussian();
  double aperture_of_size = 0;  // the profile's aperture, in half-flux radii
  Pedestal pedestal;
  FieldSizes sizes;
  double beta = 0;  // Moffat exponent of the wings

  [[nodiscard]] double aperture_px(double size_px) const {
    return std::max(aperture_of_size * size_px, 2.5);
  }
};

// The bright stars twice: in a first aperture, and, once their growth profile is stacked, in the
// profile's.
BrightStars learn(const FrameContext& context, const Found& found, int threads);

}  // namespace stars

// Everything that one star's measurement needs beside the pixels.
class FrameModel {
 public:
  FrameModel(stars::SkyMap sky, stars::BrightStars bright, const stars::FrameContext& context,
             stars::CameraEvidence camera)
      : sky_(std::move(sky)),
        bright_(std::move(bright)),
        wing_(bright_.beta),
        gain_e_per_adu_(context.gain_e_per_adu),
        saturation_adu_(context.saturation_adu),
        camera_(std::move(camera)) {}

  // Measures a star of this frame from star.x_px, star.y_px. `keep_place`: the place is known and
  // the centroid is not looked for.
  void measure(const Frame& frame, stars::MeasuredStar& star, bool keep_place = false) const;
  [[nodiscard]] double expected_px(double x_px, double y_px) const {
    return bright_.sizes.at(x_px, y_px);
  }
  [[nodiscard]] const stars::GrowthProfile& profile() const { return bright_.profile; }
  [[nodiscard]] const stars::CameraEvidence& camera() const { return camera_; }
  [[nodiscard]] std::optional<double> gain_e_per_adu() const { return gain_e_per_adu_; }
  [[nodiscard]] double saturation_adu() const { return saturation_adu_; }
  [[nodiscard]] double sky_level_adu(double x_px, double y_px) const {
    return sky_.level_adu(x_px, y_px);
  }
  // As if the frame had been measured with these.
  [[nodiscard]] FrameModel with_camera(std::optional<double> gain_e_per_adu,
                                       double saturation_adu) const {
    FrameModel model = *this;
    model.gain_e_per_adu_ = gain_e_per_adu;
    model.saturation_adu_ = saturation_adu;
    return model;
  }

 private:
  stars::SkyMap sky_;
  stars::BrightStars bright_;
  stars::MoffatWing wing_;
  std::optional<double> gain_e_per_adu_;
  double saturation_adu_;
  stars::CameraEvidence camera_;
};

}  // namespace starwaist
