"""A line typed below a picture that is drawn again and again."""

from __future__ import annotations

import codecs
import contextlib
import os
from collections.abc import Iterator
from dataclasses import dataclass, field

MOST_SIGNS = 60
_ENTER, _RUB_OUT, _KILL = ("\r", "\n"), ("\x7f", "\x08"), "\x15"


@dataclass
class Line:
    r"""The line under way.

    >>> line = Line()
    >>> line.type(b"4B"), line.text
    ([], '4B')
    >>> line.type(b"\x7fA\n")
    ['4A']
    """

    text: str = ""
    _decode: codecs.IncrementalDecoder = field(
        default_factory=lambda: codecs.getincrementaldecoder("utf-8")("replace")
    )

    def type(self, octets: bytes) -> list[str]:
        """Take keys as they come; give back the lines that they complete."""
        done = []
        for sign in self._decode.decode(octets):
            if sign in _ENTER:
                done.append(self.text.strip())
                self.text = ""
            elif sign in _RUB_OUT:
                self.text = self.text[:-1]
            elif sign == _KILL:
                self.text = ""
            elif sign.isprintable() and len(self.text) < MOST_SIGNS:
                self.text += sign
        return [line for line in done if line]


@contextlib.contextmanager
def keys(descriptor: int) -> Iterator[bool]:
    """Keys come one by one and unechoed until the end; Ctrl-C stays what it is.

    Gives False where the terminal cannot do that, and the line is then typed as anywhere else.
    """
    try:
        import termios
        import tty

        before = termios.tcgetattr(descriptor)
        tty.setcbreak(descriptor)
    except (ImportError, OSError, ValueError, termios.error):
        yield False
        return
    try:
        yield True
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)


def read_keys(descriptor: int) -> bytes:
    """What has been typed; nothing once the terminal is gone."""
    try:
        return os.read(descriptor, 1024)
    except OSError:
        return b""
