#include "frame/name_position.h"

#include <re2/re2.h>

#include "starwaist/frame.h"
#include "starwaist/numbers.h"

namespace starwaist {
namespace {

constexpr std::size_t kLongestPattern = 1000;

// RE2 matches in a time that is linear in the name's length, whatever the pattern.
RE2::Options options() {
  RE2::Options options;
  options.set_log_errors(false);
  options.set_encoding(RE2::Options::EncodingLatin1);  // names are bytes
  options.set_max_mem(1 << 20);                        // "((a{100}){100}){100}" ends here
  return options;
}

Result<void> check(const RE2& expression, const std::string& pattern) {
  const std::string remedy = "Give an expression with one group, as in 'pos([0-9]+)'";
  if (!expression.ok()) {
    return fail(ErrorCode::invalid_argument,
                "--position-from-name: '" + pattern +
                    "' is not a regular expression that can be "
                    "used (" +
                    expression.error() + ")",
                remedy);
  }
  if (expression.NumberOfCapturingGroups() < 1) {
    return fail(ErrorCode::invalid_argument, "--position-from-name: '" + pattern + "' has no group",
                "Put the number in brackets, as in 'pos([0-9]+)'");
  }
  return {};
}

}  // namespace

Result<void> check_name_pattern(const std::string& pattern) {
  if (pattern.size() > kLongestPattern) {
    return fail(ErrorCode::invalid_argument, "--position-from-name: the expression is too long",
                "Give one of at most " + std::to_string(kLongestPattern) + " characters");
  }
  return check(RE2(pattern, options()), pattern);
}

Result<std::optional<double>> frame_detail::position_in_name(const std::string& pattern,
                                                             const std::string& file_name) {
  if (auto usable = check_name_pattern(pattern); !usable) {
    return tl::unexpected<Error>(usable.error());
  }
  std::string group;
  if (!RE2::PartialMatch(file_name, RE2(pattern, options()), &group)) {
    return std::optional<double>();
  }
  return parse_number(group);
}

}  // namespace starwaist
