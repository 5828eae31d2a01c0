"""A private network namespace with only a loopback: nothing leaves this machine."""

from __future__ import annotations

import os
import subprocess
import sys

MULTICAST = "ip link set lo up multicast on; ip route add 239.0.0.0/8 dev lo"


def alone(*command: str, setup: str = ":") -> subprocess.CompletedProcess[str]:
    """Run a command in a network namespace of its own, after `setup` in a shell there."""
    user = [] if os.geteuid() == 0 else ["--map-root-user"]
    script = f'PATH=$PATH:/sbin:/usr/sbin; {setup}; exec "$@"'
    return subprocess.run(
        ["unshare", *user, "--net", "sh", "-c", script, "sh", *command],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def python_alone(text: str, *words: str, setup: str = MULTICAST) -> str:
    """Run Python text there and return what it printed; an exception in it fails the test."""
    done = alone(sys.executable, "-W", "error", "-c", text, *words, setup=setup)
    assert done.returncode == 0, done.stderr
    return done.stdout
