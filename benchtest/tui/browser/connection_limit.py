"""Limits on the number and lifetime of connections that no known browser has."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from aiohttp.web_protocol import RequestHandler as Connection

MOST_STRANGERS = 32
"""Connections at once; a browser that asks for the code makes up to six."""
PATIENCE_S = 15.0
"""How long one may last. A browser at the code makes another, and notices nothing. [s]"""
READ_S = 0.02
"""Time in which a request that came with its connection is read, and a known browser found. [s]"""
MOST_UNREAD = 8 * MOST_STRANGERS
"""Connections at once until then: their number must stay far below that of open files."""
BACKLOG = 256
"""Connections that the system holds until they are accepted: a burst must not fill it."""

Make = Callable[[], Connection]


class Strangers:
    """Makes a server's connections, and ends those of strangers in time."""

    def __init__(
        self,
        make: Make,
        patience_s: float = PATIENCE_S,
        is_known: Callable[[str], bool] = lambda peer: False,
    ) -> None:
        """Begin without connections.

        Args:
            make: makes one connection of the server.
            patience_s: how long a stranger's may last. [s]
            is_known: whether a known browser has that address; such addresses have room of their
                own, so that strangers elsewhere never take a known browser's connections.
        """
        self._make = make
        self._patience_s = patience_s
        self._is_known = is_known
        self._waiting: dict[Connection, asyncio.TimerHandle] = {}
        self._thinning = False

    def __call__(self) -> asyncio.Protocol:
        """Return the protocol of a connection that is about to be made."""
        return _Arrival(self, self._make())

    def arrived(self, made: Connection) -> None:
        """Count a connection as a stranger's until `let_in`."""
        loop = asyncio.get_running_loop()
        self._waiting[made] = loop.call_later(self._patience_s, self._end, made)
        if len(self._waiting) > MOST_UNREAD:
            self._thin_out()
        elif len(self._waiting) > MOST_STRANGERS and not self._thinning:
            self._thinning = True
            loop.call_later(READ_S, self._thin_out)

    def let_in(self, known: Connection) -> None:
        """A connection of a browser that is known may stay."""
        if (timer := self._waiting.pop(known, None)) is not None:
            timer.cancel()

    def _thin_out(self) -> None:
        """End the oldest connections beyond the limit, on either side."""
        self._thinning = False
        sides: tuple[list[Connection], list[Connection]] = ([], [])
        for one in list(self._waiting):
            if one.transport is None:  # closed by its other end
                self.let_in(one)
            else:
                peer = one.transport.get_extra_info("peername") or ("",)
                sides[self._is_known(str(peer[0]))].append(one)
        for side in sides:
            for one in side[:-MOST_STRANGERS]:
                self._end(one)

    def _end(self, stranger: Connection) -> None:
        self.let_in(stranger)
        if stranger.transport is not None:
            stranger.transport.abort()  # what it was still to be sent is nobody's loss


class _Arrival(asyncio.Protocol):
    """Stands in for a connection until it is made.

    Many are accepted before the first is made. One that is not made yet looks like one that has
    been closed, and nothing of it can be ended.
    """

    def __init__(self, strangers: Strangers, made: Connection) -> None:
        self._strangers = strangers
        self._made = made

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        transport.set_protocol(self._made)
        self._made.connection_made(transport)
        self._strangers.arrived(self._made)
