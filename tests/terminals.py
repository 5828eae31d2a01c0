"""What programs write to a terminal, as whole signs."""

from __future__ import annotations

import codecs
import os


class Ear:
    """Reads the near end of a pseudo-terminal: a read may end within a sign that takes octets."""

    def __init__(self, end: int) -> None:
        self.end = end
        self.decode = codecs.getincrementaldecoder("utf-8")("replace").decode

    def read(self) -> str:
        """What has come.

        Raises:
            OSError: the program has gone, as Linux says it.
        """
        return self.decode(os.read(self.end, 65536))
