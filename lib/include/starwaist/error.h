// Failure as a described value, and the result type every fallible function returns.
//
// Module: core. Includes nothing of the project.
#pragma once

#include <string>
#include <tl/expected.hpp>
#include <utility>

namespace starwaist {

// What kind of thing went wrong; the words are in Error::message.
enum class ErrorCode {
  invalid_argument,    // a caller's option or value cannot be used
  not_found,           // no such file or folder
  unreadable,          // the file exists and cannot be read (rights, truncated, damaged)
  unsupported_format,  // the file is whole and of a kind that is not read here
  no_data,             // read, and nothing in it that could be measured or fitted
  bad_value,           // a header value or table cell that is not what it must be
  cannot_write,        // an output file or folder cannot be written
  numerical,           // the arithmetic has no answer (singular system, no convergence)
  interrupted,         // the caller's own `stop` said so
};

// One failure. `message` names the file, row or option and what is wrong with it; `remedy` is one
// sentence on what to do. Neither ends with a line break.
struct Error {
  ErrorCode code = ErrorCode::invalid_argument;
  std::string message;
  std::string remedy;

  // "message. remedy" on one line, ready for standard error.
  [[nodiscard]] std::string text() const {
    return remedy.empty() ? message : message + ". " + remedy;
  }
};

// A value or an Error, with the member names of std::expected.
template <class T>
using Result = tl::expected<T, Error>;

// Builds the error alternative: `return fail(ErrorCode::no_data, "x.fits: ...", "Take ...");`
[[nodiscard]] inline tl::unexpected<Error> fail(ErrorCode code, std::string message,
                                                std::string remedy = {}) {
  return tl::unexpected<Error>(Error{code, std::move(message), std::move(remedy)});
}

}  // namespace starwaist
