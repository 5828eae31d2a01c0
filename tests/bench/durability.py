"""Durability of the records. By hand: `python tests/bench/durability.py [ROUNDS] [--json]`.

Real processes write scripted sessions and are killed at random moments; disks fill up; files are
cut and spoilt. After each the bench is opened again and every event that was acknowledged is looked
for, and every event that is there is looked at. Prints figures. Pulling the plug of the machine
itself is not tried here: that depends on SQLite and on a disk that reports honestly.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import select
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Any, NoReturn

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchtest.errors import BenchError, RecordsFault
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.records.backup import DATABASE_FILE
from benchtest.records.integrity import find_damage
from benchtest.records.models import Stage
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import (
    Concluded,
    MarkMade,
    NoteMade,
    ReadingTaken,
    RepairDone,
    SessionEvent,
    SignedOff,
    StageSet,
    VerdictGiven,
    to_data,
)
from benchtest.session.session import Session, unfinished_sessions
from tests.bench.figures import ALSO, note, run

DESIGN = files("benchtest.virtual").joinpath("willow-fan.toml").read_text("utf-8")
OLD = Path(__file__).parents[1] / "records" / "golden" / "version-1.sql"
ROUNDS = 300
ROUNDS_A_BENCH = 20
"""Rounds that one bench folder lives through."""
LONGEST_S = 0.15
"""Latest moment of a kill, from the start of the process. [s]"""
NEVER = ("lost", "half", "holes", "unnoticed")
"""Counts that must stay zero."""
SMALL_DISKS = ("200k", "300k", "500k", "1m")

Ack = tuple[str, str, str]
"""Time, kind and data of an event as its writer knew it."""
Acks = dict[tuple[str, int], Ack]
Figures = dict[str, int]


# -- the person at the bench -----------------------------------------------------------------


def evening(draw: random.Random) -> Iterator[SessionEvent]:
    """One scripted session, with something of everything."""
    bad = draw.randint(1, 12)
    yield StageSet(draw.choice(("soldered", "sealed", "outdoors", "back")))
    for strand in range(1, 13):
        yield VerdictGiven(strand, strand != bad, 0.25)
    yield MarkMade(str(bad), bad, f"{draw.randint(1, 9)}-30", "dark", 0.25)
    yield NoteMade("rain “all night” " * draw.randint(1, 150))
    for _ in range(draw.randint(1, 8)):
        yield ReadingTaken("1-6", f"{draw.randint(1, 12)}B", round(draw.uniform(3.0, 5.0), 3))
    where = draw.choice((f"{bad}A+", f"{bad}B-", f"{bad}.7", f"{bad}.30", f"{bad}.1"))
    yield RepairDone(where, "remade")  # a joint is solved for: a kill may fall into that too
    yield VerdictGiven(bad, passed=True, level=0.25)
    yield Concluded(0.97, settled=True)
    yield SignedOff("Ada")


def work(folder: Path, seed: int, out: int) -> NoReturn:
    """Resume an unfinished session, then test unit after unit; report each event that is kept."""
    draw = random.Random(seed)
    with Shelf(folder) as shelf:
        left = unfinished_sessions(shelf)
        session = Session.resume(shelf, left[0].id) if left else None
        while True:
            tag = f"WF-{draw.randint(1, 7):02}"
            session = session or Session.start(shelf, DESIGN, tag, DEFAULT_METER)
            for what in evening(draw):
                session.record(what)
                _say(session, out)
                if draw.random() < 0.1 and session.undo() is not None:
                    _say(session, out)
            session = None


def _say(session: Session, out: int) -> None:
    last = session.events[-1]
    row = [session.row.id, last.seq, last.at, last.what.kind, json.dumps(to_data(last.what))]
    os.write(out, json.dumps(row).encode() + b"\n")


def run_until(
    act: Callable[[int], object], end_s: float | None, from_first: bool = False
) -> tuple[list[list[Any]], str]:
    """Let another process act, and kill it at a moment; without one, let it end.

    Args:
        act: function to run there; its argument is the descriptor for acknowledged events.
        end_s: when it is killed. [s]
        from_first: the time runs from the first event that it kept, not from its start.

    Returns:
        The events that it acknowledged, and its last words.
    """
    reading, writing = os.pipe()
    process = os.fork()
    if process == 0:
        os.close(reading)
        try:
            act(writing)
        except BenchError as fault:
            os.write(writing, f"! {fault}\n".encode())
        finally:
            os._exit(0)
    os.close(writing)
    text = b"".join(_heard(reading, process, end_s, from_first))
    os.close(reading)
    os.waitpid(process, 0)
    lines = [line for line in text.splitlines(keepends=True) if line.endswith(b"\n")]
    said = [line[2:].decode() for line in lines if line.startswith(b"! ")]
    return [json.loads(line) for line in lines if line.startswith(b"[")], "".join(said).strip()


def _heard(reading: int, process: int, end_s: float | None, from_first: bool) -> Iterator[bytes]:
    if from_first:
        yield os.read(reading, 65536)
    due = None if end_s is None else time.monotonic() + end_s
    while True:
        left = None if due is None else max(0.0, due - time.monotonic())
        if not select.select([reading], [], [], left)[0]:
            os.kill(process, signal.SIGKILL)
            due = None
        octets = os.read(reading, 65536)
        if not octets:
            return
        yield octets


# -- what is there afterwards ----------------------------------------------------------------


def look(folder: Path, acks: Acks) -> Figures:
    """Open the bench again and count events that are lost, half kept, or never acknowledged.

    The unacknowledged ones are added to `acks`, and expected from then on.
    """
    with Shelf(folder) as shelf:
        there: Acks = {
            (row.id, event.seq): (event.at, event.kind, json.dumps(event.data))
            for row in shelf.sessions()
            for event in shelf.events(row.id)
        }
        half = sum(_stage_by_events(shelf, unit.tag) != unit.stage for unit in shelf.units())
    with closing(sqlite3.connect(folder / DATABASE_FILE)) as connection:
        half += find_damage(connection) is not None
    lost = sum(there.get(place) != ack for place, ack in acks.items())
    unsaid = {place: ack for place, ack in there.items() if place not in acks}
    acks |= unsaid
    return {"lost": lost, "half": half, "unsaid": len(unsaid)}


def _stage_by_events(shelf: Shelf, tag: str) -> Stage:
    """Return a unit's stage by its events: an event and its move are kept both or not at all."""
    stage: Stage = "bare"
    for row in shelf.sessions(tag):
        stage = Session.resume(shelf, row.id).state.stage or stage
    return stage


