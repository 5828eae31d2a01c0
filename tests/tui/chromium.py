"""A headless browser, controlled by its DevTools protocol."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiohttp

WAIT_S = 30.0


class Chromium:
    """One page of the browser."""

    def __init__(self, socket: aiohttp.ClientWebSocketResponse) -> None:
        self._socket = socket
        self._numbers = itertools.count(1)
        self.complaints: list[str] = []

    async def ask(self, method: str, **given: Any) -> dict[str, Any]:
        number = next(self._numbers)
        await self._socket.send_json({"id": number, "method": method, "params": given})
        async with asyncio.timeout(WAIT_S):
            while True:
                said = await self._socket.receive_json()
                if said.get("id") == number:
                    result: dict[str, Any] = said["result"]
                    return result
                entry = said.get("params", {}).get("entry", {})
                if entry.get("level") == "error" or said.get("method") == "Runtime.exceptionThrown":
                    self.complaints.append(str(said["params"]))

    async def phone(self, width: int, height: int) -> None:
        """Emulate a touch phone of this size in CSS pixels."""
        await self.ask(
            "Emulation.setDeviceMetricsOverride",
            width=width, height=height, deviceScaleFactor=0, mobile=True,
        )  # fmt: skip
        await self.ask("Emulation.setTouchEmulationEnabled", enabled=True)

    async def open(self, address: str) -> None:
        await self.ask("Page.navigate", url=address)

    async def value(self, script: str) -> Any:
        """Return the value of an expression on the page."""
        told = await self.ask("Runtime.evaluate", expression=script, returnByValue=True)
        return told["result"].get("value")

    async def until(self, script: str) -> None:
        """Wait until an expression is true."""
        async with asyncio.timeout(WAIT_S):
            while not await self.value(script):
                await asyncio.sleep(0.05)

    async def tap(self, selector: str) -> None:
        """Tap the middle of an element on the page."""
        x, y = await self.value(
            f"(() => {{ const at = document.querySelector('{selector}').getBoundingClientRect();"
            " return [at.x + at.width / 2, at.y + at.height / 2]; })()"
        )
        point = [{"x": x, "y": y}]
        await self.ask("Input.dispatchTouchEvent", type="touchStart", touchPoints=point)
        await self.ask("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])


@asynccontextmanager
async def chromium(folder: Path) -> AsyncIterator[Chromium]:
    """Start a browser with a new profile in a folder; no graphics unit is imitated."""
    process = await asyncio.create_subprocess_exec(
        "chromium", "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
        "--disable-3d-apis", "--disable-extensions", "--remote-debugging-port=0",
        f"--user-data-dir={folder}", "about:blank",
        stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    assert process.stderr is not None
    try:
        line = b""
        async with asyncio.timeout(WAIT_S):
            while b"DevTools listening on" not in line:
                line = await process.stderr.readline()
                assert line, "chromium did not start"
        async with aiohttp.ClientSession() as session:
            host = line.decode().split()[-1].split("/")[2]
            pages = await (await session.get(f"http://{host}/json")).json()
            where = next(page for page in pages if page["type"] == "page")
            async with session.ws_connect(where["webSocketDebuggerUrl"], max_msg_size=0) as socket:
                page = Chromium(socket)
                for part in ("Log", "Runtime", "Page"):
                    await page.ask(f"{part}.enable")
                yield page
    finally:
        process.terminate()
        await process.communicate()
