// Older files brought up to the present tables.
//
// Private header of module ledger.
#pragma once

#include <string>

#include "ledger/database.h"
#include "starwaist/error.h"

namespace starwaist::ledger {

// In one transaction, so that the file is of the old version or of the new one whenever the process
// ends. Errors: cannot_write.
Result<void> migrate(const std::string& path, Connection& connection);

}  // namespace starwaist::ledger
