"""Targets of `--to`, the source's CID, and the level limit."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from uuid import uuid4

import pytest

from benchtest.drive.e131.driver import SourceSettings
from benchtest.drive.e131.encode import load_cid
from benchtest.drive.serial_ports import describe_ports
from benchtest.drive.target import Target, driver_for, parse_target
from benchtest.errors import DriveFault, InputError
from benchtest.prop.design import Design


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
