"""Output of programs at a terminal, as whole characters."""

from __future__ import annotations

import codecs
import os


class Ear:
    """Reader of a pseudo-terminal; a read may end between the octets of one character."""

    def __init__(self, end: int) -> None:
        self.end = end
        self.decode = codecs.getincrementaldecoder("utf-8")("replace").decode

    def read(self) -> str:
        """Return the text that has arrived.

        Raises:
            OSError: the program has ended, as Linux reports it.
        """
        return self.decode(os.read(self.end, 65536))
