BEGIN TRANSACTION;
CREATE TABLE design (
    digest TEXT PRIMARY KEY,               -- SHA-256 of the file's text
    name TEXT NOT NULL,
    text TEXT NOT NULL                     -- the prop file as it was, so that a record stands alone
) STRICT;
INSERT INTO "design" VALUES('ad2708dff0994b6756ba5fab5b3b08700236fbbbd7865ed305f0f554bcb01618','Willow fan','format = 1
name = "Willow fan"
[node]
kind = "ws2811-5v"
[[strand]]
count = 4
nodes = 10
pitch_mm = 30.0
lead_mm = [60.0, 60.0]
wire = "22 AWG"
[data]
path = "zigzag"
[[bus]]
name = "foot"
joins = "A"
copper = { weight_oz = 2.0, width_mm = 8.0 }
spacing_mm = 40.0
[[bus]]
name = "crown"
joins = "B"
copper = { weight_oz = 2.0, width_mm = 8.0 }
spacing_mm = 40.0
[[feed]]
name = "main"
at = "foot:1"
volts = 5.0
wire = "16 AWG"
length_mm = 1500.0
fuse_a = 1.0
supply_a = 10.0
');
CREATE TABLE event (
    session TEXT NOT NULL REFERENCES session (id),
    seq INTEGER NOT NULL CHECK (seq > 0),
    at TEXT NOT NULL,                      -- ISO 8601, UTC
    kind TEXT NOT NULL,
    data TEXT NOT NULL CHECK (json_valid(data)),
    PRIMARY KEY (session, seq)
) STRICT;
INSERT INTO "event" VALUES('4f9f1c1e-0a55-4c0b-9a5e-5f8a2a4b7d01',1,'2026-11-02T18:00:14.000+00:00','verdict','{"strand": 1, "passed": true, "level": 0.25}');
INSERT INTO "event" VALUES('4f9f1c1e-0a55-4c0b-9a5e-5f8a2a4b7d01',2,'2026-11-02T18:00:21.000+00:00','verdict','{"strand": 2, "passed": true, "level": 0.25}');
INSERT INTO "event" VALUES('4f9f1c1e-0a55-4c0b-9a5e-5f8a2a4b7d01',3,'2026-11-02T18:00:28.000+00:00','verdict','{"strand": 3, "passed": true, "level": 0.25}');
INSERT INTO "event" VALUES('4f9f1c1e-0a55-4c0b-9a5e-5f8a2a4b7d01',4,'2026-11-02T18:00:35.000+00:00','verdict','{"strand": 4, "passed": false, "level": 0.25}');
INSERT INTO "event" VALUES('4f9f1c1e-0a55-4c0b-9a5e-5f8a2a4b7d01',5,'2026-11-02T18:00:42.000+00:00','mark','{"lit": "4", "strand": 4, "nodes": "5-10", "seen": "warm", "level": 1.0, "colour": "white"}');
INSERT INTO "event" VALUES('4f9f1c1e-0a55-4c0b-9a5e-5f8a2a4b7d01',6,'2026-11-02T18:00:49.000+00:00','reading','{"lit": "all", "probe": "4B", "volts": 4.1, "amps": null, "level": 1.0, "colour": "white"}');
INSERT INTO "event" VALUES('4f9f1c1e-0a55-4c0b-9a5e-5f8a2a4b7d01',7,'2026-11-02T18:00:56.000+00:00','undone','{"seq": 6}');
INSERT INTO "event" VALUES('4f9f1c1e-0a55-4c0b-9a5e-5f8a2a4b7d01',8,'2026-11-02T18:01:03.000+00:00','reading','{"lit": "all", "probe": "4B", "volts": 4.31, "amps": null, "level": 1.0, "colour": "white"}');
INSERT INTO "event" VALUES('4f9f1c1e-0a55-4c0b-9a5e-5f8a2a4b7d01',9,'2026-11-02T18:01:10.000+00:00','repair','{"where": "4A+", "what": "reflowed"}');
INSERT INTO "event" VALUES('4f9f1c1e-0a55-4c0b-9a5e-5f8a2a4b7d01',10,'2026-11-02T18:01:17.000+00:00','stage','{"stage": "soldered", "was": "bare"}');
INSERT INTO "event" VALUES('b7e0d2c4-6a3c-4c1d-8f62-1d0f1f3a9c02',1,'2026-11-09T19:30:14.000+00:00','verdict','{"strand": 1, "passed": true, "level": 0.25}');
INSERT INTO "event" VALUES('b7e0d2c4-6a3c-4c1d-8f62-1d0f1f3a9c02',2,'2026-11-09T19:30:21.000+00:00','verdict','{"strand": 2, "passed": true, "level": 0.25}');
INSERT INTO "event" VALUES('b7e0d2c4-6a3c-4c1d-8f62-1d0f1f3a9c02',3,'2026-11-09T19:30:28.000+00:00','verdict','{"strand": 3, "passed": true, "level": 0.25}');
INSERT INTO "event" VALUES('b7e0d2c4-6a3c-4c1d-8f62-1d0f1f3a9c02',4,'2026-11-09T19:30:35.000+00:00','verdict','{"strand": 4, "passed": true, "level": 0.25}');
INSERT INTO "event" VALUES('b7e0d2c4-6a3c-4c1d-8f62-1d0f1f3a9c02',5,'2026-11-09T19:30:42.000+00:00','note','{"text": "rain “all night”"}');
INSERT INTO "event" VALUES('b7e0d2c4-6a3c-4c1d-8f62-1d0f1f3a9c02',6,'2026-11-09T19:30:49.000+00:00','signed-off','{"by": "Ada", "comment": "looks well"}');
CREATE TABLE session (
    id TEXT PRIMARY KEY,                   -- UUID
    tag TEXT NOT NULL REFERENCES unit (tag),
    design TEXT NOT NULL REFERENCES design (digest),
    started_at TEXT NOT NULL,              -- ISO 8601, UTC
    meter TEXT NOT NULL
) STRICT;
INSERT INTO "session" VALUES('4f9f1c1e-0a55-4c0b-9a5e-5f8a2a4b7d01','WF-03','ad2708dff0994b6756ba5fab5b3b08700236fbbbd7865ed305f0f554bcb01618','2026-11-02T18:00:07.000+00:00','0.5%+3/6000');
INSERT INTO "session" VALUES('b7e0d2c4-6a3c-4c1d-8f62-1d0f1f3a9c02','WF-03','ad2708dff0994b6756ba5fab5b3b08700236fbbbd7865ed305f0f554bcb01618','2026-11-09T19:30:07.000+00:00','0.5%+3/6000');
CREATE TABLE unit (
    tag TEXT PRIMARY KEY,
    design_name TEXT NOT NULL,
    stage TEXT NOT NULL DEFAULT 'bare'
        CHECK (stage IN ('bare', 'soldered', 'sealed', 'outdoors', 'back'))
) STRICT;
INSERT INTO "unit" VALUES('WF-03','Willow fan','soldered');
CREATE TRIGGER event_stays BEFORE UPDATE ON event
BEGIN SELECT RAISE(ABORT, 'events are only ever added'); END;
CREATE TRIGGER event_is_kept BEFORE DELETE ON event
BEGIN SELECT RAISE(ABORT, 'events are only ever added'); END;
COMMIT;
