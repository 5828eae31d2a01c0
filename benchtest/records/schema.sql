-- The bench's shelf, version 2. Statements are separated by a line with two dashes and an equals sign.
CREATE TABLE design (
    digest TEXT PRIMARY KEY,               -- SHA-256 of the file's text
    name TEXT NOT NULL,
    text TEXT NOT NULL                     -- the prop file as it was, so that a record stands alone
) STRICT;
--=
CREATE TABLE unit (
    tag TEXT PRIMARY KEY,
    design_name TEXT NOT NULL,
    stage TEXT NOT NULL DEFAULT 'bare'
        CHECK (stage IN ('bare', 'soldered', 'sealed', 'outdoors', 'back'))
) STRICT;
--=
CREATE TABLE session (
    id TEXT PRIMARY KEY,                   -- UUID
    tag TEXT NOT NULL REFERENCES unit (tag),
    design TEXT NOT NULL REFERENCES design (digest),
    started_at TEXT NOT NULL,              -- ISO 8601, UTC, by the clock as it stood
    meter TEXT NOT NULL,
    placed_ms INTEGER NOT NULL DEFAULT 0   -- order among the unit's sessions: started_at since 1970,
                                           -- or just after the last where the clock was behind it
) STRICT;
--=
CREATE TABLE event (
    session TEXT NOT NULL REFERENCES session (id),
    seq INTEGER NOT NULL CHECK (seq > 0),
    at TEXT NOT NULL,                      -- ISO 8601, UTC
    kind TEXT NOT NULL,
    data TEXT NOT NULL CHECK (json_valid(data)),
    digest TEXT NOT NULL DEFAULT '',       -- of the event and its session: finds what a disk forgot
    PRIMARY KEY (session, seq)
) STRICT;
--=
CREATE TRIGGER event_stays BEFORE UPDATE ON event
BEGIN SELECT RAISE(ABORT, 'events are only ever added'); END;
--=
CREATE TRIGGER event_is_kept BEFORE DELETE ON event
BEGIN SELECT RAISE(ABORT, 'events are only ever added'); END;
