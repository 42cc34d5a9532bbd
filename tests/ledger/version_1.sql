-- A ledger as version 1 of the tables had it, with two runs. Frozen: it must always open.
PRAGMA journal_mode = WAL;
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
INSERT INTO rigs VALUES (1, 'balcony');
INSERT INTO runs VALUES (1, 'one', 1, '2026-11-02T20:11:05', 'L', 4.25, NULL, 5033.25, 1.5, 5030, 5036, 'trusted', 'nights/1', '');
INSERT INTO runs VALUES (2, 'two', 1, '2026-11-03T21:00:00', 'Ha', 2.5, NULL, NULL, NULL, NULL, NULL, 'unusable', 'nights/2', 'slack');
INSERT INTO points VALUES (1, 0, 'a.fits', 5000, 2.5, 0.02, 4.25, 1);
PRAGMA application_id = 1400141683;
PRAGMA user_version = 1;
