"""Setup of a unit on the bench: its session, its light and its virtual prop."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from benchtest.drive.e131.driver import SourceSettings
from benchtest.drive.e131.encode import load_cid
from benchtest.drive.frame_clock import FrameClock
from benchtest.drive.source_spec import parse_source
from benchtest.drive.target import Target, clock_for, driver_for, parse_target
from benchtest.errors import temp_file_errors
from benchtest.evidence.meter import Meter
from benchtest.operating_system import return_freed_memory
from benchtest.prop.design import Design
from benchtest.prop.enough import parse_enough
from benchtest.prop.outputs import without_hosts
from benchtest.records.models import tag_sort_key
from benchtest.records.shelf import Shelf
from benchtest.session.launch_options import LaunchOptions
from benchtest.session.log.unit_target import VIRTUAL
from benchtest.session.session import Session, last_test, unfinished_sessions
from benchtest.session.temporary_folders import temporary_folder
from benchtest.session.workbench.reading_sources import source_for
from benchtest.session.workbench.workbench import Workbench
from benchtest.virtual.remote_prop import RemoteProp, start_simulation


def collect_garbage() -> None:
    """Free the memory of the last unit before the next one comes onto the bench.

    The frame clock holds collections off while light moves, and the collector does not know the
    size of the arrays of a diagnosis. The rest is frozen, so that later collections skip it.
    """
    gc.unfreeze()  # or a unit that was still referenced the last time would never be freed
    gc.collect()
    gc.freeze()
    return_freed_memory()


def new_session(shelf: Shelf, bench: LaunchOptions, tag: str, prop_file: Path) -> Session:
    """Begin a test of a unit.

    Raises:
        InputError: the prop file or the tag is wrong.
        RecordsFault: the session could not be saved.
    """
    from benchtest.prop.reader import read_design

    read_design(prop_file)  # its faults come with the file's name
    text = prop_file.read_text(encoding="utf-8-sig")
    return Session.start(shelf, text, tag, bench.meter, file=str(prop_file))


def next_unfinished_unit(shelf: Shelf, tag: str, design_name: str) -> str | None:
    """Return the next unit of a design with a test to do or to finish; None without one.

    Units after this one come first, in the order of the shelf, then those before it.
    """
    unfinished_tags = {row.tag for row in unfinished_sessions(shelf)}
    tags = [unit.tag for unit in shelf.units()
            if unit.design_name == design_name and not unit.retired]  # fmt: skip
    here = tag_sort_key(tag)
    after = [one for one in tags if tag_sort_key(one) > here]
    before = [one for one in tags if tag_sort_key(one) < here]
    for one in (*after, *before):
        if one in unfinished_tags or last_test(shelf, one) is None:
            return one
    return None


def free_tag(shelf: Shelf, tag: str) -> str:
    """Return the tag of a new unit after this one: the next number that is free.

    >>> _increment_tag("WF-03"), _increment_tag("WF-09"), _increment_tag("wing")
    ('WF-04', 'WF-10', 'wing-02')
    """
    known = {name for unit in shelf.units() for name in (unit.tag, unit.key)}
    following = _increment_tag(tag)
    while following in known:
        following = _increment_tag(following)
    return following


def _increment_tag(tag: str) -> str:
    stem = tag.rstrip("0123456789")
    digits = tag[len(stem) :]
    return f"{stem}{int(digits) + 1:0{len(digits)}}" if digits else f"{tag}-02"


def session_of(shelf: Shelf, tag: str, meter: Meter) -> Session:
    """Return the session of a unit on the shelf: the unfinished one, or a new one.

    Raises:
        NameFault: no unit has that tag.
        RecordsFault: the session could not be saved.
    """
    left = next((row for row in unfinished_sessions(shelf) if row.tag == tag), None)
    if left is not None:
        return Session.resume(shelf, left.id)
    return Session.start(shelf, shelf.design_text(tag), tag, meter)


@contextmanager
def open_bench(session: Session, bench: LaunchOptions) -> Iterator[Workbench]:
    """Yield the bench of a session; its prop is dark afterwards, also after an error.

    Raises:
        DriveFault: the prop cannot be reached, or the virtual one does not start.
        InputError: the target is invalid.
    """
    with ExitStack() as stack:
        target = parse_target(bench.to or VIRTUAL).with_settings(bench.settings)
        session.target = str(target)
        virtual = None
        if target.kind == "virtual":
            virtual = stack.enter_context(_virtual(session, bench, target))
            target = target.at(virtual.target)
        design = session.design if virtual is None else without_hosts(session.design)
        clock = stack.enter_context(_clock(design, bench, target))
        spec = None if bench.readings_from is None else parse_source(bench.readings_from)
        source = source_for(spec, bench.pins, session.design, clock.driver)
        if source is not None:
            stack.callback(source.close)
        enough = None if bench.enough is None else parse_enough(bench.enough)
        yield Workbench(
            session,
            clock,
            virtual,
            source=source,
            points=bench.points,
            hands_free=bench.hands_free,
            enough=enough,
        )


def _clock(design: Design, bench: LaunchOptions, target: Target) -> FrameClock:
    driver = driver_for(target, design, SourceSettings(load_cid(bench.folder)))
    return clock_for(target, design, driver).start()


@contextmanager
def _virtual(session: Session, bench: LaunchOptions, target: Target) -> Iterator[RemoteProp]:
    """Start a virtual prop of the session's design, and repeat the repairs on record."""
    with ExitStack() as stack:
        folder = stack.enter_context(temporary_folder())
        with temp_file_errors():
            path = folder / "prop.toml"
            path.write_text(session.row.design_text, encoding="utf-8")
        prop = stack.enter_context(
            start_simulation(path, bench.hidden, bench.seed, str(session.meter), str(target.output))
        )
        for repair in session.state.repairs:
            prop.repair(repair.where)
        yield prop
