"""Notices of `benchtest drive` about the network and other sources, each once."""

from __future__ import annotations

import argparse
from collections.abc import Callable

import pytest

from benchtest.circuit.network import Circuit
from benchtest.cli.drive_progress import MAX_SOLVED_NODES, DriveProgress, Load
from benchtest.drive.driver import DriveStatus
from benchtest.drive.e131.other_sources import OtherSource
from benchtest.drive.target import Target
from benchtest.pattern import load_patterns
from benchtest.prop.design import Design

PIER = OtherSource("Pier lights", "192.0.2.9", 150, (3,), "it controls universe 3")


@pytest.fixture
def progress(make_fan: Callable[..., Design]) -> DriveProgress:
    load = Load(Circuit(make_fan(1, 2)), {"main": 1.0}, 1.0)
    return DriveProgress(Target("e131", "192.0.2.7"), load, argparse.Namespace(json=False))


def test_a_problem_and_its_end_are_reported_once(
    progress: DriveProgress, capsys: pytest.CaptureFixture[str]
) -> None:
    for trouble in (None, "cable", "cable", "route", "route", None, None, "cable"):
        progress.report(DriveStatus(trouble=trouble))
    assert capsys.readouterr().err.splitlines() == [
        "benchtest: cable",
        "benchtest: route",
        "benchtest: e131:192.0.2.7: frames are sent again",
        "benchtest: cable",
    ]


def test_other_sources_are_reported_when_they_change(
    progress: DriveProgress, capsys: pytest.CaptureFixture[str]
) -> None:
    wider = OtherSource("Pier lights", "192.0.2.9", 150, (2, 3), "it controls universes 2-3")
    for others in ((), (PIER,), (PIER,), (wider,), (), (PIER,)):
        progress.report(DriveStatus(other_sources=others))
    assert capsys.readouterr().err.splitlines() == [
        f"benchtest: {PIER}",
        f"benchtest: {wider}",
        "benchtest: Pier lights (192.0.2.9) has stopped sending",
        f"benchtest: {PIER}",
    ]
    (heard,) = progress.heard
    assert heard == {
        "name": "Pier lights",
        "address": "192.0.2.9",
        "priority": 150,
        "universes": [3],
        "effect": "it controls universe 3",
    }


def test_a_closed_listening_port_is_reported(
    progress: DriveProgress, capsys: pytest.CaptureFixture[str]
) -> None:
    progress.report(
        DriveStatus(
            listen_error="cannot receive other sources on port 5568: Address already in use"
        )
    )
    assert "cannot receive other sources" in capsys.readouterr().err


def test_each_steps_current_is_predicted(make_fan: Callable[..., Design]) -> None:
    fan = make_fan(2, 10)
    steps = load_patterns()["by-strand"].steps(fan)
    # 20 nodes at 0.8 mA dark, and one strand's 10 × 3 × 12 mA at a quarter: 16 + 90 mA
    assert Load(Circuit(fan), {"feed1": 9.0}, 1.0).text(steps[0]) == "0.11 A predicted"
    # half of that light: 16 + 45 mA
    assert Load(Circuit(fan), {"feed1": 9.0}, 0.5).text(steps[1]) == "0.06 A predicted"


def test_a_very_large_prop_shows_the_pattern_maximum(make_fan: Callable[..., Design]) -> None:
    fan = make_fan(1, MAX_SOLVED_NODES + 1)
    step = load_patterns()["walk"].steps(fan)[0]
    words = Load(Circuit(fan), {"main": 9.0, "far": 2.5}, 1.0).text(step)
    assert words == "up to main 9.00 A, far 2.50 A predicted"
