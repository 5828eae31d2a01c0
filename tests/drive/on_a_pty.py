"""A device on a serial line that can be plugged in and pulled out: a link to a pty."""

from __future__ import annotations

import os
import pty
import threading
import tty
from pathlib import Path


def link(port: Path, device: str) -> None:
    """Let the port's name lead to a device."""
    fresh = port.with_suffix(".new")
    fresh.symlink_to(device)
    fresh.replace(port)


class OnAPty:
    """Has its port while it is plugged in; what it does there is `_run`."""

    port: Path
    """Where its port is found."""

    def plug(self) -> None:
        """Power it; its port appears."""
        self._line, self._far_end = pty.openpty()
        tty.setraw(self._far_end)
        link(self.port, os.ttyname(self._far_end))
        self.begin()
        self._done = False
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def unplug(self) -> None:
        """Its port vanishes."""
        self._done = True
        self._thread.join()
        os.close(self._far_end)
        os.close(self._line)

    close = unplug

    def begin(self) -> None:
        """What it does when it gets power."""

    def _run(self) -> None:
        """Hears `_line`, and answers, until `_done`."""
        raise NotImplementedError
