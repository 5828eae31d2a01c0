"""The terminal program in its own process, for as long as a browser shows it."""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
import tempfile
from asyncio.subprocess import PIPE, Process
from collections.abc import Awaitable, Callable, Sequence
from typing import Literal

from textual_serve.app_service import AppService
from textual_serve.download_manager import DownloadManager

from benchtest.errors import temp_file_errors
from benchtest.operating_system import END_REQUEST, own_group
from benchtest.tui.browser import BEAT, BEAT_S, DRIVER, ON_BENCH, SPOKEN, TONE

FRAMES_PER_S = 20
"""Redraws: smooth to the eye, with a tenth of the octets of a busy screen. [1/s]"""
QUIT_S, TERMINATE_S = 1.5, 1.5
"""Time to exit after a quit message, and after a signal. [s]"""
MAX_SPOKEN = 500
"""Longest text for the voice of a browser. [characters]"""
MAX_CELLS = 500
"""Most columns or lines of a screen that a browser may request."""

Ending = Literal["ended", "forced"]


class AppProcess(AppService):
    """The library's app service, started without a shell, and always ended in bounded time."""

    def __init__(
        self,
        arguments: Sequence[str],
        draw: Callable[[bytes], Awaitable[None]],
        finished: Callable[[], Awaitable[None]],
        on_bench: Callable[[str, str], None],
        to_page: Callable[[list[object]], Awaitable[None]],
    ) -> None:
        """Prepare the process without starting it.

        Args:
            arguments: arguments of the program, after `benchtest`.
            draw: sends octets to the browser's terminal.
            finished: called when the program has ended.
            on_bench: called with the session that is put on the bench and its target, with "" for
                none.
            to_page: sends the page a message about what it speaks or sounds.

        Raises:
            BenchError: temporary files cannot be written.
        """
        super().__init__(
            "",
            write_bytes=self._draw,
            write_str=self._ignore,
            close=self._ignore_end,
            download_manager=DownloadManager(),
        )
        self._arguments = tuple(arguments)
        self._to_browser = draw
        self._finished = finished
        self._on_bench = on_bench
        self._to_page = to_page
        self._viewer_left = asyncio.Event()
        with temp_file_errors():
            self._errors = tempfile.TemporaryFile()  # noqa: SIM115  lives as long as the program
        self._watch: asyncio.Task[None] | None = None
        self._beating: asyncio.Task[None] | None = None

    def _build_environment(self, width: int = 80, height: int = 24) -> dict[str, str]:
        made = super()._build_environment(width, height)
        # a browser shows UTF-8, independent of the shell's locale
        return made | {
            "TEXTUAL_DRIVER": DRIVER, "TEXTUAL_FPS": str(FRAMES_PER_S), "PYTHONUTF8": "1",
        }  # fmt: skip

    async def _open_app_process(self, width: int = 80, height: int = 24) -> Process:
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-P", "-m", "benchtest", *self._arguments),
            stdin=PIPE,
            stdout=PIPE,
            stderr=self._errors,
            env=self._build_environment(cells(width), cells(height)),
            **own_group(),  # Ctrl-C ends only the server
        )
        process.stderr = asyncio.StreamReader()  # else the library would print it
        process.stderr.feed_eof()
        self._process, self._stdin = process, process.stdin
        return process

    async def start(self, width: int, height: int) -> None:
        """Start the program on a screen of this many columns and lines.

        Raises:
            OSError: the process cannot be started.
        """
        await super().start(width, height)
        self._watch = asyncio.create_task(self._until_ended())
        self._beating = asyncio.create_task(self._beat())

    async def set_terminal_size(self, width: int, height: int) -> None:
        await super().set_terminal_size(cells(width), cells(height))

    async def _beat(self) -> None:
        """Send heartbeats; without them the program makes the prop dark."""
        with contextlib.suppress(ConnectionError, RuntimeError):
            while await self.send_meta({"type": BEAT}):
                await asyncio.sleep(BEAT_S)

    async def _until_ended(self) -> None:
        assert self._task is not None
        await self._task
        await self._finished()

    async def stop(self) -> None:
        """End the program; see `end`."""
        await self.end()

    async def end(self) -> Ending:
        """End the program: by a message, then by a signal, then by force.

        Returns:
            "ended" if it ended by itself, with the prop dark; "forced" if it was killed, so that
            the prop goes dark by its own time-out.
        """
        process = self._process
        assert process is not None
        self._viewer_left.set()
        if self._beating is not None:
            self._beating.cancel()
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self.send_meta({"type": "quit"}), QUIT_S)
        forced = not (
            await _ended(process, QUIT_S)
            or (_ask_to_end(process) and await _ended(process, TERMINATE_S))
        )
        if forced:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()
        if self._watch is not None:
            await self._watch
        return "forced" if forced else "ended"

    def error_text(self) -> str:
        """Return the program's standard error: the reason why it ended, if any."""
        self._errors.seek(0)
        return self._errors.read(4000).decode("utf-8", "replace").strip()

    async def _draw(self, octets: bytes) -> None:
        """Send drawing to the browser."""
        await self._send(self._to_browser(octets))

    async def _send(self, message: Awaitable[None]) -> None:
        """Send to the browser, or drop what is sent once the viewer has left.

        The program must never wait for a browser that is out of reach.
        """
        sending = asyncio.ensure_future(message)
        if self._viewer_left.is_set():
            sending.cancel()
        leaving = asyncio.ensure_future(self._viewer_left.wait())
        try:
            await asyncio.wait({sending, leaving}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            leaving.cancel()
            sending.cancel()
        with contextlib.suppress(ConnectionError, RuntimeError, asyncio.CancelledError):
            await sending

    async def on_meta(self, data: bytes) -> None:
        """Handle a message about the session or the exit; ignore pages and files."""
        with contextlib.suppress(ValueError):
            message = json.loads(data)
            if message.get("type") == "exit":
                self._viewer_left.set()
            elif message.get("type") == ON_BENCH:
                self._on_bench(message["session"], message["target"])
            elif message.get("type") == SPOKEN:
                text = str(message["text"])[:MAX_SPOKEN]
                await self._send(self._to_page([SPOKEN, text, bool(message["wanted"])]))
            elif message.get("type") == TONE:
                await self._send(self._to_page([TONE]))

    async def on_packed(self, payload: bytes) -> None:
        """Ignore files: the program sends none."""

    async def _ignore(self, text: str) -> None: ...

    async def _ignore_end(self) -> None: ...


def cells(asked: int) -> int:
    """Return a number of columns or lines within the limits of a screen."""
    return min(max(asked, 1), MAX_CELLS)


async def _ended(process: Process, within_s: float) -> bool:
    try:
        await asyncio.wait_for(process.wait(), within_s)
    except TimeoutError:
        return False
    return True


def _ask_to_end(process: Process) -> bool:
    with contextlib.suppress(ProcessLookupError):
        process.send_signal(END_REQUEST)
    return True
