"""The bridge's firmware on this computer, under the address and behaviour sanitizers of gcc."""

from __future__ import annotations

import struct
import subprocess
from pathlib import Path

MOST_S = 10.0
"""Processor time for one stream on the board. [s]"""

HERE = Path(__file__).parent
BRIDGE = HERE.parents[1] / "hw_notes" / "bridge"
PARTS = ("line.c", "monitor.c")


def build(program: Path) -> None:
    """Build it from the bridge's sources; only registers and the assembler part are replaced."""
    words = ["gcc", "-std=gnu11", "-O1", "-g", "-Wall", "-Wextra", "-Werror"]
    words += ["-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-DF_CPU=16000000UL"]
    words += [f"-I{HERE / 'firmware'}", f"-I{BRIDGE}", "-o", str(program)]
    words += [str(HERE / "firmware" / "harness.c"), *(str(BRIDGE / name) for name in PARTS)]
    subprocess.run(words, check=True)


class Board:
    """A board that is restarted for every stream of octets, and after a stop."""

    def __init__(self, program: Path, most_s: float = MOST_S, *, stuck: bool = False) -> None:
        """Prepare the board; nothing is started yet.

        Args:
            program: the program from `build`.
            most_s: processor time for one stream. [s]
            stuck: its line never has room to send.
        """
        self._words = [str(program), f"{most_s}", *(["stuck"] if stuck else [])]
        self._process: subprocess.Popen[bytes] | None = None

    def hear(self, octets: bytes) -> tuple[list[bytes], bytes]:
        """Return the messages found in a stream, and the octets answered.

        Raises:
            AssertionError: it hangs, or a sanitizer has stopped it; with its output.
        """
        board = self._started()
        assert board.stdin is not None
        board.stdin.write(struct.pack("=H", len(octets)) + octets)
        board.stdin.flush()
        found, messages = self._block(board), []
        while found:
            messages.append(found[1 : 1 + found[0]])
            found = found[1 + found[0] :]
        return messages, self._block(board)

    def _started(self) -> subprocess.Popen[bytes]:
        if self._process is None:
            pipe = subprocess.PIPE
            self._process = subprocess.Popen(self._words, stdin=pipe, stdout=pipe, stderr=pipe)
        return self._process

    def _block(self, board: subprocess.Popen[bytes]) -> bytes:
        assert board.stdout is not None
        head = board.stdout.read(4)
        if len(head) < 4:
            self._process = None
            _, said = board.communicate()
            raise AssertionError(f"the board stopped: {said.decode(errors='replace')}")
        return board.stdout.read(struct.unpack("=I", head)[0])

    def close(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.communicate()
            self._process = None
