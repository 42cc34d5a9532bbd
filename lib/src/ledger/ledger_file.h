// The open file behind a Ledger, and what is said where SQLite refuses.
//
// Private header of module ledger.
#pragma once

#include <string>
#include <utility>

#include "ledger/database.h"
#include "starwaist/ledger.h"

namespace starwaist {

class Ledger::Database {
 public:
  Database(std::string name, sqlite3* handle) : path(std::move(name)), connection(handle) {}
  std::string path;
  // Reading changes nothing that a caller of a const function sees.
  mutable ledger::Connection connection;
};

namespace ledger {

// How long a writer waits for the others.
inline constexpr int kPatienceMilliseconds = 30000;

tl::unexpected<Error> reading_failed(const std::string& path, const Connection& connection);
tl::unexpected<Error> writing_failed(const std::string& path, const Connection& connection);

}  // namespace ledger
}  // namespace starwaist
