#include "stars/stack.h"

#include <algorithm>
#include <cmath>

#include "core/parallel.h"
#include "stars/aperture.h"
#include "stars/star_shape.h"
#include "starwaist/statistics.h"

namespace starwaist::stars {

std::vector<std::size_t> stack_members(const std::vector<MeasuredStar>& stars,
                                       const std::vector<bool>& lonely) {
  constexpr std::size_t kEnough = 5;
  constexpr std::size_t kMost = 40;
  std::vector<std::size_t> members;
  for (const bool only_lonely : {true, false}) {
    members.clear();
    for (std::size_t i = 0; i < stars.size(); ++i) {
      const MeasuredStar& m = stars[i];
      if (!is_clean(m) || m.star.at_edge || (only_lonely && !lonely[i])) continue;
      members.push_back(i);
    }
    if (members.size() >= kEnough) break;
  }
  std::sort(members.begin(), members.end(), [&](std::size_t a, std::size_t b) {
    return stars[a].star.snr != stars[b].star.snr ? stars[a].star.snr > stars[b].star.snr : a < b;
  });
  if (members.size() > kMost) members.resize(kMost);
  // Stars far fainter than the best add noise and no knowledge.
  while (members.size() > kEnough &&
         stars[members.back()].star.snr < 0.25 * stars[members.front()].star.snr) {
    members.pop_back();
  }
  return members;
}

std::optional<GrowthProfile> stack(const FrameContext& context,
                                   const std::vector<MeasuredStar>& stars,
                                   const std::vector<std::size_t>& members,
                                   const Pedestal& pedestal, int threads) {
  constexpr double kReach = 8.0;  // half-flux radii
  std::vector<ProfileStar> stacked(members.size());
  core::parallel_for(members.size(), threads, [&](std::size_t k) {
    const MeasuredStar& m = stars[members[k]];
    ProfileStar& member = stacked[k];
    member.centre = {m.star.x_px, m.star.y_px};
    member.reach_px = std::max(kReach * m.size_px, 6.0);
    member.hfr_px = m.size_px;
    member.sky_noise_adu = std::sqrt(pixel_variance(context, member.centre));
    const SkyOffset sky = pedestal.at(m.annulus, m.star.flux_adu);
    member.sky_sigma_adu = sky.sigma_adu;
    member.stamp = cut_stamp(context, member.centre, member.reach_px + kRimReachPx);
    for (float& p : member.stamp.pixels) p -= static_cast<float>(sky.value_adu);
  });
  return stacked_profile(stacked, context.halo_px, threads);
}

double wing_exponent(const FrameContext& context, const std::vector<MeasuredStar>& stars,
                     const std::vector<std::size_t>& members) {
  constexpr double kUsual = 3.5;
  std::vector<double> betas;
  for (const std::size_t i : members) {
    const Centre centre{stars[i].star.x_px, stars[i].star.y_px};
    const double radius = std::max(3 * stars[i].size_px, 4.0);
    const auto fit =
        fit_moffat(cut_stamp(context, centre, radius), centre, radius, 1.9 * stars[i].size_px);
    if (fit) betas.push_back(std::clamp(fit->beta, 1.5, 20.0));
  }
  return betas.empty() ? kUsual : median(betas);
}

}  // namespace starwaist::stars
