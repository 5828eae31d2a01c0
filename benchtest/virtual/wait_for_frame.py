"""Waiting until a virtual prop shows the very frame that it was sent."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any, Protocol

from benchtest.drive.universe_layout import Frame
from benchtest.errors import DriveFault
from benchtest.virtual.virtual_prop import frame_checksum

FRAME_TIMEOUT_S = 5.0
"""Longest wait for a frame to have arrived. [s]"""
_POLL_INTERVAL_S = 0.01


class _HasState(Protocol):
    """What says which frame it heard last."""

    def state(self) -> dict[str, Any]: ...


def wait_for_frame(
    prop: _HasState, frame: Callable[[], Frame], within_s: float = FRAME_TIMEOUT_S
) -> None:
    """Wait until the prop shows a frame: on a busy machine no fixed time is long enough.

    Args:
        prop: the virtual prop.
        frame: what it is to show; may change meanwhile, as somebody else is at the keys.
        within_s: longest wait. [s]

    Raises:
        DriveFault: it does not.
    """
    due_s = time.monotonic() + within_s
    while prop.state()["frame"] != frame_checksum(frame()):
        if time.monotonic() > due_s:
            raise DriveFault("the virtual prop hears nothing; look at the loopback network")
        time.sleep(_POLL_INTERVAL_S)
