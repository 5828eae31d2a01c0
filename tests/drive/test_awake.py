"""A machine is kept awake through a real session bus, and left alone afterwards."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchtest.drive.awake import AwakeLock, can_keep_awake
from tests.waiting import until

SERVICE = Path(__file__).with_name("session_bus.py")


@pytest.fixture
def calls(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A desktop whose calls are lines of this file."""
    bus = subprocess.Popen(
        ["dbus-daemon", "--session", "--nofork", "--print-address=1"], stdout=subprocess.PIPE
    )
    assert bus.stdout is not None
    address = bus.stdout.readline().decode().strip()
    monkeypatch.setenv("DBUS_SESSION_BUS_ADDRESS", address)
    log = tmp_path / "calls"
    service = subprocess.Popen([sys.executable, str(SERVICE), str(log)], env=os.environ)
    until(lambda: log.exists() and log.read_text().startswith("ready"))
    yield log
    for process in (service, bus):
        process.kill()
        process.wait()
    bus.stdout.close()


def test_a_lock_asks_the_desktop_and_gives_back(calls: Path) -> None:
    with AwakeLock() as lock:
        assert lock.is_effective
        lock.take()
        until(lambda: calls.read_text().split() == ["ready", "Inhibit"])
    assert not lock.is_effective
    until(lambda: calls.read_text().split() == ["ready", "Inhibit", "Uninhibit"])
    assert can_keep_awake()


def test_without_a_desktop_the_lock_is_held_in_vain(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SESSION_BUS_ADDRESS", "unix:path=/nonexistent")
    with AwakeLock() as lock:
        assert not lock.is_effective
    assert not can_keep_awake()
