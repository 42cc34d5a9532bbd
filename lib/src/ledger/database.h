// SQLite by values that clean up after themselves.
#pragma once

#include <sqlite3.h>

#include <cstdint>
#include <optional>
#include <string>

#include "starwaist/error.h"

namespace starwaist::ledger {

class Statement {
 public:
  Statement(sqlite3* connection, const std::string& sql);
  ~Statement() { sqlite3_finalize(statement_); }
  Statement(const Statement&) = delete;
  Statement& operator=(const Statement&) = delete;

  // Parameters count from 1.
  Statement& bind(int place, const std::string& text);
  Statement& bind(int place, double value);
  Statement& bind(int place, std::int64_t value);
  template <class Enum>
  requires std::is_enum_v<Enum> Statement& bind(int place, Enum value) {
    return bind(place, enum_name(value));
  }
  template <class Value>
  Statement& bind(int place, const std::optional<Value>& value) {
    if (value) return bind(place, *value);
    sqlite3_bind_null(statement_, place);
    return *this;
  }

  // SQLITE_ROW, SQLITE_DONE or an error.
  int step() { return statement_ == nullptr ? SQLITE_ERROR : sqlite3_step(statement_); }
  // For the next set of parameters.
  void reset();

  // Columns count from 0.
  [[nodiscard]] std::string text(int column) const;
  [[nodiscard]] std::int64_t integer(int column) const;
  [[nodiscard]] std::optional<std::string> optional_text(int column) const;
  [[nodiscard]] std::optional<double> number(int column) const;

 private:
  sqlite3_stmt* statement_ = nullptr;
};

class Connection {
 public:
  explicit Connection(sqlite3* handle) : handle_(handle) {}
  ~Connection() { sqlite3_close(handle_); }
  Connection(const Connection&) = delete;
  Connection& operator=(const Connection&) = delete;
  [[nodiscard]] sqlite3* get() const { return handle_; }
  // One or more statements without answer; SQLITE_OK or an error.
  int run(const std::string& sql);
  // The first column of the first row, 0 where there is none.
  std::int64_t integer(const std::string& sql);
  [[nodiscard]] std::string words() const { return sqlite3_errmsg(handle_); }

 private:
  sqlite3* handle_;
};

// Begins at once as a writer; rolled back unless committed.
class Transaction {
 public:
  explicit Transaction(Connection& connection)
      : connection_(connection), status_(connection.run("BEGIN IMMEDIATE")) {}
  ~Transaction() {
    if (status_ == SQLITE_OK && !committed_) connection_.run("ROLLBACK");
  }
  Transaction(const Transaction&) = delete;
  Transaction& operator=(const Transaction&) = delete;
  [[nodiscard]] bool begun() const { return status_ == SQLITE_OK; }
  bool commit() {
    committed_ = connection_.run("COMMIT") == SQLITE_OK;
    return committed_;
  }

 private:
  Connection& connection_;
  int status_;
  bool committed_ = false;
};

}  // namespace starwaist::ledger
