"""An E1.31 receiver that shares no code with the program, for tests of several rooms."""

from __future__ import annotations

import socket
import threading
import time

LIMIT_S = 2.5
"""E131_NETWORK_DATA_LOSS_TIMEOUT. Source: ANSI E1.31-2018, appendix A."""


class Watcher:
    """An E1.31 receiver that only remembers since when every universe has been dark.

    Offsets of octets: ANSI E1.31-2018, tables 4-1, 6-1 and 7-1.
    """

    def __init__(self) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind(("127.0.0.1", 0))
        self._socket.settimeout(0.1)
        self.to = f"e131:127.0.0.1:{self._socket.getsockname()[1]}"
        self._lit_s: dict[int, float] = {}
        self.lit_packets = self.packets = 0
        self.last_lit_s = float("-inf")
        self._done = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._done:
            try:
                packet = self._socket.recv(1500)
            except TimeoutError:
                continue
            if len(packet) < 126 or packet[40:44] != b"\0\0\0\x02":  # VECTOR_E131_DATA_PACKET
                continue
            universe = int.from_bytes(packet[113:115], "big")
            self.packets += 1
            terminated = bool(packet[112] & 0x40)  # bit 6: Stream_Terminated
            if any(packet[126:]) and not terminated:
                self.lit_packets += 1
                self._lit_s[universe] = self.last_lit_s = time.monotonic()
            else:
                self._lit_s.pop(universe, None)

    @property
    def is_lit(self) -> bool:
        """True if a prop would be lit now."""
        now_s = time.monotonic()
        return any(now_s - lit_s < LIMIT_S for lit_s in list(self._lit_s.values()))

    @property
    def is_dark_by_packet(self) -> bool:
        """True if the last packet of every universe was dark; a time-out does not count."""
        return not self._lit_s

    def close(self) -> None:
        self._done = True
        self._thread.join()
        self._socket.close()
