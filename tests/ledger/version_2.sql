-- A ledger as version 2 of the tables had it, with five runs. Frozen: it must always open.
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
INSERT INTO rigs VALUES (1, 'balcony');
INSERT INTO runs (id, identity, summary, rig_id, time_utc, filter, temperature_c, altitude_deg, best_focus_steps, sigma_steps, verdict, source, findings)
  VALUES (1, '5900097966b9ee3140a7ba098c24a23a', '8c2355a2b7ed555a4b8efee09527e076', 1, '2026-11-02T20:11:05', 'L', 4.25, NULL, 5033.25, 1.5, 'trusted', 'nights/1', '');
INSERT INTO points VALUES (1, 0, 'f0.fits', 5000, 2.5, 0.02, 4.25, 1);
INSERT INTO points VALUES (1, 1, 'f1.fits', 5050, 2.25, 0.02, 4.25, 1);
INSERT INTO runs (id, identity, summary, rig_id, time_utc, filter, temperature_c, altitude_deg, best_focus_steps, sigma_steps, verdict, source, findings)
  VALUES (2, 'e01d0aed733c4133c3a574308be9a14b', '169297240509e66fe802644845f61b1b', 1, '2026-11-03T21:00:00', 'Ha', 2.5, 61.5, 5051.125, 1.5, 'trusted', 'nights/2', '');
INSERT INTO points VALUES (2, 0, 'f0.fits', 5000, 2.75, 0.02, 2.5, 1);
INSERT INTO points VALUES (2, 1, 'f1.fits', 5050, 2.125, 0.02, 2.5, 1);
INSERT INTO runs (id, identity, summary, rig_id, time_utc, filter, temperature_c, altitude_deg, best_focus_steps, sigma_steps, verdict, source, findings)
  VALUES (3, '48d83872fd13c4905871229a70fcaecf', '48d83872fd13c4905871229a70fcaecf', 1, '2026-11-04T21:00:00', 'L', 1.5, 48.25, 5061.5, 1.5, 'trusted', 'nights/3', '');
INSERT INTO runs (id, identity, summary, rig_id, time_utc, filter, temperature_c, altitude_deg, best_focus_steps, sigma_steps, verdict, source, findings)
  VALUES (4, '3dd6a759ac64d195359321b8ee9ef854', '3dd6a759ac64d195359321b8ee9ef854', 1, NULL, 'L', 0.5, 52.0, 5072.0, 1.5, 'trusted', 'nights/4', '');
INSERT INTO runs (id, identity, summary, rig_id, time_utc, filter, temperature_c, altitude_deg, best_focus_steps, sigma_steps, verdict, source, findings)
  VALUES (5, '3dd6a759ac64d195359321b8ee9ef854#1', '3dd6a759ac64d195359321b8ee9ef854', 1, NULL, 'L', 0.5, 52.0, 5072.0, 1.5, 'trusted', 'nights/5', '');
PRAGMA application_id = 1400141683;
PRAGMA user_version = 2;
