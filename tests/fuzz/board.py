"""The bridge's firmware on this computer, under the address and behaviour sanitizers of gcc."""

from __future__ import annotations

import struct
import subprocess
from pathlib import Path

HERE = Path(__file__).parent
BRIDGE = HERE.parents[1] / "hw_notes" / "bridge"


def build(program: Path) -> None:
    """Build it from the bridge's sources; only registers and the assembler part are stood in."""
    words = ["gcc", "-std=gnu11", "-O1", "-g", "-Wall", "-Wextra", "-Werror"]
    words += ["-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-DF_CPU=16000000UL"]
    words += [f"-I{HERE / 'firmware'}", f"-I{BRIDGE}", "-o", str(program)]
    words += [str(HERE / "firmware" / "harness.c"), str(BRIDGE / "line.c")]
    subprocess.run(words, check=True)


class Board:
    """A board that is switched on anew for every stream of octets."""

    def __init__(self, program: Path) -> None:
        self._process = subprocess.Popen(
            [str(program)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )

    def hear(self, octets: bytes) -> tuple[list[bytes], bytes]:
        """The messages that it found in a stream, and the octets that it answered.

        Raises:
            AssertionError: a sanitizer has stopped it; its words.
        """
        assert self._process.stdin is not None
        self._process.stdin.write(struct.pack("=H", len(octets)) + octets)
        self._process.stdin.flush()
        found, messages = self._block(), []
        while found:
            messages.append(found[1 : 1 + found[0]])
            found = found[1 + found[0] :]
        return messages, self._block()

    def _block(self) -> bytes:
        assert self._process.stdout is not None
        head = self._process.stdout.read(4)
        if len(head) < 4:
            assert self._process.stderr is not None
            raise AssertionError(f"the board stopped: {self._process.stderr.read().decode()}")
        return self._process.stdout.read(struct.unpack("=I", head)[0])

    def close(self) -> None:
        self._process.kill()
        self._process.communicate()
