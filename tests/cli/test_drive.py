"""`benchtest drive`, as a separate process, over real UDP on loopback."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest

from tests.receiver import LIMIT_S, Watcher
from tests.waiting import beats, until

Run = Callable[..., Any]

OPTIONS, SEQUENCE, SLOTS = 112, 111, 126
"""Octets of a data packet: ANSI E1.31-2018, table 4-1."""
TERMINATED = 0x40
"""Stream_Terminated, bit 6 of the options: ANSI E1.31-2018, clause 6.2.6."""


@pytest.fixture
def receiver() -> Iterator[socket.socket]:
    """Open a socket that receives at one port of loopback."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as heard:
        heard.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
        heard.bind(("127.0.0.1", 0))
        heard.settimeout(20.0)
        yield heard


def _all_left(heard: socket.socket) -> list[bytes]:
    heard.settimeout(0.3)
    packets = []
    try:
        while True:
            packets.append(heard.recv(2000))
    except TimeoutError:
        return packets


def _to(heard: socket.socket) -> str:
    return f"e131:127.0.0.1:{heard.getsockname()[1]}"


def test_a_pattern_reaches_loopback_and_ends_dark(
    run: Run, prop: Path, receiver: socket.socket
) -> None:
    found = run("drive", prop, "full-white", "--to", _to(receiver), "--seconds", "1", "--json").json
    packets = _all_left(receiver)
    assert found["packets"] == found["frames"] + 3 == len(packets)
    assert found["errors"] == 0
    assert found["others"] == []
    assert 0.0 <= found["late_ms"]["p50"] <= found["late_ms"]["p99"]
    assert found["most_amps"]["main"] == pytest.approx(40 * 36.8e-3, abs=1e-3)
    lit = [packet for packet in packets if any(packet[SLOTS:])]
    assert lit[-1][SLOTS : SLOTS + 120] == b"\xff" * 120
    levels = [packet[SLOTS] for packet in lit]
    assert levels == sorted(levels)  # full white comes up by a ramp
    assert levels[0] < 255
    ended = [packet for packet in packets if packet[OPTIONS] & TERMINATED]
    assert len(ended) == 3
    assert packets[-3:] == ended
    assert not any(packets[-4][SLOTS:])


