// What an answer says in words, with a code that a program can go by.
//
// Module: core. Includes nothing of the project.
//
// A code stands for what is said, whatever the numbers in it; it is snake_case and never changes
// its meaning. codes.h lists them. In JSON a list `reasons` has its codes beside it as
// `reason_codes`, in the same order, and a single `advice` as `advice_code`.
#pragma once

#include <string>
#include <string_view>
#include <vector>

namespace starwaist {

struct Statement {
  std::string code;
  std::string text;  // plain words with numbers

  friend bool operator==(const Statement&, const Statement&) = default;
};

// The words alone.
inline std::vector<std::string> texts_of(const std::vector<Statement>& statements) {
  std::vector<std::string> texts;
  texts.reserve(statements.size());
  for (const Statement& statement : statements) texts.push_back(statement.text);
  return texts;
}

// The JSON keys of the codes: `advice_code` of `advice`, `reason_codes` of the list `reasons`.
inline std::string code_key(std::string_view name) { return std::string(name) + "_code"; }
inline std::string codes_key(std::string_view plural) {
  return std::string(plural.substr(0, plural.size() - 1)) + "_codes";
}

}  // namespace starwaist
