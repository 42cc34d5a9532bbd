// The tables of the ledger, and how older ones become the present ones.
#pragma once

#include <array>
#include <cstdint>

namespace starwaist::ledger {

// Marks the file in SQLite's header (application_id): the letters "Stws".
inline constexpr std::int64_t kApplication = 0x53747773;

// kMigrations[v] turns version v into v + 1; version 0 is an empty file. What has once been written
// by a release is never changed here: files of that version exist.
inline constexpr std::array<const char*, 4> kMigrations = {
    // 0 to 1
    R"(
CREATE TABLE rigs (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE
);
CREATE TABLE runs (
  id INTEGER PRIMARY KEY,
  identity TEXT NOT NULL UNIQUE,
  rig_id INTEGER NOT NULL REFERENCES rigs (id),
  time_utc TEXT,
  filter TEXT,
  temperature_c REAL,
  altitude_deg REAL,
  best_focus_steps REAL,
  sigma_steps REAL,
  interval_low_steps REAL,
  interval_high_steps REAL,
  verdict TEXT,
  source TEXT NOT NULL,
  findings TEXT NOT NULL
);
CREATE TABLE points (
  run_id INTEGER NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
  place INTEGER NOT NULL,
  file TEXT NOT NULL,
  position_steps REAL NOT NULL,
  size_px REAL,
  sigma_px REAL,
  temperature_c REAL,
  used INTEGER NOT NULL,
  PRIMARY KEY (run_id, place)
) WITHOUT ROWID;
CREATE INDEX runs_by_time ON runs (time_utc);
)",
    // 1 to 2: why a run is not trusted, a second identity, sub-exposures
    R"(
ALTER TABLE runs ADD COLUMN reasons TEXT NOT NULL DEFAULT '';
ALTER TABLE runs ADD COLUMN summary TEXT;
CREATE INDEX runs_by_summary ON runs (summary);
CREATE INDEX runs_by_rig ON runs (rig_id, time_utc);
CREATE TABLE measurements (
  id INTEGER PRIMARY KEY,
  identity TEXT NOT NULL UNIQUE,
  rig_id INTEGER NOT NULL REFERENCES rigs (id),
  file TEXT NOT NULL,
  time_utc TEXT,
  filter TEXT,
  exposure_s REAL,
  temperature_c REAL,
  position_steps REAL,
  hfr_px REAL,
  hfr_sigma_px REAL,
  fwhm_px REAL,
  eccentricity REAL,
  star_count INTEGER,
  background_adu REAL
);
CREATE INDEX measurements_by_time ON measurements (time_utc);
)",
    // 2 to 3: the tables stay, identities are renewed (migrate.cpp)
    "",
    // 3 to 4: when a run began and ended, and what the user says of it
    R"(
ALTER TABLE runs ADD COLUMN from_utc TEXT;
ALTER TABLE runs ADD COLUMN until_utc TEXT;
ALTER TABLE runs ADD COLUMN note TEXT;
)",
};

}  // namespace starwaist::ledger
