#include <utility>

#include "starwaist/codes.h"
#include "starwaist/intake.h"

namespace starwaist {
namespace {

const char* skipped_code(ErrorCode code) {
  switch (code) {
    case ErrorCode::not_found:
      return codes::file_not_found;
    case ErrorCode::unreadable:
      return codes::file_unreadable;
    case ErrorCode::unsupported_format:
      return codes::file_unsupported;
    case ErrorCode::no_data:
      return codes::nothing_to_measure;
    case ErrorCode::bad_value:
      return codes::value_not_understood;
    case ErrorCode::invalid_argument:
    case ErrorCode::cannot_write:
    case ErrorCode::numerical:
    case ErrorCode::interrupted:
      break;
  }
  return codes::input_not_usable;
}

}  // namespace

SkippedFile skipped_by(std::string file, const Error& error) {
  return {std::move(file), {skipped_code(error.code), error.text()}};
}

}  // namespace starwaist
