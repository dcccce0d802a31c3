-- The register: samples, their revisions, their kernels and pictures, and the
-- audit trail. Rows are added, never changed: triggers refuse the rest.
CREATE TABLE samples (
  id         BIGINT PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
  code       TEXT NOT NULL UNIQUE,
  key        TEXT NOT NULL UNIQUE,   -- pictures and settings, see Key
  registered TEXT NOT NULL           -- RFC 3339, UTC
);

CREATE TABLE revisions (
  sample     BIGINT NOT NULL REFERENCES samples (id),
  revision   BIGINT NOT NULL CHECK (revision >= 1),
  sampled_at TEXT NOT NULL,          -- drawn, else received, else registered; RFC 3339, UTC
  row        TEXT NOT NULL,          -- what lists and trends show, JSON, see Row
  search     TEXT NOT NULL,          -- the texts of the record in lower case
  document   BYTEA NOT NULL,         -- the record, gzip of JSON
  PRIMARY KEY (sample, revision)
);
CREATE INDEX revisions_by_time ON revisions (sampled_at);

CREATE TABLE kernels (
  sample  BIGINT PRIMARY KEY REFERENCES samples (id),
  kernels BYTEA NOT NULL
);

CREATE TABLE pictures (
  sample   BIGINT NOT NULL REFERENCES samples (id),
  position BIGINT NOT NULL,
  sha256   TEXT NOT NULL,
  path     TEXT NOT NULL,
  PRIMARY KEY (sample, position)
);
CREATE INDEX pictures_by_sum ON pictures (sha256);

CREATE TABLE audit (
  seq      BIGINT PRIMARY KEY CHECK (seq >= 1),
  at       TEXT NOT NULL,
  action   TEXT NOT NULL,
  code     TEXT NOT NULL,
  revision BIGINT NOT NULL,
  actor    TEXT NOT NULL,
  reason   TEXT NOT NULL,
  body     TEXT NOT NULL,            -- SHA-256 of the record's JSON
  prev     TEXT NOT NULL,            -- hash of the entry before
  hash     TEXT NOT NULL UNIQUE
);

CREATE FUNCTION register_stays() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  RAISE EXCEPTION 'nothing in the register is changed or deleted';
END
$$;
CREATE TRIGGER samples_stay   BEFORE UPDATE OR DELETE OR TRUNCATE ON samples   EXECUTE FUNCTION register_stays();
CREATE TRIGGER revisions_stay BEFORE UPDATE OR DELETE OR TRUNCATE ON revisions EXECUTE FUNCTION register_stays();
CREATE TRIGGER kernels_stay   BEFORE UPDATE OR DELETE OR TRUNCATE ON kernels   EXECUTE FUNCTION register_stays();
CREATE TRIGGER pictures_stay  BEFORE UPDATE OR DELETE OR TRUNCATE ON pictures  EXECUTE FUNCTION register_stays();
CREATE TRIGGER audit_stays    BEFORE UPDATE OR DELETE OR TRUNCATE ON audit     EXECUTE FUNCTION register_stays();
