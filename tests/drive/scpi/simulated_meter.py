"""A SCPI bench meter, simulated on a real pty: well-behaved, slow, faulty or unplugged.

Identification, clearing and the queue as IEEE 488.2 and SCPI-1999 have them; headers may be short
or long, in any case. Other behaviour of real meters: common practice, no source.
"""

from __future__ import annotations

import os
import re
import select
from collections import deque
from collections.abc import Callable
from pathlib import Path

from tests.drive.on_a_pty import OnAPty
from tests.waiting import came

VOLTS = re.compile(r"^:?MEAS(URE)?(:VOLT(AGE)?)?:DC\?$", re.IGNORECASE)
ERROR = re.compile(r"^:?SYST(EM)?:ERR(OR)?(:NEXT)?\?$", re.IGNORECASE)
REMOTE = re.compile(r"^:?SYST(EM)?:REM(OTE)?$", re.IGNORECASE)
OVERLOAD = 9.9e37
QUEUE = 20


class SimulatedMeter(OnAPty):
    """A meter behind a port.

    Attributes:
        volts: voltage at its leads, called at each reading. [V]
        garbage: octets sent instead of the next readings, one entry each.
        slow_s: time that a reading takes. [s]
        local: the meter takes no readings until it is switched to remote mode.
        deaf: the meter receives nothing.
        ending: end of its lines.
        heard: every line received.
    """

    identity = "RIVERBANK INSTRUMENTS,BM-6,0017,1.04"

    def __init__(self, folder: Path, volts: Callable[[], float] = lambda: 4.871) -> None:
        self.port = folder / "meter"
        self.volts = volts
        self.errors: deque[str] = deque()
        self.garbage: deque[bytes] = deque()
        self.slow_s = 0.0
        self.local = self.deaf = self.no_queue = False
        self.ending = b"\r\n"
        self.heard: list[str] = []
        self.plug()

    def begin(self) -> None:
        """Start with a queue that reports the start."""
        self.errors.append('-300,"Device-specific error"')

    def _run(self) -> None:
        held = b""
        while not self._done:
            if not select.select([self._line], [], [], 0.01)[0]:
                continue
            held += os.read(self._line, 4096)
            *lines, held = held.split(b"\n")
            for line in lines:
                self._hear(line.decode("ascii").strip())

    def _hear(self, line: str) -> None:
        if self.deaf:
            return
        self.heard.append(line)
        if line.upper() == "*IDN?":
            self._say(self.identity.encode())
        elif line.upper() == "*CLS":
            self.errors.clear()
        elif VOLTS.match(line):
            self._measure()
        elif ERROR.match(line):
            if not self.no_queue:
                self._say((self.errors.popleft() if self.errors else '0,"No error"').encode())
        elif REMOTE.match(line):
            self.local = False
        else:
            self._complain('-113,"Undefined header"')

    def _measure(self) -> None:
        if self.local:
            self._complain('-203,"Command protected"')
            return
        came(lambda: self._done, within_s=self.slow_s)
        if self.garbage:
            self._say(self.garbage.popleft())
        else:
            self._say(f"{self.volts():+.8E}".encode())  # NR3, as SCPI meters answer

    def _complain(self, error: str) -> None:
        if len(self.errors) < QUEUE:
            self.errors.append(error)
        else:
            self.errors[-1] = '-350,"Queue overflow"'

    def _say(self, octets: bytes) -> None:
        os.write(self._line, octets + self.ending)
