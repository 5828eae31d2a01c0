"""`benchtest doctor` on deficient machines, with real networks, disks and permissions.

Its results are compared with other programs (`ip`, `findmnt`, `pip`) and with the kernel's own
counters. Deficient machines are made with namespaces: this machine is not changed.
"""

from __future__ import annotations

import hashlib
import json
import os
import pty
import sqlite3
import stat
import subprocess
import sys
import termios
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchtest.cli.main import main
from benchtest.drive.interfaces import network_interfaces
from benchtest.drive.serial_ports import permission_remedy, serial_ports
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.operating_system import PortPermission, filesystem_kind
from benchtest.records.backup import DATABASE_FILE
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import VerdictGiven
from benchtest.session.session import Session
from tests.props import SMALL_FAN

Run = Callable[..., Any]


@pytest.fixture
def run(run_alone: Run) -> Run:
    """Run each command as a shell does, the start of Python included."""
    return run_alone


def test_the_report_has_versions_and_checks_and_replaces_no_records(
    run: Run, tmp_path: Path
) -> None:
    done = run("doctor", "--bench", tmp_path / "bench", "--report", tmp_path / "report.md")
    assert done.code == 0, done.err
    text = (tmp_path / "report.md").read_text(encoding="utf-8")
    for words in ("## What happened", '"benchtest": ', '"records": ', "## Checks", "python"):
        assert words in text
    assert f"Wrote {tmp_path / 'report.md'}" in done.out
    with Shelf(tmp_path / "bench"):
        pass
    run("doctor", "--report", tmp_path / "bench" / DATABASE_FILE).refused(2, "records of a bench")


TO_LO = "ip link set lo up; ip route add 239.0.0.0/8 dev lo"
DOCTOR = f"{sys.executable} -m benchtest doctor"


def _apart(script: str, *isolation: str) -> subprocess.CompletedProcess[str]:
    """Run a shell script in its own namespaces."""
    path = os.environ["PATH"] + ":/sbin:/usr/sbin"
    return subprocess.run(
        ["unshare", *isolation, "sh", "-ec", script],
        capture_output=True, text=True, timeout=60, check=False, env=os.environ | {"PATH": path},
    )  # fmt: skip


Look = Callable[..., tuple[int, dict[str, Any]]]


@pytest.fixture
def look(capsys: pytest.CaptureFixture[str]) -> Look:
    """Run `benchtest doctor --json` on a bench folder; return its exit code and its JSON."""

    def _look(bench: Path) -> tuple[int, dict[str, Any]]:
        code = main(["doctor", "--json", "--bench", str(bench)])
        found = json.loads(capsys.readouterr().out)
        assert isinstance(found, dict)
        return code, found

    return _look


def _lines(found: dict[str, Any], about: str) -> list[dict[str, Any]]:
    return [line for line in found["lines"] if line["about"] == about]


def test_a_good_machine_exits_with_0_and_creates_nothing(run: Run, tmp_path: Path) -> None:
    done = run("doctor")
    assert done.code == 0, done.out
    for about in ("python", "libraries", "bench", "serial", "multicast", "terminal", "frames"):
        assert about in done.out
    assert "BAD" not in done.out
    assert list(tmp_path.iterdir()) == []  # the check creates no bench folder


def test_json_counts_the_records_and_leaves_them_unchanged(look: Look, tmp_path: Path) -> None:
    with Shelf(tmp_path / "bench") as shelf:
        shelf.add_units(["WF-01", "WF-02"], "Willow fan", "text")
    before = hashlib.sha256((tmp_path / "bench" / DATABASE_FILE).read_bytes()).digest()
    code, found = look(tmp_path / "bench")
    assert (code, found["good"]) == (0, True)
    assert found["bench"]["contents"]["units"] == 2
    assert found["bench"]["trouble"] is None
    (records,) = _lines(found, "records")
    assert "2 units, 0 sessions, 0 events" in records["says"]
    assert hashlib.sha256((tmp_path / "bench" / DATABASE_FILE).read_bytes()).digest() == before
    assert [path.name for path in (tmp_path / "bench").iterdir()] == [DATABASE_FILE]


