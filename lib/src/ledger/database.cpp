#include "ledger/database.h"

namespace starwaist::ledger {

Statement::Statement(sqlite3* connection, const std::string& sql) {
  sqlite3_prepare_v2(connection, sql.c_str(), static_cast<int>(sql.size()), &statement_, nullptr);
}

Statement& Statement::bind(int place, const std::string& text) {
  sqlite3_bind_text64(statement_, place, text.data(), text.size(), SQLITE_TRANSIENT, SQLITE_UTF8);
  return *this;
}

Statement& Statement::bind(int place, double value) {
  sqlite3_bind_double(statement_, place, value);
  return *this;
}

Statement& Statement::bind(int place, std::int64_t value) {
  sqlite3_bind_int64(statement_, place, value);
  return *this;
}

void Statement::reset() {
  sqlite3_reset(statement_);
  sqlite3_clear_bindings(statement_);
}

std::string Statement::text(int column) const {
  const auto* bytes = sqlite3_column_text(statement_, column);
  if (bytes == nullptr) return {};
  const auto length = static_cast<std::size_t>(sqlite3_column_bytes(statement_, column));
  return {reinterpret_cast<const char*>(bytes), length};
}

std::int64_t Statement::integer(int column) const {
  return sqlite3_column_int64(statement_, column);
}

std::optional<std::string> Statement::optional_text(int column) const {
  if (sqlite3_column_type(statement_, column) == SQLITE_NULL) return std::nullopt;
  return text(column);
}

std::optional<double> Statement::number(int column) const {
  if (sqlite3_column_type(statement_, column) == SQLITE_NULL) return std::nullopt;
  return sqlite3_column_double(statement_, column);
}

int Connection::run(const std::string& sql) {
  return sqlite3_exec(handle_, sql.c_str(), nullptr, nullptr, nullptr);
}

std::int64_t Connection::integer(const std::string& sql) {
  Statement statement(handle_, sql);
  return statement.step() == SQLITE_ROW ? statement.integer(0) : 0;
}

}  // namespace starwaist::ledger
