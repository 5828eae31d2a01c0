BEGIN TRANSACTION;
CREATE TABLE design (
    digest TEXT PRIMARY KEY,               -- SHA-256 of the file's text
    name TEXT NOT NULL,
    text TEXT NOT NULL                     -- the prop file as it was, so that a record stands alone
) STRICT;
INSERT INTO "design" VALUES('d4183e5eef3e9af99a5d58cf666536565782be4e142edbf29252b594ae9a77a8','Willow fan','# Willow fan: twelve strands between a foot and a crown board, for the riverside garden''s trail.
format = 1
name = "Willow fan"

[node]
kind = "ws2811-5v"
colour_order = "RGB"

[[strand]]
count = 12
nodes = 30
pitch_mm = 30.0
lead_mm = [60.0, 60.0]
wire = "22 AWG"

[data]
path = "zigzag"

[[bus]]
name = "foot"
joins = "A"
copper = { weight_oz = 2.0, width_mm = 10.0 }
spacing_mm = 40.0

[[bus]]
name = "crown"
joins = "B"
copper = { weight_oz = 2.0, width_mm = 10.0 }
spacing_mm = 40.0

[[feed]]
name = "main"
at = "foot:6"
volts = 5.0
wire = "14 AWG"
length_mm = 1000.0
fuse_a = 20.0
supply_a = 20.0
');
CREATE TABLE event (
    session TEXT NOT NULL REFERENCES session (id),
    seq INTEGER NOT NULL CHECK (seq > 0),
    at TEXT NOT NULL,                      -- ISO 8601, UTC
    kind TEXT NOT NULL,
    data TEXT NOT NULL CHECK (json_valid(data)),
    digest TEXT NOT NULL DEFAULT '',       -- of the event and its session: finds what a disk forgot
    PRIMARY KEY (session, seq)
) STRICT;
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',1,'2026-12-01T08:45:00.955+00:00','check','{"check": "rails", "feed": "main", "passed": true, "ohm": null, "volts": null, "lit": "", "like": null, "target": "virtual"}','59f399bb220da4acb8d64f06');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',2,'2026-12-01T08:45:00.963+00:00','check','{"check": "polarity", "feed": "main", "passed": true, "ohm": null, "volts": null, "lit": "", "like": null, "target": "virtual"}','a3656e2bf120d2084fad3554');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',3,'2026-12-01T08:45:00.975+00:00','check','{"check": "fuse", "feed": "main", "passed": true, "ohm": null, "volts": null, "lit": "", "like": null, "target": "virtual"}','db403965a8e26c564315440a');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',4,'2026-12-01T08:45:01.011+00:00','check','{"check": "supply", "feed": "main", "passed": true, "ohm": null, "volts": 5.019, "lit": "", "like": null, "target": "virtual"}','0d47e5a6203ca836c8647149');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',5,'2026-12-01T08:45:01.031+00:00','first-light','{"passed": true, "level": 0.05, "target": "virtual"}','774843ca93802f368ef0a5a6');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',6,'2026-12-01T08:45:01.108+00:00','picture','{"as_drawn": true, "lit": null, "target": "virtual"}','95035d33a035a32192c700e8');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',7,'2026-12-01T08:45:02.307+00:00','verdict','{"strand": 1, "passed": true, "level": 0.25, "way": "parade", "target": "virtual"}','b41f601a24d1b29999bde2bb');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',8,'2026-12-01T08:45:02.314+00:00','verdict','{"strand": 2, "passed": true, "level": 0.25, "way": "parade", "target": "virtual"}','c642e223b19a2e8dbaddf7ec');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',9,'2026-12-01T08:45:02.322+00:00','verdict','{"strand": 3, "passed": true, "level": 0.25, "way": "parade", "target": "virtual"}','80c3a1a397fd2c63a64c0289');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',10,'2026-12-01T08:45:02.330+00:00','verdict','{"strand": 4, "passed": true, "level": 0.25, "way": "parade", "target": "virtual"}','7f80c8432be8db56ed1af632');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',11,'2026-12-01T08:45:02.334+00:00','verdict','{"strand": 5, "passed": true, "level": 0.25, "way": "parade", "target": "virtual"}','0da74b2b5f3511b7b9ec3670');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',12,'2026-12-01T08:45:02.339+00:00','verdict','{"strand": 6, "passed": true, "level": 0.25, "way": "parade", "target": "virtual"}','16adabd0707e1b8fb99e9981');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',13,'2026-12-01T08:45:02.347+00:00','verdict','{"strand": 7, "passed": true, "level": 0.25, "way": "parade", "target": "virtual"}','1f91ed59e79214157a2e979f');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',14,'2026-12-01T08:45:02.347+00:00','verdict','{"strand": 8, "passed": true, "level": 0.25, "way": "parade", "target": "virtual"}','3f1eb8ed52122a31f938a27a');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',15,'2026-12-01T08:45:02.354+00:00','verdict','{"strand": 9, "passed": true, "level": 0.25, "way": "parade", "target": "virtual"}','30b37424444afce0fa806010');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',16,'2026-12-01T08:45:02.358+00:00','verdict','{"strand": 10, "passed": true, "level": 0.25, "way": "parade", "target": "virtual"}','7175abbe7dd3c60ab1cb9ab6');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',17,'2026-12-01T08:45:02.366+00:00','verdict','{"strand": 11, "passed": true, "level": 0.25, "way": "parade", "target": "virtual"}','f5ac2bef40285415a80aaf87');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',18,'2026-12-01T08:45:02.378+00:00','verdict','{"strand": 12, "passed": true, "level": 0.25, "way": "parade", "target": "virtual"}','afa5404627194937f7226fe3');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',19,'2026-12-01T08:45:04.260+00:00','finding','{"healthy": 0.7948, "settled": false, "suspects": [{"where": "colour_order", "fault": "colour-order", "probability": 0.004, "ohms": null}, {"where": "1A+", "fault": "resistive", "probability": 0.0032, "ohms": 0.0413}, {"where": "1A-", "fault": "resistive", "probability": 0.0032, "ohms": 0.0413}, {"where": "2A+", "fault": "resistive", "probability": 0.0032, "ohms": 0.0413}, {"where": "2A-", "fault": "resistive", "probability": 0.0032, "ohms": 0.0413}, {"where": "3A+", "fault": "resistive", "probability": 0.0032, "ohms": 0.0413}, {"where": "3A-", "fault": "resistive", "probability": 0.0032, "ohms": 0.0413}, {"where": "4A+", "fault": "resistive", "probability": 0.0032, "ohms": 0.0413}], "cleared_ohm": null, "set_aside": [], "lowest_v": null, "target": "virtual"}','bfcce17ddfe86e0d0b93aec4');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',20,'2026-12-01T08:45:04.778+00:00','reading','{"lit": "1 3 5 7 9 11", "probe": "crown:11+>crown:2+", "volts": -0.0001, "amps": null, "level": 1.0, "colour": "white", "source": null, "meter": null, "again": null, "decimals": null, "target": "virtual"}','d51823a411eb0d91df9338ba');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',21,'2026-12-01T08:45:06.952+00:00','finding','{"healthy": 0.5372, "settled": false, "suspects": [{"where": "10B+", "fault": "resistive", "probability": 0.0348, "ohms": 0.0846}, {"where": "10A+", "fault": "resistive", "probability": 0.0325, "ohms": 0.2383}, {"where": "3B+", "fault": "resistive", "probability": 0.0294, "ohms": 0.1593}, {"where": "12B+", "fault": "resistive", "probability": 0.0292, "ohms": 0.1687}, {"where": "10B+", "fault": "open", "probability": 0.0269, "ohms": null}, {"where": "10A+", "fault": "open", "probability": 0.0246, "ohms": null}, {"where": "12A+", "fault": "resistive", "probability": 0.024, "ohms": 0.1194}, {"where": "12B+", "fault": "open", "probability": 0.0208, "ohms": null}], "cleared_ohm": null, "set_aside": [], "lowest_v": null, "target": "virtual"}','969a91a6c1c4bb1b196e99b9');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',22,'2026-12-01T08:45:07.473+00:00','reading','{"lit": "1-4 9-12", "probe": "crown:11+>crown:2+", "volts": 0.0, "amps": null, "level": 1.0, "colour": "white", "source": null, "meter": null, "again": null, "decimals": null, "target": "virtual"}','1574ce3c3a5deb09d53b10dd');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',23,'2026-12-01T08:45:08.162+00:00','finding','{"healthy": 0.0082, "settled": false, "suspects": [{"where": "12B+", "fault": "resistive", "probability": 0.2074, "ohms": 0.3}, {"where": "10B+", "fault": "resistive", "probability": 0.1715, "ohms": 0.1976}, {"where": "10B+", "fault": "open", "probability": 0.1632, "ohms": null}, {"where": "main-", "fault": "resistive", "probability": 0.1459, "ohms": 1.1943}, {"where": "main+", "fault": "resistive", "probability": 0.1459, "ohms": 1.8929}, {"where": "12B+", "fault": "open", "probability": 0.1356, "ohms": null}, {"where": "5B+", "fault": "open", "probability": 0.0168, "ohms": null}, {"where": "5B+", "fault": "resistive", "probability": 0.0075, "ohms": 25.1036}], "cleared_ohm": null, "set_aside": [], "lowest_v": null, "target": "virtual"}','f2962c41897b0738f8529c1d');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',24,'2026-12-01T08:45:08.674+00:00','reading','{"lit": "1 3 5 7 9 11", "probe": "12B+>10B+", "volts": 0.011, "amps": null, "level": 1.0, "colour": "white", "source": null, "meter": null, "again": null, "decimals": null, "target": "virtual"}','c15e63db4991283c22cffdd6');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',25,'2026-12-01T08:45:08.881+00:00','finding','{"healthy": 0.0, "settled": false, "suspects": [{"where": "12B+", "fault": "resistive", "probability": 0.8639, "ohms": 0.3178}, {"where": "12B+", "fault": "open", "probability": 0.1361, "ohms": null}], "cleared_ohm": null, "set_aside": [], "lowest_v": null, "target": "virtual"}','5364676ef1a4b0101311b4dc');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',26,'2026-12-01T08:45:08.894+00:00','reading','{"lit": "12", "probe": "crown:12+>12B+", "volts": 0.0283, "amps": null, "level": 1.0, "colour": "white", "source": null, "meter": null, "again": null, "decimals": null, "target": "virtual"}','426cf88501d7f843d89b58a6');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',27,'2026-12-01T08:45:09.356+00:00','finding','{"healthy": 0.0, "settled": true, "suspects": [{"where": "12B+", "fault": "resistive", "probability": 0.8358, "ohms": 0.2524}, {"where": "12B+", "fault": "open", "probability": 0.1642, "ohms": null}], "cleared_ohm": null, "set_aside": [], "lowest_v": 4.65, "target": "virtual"}','e61ab0c08fafad9426a5823d');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',28,'2026-12-01T08:45:09.368+00:00','repair','{"where": "12B+", "what": "repaired by the demo", "target": "virtual"}','d54cfc39cd20b7ff94fdb823');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',29,'2026-12-01T08:45:09.418+00:00','check','{"check": "rails", "feed": "main", "passed": true, "ohm": null, "volts": null, "lit": "", "like": null, "target": "virtual"}','15e1d125ca935232a638aac6');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',30,'2026-12-01T08:45:09.442+00:00','verdict','{"strand": 12, "passed": true, "level": 0.25, "way": "alone", "target": "virtual"}','02a2c4d893b54de09e055de5');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',31,'2026-12-01T08:45:10.438+00:00','finding','{"healthy": 0.8663, "settled": false, "suspects": [{"where": "7B+", "fault": "resistive", "probability": 0.0046, "ohms": 0.0798}, {"where": "colour_order", "fault": "colour-order", "probability": 0.0043, "ohms": null}, {"where": "1A-", "fault": "resistive", "probability": 0.0035, "ohms": 0.0413}, {"where": "2A-", "fault": "resistive", "probability": 0.0035, "ohms": 0.0413}, {"where": "3A-", "fault": "resistive", "probability": 0.0035, "ohms": 0.0413}, {"where": "4A-", "fault": "resistive", "probability": 0.0035, "ohms": 0.0413}, {"where": "5A-", "fault": "resistive", "probability": 0.0035, "ohms": 0.0413}, {"where": "6A-", "fault": "resistive", "probability": 0.0035, "ohms": 0.0413}], "cleared_ohm": null, "set_aside": [], "lowest_v": null, "target": "virtual"}','4f55dbbcd5370684a6d21fe4');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',32,'2026-12-01T08:45:10.941+00:00','reading','{"lit": "all", "probe": "crown:12->foot:12-", "volts": 0.0255, "amps": null, "level": 1.0, "colour": "white", "source": null, "meter": null, "again": null, "decimals": null, "target": "virtual"}','12814e4464dde204de414397');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',33,'2026-12-01T08:45:11.658+00:00','finding','{"healthy": 0.8763, "settled": false, "suspects": [{"where": "7B+", "fault": "resistive", "probability": 0.0046, "ohms": 0.0798}, {"where": "colour_order", "fault": "colour-order", "probability": 0.0044, "ohms": null}, {"where": "6B-", "fault": "resistive", "probability": 0.0039, "ohms": 21.9013}, {"where": "7B-", "fault": "resistive", "probability": 0.0038, "ohms": 21.8784}, {"where": "5B-", "fault": "resistive", "probability": 0.0037, "ohms": 21.8647}, {"where": "1A-", "fault": "resistive", "probability": 0.0036, "ohms": 0.0599}, {"where": "2A-", "fault": "resistive", "probability": 0.0036, "ohms": 0.0565}, {"where": "8B-", "fault": "resistive", "probability": 0.0036, "ohms": 21.8212}], "cleared_ohm": null, "set_aside": [], "lowest_v": null, "target": "virtual"}','bf5cd7adea8bca2a88f15cbd');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',34,'2026-12-01T08:45:12.172+00:00','reading','{"lit": "1 3 5 7 9 11", "probe": "crown:12->foot:12-", "volts": 0.0131, "amps": null, "level": 1.0, "colour": "white", "source": null, "meter": null, "again": null, "decimals": null, "target": "virtual"}','354c8eec4cac5c59c147dd4f');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',35,'2026-12-01T08:45:12.621+00:00','finding','{"healthy": 0.9621, "settled": false, "suspects": [{"where": "7B+", "fault": "resistive", "probability": 0.0051, "ohms": 0.0798}, {"where": "colour_order", "fault": "colour-order", "probability": 0.0048, "ohms": null}, {"where": "4B+", "fault": "resistive", "probability": 0.0024, "ohms": 0.0424}, {"where": "6B+", "fault": "resistive", "probability": 0.0021, "ohms": 0.0357}, {"where": "6A+", "fault": "resistive", "probability": 0.002, "ohms": 0.0353}, {"where": "7B+", "fault": "open", "probability": 0.0015, "ohms": null}], "cleared_ohm": null, "set_aside": [], "lowest_v": null, "target": "virtual"}','6b264202a09785269927f114');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',36,'2026-12-01T08:45:13.124+00:00','reading','{"lit": "all", "probe": "12B", "volts": 4.626, "amps": null, "level": 1.0, "colour": "white", "source": null, "meter": null, "again": null, "decimals": null, "target": "virtual"}','d9b488d8b2b3d788e180a523');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',37,'2026-12-01T08:45:13.558+00:00','finding','{"healthy": 0.9632, "settled": false, "suspects": [{"where": "7B+", "fault": "resistive", "probability": 0.0051, "ohms": 0.0798}, {"where": "colour_order", "fault": "colour-order", "probability": 0.0048, "ohms": null}, {"where": "4B+", "fault": "resistive", "probability": 0.0024, "ohms": 0.0424}, {"where": "6B+", "fault": "resistive", "probability": 0.0021, "ohms": 0.0357}, {"where": "6A+", "fault": "resistive", "probability": 0.002, "ohms": 0.0353}, {"where": "7B+", "fault": "open", "probability": 0.0014, "ohms": null}], "cleared_ohm": null, "set_aside": [], "lowest_v": null, "target": "virtual"}','acd6e7aa5fa0fe3f55426e54');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',38,'2026-12-01T08:45:13.561+00:00','reading','{"lit": "all", "probe": "6B+>7B+", "volts": 0.0003, "amps": null, "level": 1.0, "colour": "white", "source": null, "meter": null, "again": null, "decimals": null, "target": "virtual"}','d22042814b2cf2526ef4e6be');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',39,'2026-12-01T08:45:13.868+00:00','finding','{"healthy": 0.9745, "settled": false, "suspects": [{"where": "colour_order", "fault": "colour-order", "probability": 0.0049, "ohms": null}, {"where": "4B+", "fault": "resistive", "probability": 0.0024, "ohms": 0.0424}], "cleared_ohm": null, "set_aside": [], "lowest_v": null, "target": "virtual"}','8c4c2121401961694e2878ad');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',40,'2026-12-01T08:45:14.395+00:00','reading','{"lit": "1-4 9-12", "probe": "crown:1->foot:1-", "volts": 0.0201, "amps": null, "level": 1.0, "colour": "white", "source": null, "meter": null, "again": null, "decimals": null, "target": "virtual"}','22898b3cbfdd0585c61fd399');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',41,'2026-12-01T08:45:14.713+00:00','finding','{"healthy": 0.9806, "settled": false, "suspects": [{"where": "colour_order", "fault": "colour-order", "probability": 0.0049, "ohms": null}, {"where": "4B+", "fault": "resistive", "probability": 0.0024, "ohms": 0.0424}], "cleared_ohm": null, "set_aside": [], "lowest_v": null, "target": "virtual"}','01c7347ff4ee099758537a91');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',42,'2026-12-01T08:45:14.715+00:00','reading','{"lit": "1-4 9-12", "probe": "4B+>9B+", "volts": 0.0005, "amps": null, "level": 1.0, "colour": "white", "source": null, "meter": null, "again": null, "decimals": null, "target": "virtual"}','5df912ac6ccb267d74cbd5fe');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',43,'2026-12-01T08:45:14.895+00:00','finding','{"healthy": 0.984, "settled": false, "suspects": [{"where": "colour_order", "fault": "colour-order", "probability": 0.0049, "ohms": null}], "cleared_ohm": null, "set_aside": [], "lowest_v": null, "target": "virtual"}','ef1ec84cc3114fa9751ecb5d');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',44,'2026-12-01T08:45:14.920+00:00','reading','{"lit": "9-12", "probe": "crown:12+>12B+", "volts": 0.0006, "amps": null, "level": 1.0, "colour": "white", "source": null, "meter": null, "again": null, "decimals": null, "target": "virtual"}','8ac0c1f1512450cf83d08553');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',45,'2026-12-01T08:45:15.212+00:00','finding','{"healthy": 0.9842, "settled": true, "suspects": [{"where": "colour_order", "fault": "colour-order", "probability": 0.0049, "ohms": null}], "cleared_ohm": 0.1064, "set_aside": [], "lowest_v": 4.625, "target": "virtual"}','a04222f9192ef26a5b7b4d45');
INSERT INTO "event" VALUES('0e112091-7521-447b-98ea-c475d3fe8963',46,'2026-12-01T08:45:15.213+00:00','signed-off','{"by": "demo", "comment": "hidden fault was 12B+=0.25", "target": "virtual"}','76797871fa7d47565e8eace2');
CREATE TABLE session (
    id TEXT PRIMARY KEY,                   -- UUID
    tag TEXT NOT NULL REFERENCES unit (tag),
    design TEXT NOT NULL REFERENCES design (digest),
    started_at TEXT NOT NULL,              -- ISO 8601, UTC, by the clock as it stood
    meter TEXT NOT NULL,
    placed_ms INTEGER NOT NULL DEFAULT 0   -- order among the unit's sessions: started_at since 1970,
                                           -- or just after the last where the clock was behind it
) STRICT;
INSERT INTO "session" VALUES('0e112091-7521-447b-98ea-c475d3fe8963','WF-01','d4183e5eef3e9af99a5d58cf666536565782be4e142edbf29252b594ae9a77a8','2026-12-01T08:45:00.100+00:00','0.5%+3/6000',1796114700100);
CREATE TABLE unit (
    tag TEXT PRIMARY KEY,
    design_name TEXT NOT NULL,
    stage TEXT NOT NULL DEFAULT 'bare'
        CHECK (stage IN ('bare', 'soldered', 'sealed', 'outdoors', 'back'))
) STRICT;
INSERT INTO "unit" VALUES('WF-01','Willow fan','bare');
CREATE TRIGGER event_stays BEFORE UPDATE ON event
BEGIN SELECT RAISE(ABORT, 'events are only ever added'); END;
CREATE TRIGGER event_is_kept BEFORE DELETE ON event
BEGIN SELECT RAISE(ABORT, 'events are only ever added'); END;
COMMIT;