def test_units_that_are_not_driven_as_usual_are_named(look: Look, tmp_path: Path) -> None:
    with Shelf(tmp_path / "bench") as shelf:
        for tag, target in (
            ("SF-01", "e131:127.0.0.1 universe=12,priority=150"),
            ("SF-02", "e131 interface=192.0.2.5"),
            ("SF-03", "e131"),
        ):
            session = Session.start(shelf, SMALL_FAN, tag, DEFAULT_METER)
            session.target = "e131 fps=20"
            session.record(VerdictGiven(1, passed=True))
            session.target = target
            session.record(VerdictGiven(2, passed=True))
    _, found = look(tmp_path / "bench")
    lines = _lines(found, "driving")
    assert sorted((line["says"], line["do"]) for line in lines) == [
        ("SF-01: not as usual, universe=12,priority=150", None),
        (
            "SF-02: not as usual, interface=192.0.2.5",
            "192.0.2.5 is not an address of this machine now: i at the unit changes it",
        ),
    ]


def test_libraries_are_those_that_pip_lists(run: Run) -> None:
    words = [sys.executable, "-m", "pip", "list", "--format", "json", "--disable-pip-version-check"]
    listed = json.loads(subprocess.run(words, capture_output=True, check=True).stdout)
    versions = {row["name"].lower(): row["version"] for row in listed}
    found = run("doctor", "--json").json["libraries"]
    assert found.pop("SQLite") == sqlite3.sqlite_version
    assert found == {name: versions[name.lower()] for name in found}
    assert {"numpy", "scipy", "sacn", "pyserial", "textual"} <= set(found)


def test_a_library_that_does_not_load_is_bad(run: Run, tmp_path: Path) -> None:
    (tmp_path / "lib").mkdir()
    (tmp_path / "lib" / "sacn.py").write_text("raise ImportError('built for another machine')")
    done = run("doctor", PYTHONPATH=str(tmp_path / "lib"))
    assert done.code == 1
    assert "sacn cannot be loaded: built for another machine" in " ".join(done.out.split())


def test_a_library_that_is_too_old_is_bad(run: Run, tmp_path: Path) -> None:
    kept = tmp_path / "lib" / "textual-0.9.dist-info"
    kept.mkdir(parents=True)
    (kept / "METADATA").write_text("Metadata-Version: 2.1\nName: textual\nVersion: 0.9\n")
    found = run("doctor", "--json", PYTHONPATH=str(tmp_path / "lib"))
    assert found.code == 1
    (bad,) = [line for line in _lines(found.json, "libraries") if line["state"] == "bad"]
    assert bad["says"].startswith("textual is 0.9; needs ")
    assert "pip install" in bad["do"]


# -- bench folder ---------------------------------------------------------------------------------


def test_the_file_system_agrees_with_findmnt(tmp_path: Path) -> None:
    for place in (tmp_path, Path("/dev"), Path("/proc")):
        words = ["findmnt", "--noheadings", "--output", "FSTYPE", "--target", str(place)]
        said = subprocess.run(words, capture_output=True, text=True, check=True).stdout
        assert filesystem_kind(place) == said.split()[-1]


def test_records_open_elsewhere_are_checked(look: Look, tmp_path: Path) -> None:
    with Shelf(tmp_path / "bench") as shelf:
        shelf.add_units(["WF-03"], "Willow fan", "text")  # only in the write-ahead log so far
        code, found = look(tmp_path / "bench")
        assert (code, found["bench"]["contents"]["units"]) == (0, 1)
        shelf.add_units(["WF-04"], "Willow fan", "text")


def test_damaged_records_are_bad_and_have_a_remedy(look: Look, tmp_path: Path) -> None:
    with Shelf(tmp_path / "bench") as shelf:
        shelf.add_units([f"WF-{n}" for n in range(900)], "Willow fan", "text")
    file = tmp_path / "bench" / DATABASE_FILE
    octets = bytearray(file.read_bytes())
    octets[-4096:] = b"\xa5" * 4096
    file.write_bytes(octets)
    code, found = look(tmp_path / "bench")
    assert (code, found["good"]) == (1, False)
    (bad,) = [line for line in found["lines"] if line["state"] == "bad"]
    assert "is damaged" in bad["says"]
    assert "import an export" in bad["do"]


def test_records_of_a_newer_version_are_bad(look: Look, tmp_path: Path) -> None:
    Shelf(tmp_path / "bench").close()
    database = sqlite3.connect(tmp_path / "bench" / DATABASE_FILE)
    database.execute("PRAGMA user_version = 99")
    database.close()
    code, found = look(tmp_path / "bench")
    assert code == 1
    assert "update this one" in _lines(found, "bench")[0]["do"]


