"""`benchtest volts`, as a separate process: a simulated meter, and the bridge's real firmware."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from benchtest.cli.main import main
from benchtest.drive.serial_ports import serial_ports
from tests.drive.boards import SimulatedBoard
from tests.drive.scpi.simulated_meter import OVERLOAD, SimulatedMeter

Run = Callable[..., Any]
REFERENCE_V, CONVERTER = 1.1, 1024
"""Of the ATmega328P's converter. Source: its data sheet, ADC characteristics."""


@pytest.fixture
def simulated(tmp_path: Path) -> Iterator[SimulatedMeter]:
    made = SimulatedMeter(tmp_path)
    yield made
    made.close()


def test_a_meter_is_read_once(run: Run, simulated: SimulatedMeter) -> None:
    source = f"scpi:{simulated.port}"
    assert run("volts", "--from", source, "--json").json == {
        "from": source,
        "meter": {
            "maker": "RIVERBANK INSTRUMENTS", "model": "BM-6", "serial": "0017", "version": "1.04",
        },
        "volts": 4.871,
    }  # fmt: skip


def test_meter_errors_are_explained(
    simulated: SimulatedMeter, capsys: pytest.CaptureFixture[str]
) -> None:
    simulated.volts = lambda: OVERLOAD
    assert main(["volts", "--from", f"scpi:{simulated.port}"]) == 1
    assert "overload: over its range" in capsys.readouterr().err
    for words, said in [
        (["--from", "scpi"], "no port given; write scpi:DEVICE; "),
        (["--from", "scpi:nowhere"], "no such port"),
        (["--from", "scpi:x", "--pin", "0"], "--pin and --calibrate are for a bridge"),
        (["--from", "serial:x", "--calibrate", "5"], "add the input with the voltage"),
        (["--from", "serial:x", "--pin", "0", "--calibrate", "-5"], "give volts above 0"),
        (["--from", "serial:x", "--pin", "m16"], "give an input from 0, or m0 to m15"),
        (["--from", "serial:x", "--pin", "0", "--calibrate", "0"], "give volts above 0"),
    ]:
        assert main(["volts", *words]) in (1, 2)
        assert said in capsys.readouterr().err


def test_an_input_is_calibrated_once_and_read_by_every_later_program(
    run: Run, board: SimulatedBoard
) -> None:
    source = f"serial:{board.port}"
    known_v = 0.8 * (39 + 10) / 10  # what a divider of 39 kΩ and 10 kΩ makes 0.8 V of
    board.tell("adc 0 800")
    rows = run("volts", "--from", source, "--json").json["pins"]
    assert [row["pin"] for row in rows] == [*range(len(rows))]
    assert len(rows) >= 4  # PC0 to PC3
    assert rows[0]["volts"] is None
    assert rows[0]["counts"] == pytest.approx(0.8 / REFERENCE_V * CONVERTER, abs=2)
    words = ["volts", "--from", source, "--pin", "0"]
    assert run(*words, "--calibrate", known_v).out.endswith("3.920 V, calibrated\n")
    board.tell("adc 0 400")
    (row,) = run(*words, "--json").json["pins"]
    assert row["volts"] == pytest.approx(known_v / 2, abs=2 * row["count_v"])
    board.tell("adc 0 1200")
    assert "over range" in run(*words).out


def test_a_power_monitor_is_read_and_zeroed(run: Run, board: SimulatedBoard) -> None:
    source = f"serial:{board.port}"
    board.tell("monitor 0 2035 4875")
    rows = {row["pin"]: row for row in run("volts", "--from", source, "--json").json["pins"]}
    assert rows["m0"]["volts"] == pytest.approx(2.035e-3, abs=1e-9)
    assert rows["v0"]["volts"] == pytest.approx(4.875, abs=1e-6)
    words = ["volts", "--from", source, "--pin", "m0"]
    board.tell("monitor 0 35 4875")
    assert run(*words, "--calibrate", 0).out.endswith("0.0000 mV, calibrated\n")
    board.tell("monitor 0 2035 4875")
    assert run(*words).out.endswith("2.0000 mV\n")
    board.tell("monitor 0 90000 4875")
    assert "more than 81.9 mV" in run(*words).out
    board.tell("unplug 0")


def test_ports_are_listed_without_a_prop(run: Run) -> None:
    rows = run("drive", "--ports", "--json").json["ports"]
    assert [row["device"] for row in rows] == [port.device for port in serial_ports()]
    assert "serial" in run("drive", "--ports").out


def test_a_port_without_permission_names_its_group(tmp_path: Path) -> None:
    """Group 5 is tty on Debian. Source: base-passwd, group.master. Not every port is dialout's."""
    port = tmp_path / "ttyUSB0"
    port.touch()
    port.chmod(0o060)
    code = (
        "import sys; from benchtest.cli.main import main; "
        "sys.exit(main(['volts', '--from', 'scpi:' + sys.argv[1]]))"
    )
    words = ["unshare", "--map-user=1000", "--map-group=5", sys.executable, "-c", code, str(port)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "you may not use this port; sudo usermod -aG tty $USER, then log out" in done.stderr
