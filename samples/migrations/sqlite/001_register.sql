-- The register: samples, their revisions, their kernels and pictures, and the
-- audit trail. Rows are added, never changed: triggers refuse the rest.
CREATE TABLE samples (
  id         INTEGER PRIMARY KEY,
  code       TEXT NOT NULL UNIQUE,
  key        TEXT NOT NULL UNIQUE,   -- pictures and settings, see Key
  registered TEXT NOT NULL           -- RFC 3339, UTC
) STRICT;

CREATE TABLE revisions (
  sample     INTEGER NOT NULL REFERENCES samples (id),
  revision   INTEGER NOT NULL CHECK (revision >= 1),
  sampled_at TEXT NOT NULL,          -- drawn, else received, else registered; RFC 3339, UTC
  row        TEXT NOT NULL,          -- what lists and trends show, JSON, see Row
  search     TEXT NOT NULL,          -- the texts of the record in lower case
  document   BLOB NOT NULL,          -- the record, gzip of JSON
  PRIMARY KEY (sample, revision)
) STRICT;
CREATE INDEX revisions_by_time ON revisions (sampled_at);

CREATE TABLE kernels (
  sample  INTEGER PRIMARY KEY REFERENCES samples (id),
  kernels BLOB NOT NULL
) STRICT;

CREATE TABLE pictures (
  sample   INTEGER NOT NULL REFERENCES samples (id),
  position INTEGER NOT NULL,
  sha256   TEXT NOT NULL,
  path     TEXT NOT NULL,
  PRIMARY KEY (sample, position)
) STRICT;
CREATE INDEX pictures_by_sum ON pictures (sha256);

CREATE TABLE audit (
  seq      INTEGER PRIMARY KEY CHECK (seq >= 1),
  at       TEXT NOT NULL,
  action   TEXT NOT NULL,
  code     TEXT NOT NULL,
  revision INTEGER NOT NULL,
  actor    TEXT NOT NULL,
  reason   TEXT NOT NULL,
  body     TEXT NOT NULL,            -- SHA-256 of the record's JSON
  prev     TEXT NOT NULL,            -- hash of the entry before
  hash     TEXT NOT NULL UNIQUE
) STRICT;

CREATE TRIGGER samples_stay     BEFORE UPDATE ON samples   BEGIN SELECT RAISE(ABORT, 'nothing in the register is changed'); END;
CREATE TRIGGER samples_remain   BEFORE DELETE ON samples   BEGIN SELECT RAISE(ABORT, 'nothing in the register is deleted'); END;
CREATE TRIGGER revisions_stay   BEFORE UPDATE ON revisions BEGIN SELECT RAISE(ABORT, 'nothing in the register is changed'); END;
CREATE TRIGGER revisions_remain BEFORE DELETE ON revisions BEGIN SELECT RAISE(ABORT, 'nothing in the register is deleted'); END;
CREATE TRIGGER kernels_stay     BEFORE UPDATE ON kernels   BEGIN SELECT RAISE(ABORT, 'nothing in the register is changed'); END;
CREATE TRIGGER kernels_remain   BEFORE DELETE ON kernels   BEGIN SELECT RAISE(ABORT, 'nothing in the register is deleted'); END;
CREATE TRIGGER pictures_stay    BEFORE UPDATE ON pictures  BEGIN SELECT RAISE(ABORT, 'nothing in the register is changed'); END;
CREATE TRIGGER pictures_remain  BEFORE DELETE ON pictures  BEGIN SELECT RAISE(ABORT, 'nothing in the register is deleted'); END;
CREATE TRIGGER audit_stays      BEFORE UPDATE ON audit     BEGIN SELECT RAISE(ABORT, 'nothing in the register is changed'); END;
CREATE TRIGGER audit_remains    BEFORE DELETE ON audit     BEGIN SELECT RAISE(ABORT, 'nothing in the register is deleted'); END;
