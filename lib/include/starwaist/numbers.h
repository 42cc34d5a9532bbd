// Numbers to and from text without the locale.
//
// Module: core. Includes nothing of the project.
#pragma once

#include <optional>
#include <string>
#include <string_view>

namespace starwaist {

// The whole of `text` (blanks around it allowed, a leading '+' allowed, a Fortran exponent D read
// as E) as a finite number; absent where anything else stands there, NaN and infinity included.
std::optional<double> parse_number(std::string_view text);

// As parse_number, for a table whose decimal sign is a comma.
std::optional<double> parse_number_decimal_comma(std::string_view text);

// `text` without blanks (space, tab, CR, LF) at either end.
std::string_view trimmed(std::string_view text);

// ASCII lower case.
std::string lower_case(std::string_view text);

// Fixed decimals for tables and messages: format_fixed(5033.25, 1) is "5033.2" (round half even,
// as printf). A value that is not finite becomes "-".
std::string format_fixed(double value, int decimals);

// Decimals that suit an uncertainty: two significant digits of sigma ("5033.2", "1.9"). Without a
// sigma (absent, not positive) three significant digits of the value's own size are kept.
std::string format_like_sigma(double value, std::optional<double> sigma);

// The shortest text that reads back as the same number: 0.55, not 0.550. `value` is finite.
std::string format_shortest(double value);

// Whole numbers whole, others with three significant digits: for numbers in a sentence.
std::string format_short(double value);

}  // namespace starwaist
