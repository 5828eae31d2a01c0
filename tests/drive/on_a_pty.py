"""A device on a serial line that can be plugged in and pulled out: a link to a pty."""

from __future__ import annotations

import os
import pty
import threading
import tty
from pathlib import Path


def link(port: Path, device: str) -> None:
    """Link the port's name to a device."""
    fresh = port.with_suffix(".new")
    fresh.symlink_to(device)
    fresh.replace(port)


class OnAPty:
    """A device with a port while it is plugged in; its behaviour is `_run`."""

    port: Path
    """Path of its port."""

    def plug(self) -> None:
        """Switch it on; its port appears."""
        self._line, self._far_end = pty.openpty()
        tty.setraw(self._far_end)
        link(self.port, os.ttyname(self._far_end))
        self.begin()
        self._done = False
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def unplug(self) -> None:
        """Switch it off; its port disappears."""
        self._done = True
        self._thread.join()
        os.close(self._far_end)
        os.close(self._line)

    close = unplug

    def begin(self) -> None:
        """Do what the device does at power-up."""

    def _run(self) -> None:
        """Answer what arrives on `_line` until `_done`."""
        raise NotImplementedError
