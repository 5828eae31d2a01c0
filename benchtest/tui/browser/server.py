"""Shows the terminal program to one browser at a time, and takes the prop dark when it is gone."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import json
import logging
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from ipaddress import IPv4Address
from urllib.parse import parse_qs

from aiohttp import WSCloseCode, WSMsgType, web

from benchtest.errors import BenchError, InputError
from benchtest.tui.browser.access_codes import Gate, Refused
from benchtest.tui.browser.app_process import ASKED_S, TOLD_S, Program
from benchtest.tui.browser.assets import FILES, content, page
from benchtest.tui.browser.connection_limit import BACKLOG, PATIENCE_S, Strangers

HEARTBEAT_S = 3.0
"""A browser that is silent for so long is asked whether it is there, and has half of it to
answer: a phone's radio pauses for a second now and then. [s]"""
DARK_S = 8
"""Within which the prop is dark once a browser is out of reach: both of the above, what the
program may take to end, rounded up. [s]"""
MOST_OCTETS = 65536
"""Of one message of a browser: a screen full of pasted text."""
WAIT_S = ASKED_S + TOLD_S + 3.0
"""For a page that is loaded again: until the program that it showed before has ended. [s]"""
BUSY = "Somebody is at the bench"
MOVED = "The bench is shown on a newer page of this browser."

assert HEARTBEAT_S * 1.5 + ASKED_S + TOLD_S <= DARK_S

Say = Callable[[str], None]
Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


@dataclass
class _Viewer:
    """The one that the bench is shown to."""

    token: str
    socket: web.WebSocketResponse
    gone: asyncio.Event = field(default_factory=asyncio.Event)
    leaving: bool = False


