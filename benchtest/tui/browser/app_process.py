"""The terminal program in a process of its own, for as long as somebody looks at it."""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
import sys
import tempfile
from asyncio.subprocess import PIPE, Process
from collections.abc import Awaitable, Callable, Sequence
from typing import Literal

from textual_serve.app_service import AppService
from textual_serve.download_manager import DownloadManager

from benchtest.errors import temp_file_errors
from benchtest.tui.browser import BEAT, BEAT_S, DRIVER, ON_BENCH

FRAMES_PER_S = 20
"""Redraws: as many as an eye follows, and a tenth of a busy screen's octets. [1/s]"""
ASKED_S, TOLD_S = 1.5, 1.5
"""How long the program may take to end once it is asked to, and once it is told by a signal. [s]"""
MOST_CELLS = 500
"""Columns or lines of a screen, at most: what a browser says is not believed beyond that."""

Ending = Literal["ended", "forced"]


class Program(AppService):
    """The library's process and its packets; started without a shell, and surely ended."""

    def __init__(
        self,
        words: Sequence[str],
        draw: Callable[[bytes], Awaitable[None]],
        finished: Callable[[], Awaitable[None]],
        on_bench: Callable[[str], None],
    ) -> None:
        """Nothing is started yet.

        Args:
            words: what the program is run with, after `benchtest`.
            draw: takes octets for the browser's terminal.
            finished: called when the program has ended.
            on_bench: told the session that comes onto the bench; empty once none is there.

        Raises:
            BenchError: there is no room for temporary files.
        """
        super().__init__(
            "",
            write_bytes=self._draw,
            write_str=self._ignore,
            close=self._ignore_end,
            download_manager=DownloadManager(),
        )
        self._words = tuple(words)
        self._to_browser = draw
        self._finished = finished
        self._on_bench = on_bench
        self._nobody = asyncio.Event()
        with temp_file_errors():
            self._errors = tempfile.TemporaryFile()  # noqa: SIM115  lives as long as the program
        self._watch: asyncio.Task[None] | None = None
        self._beating: asyncio.Task[None] | None = None

    def _build_environment(self, width: int = 80, height: int = 24) -> dict[str, str]:
        made = super()._build_environment(width, height)
        # a browser shows every letter, whatever the shell's language that serve was started in
        return made | {
            "TEXTUAL_DRIVER": DRIVER, "TEXTUAL_FPS": str(FRAMES_PER_S), "PYTHONUTF8": "1",
        }  # fmt: skip

    async def _open_app_process(self, width: int = 80, height: int = 24) -> Process:
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-P", "-m", "benchtest", *self._words),
            stdin=PIPE,
            stdout=PIPE,
            stderr=self._errors,
            env=self._build_environment(cells(width), cells(height)),
            start_new_session=True,  # Ctrl-C is for the one who serves
        )
        process.stderr = asyncio.StreamReader()  # the library would print what comes there
        process.stderr.feed_eof()
        self._process, self._stdin = process, process.stdin
        return process

    async def start(self, width: int, height: int) -> None:
        """Start it on a screen of so many columns and lines.

        Raises:
            OSError: the system starts no process.
        """
        await super().start(width, height)
        self._watch = asyncio.create_task(self._until_ended())
        self._beating = asyncio.create_task(self._beat())

    async def set_terminal_size(self, width: int, height: int) -> None:
        await super().set_terminal_size(cells(width), cells(height))

    async def _beat(self) -> None:
        """Show the program that its server runs; without that it takes the prop dark."""
        with contextlib.suppress(ConnectionError, RuntimeError):
            while await self.send_meta({"type": BEAT}):
                await asyncio.sleep(BEAT_S)

    async def _until_ended(self) -> None:
        assert self._task is not None
        await self._task
        await self._finished()

    async def stop(self) -> None:
        """End it; see `end` for how that went."""
        await self.end()

    async def end(self) -> Ending:
        """End it: asked first, then told by a signal, then by force.

        That signal is no hang-up, which a program under nohup passes over.

        Returns:
            "ended" once it has ended by itself, so that the prop is dark; "forced" where it had
            to be killed, so that the prop goes dark by itself.
        """
        process = self._process
        assert process is not None
        self._nobody.set()
        if self._beating is not None:
            self._beating.cancel()
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self.send_meta({"type": "quit"}), ASKED_S)
        forced = not (
            await _ended(process, ASKED_S)
            or (_signal(process, signal.SIGTERM) and await _ended(process, TOLD_S))
        )
        if forced:
            _signal(process, signal.SIGKILL)
            await process.wait()
        if self._watch is not None:
            await self._watch
        return "forced" if forced else "ended"

    def last_words(self) -> str:
        """Why it ended, where it said so."""
        self._errors.seek(0)
        return self._errors.read(4000).decode("utf-8", "replace").strip()

    async def _draw(self, octets: bytes) -> None:
        """Pass on what is drawn; once nobody looks, let it go.

        The program must never wait for a browser that is out of reach.
        """
        if self._nobody.is_set():
            return
        sending = asyncio.ensure_future(self._to_browser(octets))
        leaving = asyncio.ensure_future(self._nobody.wait())
        try:
            await asyncio.wait({sending, leaving}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            leaving.cancel()
            sending.cancel()
        with contextlib.suppress(ConnectionError, RuntimeError, asyncio.CancelledError):
            await sending

    async def on_meta(self, data: bytes) -> None:
        """What is on the bench, and the end; the program opens no pages and gives no files away."""
        with contextlib.suppress(ValueError):
            told = json.loads(data)
            if told.get("type") == "exit":
                self._nobody.set()
            elif told.get("type") == ON_BENCH:
                self._on_bench(told["session"])

    async def on_packed(self, payload: bytes) -> None:
        """The program gives no files away."""

    async def _ignore(self, text: str) -> None: ...

    async def _ignore_end(self) -> None: ...


def cells(asked: int) -> int:
    """A number of columns or lines that a screen can have."""
    return min(max(asked, 1), MOST_CELLS)


async def _ended(process: Process, within_s: float) -> bool:
    try:
        await asyncio.wait_for(process.wait(), within_s)
    except TimeoutError:
        return False
    return True


def _signal(process: Process, number: signal.Signals) -> bool:
    with contextlib.suppress(ProcessLookupError):
        process.send_signal(number)
    return True