def test_a_file_in_place_of_the_folder_is_bad(look: Look, prop: Path) -> None:
    code, found = look(prop)
    assert code == 1
    assert "is not a folder" in _lines(found, "bench")[0]["says"]


@pytest.mark.parametrize(
    ("options", "code", "words"),
    [
        ("size=1m", 1, "MB are free; make room"),
        ("size=100m", 0, "it is in memory, lost at the next start"),
        ("size=100m,ro", 1, "may not be written"),
    ],
)
def test_an_unusable_disk_is_reported(tmp_path: Path, options: str, code: int, words: str) -> None:
    script = f"mount -t tmpfs -o {options} tmpfs {tmp_path}; {DOCTOR} --json --bench {tmp_path}"
    done = _apart(script, "--map-root-user", "--mount")
    assert done.returncode == code, done.stderr
    found = json.loads(done.stdout)
    assert found["bench"]["filesystem"] == "tmpfs"
    (line,) = _lines(found, "bench")
    assert words in f"{line['says']}; {line['do']}"


def test_a_folder_without_permission_is_bad(tmp_path: Path) -> None:
    (tmp_path / "bench").mkdir()
    (tmp_path / "bench").chmod(0o500)
    done = _apart(f"{DOCTOR} --bench {tmp_path / 'bench'}", "--map-user=1000", "--map-group=1000")
    (tmp_path / "bench").chmod(0o700)
    assert done.returncode == 1
    assert "may not be written" in " ".join(done.stdout.split())


# -- networks -------------------------------------------------------------------------------------


def test_networks_agree_with_ip() -> None:
    words = ["ip", "-json", "address"]
    environment = os.environ | {"PATH": os.environ["PATH"] + ":/sbin:/usr/sbin"}
    said = json.loads(
        subprocess.run(words, capture_output=True, check=True, env=environment).stdout
    )
    shown = {
        row["ifname"]: ({a["local"] for a in row["addr_info"]}, "UP" in row["flags"])
        for row in said
    }
    assert {n.name: (set(n.addresses), n.is_up) for n in network_interfaces()} == shown


@pytest.mark.parametrize(
    ("setup", "words"),
    [
        ("ip link set lo up", "no route for it (Network is unreachable)"),
        (f"{TO_LO} src 127.0.0.1", "it stays on this machine"),
        (TO_LO, "its route leads to a network without an address"),
    ],
)
def test_multicast_without_a_network_is_a_note(setup: str, words: str) -> None:
    done = _apart(f"{setup}; {DOCTOR} --json", "--map-root-user", "--net")
    assert done.returncode == 0, done.stderr  # props can be driven by address, or virtually
    (line,) = _lines(json.loads(done.stdout), "multicast")
    assert (line["state"], line["says"]) == ("note", words)
    assert "e131:HOST" in line["do"]


def test_the_multicast_route_is_found_without_a_packet() -> None:
    """Two networks, one with the route; the kernel's packet counters stay unchanged."""
    setup = """
        sysctl -qw net.ipv6.conf.all.disable_ipv6=1 net.ipv6.conf.default.disable_ipv6=1
        ip link set lo up
        ip link add left type veth peer name right
        ip address add 192.0.2.7/24 dev left
        ip address add 198.51.100.7/24 dev right
        ip link set left up; ip link set right up
        ip route add 239.0.0.0/8 dev right
    """
    count = (
        "cat /sys/class/net/left/statistics/tx_packets /sys/class/net/right/statistics/tx_packets"
    )
    mounted = "mount -t sysfs sysfs /sys"
    script = f"{setup}\n{mounted}\n{count} >&2; {DOCTOR} --json; {count} >&2"
    done = _apart(script, "--map-root-user", "--net", "--mount")
    assert done.returncode == 0, done.stderr
    (line,) = _lines(json.loads(done.stdout), "multicast")
    assert line["says"] == "leaves by right from 198.51.100.7, not by left"
    before, after = done.stderr.split()[:2], done.stderr.split()[2:]
    assert before == after


# -- serial ports ---------------------------------------------------------------------------------


def test_listed_ports_are_devices_of_this_machine() -> None:
    for port in serial_ports():
        assert stat.S_ISCHR(os.stat(port.device).st_mode)