def _took(acks: Acks, rows: list[list[Any]]) -> None:
    acks |= {(row[0], row[1]): (row[2], row[3], row[4]) for row in rows}


# -- the studies -----------------------------------------------------------------------------


def kills(base: Path, rounds: int) -> Figures:
    """Kill the writer at random moments."""
    found = dict.fromkeys(("kills", "acknowledged", "lost", "half", "unsaid"), 0)
    draw = random.Random(0)
    acks: Acks = {}
    for number in range(rounds):
        if number % ROUNDS_A_BENCH == 0:
            acks, folder = {}, base / f"kills-{number}"
        rows, fault = run_until(
            lambda out, n=number, at=folder: work(at, n, out),  # type: ignore[misc]
            draw.uniform(0.0, LONGEST_S),
            from_first=number % 3 > 0,  # the others may be killed while they open the bench
        )
        assert not fault, fault
        _took(acks, rows)
        found["kills"] += 1
        found["acknowledged"] += len(rows)
        seen = look(folder, acks)
        assert seen["unsaid"] <= 1, "more is there than one event that could not be said"
        for name, count in seen.items():
            found[name] += count
    return found


def kills_while_brought_forward(base: Path, rounds: int) -> Figures:
    """Kill a program that opens records of an older version."""
    found = dict.fromkeys(("kills", "still_old", "lost", "half"), 0)
    draw = random.Random(1)
    for number in range(rounds):
        folder = base / f"old-{number}"
        acks = old_bench(folder)
        run_until(lambda _, at=folder: Shelf(at).close(), draw.uniform(0.0, LONGEST_S))  # type: ignore[misc]
        with closing(sqlite3.connect(folder / DATABASE_FILE)) as connection:
            found["still_old"] += connection.execute("PRAGMA user_version").fetchone()[0] == 1
        seen = look(folder, acks)
        found["kills"] += 1
        found["lost"] += seen["lost"] + seen["unsaid"]
        found["half"] += seen["half"]
    return found


def old_bench(folder: Path) -> Acks:
    """A bench as version 1 left it, and its events."""
    folder.mkdir()
    with closing(sqlite3.connect(folder / DATABASE_FILE)) as connection:
        connection.executescript(OLD.read_text("utf-8"))
        connection.execute("PRAGMA user_version = 1")
        rows = connection.execute("SELECT session, seq, at, kind, data FROM event").fetchall()
    return {
        (id_, seq): (at, kind, json.dumps(json.loads(data))) for id_, seq, at, kind, data in rows
    }


def full_disks(base: Path) -> Figures:
    """Write until the disk is full; then free space, and write again."""
    found = dict.fromkeys(("disks", "acknowledged", "lost", "half", "said", "went_on"), 0)
    for number, size in enumerate(SMALL_DISKS):
        with small_disk(base / f"full-{size}", size) as (folder, grow, limit):
            acks: Acks = {}

            def write(out: int, at: Path = folder, n: int = number, most: int = limit) -> None:
                if most:
                    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
                    resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
                work(at, n, out)

            rows, fault = run_until(write, None)
            _took(acks, rows)
            seen = look(folder, acks)
            grow()
            more, _ = run_until(lambda out, at=folder: work(at, 99, out), 0.2, True)  # type: ignore[misc]
            _took(acks, more)
            after = look(folder, acks)
            found["disks"] += 1
            found["acknowledged"] += len(rows)
            found["lost"] += seen["lost"] + after["lost"]
            found["half"] += seen["half"] + after["half"]
            found["said"] += "disk" in fault
            found["went_on"] += len(more) > 0
    return found


