"""Connections of whoever has not been let in yet: so many at once, and none of them for long."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from aiohttp.web_protocol import RequestHandler as Connection

MOST_STRANGERS = 32
"""Connections at once; a browser that asks for the code makes up to six."""
PATIENCE_S = 15.0
"""How long one may last. A browser at the code makes another, and notices nothing. [s]"""

Make = Callable[[], Connection]


class Strangers:
    """Makes a server's connections, and ends those of strangers in time."""

    def __init__(self, make: Make, patience_s: float = PATIENCE_S) -> None:
        """Nobody is there yet.

        Args:
            make: one connection of the server.
            patience_s: how long a stranger's may last.
        """
        self._make = make
        self._patience_s = patience_s
        self._waiting: dict[Connection, asyncio.TimerHandle] = {}

    def __call__(self) -> Connection:
        """Somebody connects: a stranger until `let_in`. Where too many wait, the first one goes."""
        for gone in [one for one in self._waiting if one.transport is None]:
            self.let_in(gone)
        if len(self._waiting) >= MOST_STRANGERS:
            self._end(next(iter(self._waiting)))
        made = self._make()
        loop = asyncio.get_running_loop()
        self._waiting[made] = loop.call_later(self._patience_s, self._end, made)
        return made

    def let_in(self, known: Connection) -> None:
        """A connection of a browser that is known may stay."""
        if (timer := self._waiting.pop(known, None)) is not None:
            timer.cancel()

    def _end(self, stranger: Connection) -> None:
        self.let_in(stranger)
        if stranger.transport is not None:
            stranger.transport.abort()  # what it was still to be sent is nobody's loss
