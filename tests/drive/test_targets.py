"""Targets of `--to`, the source's CID, and the level limit."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from uuid import uuid4

import pytest

from benchtest.drive.e131.driver import SourceSettings
from benchtest.drive.e131.encode import load_cid
from benchtest.drive.serial_ports import describe_ports
from benchtest.drive.target import Target, driver_for, parse_settings, parse_target
from benchtest.errors import DriveFault, InputError
from benchtest.prop.design import Design, NodeRun, Output
from benchtest.session.launch_options import LaunchOptions, check_launch_options
from benchtest.session.log.unit_target import checked_settings


@pytest.mark.parametrize(
    ("text", "target"),
    [
        ("e131", Target("e131")),
        ("e131:192.0.2.7", Target("e131", "192.0.2.7")),
        ("e131:bench-pi.local:6000", Target("e131", "bench-pi.local", 6000)),
        ("e131:[2001:db8::1]", Target("e131", "2001:db8::1")),
        ("e131:[fe80::1%eth0]", Target("e131", "fe80::1%eth0")),
        ("serial:/dev/ttyUSB0", Target("serial", device="/dev/ttyUSB0")),
        ("virtual", Target("virtual")),
    ],
)
def test_targets_are_read_and_written_back(text: str, target: Target) -> None:
    assert parse_target(text) == target
    assert parse_target(str(target)) == target


@pytest.mark.parametrize(
    "text",
    ["", "e132", "e131:", "e131:host:99999", "e131:a b", "virtual:x", "e131:[::1", "e131:::1"],
)
def test_an_invalid_target_is_rejected_with_the_valid_forms(text: str) -> None:
    with pytest.raises(InputError, match="e131:HOST"):
        parse_target(text)


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("e131:192.0.2.7 universe=12,channel=340", "e131:192.0.2.7 universe=12,channel=340"),
        ("e131 sync priority=150 fps=30", "e131 priority=150,sync=true,fps=30"),
        ("serial:/dev/tty USB universe=3", "serial:/dev/tty USB universe=3"),
        ("virtual universe=3", "virtual"),  # its controller is where its driver is
    ],
)
def test_settings_are_written_after_the_target(text: str, written: str) -> None:
    target = parse_target(text)
    assert str(target) == written
    if target.kind != "virtual":
        assert parse_target(written) == target


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("e131 universe=0,priority=201", "give 0 to 200"),
        ("e131 universe=0,priority=201", 'universe is "0"'),
        ("e131 fps=99", "give 1 to 40 frames per second"),
        ("e131 interface=eth0", "give an IPv4 address of this machine"),
        ("e131 universe=3 prority=9", 'did you mean "priority"?'),
        ("e131 sync=maybe", "write sync, or sync=false"),
        ("e131 priority=high", "give a number 0 to 200"),
        ("e131 keep-alive=2", "give 0.1 to 0.81 seconds"),
    ],
)
def test_invalid_settings_are_explained(text: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_target(text)
    assert words in str(caught.value)


def test_a_moved_prop_is_sent_where_it_is_plugged_in(make_fan: Callable[..., Design]) -> None:
    fan = make_fan(1, 10)
    target = parse_target("e131:127.0.0.1 universe=12,channel=340,priority=150,sync")
    driver = driver_for(target, fan, SourceSettings(uuid4()))
    with contextlib.closing(driver):
        info = driver.open()
    assert info.where == "E1.31 127.0.0.1, universe 12"
    assert info.unusual == "at universe=12,channel=340, priority 150, sync on 12"


def test_a_bridge_has_one_data_line(make_fan: Callable[..., Design]) -> None:
    outputs = Output(1, 1, (NodeRun(1, 1, 5),)), Output(2, 1, (NodeRun(2, 1, 5),))
    fan = replace(make_fan(2, 5), outputs=outputs)
    with pytest.raises(InputError, match="has 2 outputs"):
        driver_for(parse_target("serial:/dev/ttyUSB0"), fan, SourceSettings(uuid4()))


def test_settings_without_a_meaning_at_a_bridge_are_refused_by_name(
    make_fan: Callable[..., Design],
) -> None:
    text = "serial:/dev/ttyUSB0 universe=3,priority=150,sync,fps=20,interface=192.0.2.5"
    with pytest.raises(InputError) as caught:
        driver_for(parse_target(text), make_fan(1, 5), SourceSettings(uuid4()))
    assert str(caught.value).splitlines() == [
        "serial:/dev/ttyUSB0: a bridge has no universes, and its first node is that of its data "
        "line; leave output out",
        "serial:/dev/ttyUSB0: a bridge has one source only, and so no priority; leave priority out",
        "serial:/dev/ttyUSB0: a bridge drives one data line, which needs no synchronization; leave "
        "sync out",
        "serial:/dev/ttyUSB0: a bridge is on USB, not on a network; leave interface out",
    ]
    with pytest.raises(InputError, match="so no priority"):  # as typed at a unit
        checked_settings("serial:/dev/ttyUSB0 priority=7", make_fan(1, 5))
    with pytest.raises(InputError, match="one source only"):
        check_launch_options(
            LaunchOptions(Path(), "serial:/dev/ttyUSB0", settings=parse_settings("priority=7"))
        )
    usual = checked_settings("serial:/dev/ttyUSB0 fps=20,keep-alive=0.5,sync=false", make_fan(1, 5))
    assert usual.startswith("serial:/dev/ttyUSB0 ")


@pytest.mark.parametrize("text", ["serial", "serial:"])
def test_serial_alone_is_answered_with_the_existing_ports(text: str) -> None:
    with pytest.raises(InputError, match="no port given") as raised:
        parse_target(text)
    assert describe_ports() in str(raised.value)


def test_a_virtual_target_gives_the_remedy(make_fan: Callable[..., Design]) -> None:
    with pytest.raises(DriveFault, match="start a simulation"):
        driver_for(parse_target("virtual"), make_fan(1, 1), SourceSettings(uuid4()))


@pytest.mark.parametrize(("name", "priority"), [("", 100), ("x" * 64, 100), ("a", 201), ("a", -1)])
def test_a_source_outside_the_standard_is_rejected(
    make_fan: Callable[..., Design], name: str, priority: int
) -> None:
    # ANSI E1.31-2018, 6.2.2: 64 octets with the null; 6.2.3: 0 to 200
    with pytest.raises(InputError):
        driver_for(Target("e131"), make_fan(1, 1), SourceSettings(uuid4(), name, priority))


def test_the_cid_stays_the_same(tmp_path: Path) -> None:
    first = load_cid(tmp_path / "bench")
    assert load_cid(tmp_path / "bench") == first
    assert first.version == 4  # RFC 4122, as ANSI E1.31-2018, 5.6 asks
    (tmp_path / "bench" / "source-id").write_text("broken")
    assert load_cid(tmp_path / "bench") != first


def test_a_folder_that_cannot_be_written_still_drives(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    assert load_cid(tmp_path / "file").version == 4
