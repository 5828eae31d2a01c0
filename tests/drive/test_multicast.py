"""Multicast, in a network of its own that has only a loopback: nothing leaves this machine."""

from __future__ import annotations

import os
import subprocess
import sys
from importlib.resources import files

HEAR = """
import socket, sys
from uuid import uuid4
import numpy as np
from benchtest.drive.base import Target
from benchtest.drive.e131 import E131Driver, Sender
from benchtest.prop.reader import parse_design

design = parse_design(open(sys.argv[1]).read(), "prop")
ears = {}
for universe in (1, 2, 3):
    ear = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    ear.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    ear.bind((f"239.255.0.{universe}", 5568))
    group = socket.inet_aton(f"239.255.0.{universe}") + socket.inet_aton("127.0.0.1")
    ear.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, group)
    ear.settimeout(5.0)
    ears[universe] = ear
driver = E131Driver(design, Target("e131"), Sender(uuid4(), interface="127.0.0.1"))
print(driver.open().where)
driver.show(np.full((design.node_count, 3), 7, dtype=np.uint8))
driver.close()
for universe, ear in ears.items():
    packets = [ear.recv(1000) for _ in range(5)]
    assert {int.from_bytes(p[113:115], "big") for p in packets} == {universe}
    assert [p[112] for p in packets] == [0, 0, 64, 64, 64]
    assert packets[0][126:129] == bytes([7, 7, 7])
print("heard")
"""


def _alone(setup: str, *command: str) -> subprocess.CompletedProcess[str]:
    """Run a command in a network namespace of its own."""
    script = f'{setup}; exec "$@"'
    user = [] if os.geteuid() == 0 else ["--map-root-user"]
    return subprocess.run(
        ["unshare", *user, "--net", "sh", "-c", script, "sh", *command],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip


def _prop() -> str:
    return str(files("benchtest.virtual").joinpath("willow-fan.toml"))


def test_each_universe_goes_to_its_own_group() -> None:
    setup = "PATH=$PATH:/sbin:/usr/sbin; ip link set lo up multicast on"
    setup += "; ip route add 239.0.0.0/8 dev lo"
    done = _alone(setup, sys.executable, "-c", HEAR, _prop())
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines() == ["E1.31 multicast, universes 1-3", "heard"]


def test_a_machine_without_a_network_is_told_so_before_anything_is_lit() -> None:
    done = _alone(
        ":", sys.executable, "-m", "benchtest", "drive", _prop(), "by-strand", "--to", "e131",
        "--seconds", "1",
    )  # fmt: skip
    assert done.returncode == 1
    assert "no network leads there" in done.stderr
    assert "Traceback" not in done.stderr
