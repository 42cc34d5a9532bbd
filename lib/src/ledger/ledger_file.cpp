#include "ledger/ledger_file.h"

namespace starwaist::ledger {

tl::unexpected<Error> reading_failed(const std::string& path, const Connection& connection) {
  return fail(ErrorCode::unreadable, path + ": the ledger cannot be read: " + connection.words(),
              "Check it with 'starwaist log check', or take a copy of it from a backup");
}

tl::unexpected<Error> writing_failed(const std::string& path, const Connection& connection) {
  const int code = sqlite3_errcode(connection.get());
  if (code == SQLITE_BUSY || code == SQLITE_LOCKED) {
    return fail(ErrorCode::cannot_write, path + ": another program holds the ledger",
                "Try again when it is done");
  }
  return fail(ErrorCode::cannot_write,
              path + ": the ledger cannot be written: " + connection.words(),
              "Check the free space and the rights of the file and its folder");
}

}  // namespace starwaist::ledger