@pytest.mark.parametrize(
    ("endings", "code"),
    [
        ([signal.SIGINT], 130),
        ([signal.SIGTERM], 143),
        ([signal.SIGHUP], 129),
        ([signal.SIGQUIT, signal.SIGINT], 131),
        ([signal.SIGINT] * 4, 130),
    ],
)
def test_every_signal_ends_dark(
    prop: Path, tmp_path: Path, receiver: socket.socket, endings: list[signal.Signals], code: int
) -> None:
    words = [sys.executable, "-m", "benchtest", "--bench", str(tmp_path / "bench")]
    with subprocess.Popen(
        [*words, "drive", str(prop), "walk", "--to", _to(receiver)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        encoding="utf-8",
    ) as driving:
        while not any(receiver.recv(2000)[SLOTS:]):
            pass  # until something is lit
        # an impatient user presses a key more than once
        for _, ending in zip(beats(0.005, 1.0), endings, strict=False):
            driving.send_signal(ending)
        _, said = driving.communicate(timeout=20)
    assert driving.returncode == code
    assert "Traceback" not in said
    packets = _all_left(receiver)
    assert [bool(packet[OPTIONS] & TERMINATED) for packet in packets[-4:]] == [False, *[True] * 3]
    assert not any(packets[-4][SLOTS:])


def test_synchronization_is_sent_on_request_only(
    run: Run, prop: Path, receiver: socket.socket
) -> None:
    words = ["walk", "--to", _to(receiver), "--seconds", "0.3"]
    assert run("drive", prop, *words).code == 0
    # ANSI E1.31-2018, 4.2: 49 octets; 6.2.4: address 0 asks a receiver to act at once
    packets = _all_left(receiver)
    assert not any(len(packet) == 49 or any(packet[109:111]) for packet in packets)
    assert run("drive", prop, *words, "--sync").code == 0
    packets = _all_left(receiver)
    data = [packet for packet in packets if len(packet) > 49 and not packet[OPTIONS] & TERMINATED]
    assert all(packet[109:111] == b"\x00\x01" for packet in data)
    assert sum(len(packet) == 49 for packet in packets) == len(data)  # of one universe


def test_a_missing_receiver_is_reported_once_and_fails(run: Run, prop: Path) -> None:
    """The command used to exit with 0 with 48 of 51 packets refused."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    done = run("drive", prop, "walk", "--to", f"e131:127.0.0.1:{port}", "--seconds", "0.8")
    assert done.code == 1
    assert done.err.count("nothing there is listening on that port") == 1
    assert "packets were refused, so the prop stayed dark" in done.err


def test_a_virtual_prop_needs_no_hardware(run: Run, prop: Path) -> None:
    done = run("drive", prop, "full-white", "--to", "virtual", "--seconds", "1.5")
    assert done.code == 0, done.err
    assert "Every strand, full white" in done.out
    assert "every lit node looks right" in done.out


def test_the_bench_keeps_one_source_id(
    run: Run, prop: Path, tmp_path: Path, receiver: socket.socket
) -> None:
    """CID, octets 22 to 37: ANSI E1.31-2018, table 4-1; one for the life of a source, 5.6."""
    for _ in range(2):
        words = ["walk", "--to", _to(receiver), "--seconds", "0.3"]
        assert run("--bench", tmp_path / "bench", "drive", prop, *words).code == 0
    packets = _all_left(receiver)
    assert len({packet[22:38] for packet in packets}) == 1


def test_an_overload_is_refused_with_a_level_that_fits(run: Run, prop: Path) -> None:
    text = prop.read_text(encoding="utf-8")
    prop.write_text(text.replace("fuse_a = 5.0", "fuse_a = 1.0"), encoding="utf-8")
    words = ["full-white", "--to", "virtual", "--seconds", "0.3"]
    # 40 nodes draw 32 mA dark and 1.44 A more at full: (1 - 0.032) / 1.44 = 0.672
    run("drive", prop, *words).refused(2, "fuse of 1 A", "--level 0.67 fits")
    assert run("drive", prop, *words, "--level", "0.67").code == 0


def test_a_custom_pattern_is_found_in_the_bench_folder(
    run: Run, prop: Path, tmp_path: Path, receiver: socket.socket
) -> None:
    folder = tmp_path / "bench" / "patterns"
    folder.mkdir(parents=True)
    pattern = (
        'title = "Green"\nreveals = "green"\nasks = "Is it green?"\n'
        '[[step]]\neach = "prop"\nsays = "All green"\nlayer = [{ colour = "green" }]\n'
    )
    (folder / "green.toml").write_text(pattern, encoding="utf-8")
    words = ["green", "--to", _to(receiver), "--seconds", "0.4"]
    done = run("--bench", tmp_path / "bench", "drive", prop, *words)
    assert done.code == 0, done.err
    assert "All green" in done.out
    lit = [packet[SLOTS : SLOTS + 3] for packet in _all_left(receiver) if any(packet[SLOTS:])]
    assert set(lit) == {b"\x00\xff\x00"}


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["full-wite", "--to", "virtual"], 2, 'did you mean "full-white"?'),
        (["walk", "--to", "e13"], 2, 'did you mean "e131"?'),
        (["walk", "--to", "virtual", "--level", "2"], 2, "--level 2"),
        (["walk", "--to", "virtual", "--level", "0"], 2, "--level 0"),
        (["walk", "--to", "e131:127.0.0.1", "--fps", "41", "--seconds", "1"], 2, "1 to 40"),
        (["walk", "--to", "virtual", "--seconds", "-1"], 2, "--seconds -1"),
        (["walk", "--to", "virtual", "--seconds", "soon"], 2, '"soon" is not a number'),
        (["walk", "--to", "e131:127.0.0.1", "--priority", "201", "--seconds", "1"], 2, "201"),
        (["walk"], 2, "--to"),
        (["walk", "--to", "serial:/dev/none", "--seconds", "1"], 1, "/dev/none"),
        (["walk", "--to", "e131:nowhere.invalid", "--seconds", "1"], 1, "nowhere.invalid"),
    ],
)
def test_invalid_drive_options_are_reported(
    run: Run, prop: Path, words: list[str], code: int, said: str
) -> None:
    run("drive", prop, *words).refused(code, said)


def test_a_terminal_shows_a_status_line(
    prop: Path, tmp_path: Path, receiver: socket.socket
) -> None:
    """On a pty: one line, redrawn, with the lit step and the number of packets sent."""
    ours, theirs = os.openpty()
    words = [sys.executable, "-m", "benchtest", "--bench", str(tmp_path / "bench")]
    with subprocess.Popen(
        [*words, "drive", str(prop), "walk", "--to", _to(receiver), "--seconds", "1"],
        stdout=theirs,
        stderr=theirs,
    ) as driving:
        os.close(theirs)
        shown = b""
        until_s = time.monotonic() + 20
        while time.monotonic() < until_s:
            try:
                shown += os.read(ours, 4096)
            except OSError:  # the program has ended
                break
        os.close(ours)
    assert driving.returncode == 0
    assert b"Node 1.1" in shown
    assert b"0.05 A predicted" in shown  # half of 36 mA, and 40 nodes at 0.8 mA dark: 50 mA
    assert b"frames | every " in shown
    assert b"no other source" in shown
    assert shown.count(b"\n") == 1


@pytest.fixture
def watcher() -> Iterator[Watcher]:
    made = Watcher()
    yield made
    made.close()


@pytest.mark.parametrize("stop", [signal.SIGTSTP, signal.SIGSTOP])
def test_a_stopped_run_is_dark_and_stays_dark(
    prop: Path, tmp_path: Path, watcher: Watcher, stop: signal.Signals
) -> None:
    """Stopped by Ctrl-Z or by a sleeping machine, the prop used to light up again on resuming."""
    words = ["--bench", str(tmp_path), "drive", str(prop), "full-white", "--to", watcher.to]
    program = [sys.executable, "-m", "benchtest", *words]
    # in its own process group, as a shell starts it: Ctrl-Z does not stop an orphaned group,
    # such as that of a test run without a terminal (POSIX.1-2017, XSH 2.4.3)
    with subprocess.Popen(program, stderr=subprocess.PIPE, text=True, process_group=0) as process:
        until(lambda: watcher.is_lit)
        process.send_signal(stop)
        until(lambda: psutil.Process(process.pid).status() == psutil.STATUS_STOPPED)
        if stop == signal.SIGTSTP:
            until(lambda: watcher.is_dark_by_packet)
        else:
            stopped_s = time.monotonic()
            until(lambda: time.monotonic() - stopped_s > LIMIT_S + 0.2)
        lit = watcher.lit_packets
        process.send_signal(signal.SIGCONT)
        _, said = process.communicate(timeout=20.0)
        assert process.returncode == 1
        assert "stays dark; keep hands clear of it, then run the command again" in said
        assert "Traceback" not in said
        assert watcher.lit_packets == lit
        assert watcher.is_dark_by_packet
