-- Pictures that could not be graded, so that a batch that goes on, or a watched
-- folder, tells of them without measuring them again and again.
CREATE TABLE refused (
  key    TEXT PRIMARY KEY,           -- pictures and settings, see Key
  path   TEXT NOT NULL,
  at     TEXT NOT NULL,
  reason TEXT NOT NULL,
  hint   TEXT NOT NULL
) STRICT;
