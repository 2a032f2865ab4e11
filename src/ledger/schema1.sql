-- Times are RFC 3339 text in UTC with nine decimals; paths are the bytes as they are on disk.

CREATE TABLE about (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
-- Part of the names of our temporary files, so that two daemons that share a folder never take
-- each other's for their own.
INSERT INTO about (key, value) VALUES ('id', lower(hex(randomblob(4))));

-- One row for each time that a file settled.
CREATE TABLE files (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  watch TEXT NOT NULL,
  path BLOB NOT NULL,
  name BLOB NOT NULL,
  state TEXT NOT NULL,
  identity TEXT NOT NULL,
  settled_at TEXT NOT NULL,
  previous INTEGER REFERENCES files (id),
  -- Set where the file settled again before anything was done with it.
  superseded_by INTEGER REFERENCES files (id),
  weighed_at TEXT,
  bytes INTEGER,
  blake3 TEXT,
  sha256 TEXT,
  audio_blake3 TEXT,
  profile TEXT,
  profile_digest TEXT,
  tool_version TEXT,
  verdict TEXT,
  reason TEXT,
  revision INTEGER,
  replaces TEXT,
  -- As weighed; after custody, as it was written to disk.
  sidecar TEXT,
  closed_at TEXT,
  place_root TEXT, place_folder BLOB, place_path BLOB, place_name BLOB,
  sidecar_root TEXT, sidecar_folder BLOB, sidecar_path BLOB
) STRICT;
CREATE INDEX files_by_path ON files (watch, path, id);
CREATE INDEX files_by_digest ON files (blake3, profile_digest);
CREATE INDEX files_by_name ON files (name);
CREATE INDEX files_by_place ON files (place_name);
CREATE INDEX files_under_way ON files (state) WHERE state IN ('arriving', 'settled', 'weighed');
CREATE INDEX files_by_close ON files (closed_at);

-- What has not settled yet.
CREATE TABLE arriving (
  watch TEXT NOT NULL,
  path BLOB NOT NULL,
  identity TEXT NOT NULL,
  since TEXT NOT NULL,
  why TEXT,
  PRIMARY KEY (watch, path)
) STRICT, WITHOUT ROWID;

CREATE TABLE events (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  file INTEGER NOT NULL REFERENCES files (id),
  event TEXT NOT NULL
) STRICT;
CREATE INDEX events_by_file ON events (file);

-- The journal of custody: written before the deed, closed after it.
CREATE TABLE intents (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  file INTEGER NOT NULL REFERENCES files (id),
  state TEXT NOT NULL CHECK (state IN ('open', 'done', 'abandoned')),
  opened_at TEXT NOT NULL,
  closed_at TEXT,
  why TEXT,
  intent TEXT NOT NULL,
  sidecar TEXT
) STRICT;
CREATE UNIQUE INDEX one_open_intent ON intents (file) WHERE state = 'open';
CREATE INDEX intents_by_file ON intents (file);

CREATE TABLE mails (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  message_id TEXT NOT NULL UNIQUE,
  subject TEXT NOT NULL,
  recipients TEXT NOT NULL,
  raw BLOB NOT NULL,
  made_at TEXT NOT NULL,
  attempts INTEGER NOT NULL DEFAULT 0,
  next_at TEXT NOT NULL,
  sent_at TEXT,
  refused_at TEXT,
  error TEXT
) STRICT;
CREATE INDEX mails_due ON mails (next_at) WHERE sent_at IS NULL AND refused_at IS NULL;

CREATE TABLE notices (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  kind TEXT NOT NULL,
  key TEXT NOT NULL UNIQUE,
  payload TEXT NOT NULL,
  at TEXT NOT NULL,
  file INTEGER REFERENCES files (id),
  mail INTEGER REFERENCES mails (id),
  -- Set where it needs no mail of its own.
  done_at TEXT
) STRICT;
CREATE INDEX notices_waiting ON notices (id) WHERE mail IS NULL AND done_at IS NULL;
CREATE INDEX notices_by_file ON notices (file);

CREATE TABLE roots (
  watch TEXT PRIMARY KEY,
  identity TEXT NOT NULL,
  at TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- What is wrong now, for those who look on from outside; emptied when a daemon starts.
CREATE TABLE troubles (
  key TEXT PRIMARY KEY,
  says TEXT NOT NULL,
  place TEXT NOT NULL,
  to_do TEXT NOT NULL,
  since TEXT NOT NULL
) STRICT, WITHOUT ROWID;