class BenchServer:
    """The pages, the gate before them, and the one place at the bench."""

    def __init__(
        self,
        address: IPv4Address,
        port: int,
        words: Sequence[str],
        gate: Gate,
        say: Say,
        patience_s: float = PATIENCE_S,
    ) -> None:
        """Nothing is opened yet.

        Args:
            address: of this machine, to listen at.
            port: to listen at; 0 takes a free one.
            words: what the terminal program is run with.
            gate: who may see it.
            say: told what happens, a sentence each time.
            patience_s: how long a connection of somebody who is not let in may last.
        """
        self.address = address
        self.port = port
        self.gate = gate
        self._words = tuple(words)
        self._say = say
        self._viewer: _Viewer | None = None
        self._closing = False
        self._runner: web.AppRunner | None = None
        self._listening: asyncio.Server | None = None
        self._strangers: Strangers | None = None
        self._patience_s = patience_s
        self._left: dict[str, str] = {}  # what each browser had on the bench when it went

    @property
    def url(self) -> str:
        return f"http://{self.address}:{self.port}/"

    @property
    def _hosts(self) -> set[str]:
        """What a browser that means this bench calls it."""
        names = {str(self.address), *(("localhost",) if self.address.is_loopback else ())}
        return {f"{name}:{self.port}" for name in names} | (names if self.port == 80 else set())

    async def open(self) -> None:
        """Begin to listen.

        Raises:
            InputError: the port is taken, or the address is none of this machine's.
            BenchError: the system gives neither.
        """
        logging.getLogger("aiohttp").setLevel(logging.CRITICAL)  # what strangers send is no news
        logging.getLogger("textual-serve").setLevel(logging.CRITICAL)
        app = web.Application(middlewares=[self._guard], client_max_size=1024)
        app.router.add_get("/", self._index)
        app.router.add_post("/enter", self._enter)
        app.router.add_get("/ws", self._show)
        app.router.add_get("/files/{name}", self._file)
        app.on_response_prepare.append(self._seal)
        self._runner = web.AppRunner(app, access_log=None, shutdown_timeout=1.0)
        await self._runner.setup()
        assert self._runner.server is not None
        self._strangers = Strangers(self._runner.server, self._patience_s, self.gate.has_let_in)
        loop = asyncio.get_running_loop()
        try:
            self._listening = await loop.create_server(
                self._strangers, str(self.address), self.port, backlog=BACKLOG
            )
        except OSError as error:
            await self._runner.cleanup()
            raise _not_open(error, self.address, self.port) from error
        self.port = self._listening.sockets[0].getsockname()[1]

    async def close(self) -> None:
        """Send the viewer away, wait until the prop is dark, and listen no more."""
        self._closing = True
        if self._listening is not None:
            self._listening.close()
        if (viewer := self._viewer) is not None:
            await _part(viewer.socket, "benchtest serve was ended.", WSCloseCode.GOING_AWAY)
            await viewer.gone.wait()
        if self._runner is not None:
            await self._runner.cleanup()

    # -- before every request ------------------------------------------------------------------

    @web.middleware
    async def _guard(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """Only what was meant for this bench: a name that somebody else points here is refused."""
        if _host(request) not in self._hosts:
            return _words(421, "Not this bench", f"This bench is at {self.url} alone.")
        try:
            return await handler(request)
        except web.HTTPException as refusal:
            if refusal.status < 400:
                raise
            return _words(refusal.status, "Not here", f"The bench is at {self.url} alone.")
        except Exception as error:  # told here rather than to strangers
            self._say(f"A request failed: {error!r}")
            return _words(500, "That failed", "The reason stands where benchtest serve runs.")

    async def _seal(self, request: web.Request, response: web.StreamResponse) -> None:
        """What a browser may do with anything that comes from here."""
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
        """Whether a page of this bench asks; a browser puts its own origin there, always."""
        return request.headers.get("Origin") == f"http://{_host(request)}"

    @property
    def _cookie(self) -> str:
        return f"benchtest-{self.port}"  # cookies do not know ports

    def _token(self, request: web.Request) -> str:
        """What a browser is known by; nothing where it is not known."""
        token = request.cookies.get(self._cookie, "")
        if not self.gate.knows(token, _peer(request)):
            return ""
        assert self._strangers is not None
        self._strangers.let_in(request.protocol)
        return token

    # -- pages ---------------------------------------------------------------------------------

    async def _index(self, request: web.Request) -> web.StreamResponse:
        token = self._token(request)
        if not token and self.gate.asks:
            return _html(403, page("code.html", title="Who is there?", refused=""))
        viewer = self._viewer
        if viewer is not None and not viewer.leaving and viewer.token != token:
            return _html(409, page("busy.html", title=BUSY))
        shown = _html(200, page("bench.html", host=_host(request), dark_s=DARK_S))
        if not token:
            self._know(shown, self.gate.let_in(_peer(request)))
        return shown

    async def _enter(self, request: web.Request) -> web.StreamResponse:
        peer = _peer(request)
        if not self.gate.asks:
            raise web.HTTPNotFound
        if not self._is_own_page(request):
            self._say(f"A page of another origin tried to use a code, from {peer}: refused.")
            return _words(
                403, "Not from there", f"Open {self.url} itself, and type the code there."
            )
        typed = _code_in(request.content_type, await request.read())
        if typed is None:
            return _words(400, "Not a form", f"Open {self.url} itself, and type the code there.")
        try:
            token = self.gate.enter(typed, peer)
        except Refused as refused:
            self._say(f"From {peer}: {refused}")
            return _html(403, page("code.html", title="Who is there?", refused=str(refused)))
        self._say(f"The code was used from {peer}. Enter makes another.")
        answer = web.Response(status=303, headers={"Location": "/"})
        self._know(answer, token)
        return answer

    def _know(self, response: web.Response, token: str) -> None:
        response.set_cookie(self._cookie, token, httponly=True, samesite="Strict", path="/")

    async def _file(self, request: web.Request) -> web.StreamResponse:
        name = request.match_info["name"]
        if name not in FILES:
            raise web.HTTPNotFound
        return web.Response(body=content(name), headers={"Content-Type": FILES[name].kind})

    # -- the bench -----------------------------------------------------------------------------

    async def _show(self, request: web.Request) -> web.StreamResponse:
        """Run the program for as long as this browser is there."""
        token = self._token(request)
        if not (token and self._is_own_page(request)):
            self._say(
                f"A page of another origin, or without a code, from {_peer(request)}: refused."
            )
            return _words(403, "Not from there", f"Open {self.url} itself.")
        socket = web.WebSocketResponse(
            heartbeat=HEARTBEAT_S, timeout=1.0, max_msg_size=MOST_OCTETS, compress=True
        )
        await socket.prepare(request)
        if not await self._take_place(token, socket):
            await _part(socket, f"{BUSY}.", WSCloseCode.TRY_AGAIN_LATER)
            return socket
        viewer = self._viewer
        assert viewer is not None
        try:
            self._say(f"{_peer(request)} is at the bench.")
            await self._run(request, viewer)
        finally:
            self._viewer = None
            viewer.gone.set()
            if request.transport is not None and socket.close_code == WSCloseCode.ABNORMAL_CLOSURE:
                request.transport.abort()  # what it was still to be sent reaches nobody
        return socket

    async def _take_place(self, token: str, socket: web.WebSocketResponse) -> bool:
        """Take the one place at the bench.

        A newer page of the same browser takes it over: the older one may hang on a connection
        that is dead. Nobody else does.
        """
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(WAIT_S):
                while (viewer := self._viewer) is not None:
                    if not viewer.leaving:
                        if viewer.token != token:
                            return False
                        viewer.leaving = True
                        await _part(viewer.socket, MOVED, WSCloseCode.OK)
                    await viewer.gone.wait()
        if self._viewer is not None or self._closing:
            return False
        self._viewer = _Viewer(token, socket)
        return True

    async def _run(self, request: web.Request, viewer: _Viewer) -> None:
        socket = viewer.socket

        async def finished() -> None:
            words = program.last_words().removeprefix("benchtest: ")
            if not viewer.leaving:  # somebody has ended it: the next page begins at the shelf
                self._left.pop(viewer.token, None)
            await _part(socket, words or "The program has ended.", WSCloseCode.OK)

        def on_bench(session: str) -> None:
            self._left[viewer.token] = session

        left = self._left.pop(viewer.token, "")
        more = [f"--go-on={left}"] if left else []
        try:
            program = Program([*self._words, *more], socket.send_bytes, finished, on_bench)
            await program.start(_number(request, "width", 80), _number(request, "height", 24))
        except (OSError, BenchError) as error:
            why = error.strerror if isinstance(error, OSError) else error
            await _part(socket, f"The program does not start: {why}.", WSCloseCode.OK)
            return
        try:
            async for message in socket:
                if message.type is WSMsgType.TEXT:
                    await _obey(program, socket, message.data)
        finally:
            viewer.leaving = True
            how = await program.end()
            end = (
                "The prop is dark"
                if how == "ended"
                else "It was ended by force; the prop goes dark"
            )
            self._say(f"{_peer(request)} is gone. {end}; the session is kept.")
            if words := program.last_words():
                self._say(words)


async def _obey(program: Program, socket: web.WebSocketResponse, text: str) -> None:
    """Do what a page's message says; one that says nothing known is passed over.

    So is the loss of the focus: keys below the screen are meant for the program too.
    """
    try:
        kind, *rest = json.loads(text)
    except (ValueError, TypeError, RecursionError):
        return
    what = rest[0] if rest else None
    if kind == "stdin" and isinstance(what, str):
        # what cannot be sent is left out, since "?" is a key; to send nothing would end the input
        if octets := what.encode("utf-8", "ignore"):
            await program.send_bytes(octets)
    elif kind == "resize" and isinstance(what, dict):
        width, height = what.get("width"), what.get("height")
        if isinstance(width, int) and isinstance(height, int):
            await program.set_terminal_size(width, height)
    elif kind == "ping" and isinstance(what, str):
        await socket.send_json(["pong", what])


async def _part(socket: web.WebSocketResponse, words: str, code: WSCloseCode) -> None:
    """Say why, and close."""
    with contextlib.suppress(ConnectionError, RuntimeError, TimeoutError):
        await asyncio.wait_for(socket.send_json(["said", words]), 1.0)
    await socket.close(code=code)


def _code_in(kind: str, body: bytes) -> str | None:
    """Return the code of the page's form; None where the body is not that form."""
    if kind not in ("application/x-www-form-urlencoded", ""):
        return None
    try:
        fields = parse_qs(body.decode("utf-8"), strict_parsing=True, max_num_fields=1)
    except ValueError:
        return None
    return fields.get("code", [""])[0]


def _number(request: web.Request, name: str, otherwise: int) -> int:
    text = request.query.get(name, "")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 7 else otherwise


def _host(request: web.Request) -> str:
    """What a browser calls this bench; the library would ask the network where it says nothing."""
    return request.headers.get("Host", "")


def _peer(request: web.Request) -> str:
    return request.remote or "?"


def _html(status: int, text: str) -> web.Response:
    return web.Response(status=status, text=text, content_type="text/html")


def _words(status: int, title: str, words: str) -> web.Response:
    return _html(status, page("words.html", title=title, words=words))


def _not_open(error: OSError, address: IPv4Address, port: int) -> BenchError:
    if error.errno == errno.EADDRINUSE:
        return InputError(
            f"port {port} of {address} is taken, perhaps by another benchtest serve; "
            "give another with --port, or --port 0 for a free one"
        )
    if error.errno == errno.EADDRNOTAVAIL:
        return InputError(f"--host {address}: is no address of this machine")
    if error.errno in (errno.EACCES, errno.EPERM):
        return InputError(f"port {port} may not be opened by you; give one of 1024 to 65535")
    return BenchError(f"cannot listen at {address}, port {port}: {error.strerror}")
