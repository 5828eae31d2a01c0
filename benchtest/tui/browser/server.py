"""Web server for the terminal program: one browser at a time, and a dark prop without one.

It listens at an address of this machine, never at one that is reachable from the internet.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import json
import logging
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from ipaddress import AddressValueError, IPv4Address
from typing import Any, NamedTuple
from urllib.parse import parse_qs

import jinja2
from aiohttp import WSCloseCode, WSMsgType, web

from benchtest.drive.interfaces import NetworkInterface
from benchtest.errors import BenchError, InputError
from benchtest.tui.browser.access_codes import AccessCodes, CodeRejected
from benchtest.tui.browser.app_process import QUIT_S, TERMINATE_S, AppProcess
from benchtest.tui.browser.connection_limit import BACKLOG, MAX_UNADMITTED_S, ConnectionLimiter


class File(NamedTuple):
    """One static file: where it is packaged, and its media type."""

    package: str
    path: str
    kind: str


FILES = {
    "textual.js": File("textual_serve", "static/js/textual.js", "text/javascript; charset=utf-8"),
    "xterm.css": File("textual_serve", "static/css/xterm.css", "text/css; charset=utf-8"),
    "mono.ttf": File(
        "textual_serve", "static/fonts/RobotoMono-VariableFont_wght.ttf", "font/ttf"
    ),
    "bench.js": File("benchtest.tui.browser", "pages/bench.js", "text/javascript; charset=utf-8"),
    "bench.css": File("benchtest.tui.browser", "pages/bench.css", "text/css; charset=utf-8"),
    "code.js": File("benchtest.tui.browser", "pages/code.js", "text/javascript; charset=utf-8"),
    "message.css": File("benchtest.tui.browser", "pages/message.css", "text/css; charset=utf-8"),
}  # fmt: skip
"""All files that can be requested: no path of a request reaches the disk."""


@cache
def content(name: str) -> bytes:
    """Return the content of one of `FILES`."""
    file = FILES[name]
    return files(file.package).joinpath(file.path).read_bytes()


def page(name: str, **values: Any) -> str:
    """Return a page of this package with its values filled in."""
    return _environment().get_template(name).render(values)


@cache
def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.FunctionLoader(_source),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _source(name: str) -> str:
    return files("benchtest.tui.browser").joinpath("pages", name).read_text("utf-8")


HEARTBEAT_S = 3.0
"""Silence after which a browser is pinged, with half as long to answer: a phone's radio pauses for
a second now and then. [s]"""
DARK_S = 8
"""Time until the prop is dark after the browser is out of reach: both times above and the exit time
of the program, rounded up. [s]"""
MAX_MESSAGE_OCTETS = 65536
"""Largest message of a browser: a screen full of pasted text."""
WAIT_S = QUIT_S + TERMINATE_S + 3.0
"""Time that a reloaded page waits for the end of the program that it showed before. [s]"""
BUSY = "The bench is in use"
MOVED = "The bench is shown on a newer page of this browser."

assert HEARTBEAT_S * 1.5 + QUIT_S + TERMINATE_S <= DARK_S

Log = Callable[[str], None]
Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


@dataclass
class _Viewer:
    """The browser page that shows the bench."""

    token: str
    socket: web.WebSocketResponse
    gone: asyncio.Event = field(default_factory=asyncio.Event)
    leaving: bool = False


class BenchServer:
    """Web server of the pages, the access codes and the one viewer."""

    def __init__(
        self,
        address: IPv4Address,
        port: int,
        arguments: Sequence[str],
        codes: AccessCodes,
        log: Log,
        lifetime_s: float = MAX_UNADMITTED_S,
    ) -> None:
        """Prepare the server without opening it.

        Args:
            address: address to listen at, one of this machine.
            port: TCP port to listen at; 0 for a free one.
            arguments: arguments of the terminal program.
            codes: admission of browsers.
            log: receives one sentence per event.
            lifetime_s: lifetime of a connection of a browser that is not admitted. [s]
        """
        self.address = address
        self.port = port
        self.codes = codes
        self._arguments = tuple(arguments)
        self._log = log
        self._viewer: _Viewer | None = None
        self._closing = False
        self._runner: web.AppRunner | None = None
        self._listening: asyncio.Server | None = None
        self._limiter: ConnectionLimiter | None = None
        self._lifetime_s = lifetime_s
        # session and target of each browser that left during a test
        self._sessions: dict[str, tuple[str, str]] = {}

    @property
    def url(self) -> str:
        return f"http://{self.address}:{self.port}/"

    @property
    def _hosts(self) -> set[str]:
        """Return the valid values of the Host header."""
        names = {str(self.address), *(("localhost",) if self.address.is_loopback else ())}
        return {f"{name}:{self.port}" for name in names} | (names if self.port == 80 else set())

    async def open(self) -> None:
        """Start listening.

        Raises:
            InputError: the port is taken, or the address is not one of this machine.
            BenchError: the port cannot be opened for another reason.
        """
        logging.getLogger("aiohttp").setLevel(logging.CRITICAL)  # invalid requests are not logged
        logging.getLogger("textual-serve").setLevel(logging.CRITICAL)
        app = web.Application(middlewares=[self._guard], client_max_size=1024)
        app.router.add_get("/", self._index)
        app.router.add_post("/enter", self._enter)
        app.router.add_get("/ws", self._show)
        app.router.add_get("/files/{name}", self._file)
        app.on_response_prepare.append(self._add_security_headers)
        self._runner = web.AppRunner(app, access_log=None, shutdown_timeout=1.0)
        await self._runner.setup()
        assert self._runner.server is not None
        self._limiter = ConnectionLimiter(
            self._runner.server, self._lifetime_s, self.codes.has_admitted
        )
        loop = asyncio.get_running_loop()
        try:
            self._listening = await loop.create_server(
                self._limiter, str(self.address), self.port, backlog=BACKLOG
            )
        except OSError as error:
            await self._runner.cleanup()
            raise _listen_error(error, self.address, self.port) from error
        self.port = self._listening.sockets[0].getsockname()[1]

    async def close(self) -> None:
        """Disconnect the viewer, wait until the prop is dark, and stop listening."""
        self._closing = True
        if self._listening is not None:
            self._listening.close()
        if (viewer := self._viewer) is not None:
            await _disconnect(viewer.socket, "benchtest serve was ended.", WSCloseCode.GOING_AWAY)
            await viewer.gone.wait()
        if self._runner is not None:
            await self._runner.cleanup()

    # -- before every request ------------------------------------------------------------------

    @web.middleware
    async def _guard(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """Reject requests with another host name, against DNS rebinding, and report errors."""
        if _host(request) not in self._hosts:
            return _message(421, "Wrong address", f"The bench is only at {self.url}.")
        try:
            return await handler(request)
        except web.HTTPException as refusal:
            if refusal.status < 400:
                raise
            return _message(refusal.status, "No such page", f"The bench is only at {self.url}.")
        except Exception as error:  # the reason is for the user of the server, not for a browser
            self._log(f"A request failed: {error!r}")
            return _message(500, "Failed", "The terminal of benchtest serve shows the reason.")

    async def _add_security_headers(
        self, request: web.Request, response: web.StreamResponse
    ) -> None:
        """Restrict what a browser may do with a response."""
        own = f"ws://{_host(request)}" if _host(request) in self._hosts else ""
        response.headers.update(
            {
                "Server": "benchtest",
                "Cache-Control": "no-store",
                "Content-Security-Policy": "default-src 'none'; script-src 'self'; "
                "style-src 'self' 'unsafe-inline'; font-src 'self'; img-src data:; "
                f"connect-src 'self' {own}; form-action 'self'; base-uri 'none'; "
                "frame-ancestors 'none'",
                "X-Frame-Options": "DENY",
                "X-Content-Type-Options": "nosniff",
                "Referrer-Policy": "same-origin",
                "Cross-Origin-Opener-Policy": "same-origin",
                "Cross-Origin-Resource-Policy": "same-origin",
            }
        )

    def _is_own_page(self, request: web.Request) -> bool:
        """Return True if a page of this bench sent the request; browsers always add the origin."""
        return request.headers.get("Origin") == f"http://{_host(request)}"

    @property
    def _cookie(self) -> str:
        return f"benchtest-{self.port}"  # cookies do not distinguish ports

    def _token(self, request: web.Request) -> str:
        """Return the token of an admitted browser, "" for any other."""
        token = request.cookies.get(self._cookie, "")
        if not self.codes.is_admitted(token, _peer(request)):
            return ""
        assert self._limiter is not None
        self._limiter.admit(request.protocol)
        return token

    # -- pages ---------------------------------------------------------------------------------

    async def _index(self, request: web.Request) -> web.StreamResponse:
        token = self._token(request)
        if not token and self.codes.requires_code:
            return _html(403, page("code.html", title="Enter the code", refused=""))
        viewer = self._viewer
        if viewer is not None and not viewer.leaving and viewer.token != token:
            return _html(409, page("busy.html", title=BUSY))
        shown = _html(200, page("bench.html", host=_host(request), dark_s=DARK_S))
        if not token:
            self._set_token(shown, self.codes.admit(_peer(request)))
        return shown

    async def _enter(self, request: web.Request) -> web.StreamResponse:
        peer = _peer(request)
        if not self.codes.requires_code:
            raise web.HTTPNotFound
        if not self._is_own_page(request):
            self._log(f"Rejected a code from a page of another origin, at {peer}.")
            return _message(403, "Rejected", f"Open {self.url} and type the code there.")
        typed = _code_in(request.content_type, await request.read())
        if typed is None:
            return _message(400, "Rejected", f"Open {self.url} and type the code there.")
        try:
            token = self.codes.use_code(typed, peer)
        except CodeRejected as refused:
            self._log(f"From {peer}: {refused}")
            return _html(403, page("code.html", title="Enter the code", refused=str(refused)))
        self._log(f"The code was used from {peer}. Enter makes another.")
        answer = web.Response(status=303, headers={"Location": "/"})
        self._set_token(answer, token)
        return answer

    def _set_token(self, response: web.Response, token: str) -> None:
        response.set_cookie(self._cookie, token, httponly=True, samesite="Strict", path="/")

    async def _file(self, request: web.Request) -> web.StreamResponse:
        name = request.match_info["name"]
        if name not in FILES:
            raise web.HTTPNotFound
        return web.Response(body=content(name), headers={"Content-Type": FILES[name].kind})

    # -- the bench -----------------------------------------------------------------------------

    async def _show(self, request: web.Request) -> web.StreamResponse:
        """Run the program for as long as this browser is connected."""
        token = self._token(request)
        if not (token and self._is_own_page(request)):
            self._log(f"Rejected a page of another origin, or without a code, at {_peer(request)}.")
            return _message(403, "Rejected", f"Open {self.url} in this browser.")
        socket = web.WebSocketResponse(
            heartbeat=HEARTBEAT_S, timeout=1.0, max_msg_size=MAX_MESSAGE_OCTETS, compress=True
        )
        await socket.prepare(request)
        if not await self._become_viewer(token, socket):
            await _disconnect(socket, f"{BUSY}.", WSCloseCode.TRY_AGAIN_LATER)
            return socket
        viewer = self._viewer
        assert viewer is not None
        try:
            self._log(f"{_peer(request)} has opened the bench.")
            await self._run(request, viewer)
        finally:
            self._viewer = None
            viewer.gone.set()
            if request.transport is not None and socket.close_code == WSCloseCode.ABNORMAL_CLOSURE:
                request.transport.abort()  # without waiting for unsent data
        return socket

    async def _become_viewer(self, token: str, socket: web.WebSocketResponse) -> bool:
        """Make a page the viewer; return False if another browser is.

        A newer page of the same browser replaces the older one, whose connection may be dead.
        """
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(WAIT_S):
                while (viewer := self._viewer) is not None:
                    if not viewer.leaving:
                        if viewer.token != token:
                            return False
                        viewer.leaving = True
                        await _disconnect(viewer.socket, MOVED, WSCloseCode.OK)
                    await viewer.gone.wait()
        if self._viewer is not None or self._closing:
            return False
        self._viewer = _Viewer(token, socket)
        return True

    async def _run(self, request: web.Request, viewer: _Viewer) -> None:
        socket = viewer.socket

        async def finished() -> None:
            reason = program.error_text().removeprefix("benchtest: ")
            if not viewer.leaving:  # ended by the user: the next page begins at the shelf
                self._sessions.pop(viewer.token, None)
            await _disconnect(socket, reason or "The program has ended.", WSCloseCode.OK)

        def on_bench(session: str, target: str) -> None:
            self._sessions[viewer.token] = session, target

        session, target = self._sessions.pop(viewer.token, ("", ""))
        resume = [f"--go-on={session}"] if session else []
        resume += [f"--go-on-to={target}"] if target else []
        try:
            arguments = [*self._arguments, *resume]
            program = AppProcess(arguments, socket.send_bytes, finished, on_bench, socket.send_json)
            await program.start(_number(request, "width", 80), _number(request, "height", 24))
        except (OSError, BenchError) as error:
            why = error.strerror if isinstance(error, OSError) else error
            await _disconnect(socket, f"The program does not start: {why}.", WSCloseCode.OK)
            return
        try:
            async for message in socket:
                if message.type is WSMsgType.TEXT:
                    await _handle(program, socket, message.data)
        finally:
            viewer.leaving = True
            how = await program.end()
            end = "The prop is dark" if how == "ended" else "Ended by force; the prop goes dark"
            self._log(f"{_peer(request)} has disconnected. {end}; the session is kept.")
            if reason := program.error_text():
                self._log(reason)


async def _handle(program: AppProcess, socket: web.WebSocketResponse, text: str) -> None:
    """Handle a message of a page; ignore unknown ones.

    The loss of the focus is ignored too: keys below the screen are for the program.
    """
    try:
        kind, *rest = json.loads(text)
    except (ValueError, TypeError, RecursionError):
        return
    what = rest[0] if rest else None
    if kind == "stdin" and isinstance(what, str):
        # invalid characters are dropped ("?" is a key); an empty message would end the input
        if octets := what.encode("utf-8", "ignore"):
            await program.send_bytes(octets)
    elif kind == "resize" and isinstance(what, dict):
        width, height = what.get("width"), what.get("height")
        if isinstance(width, int) and isinstance(height, int):
            await program.set_terminal_size(width, height)
    elif kind == "ping" and isinstance(what, str):
        await socket.send_json(["pong", what])


async def _disconnect(socket: web.WebSocketResponse, reason: str, code: WSCloseCode) -> None:
    """Send the reason, and close."""
    with contextlib.suppress(ConnectionError, RuntimeError, TimeoutError):
        await asyncio.wait_for(socket.send_json(["reason", reason]), 1.0)
    await socket.close(code=code)


def _code_in(kind: str, body: bytes) -> str | None:
    """Return the code of the page's form, None if the body is not that form."""
    if kind not in ("application/x-www-form-urlencoded", ""):
        return None
    try:
        fields = parse_qs(body.decode("utf-8"), strict_parsing=True, max_num_fields=1)
    except ValueError:
        return None
    return fields.get("code", [""])[0]


