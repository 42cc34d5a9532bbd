-- A ledger as version 3 of the tables had it, with four runs. Frozen: it must always open.
PRAGMA journal_mode = WAL;
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
INSERT INTO "points" VALUES(1,0,'row 1',4840.0,4.031129,0.02,4.5,1);
INSERT INTO "points" VALUES(1,1,'row 2',4880.0,3.37006,0.02,4.5,1);
INSERT INTO "points" VALUES(1,2,'row 3',4920.0,2.758623,0.02,4.5,1);
INSERT INTO "points" VALUES(1,3,'row 4',4960.0,2.292542,0.02,4.5,1);
INSERT INTO "points" VALUES(1,4,'row 5',5000.0,2.022375,0.02,4.5,1);
INSERT INTO "points" VALUES(1,5,'row 6',5040.0,2.071553,0.02,4.5,1);
INSERT INTO "points" VALUES(1,6,'row 7',5080.0,2.385372,0.02,4.5,1);
INSERT INTO "points" VALUES(1,7,'row 8',5120.0,2.91,0.02,4.5,1);
INSERT INTO "points" VALUES(1,8,'row 9',5160.0,3.522783,0.02,4.5,1);
INSERT INTO "points" VALUES(2,0,'row 1',4840.0,3.655626,0.02,4.5,1);
INSERT INTO "points" VALUES(2,1,'row 2',4880.0,3.02788,0.02,4.5,1);
INSERT INTO "points" VALUES(2,2,'row 3',4920.0,2.476207,0.02,4.5,1);
INSERT INTO "points" VALUES(2,3,'row 4',4960.0,2.116086,0.02,4.5,1);
INSERT INTO "points" VALUES(2,4,'row 5',5000.0,2.004894,0.02,4.5,1);
INSERT INTO "points" VALUES(2,5,'row 6',5040.0,2.219887,0.02,4.5,1);
INSERT INTO "points" VALUES(2,6,'row 7',5080.0,2.650962,0.02,4.5,1);
INSERT INTO "points" VALUES(2,7,'row 8',5120.0,3.242893,0.02,4.5,1);
INSERT INTO "points" VALUES(2,8,'row 9',5160.0,3.893019,0.02,4.5,1);
CREATE TABLE rigs (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE
);
INSERT INTO "rigs" VALUES(1,'balcony');
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
, reasons TEXT NOT NULL DEFAULT '', summary TEXT);
INSERT INTO "runs" VALUES(1,'9308211a505b589611507ee6b9f43063',1,'2027-01-05T20:04:00','L',4.5,NULL,5014.96851076491,3.86012446052973245969e-01,5013.9366353584,5.01646586576467780121e+03,'trusted','v3/a/sizes.csv','','','3fe4c5df34d39e4fb8ae208b17861499');
INSERT INTO "runs" VALUES(2,'ce0adf75bd04fedd00f69e9934a7e808',1,'2027-01-05T21:04:00','L',4.5,NULL,4.99302078230417100725e+03,0.369196333027503,4.9917404378440378425e+03,4.99412096336159265757e+03,'trusted','v3/b/sizes.csv','','','0af5e3863069181a4294177115c73ea4');
INSERT INTO "runs" VALUES(3,'7a6ec5ee924ee5b4c7c62add5209a187',1,'2027-01-06T20:00:00',NULL,4.0,NULL,5001.0,NULL,NULL,NULL,NULL,'h.csv row 1','','','7a6ec5ee924ee5b4c7c62add5209a187');
INSERT INTO "runs" VALUES(4,'8b505b285cb81fd174891f1c34e7f720',1,NULL,NULL,3.0,NULL,5010.0,NULL,NULL,NULL,NULL,'h.csv row 2','','','8b505b285cb81fd174891f1c34e7f720');
CREATE INDEX runs_by_time ON runs (time_utc);
CREATE INDEX runs_by_summary ON runs (summary);
CREATE INDEX runs_by_rig ON runs (rig_id, time_utc);
CREATE INDEX measurements_by_time ON measurements (time_utc);
PRAGMA application_id = 1400141683;
PRAGMA user_version = 3;
