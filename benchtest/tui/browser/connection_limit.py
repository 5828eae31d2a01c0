"""Limits on the number and lifetime of connections of browsers that are not admitted."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from aiohttp.web_protocol import RequestHandler as Connection

MAX_UNADMITTED = 32
"""Simultaneous connections; a browser that asks for the code opens up to six."""
MAX_UNADMITTED_S = 15.0
"""Lifetime of such a connection. A browser at the code page reconnects without notice. [s]"""
READ_S = 0.02
"""Time in which a request that came with its connection is read, and its browser recognized. [s]"""
MAX_PENDING = 8 * MAX_UNADMITTED
"""Simultaneous connections before that, far below the limit of open files."""
BACKLOG = 256
"""Connections that the system holds until they are accepted, enough for a burst."""

Make = Callable[[], Connection]


class ConnectionLimiter:
    """Makes a server's connections, and closes those of browsers that are not admitted in time."""

    def __init__(
        self,
        make: Make,
        lifetime_s: float = MAX_UNADMITTED_S,
        has_admitted: Callable[[str], bool] = lambda peer: False,
    ) -> None:
        """Begin without connections.

        Args:
            make: makes one connection of the server.
            lifetime_s: lifetime of a connection that is not admitted. [s]
            has_admitted: returns True if a browser at that address was admitted; such addresses
                have their own limit, so that others cannot displace their connections.
        """
        self._make = make
        self._lifetime_s = lifetime_s
        self._has_admitted = has_admitted
        self._unadmitted: dict[Connection, asyncio.TimerHandle] = {}
        self._is_trim_due = False

    def __call__(self) -> asyncio.Protocol:
        """Return the protocol of a connection that is about to be made."""
        return _PendingConnection(self, self._make())

    def add(self, made: Connection) -> None:
        """Count a connection until `admit`."""
        loop = asyncio.get_running_loop()
        self._unadmitted[made] = loop.call_later(self._lifetime_s, self._abort, made)
        if len(self._unadmitted) > MAX_PENDING:
            self._trim()
        elif len(self._unadmitted) > MAX_UNADMITTED and not self._is_trim_due:
            self._is_trim_due = True
            loop.call_later(READ_S, self._trim)

    def admit(self, connection: Connection) -> None:
        """Exempt a connection from the limits: its browser is admitted."""
        if (timer := self._unadmitted.pop(connection, None)) is not None:
            timer.cancel()

    def _trim(self) -> None:
        """Close the oldest connections beyond the limit, separately for both kinds of address."""
        self._is_trim_due = False
        by_kind: tuple[list[Connection], list[Connection]] = ([], [])
        for one in list(self._unadmitted):
            if one.transport is None:  # closed by the browser
                self.admit(one)
            else:
                peer = one.transport.get_extra_info("peername") or ("",)
                by_kind[self._has_admitted(str(peer[0]))].append(one)
        for connections in by_kind:
            for one in connections[:-MAX_UNADMITTED]:
                self._abort(one)

    def _abort(self, connection: Connection) -> None:
        self.admit(connection)
        if connection.transport is not None:
            connection.transport.abort()  # without waiting for unsent data


class _PendingConnection(asyncio.Protocol):
    """Placeholder until a connection is made.

    Many connections are accepted before the first is made. One that is not made yet looks like a
    closed one, and cannot be aborted.
    """

    def __init__(self, limiter: ConnectionLimiter, made: Connection) -> None:
        self._limiter = limiter
        self._made = made

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        transport.set_protocol(self._made)
        self._made.connection_made(transport)
        self._limiter.add(self._made)
