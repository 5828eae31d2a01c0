"""A real `benchtest serve` in a pseudo-terminal, and the browsers' side."""

from __future__ import annotations

import asyncio
import codecs
import json
import os
import re
import select
import signal
import subprocess
import sys
import termios
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import aiohttp
import psutil

from tests.terminals import Ear

WAIT_S = 30.0
_CONTROL = re.compile(r"\x1b(\[[0-9;?$<>]*[A-Za-z]|\][^\x07]*\x07|[=>])")


class Served:
    """One server, started with these arguments and ended with the test module."""

    def __init__(self, bench: Path, *words: str) -> None:
        self.terminal, theirs = os.openpty()
        termios.tcsetwinsize(theirs, (50, 100))
        self.process = subprocess.Popen(
            [sys.executable, "-m", "benchtest", "--bench", str(bench), "serve", "--port=0", *words],
            stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True,
            env={**os.environ, "PYTHONUTF8": "1"},
        )  # fmt: skip
        os.close(theirs)
        self._ear = Ear(self.terminal)
        self.printed = ""
        found = re.search(r"http://([0-9.]+):(\d+)/", self.until("when it is back"))
        assert found
        if "--code" in words:
            self.until("another)")
        self.url, self.host, self.port = found[0].rstrip("/"), found[1], int(found[2])

    def until(self, words: str) -> str:
        """Return all output once it contains these words."""
        due = time.monotonic() + WAIT_S
        while words not in self.printed:
            assert time.monotonic() < due, f"never saw {words!r} in:\n{self.printed}"
            if select.select([self.terminal], [], [], 0.1)[0]:
                try:
                    self.printed += self._ear.read()
                except OSError:  # the program has ended
                    due = min(due, time.monotonic())
        return self.printed

    def new_code(self) -> str:
        """Press Enter, and read the code."""
        self.printed = ""
        os.write(self.terminal, b"\r")
        codes: list[str] = re.findall(r"Code: (\d{4} \d{4})", self.until("another)"))
        return codes[-1]

    def programs(self) -> list[psutil.Process]:
        """Return the terminal programs that it runs."""
        return psutil.Process(self.process.pid).children()

    def end(self, number: int = signal.SIGINT) -> int:
        """End it like Ctrl-C, and return its exit code."""
        if self.process.poll() is None:
            self.process.send_signal(number)
        return self._ended(0.05)

    def held(self) -> int:
        """End it by a held Ctrl-C that repeats faster than any key."""
        return self._ended(0.002, signal.SIGINT)

    def _ended(self, every_s: float, meanwhile: int | None = None) -> int:
        due = time.monotonic() + WAIT_S
        while self.process.poll() is None and time.monotonic() < due:
            if meanwhile is not None:
                self.process.send_signal(meanwhile)
            if select.select([self.terminal], [], [], every_s)[0]:
                try:
                    self.printed += self._ear.read()
                except OSError:
                    break
        return self.process.wait(WAIT_S)

    def close(self) -> None:
        self.end()
        os.close(self.terminal)

    @asynccontextmanager
    async def browser(
        self, *, code: bool = True, address: str = "127.0.0.1"
    ) -> AsyncIterator[Browser]:
        """Open a browser; with a code it is admitted."""
        connector = aiohttp.TCPConnector(local_addr=(address, 0))
        jar = aiohttp.CookieJar(unsafe=True)  # a browser keeps cookies of bare addresses too
        async with aiohttp.ClientSession(connector=connector, cookie_jar=jar) as session:
            browser = Browser(self.url, session)
            if code:
                entered = await browser.enter(self.new_code())
                assert entered.status == 200, await entered.text()
            yield browser


class Browser:
    """A browser."""

    def __init__(self, url: str, session: aiohttp.ClientSession) -> None:
        self.url = url
        self.session = session

    async def get(self, path: str = "/", **headers: str) -> aiohttp.ClientResponse:
        answer = await self.session.get(self.url + path, headers=headers)
        await answer.read()
        return answer

    async def enter(self, code: str, origin: str | None = None) -> aiohttp.ClientResponse:
        answer = await self.session.post(
            self.url + "/enter",
            data={"code": code},
            headers={"Origin": origin or self.url},
        )
        await answer.read()
        return answer

    async def look(self, **headers: str) -> Look:
        """Open the program."""
        socket = await self.session.ws_connect(
            self.url + "/ws?width=80&height=24",
            headers={"Origin": self.url, **headers},
            autoping=False,
            max_msg_size=0,
        )
        return Look(socket)


class Look:
    """A page that shows the program.

    Attributes:
        answers: False for a browser out of reach, which does not answer the server.
    """

    def __init__(self, socket: aiohttp.ClientWebSocketResponse) -> None:
        self.socket = socket
        self.answers = True
        self._decode = codecs.getincrementaldecoder("utf-8")().decode
        self.drawn = ""
        self.reasons: list[str] = []

    async def keys(self, keys: str) -> None:
        self.drawn = ""
        await self.socket.send_json(["stdin", keys])

    async def until(self, words: str) -> None:
        """Read until these words have been drawn."""
        try:
            async with asyncio.timeout(WAIT_S):
                while words not in _CONTROL.sub("", self.drawn):
                    assert await self._read(), f"closed before {words!r}: {self.reasons}"
        except TimeoutError:
            drawn = _CONTROL.sub("", self.drawn)
            raise AssertionError(f"never drew {words!r} in:\n{drawn}") from None

    def strand(self) -> int:
        """Return the strand of the question on the screen."""
        found = re.findall(r"Does every node of strand (\d+)", _CONTROL.sub("", self.drawn))
        return int(found[-1])

    async def until_closed(self) -> list[str]:
        """Return the reasons given when it closed."""
        async with asyncio.timeout(WAIT_S):
            while await self._read():
                pass
        return self.reasons

    async def _read(self) -> bool:
        message = await self.socket.receive()
        if message.type is aiohttp.WSMsgType.PING and self.answers:
            await self.socket.pong(message.data)
        if message.type is aiohttp.WSMsgType.BINARY:
            self.drawn += self._decode(message.data)
        elif message.type is aiohttp.WSMsgType.TEXT:
            kind, *words = json.loads(message.data)
            if kind == "reason":
                self.reasons += words
        return message.type not in (
            aiohttp.WSMsgType.CLOSE,
            aiohttp.WSMsgType.CLOSING,
            aiohttp.WSMsgType.CLOSED,
            aiohttp.WSMsgType.ERROR,
        )