def _number(request: web.Request, name: str, default: int) -> int:
    text = request.query.get(name, "")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 7 else default


def _host(request: web.Request) -> str:
    """Return the Host header; without one the library would look up a name on the network."""
    return request.headers.get("Host", "")


def _peer(request: web.Request) -> str:
    return request.remote or "?"


def _html(status: int, text: str) -> web.Response:
    return web.Response(status=status, text=text, content_type="text/html")


def _message(status: int, title: str, text: str) -> web.Response:
    return _html(status, page("message.html", title=title, text=text))


def _listen_error(error: OSError, address: IPv4Address, port: int) -> BenchError:
    if error.errno == errno.EADDRINUSE:
        return InputError(
            f"port {port} of {address} is taken, perhaps by another benchtest serve; "
            "give another with --port, or --port 0 for a free one"
        )
    if error.errno == errno.EADDRNOTAVAIL:
        return InputError(f"--host {address}: not an address of this machine")
    if error.errno in (errno.EACCES, errno.EPERM):
        return InputError(f"port {port}: no permission to open it; give one of 1024 to 65535")
    return BenchError(f"cannot listen at {address}, port {port}: {error.strerror}")


LOOPBACK = "127.0.0.1"


def address_for(host: str | None, lan: bool, known: Sequence[NetworkInterface]) -> IPv4Address:
    """Return the address to listen at: loopback by default.

    Args:
        host: requested address, None for the default.
        lan: True requests this machine's address on its local network.
        known: networks of this machine.

    Raises:
        InputError: the address is not suitable; the message contains those that are.
    """
    if host is None:
        return _on_local_network(known) if lan else IPv4Address(LOOPBACK)
    try:
        address = IPv4Address(LOOPBACK if host == "localhost" else host)
    except AddressValueError:
        raise InputError(f'--host "{host}": give an IPv4 address; {_instead(known)}') from None
    if address.is_unspecified:
        raise InputError(f"--host {host}: means every network at once; {_instead(known)}")
    if address.is_multicast or address == IPv4Address("255.255.255.255"):
        raise InputError(f"--host {host}: not the address of a machine; {_instead(known)}")
    if address.is_global:
        raise InputError(
            f"--host {host}: reachable from the internet, which is not safe; {_instead(known)}"
        )
    return address


def _on_local_network(known: Sequence[NetworkInterface]) -> IPv4Address:
    found = _local(known)
    if not found:
        raise InputError("--lan: this machine has no local network; connect it, or omit --lan")
    if len(found) > 1:
        raise InputError(f"--lan: this machine is on several networks; {_instead(known)}")
    return found[0][1]


def _local(known: Sequence[NetworkInterface]) -> list[tuple[str, IPv4Address]]:
    """Return the networks other than loopback, with this machine's addresses there."""
    return [
        (network.name, IPv4Address(text))
        for network in known
        if network.is_up and not network.is_loopback
        for text in network.addresses
        if ":" not in text and not IPv4Address(text).is_global
    ]


def _instead(known: Sequence[NetworkInterface]) -> str:
    found = _local(known)
    own = ", ".join(f"--host {address} ({name})" for name, address in found)
    return f"give {own}" if own else f"omit it for {LOOPBACK}, on this machine only"