@contextmanager
def small_disk(folder: Path, size: str) -> Iterator[tuple[Path, Callable[[], object], int]]:
    """Yield a small disk, a command to enlarge it, and a file size limit if none can be mounted."""
    folder.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)]
    if subprocess.run(words, capture_output=True, check=False).returncode != 0:
        yield (
            folder / "bench",
            lambda: None,
            int(size.rstrip("km")) * (1 << (20 if "m" in size else 10)),
        )
        return
    larger = ["mount", "-o", "remount,size=64m", str(folder)]
    try:
        yield folder / "bench", lambda: subprocess.run(larger, check=True), 0
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def _killed_bench(folder: Path, seed: int) -> Acks:
    """A bench whose writer was killed, with its last events still in the write-ahead log."""
    acks: Acks = {}
    while len(acks) < 100:
        _took(acks, run_until(lambda out: work(folder, seed, out), 0.3, True)[0])
    return acks


def cut_logs(base: Path, rounds: int) -> Figures:
    """Cut the write-ahead log anywhere: what is left is the beginning, each event whole."""
    found = dict.fromkeys(("cuts", "half", "holes", "reopened"), 0)
    source = base / "log"
    acks = _killed_bench(source, 5)
    log = source / f"{DATABASE_FILE}-wal"
    draw = random.Random(2)
    for number in range(rounds):
        folder = base / f"cut-{number}"
        shutil.copytree(source, folder, ignore=shutil.ignore_patterns("*-shm", "backups"))
        os.truncate(folder / log.name, draw.randrange(log.stat().st_size))
        here: Acks = {}
        seen = look(folder, here)
        found["cuts"] += 1
        found["reopened"] += 1
        found["half"] += seen["half"]
        order = list(acks)
        kept = [place for place in order if place in here]
        found["holes"] += kept != order[: len(kept)] or any(here[p] != acks[p] for p in kept)
        shutil.rmtree(folder)
    return found


def spoilt_files(base: Path, rounds: int) -> Figures:
    """Spoil every page, then single bits anywhere: found, or nothing that was kept is other."""
    found = dict.fromkeys(
        ("pages", "pages_found", "bits", "bits_found", "harmless", "unnoticed", "copy_offered"), 0
    )
    folder = base / "spoilt"
    acks = _killed_bench(folder, 6)
    look(folder, acks)
    with Shelf(folder) as shelf:  # a copy is there, and the log is empty when this closes
        shelf.units()
    whole = (folder / DATABASE_FILE).read_bytes()
    draw = random.Random(3)
    for page in range(len(whole) // 4096):
        spoilt = whole[: page * 4096] + draw.randbytes(4096) + whole[(page + 1) * 4096 :]
        found["pages"] += 1
        found["pages_found"] += _judge(folder, spoilt, acks, found)
    for _ in range(rounds):
        octets = bytearray(whole)
        octets[draw.randrange(len(octets))] ^= 1 << draw.randrange(8)
        found["bits"] += 1
        found["bits_found"] += _judge(folder, bytes(octets), acks, found)
    return found


def _judge(folder: Path, octets: bytes, acks: Acks, found: Figures) -> bool:
    """Return whether opening the bench reports the damage; if not, count the differences in it."""
    for side in ("-wal", "-shm"):
        (folder / f"{DATABASE_FILE}{side}").unlink(missing_ok=True)
    (folder / DATABASE_FILE).write_bytes(octets)
    try:
        seen = look(folder, dict(acks))
    except RecordsFault as fault:
        found["copy_offered"] += "--restore" in str(fault)
        return True
    spoilt = seen["lost"] or seen["half"] or seen["unsaid"]
    found["unnoticed" if spoilt else "harmless"] += 1
    return False


# -- the whole -------------------------------------------------------------------------------


def study(base: Path, rounds: int) -> dict[str, Figures]:
    """Run all trials of the records; return their counts by name."""
    return {
        "killed at random moments": kills(base, rounds),
        "killed while brought forward": kills_while_brought_forward(base, max(3, rounds // 6)),
        "disk full": full_disks(base),
        "write-ahead log cut": cut_logs(base, max(5, rounds // 3)),
        "file spoilt": spoilt_files(base, rounds),
    }


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("rounds", nargs="?", type=int, default=ROUNDS)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        found = study(Path(folder), args.rounds)
    ALSO.update(found)
    for name, figures in found.items():
        for key, count in figures.items():
            note(f"{name}: {key}", count, most=0 if key in NEVER else None)
        print(f"{name:<29}", ", ".join(f"{key} {count}" for key, count in figures.items()))


if __name__ == "__main__":
    run(main)
