#include <algorithm>
#include <tuple>
#include <utility>

#include "starwaist/live.h"

namespace starwaist {

std::vector<std::string> WholeFiles::look(const std::vector<Listed>& listed, double now_s) {
  std::map<std::string, Known> before = std::exchange(known_, {});
  for (const Listed& file : listed) {
    const auto same_name = before.find(file.name);
    if (same_name == before.end()) continue;
    Known& known = known_[file.name] = same_name->second;
    if (known.state != file.state) known = {file.state, now_s, false, std::nullopt, false};
    before.erase(same_name);
  }
  // What is left of `before` is gone, or has another name by now.
  for (const Listed& file : listed) {
    if (known_.count(file.name) != 0) continue;
    const auto renamed = std::find_if(before.begin(), before.end(), [&](const auto& gone) {
      return gone.second.told && gone.second.state == file.state;
    });
    known_[file.name] = renamed == before.end()
                            ? Known{file.state, now_s, false, std::nullopt, false}
                            : renamed->second;
    if (renamed != before.end()) before.erase(renamed);
  }

  std::vector<Listed> whole;
  for (const Listed& file : listed) {
    Known& known = known_[file.name];
    if (known.told) {
      if (!known.again_s || now_s < *known.again_s) continue;
      known.again_s.reset();
      known.retried = true;
    } else if (file.state.size_bytes == 0 || (!file.closed && now_s - known.since_s < settle_s_)) {
      continue;
    }
    known.told = true;
    whole.push_back(file);
  }
  std::sort(whole.begin(), whole.end(), [](const Listed& a, const Listed& b) {
    return std::tie(a.state.changed_ns, a.name) < std::tie(b.state.changed_ns, b.name);
  });
  std::vector<std::string> names;
  names.reserve(whole.size());
  for (Listed& file : whole) names.push_back(std::move(file.name));
  return names;
}

bool WholeFiles::retry(const std::string& name, double now_s, double later_s) {
  const auto known = known_.find(name);
  if (known == known_.end() || known->second.retried) return false;
  known->second.again_s = now_s + later_s;
  return true;
}

bool WholeFiles::waiting() const {
  return std::any_of(known_.begin(), known_.end(), [](const auto& entry) {
    const Known& known = entry.second;
    return known.again_s || (!known.told && known.state.size_bytes > 0);
  });
}

}  // namespace starwaist