def test_a_port_of_another_group_has_the_remedy_to_join_it(tmp_path: Path) -> None:
    """On Debian serial ports belong to root and group dialout, number 20, with mode 0660.

    Source: Debian's base-passwd, users-and-groups: "dialout: Full and direct access to serial
    ports"; number 20 from its group.master.
    """
    port = tmp_path / "ttyUSB0"
    port.touch()
    port.chmod(0o060)
    code = (
        "import sys; from benchtest.drive.serial_ports import *\n"
        "rights = port_permission(sys.argv[1])\n"
        "print(rights.may_open, permission_remedy('/dev/ttyUSB0', rights))"
    )
    words = ["unshare", "--map-user=1000", "--map-group=20", sys.executable, "-c", code, str(port)]
    said = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    assert said == "False sudo usermod -aG dialout $USER, then log out and in again\n"


@pytest.mark.parametrize(
    ("rights", "words"),
    [
        (PortPermission(True, "dialout", True), None),
        (PortPermission(False, "dialout", True, added_since_login=True), "log out and in again"),
        (PortPermission(False, "root", True), "sudo chgrp dialout /dev/ttyACM0"),
        (PortPermission(False, "dialout", False), "sudo chmod g+rw /dev/ttyACM0"),
        (PortPermission(False), "ask the administrator"),
    ],
)
def test_each_missing_permission_has_its_remedy(rights: PortPermission, words: str | None) -> None:
    said = permission_remedy("/dev/ttyACM0", rights)
    assert said is None if words is None else words in (said or "")


# -- frame clock ----------------------------------------------------------------------------------

WITHOUT_RIGHTS = [
    *("prlimit", "--rtprio=0"),
    *(("setpriv", "--bounding-set=-sys_nice") if os.geteuid() == 0 else ()),
]


@pytest.mark.parametrize("before", [[], WITHOUT_RIGHTS], ids=["as it is", "without rights"])
def test_frame_clock_priority_agrees_with_chrt(tmp_path: Path, before: list[str]) -> None:
    asked = subprocess.run([*before, "chrt", "--rr", "1", "true"], stderr=subprocess.DEVNULL)
    words = [sys.executable, "-m", "benchtest", "--bench", str(tmp_path), "doctor", "--json"]
    done = subprocess.run([*before, *words], capture_output=True, text=True, check=True)
    found = json.loads(done.stdout)
    assert found["frame_clock_first"] is (asked.returncode == 0)
    assert asked.returncode != 0 or not before
    (line,) = _lines(found, "frames")
    assert line["state"] == ("good" if asked.returncode == 0 else "note")
    assert ("rtprio 1" in (line["do"] or "")) is (asked.returncode != 0)


# -- terminal -------------------------------------------------------------------------------------


def _on_a_terminal(tmp_path: Path, columns: int, lines: int, **environment: str) -> str:
    master, slave = pty.openpty()
    termios.tcsetwinsize(slave, (lines, columns))
    clean = {
        key: value for key, value in os.environ.items() if key not in ("COLORTERM", "NO_COLOR")
    }
    clean |= {"XDG_DATA_HOME": str(tmp_path), "TERM": "xterm-256color"} | environment
    words = [sys.executable, "-m", "benchtest", "doctor"]
    done = subprocess.Popen(words, stdin=slave, stdout=slave, stderr=slave, env=clean)
    os.close(slave)
    seen = b""
    try:
        while octets := os.read(master, 4096):
            seen += octets
    except OSError:  # Linux reports the end of the program this way
        pass
    assert done.wait(60) == 0, seen
    os.close(master)
    return " ".join(seen.decode().split())


def test_a_good_terminal_is_good(tmp_path: Path) -> None:
    seen = _on_a_terminal(tmp_path, 110, 40, LC_ALL="C.UTF-8", COLORTERM="truecolor")
    assert "ok terminal 110×40 characters, truecolor colours, unicode" in seen


def test_a_small_ascii_terminal_has_remedies(tmp_path: Path) -> None:
    plain = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "NO_COLOR": "1"}
    seen = _on_a_terminal(tmp_path, 79, 24, **plain)
    assert "note terminal 79?24 characters, no colours, ASCII" in seen
    assert "make it 80?24 or larger" in seen
    assert "set LANG=C.UTF-8" in seen
