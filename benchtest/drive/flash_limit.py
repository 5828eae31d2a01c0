"""Keeps large areas from flashing more than three times a second, whoever asks for it.

Patterns are checked when they are read; a key held down repeats thirty times a second.
Source: WCAG 2.2, success criterion 2.3.1: a flash is a pair of opposing changes of 10 % or more; no
more than three in any one second. Its measure of a large area needs the viewer's distance, so ours
is four nodes, and any colour counts for itself, which takes in red flashes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchtest.drive.universe_layout import Frame

_MAX_FLASHES = 3
_FLASH_WINDOW_S = 1.0
_MIN_FLASH_CHANGE = 26
"""Levels of 255: a tenth of full light."""
LARGE_AREA_NODES = 4
"""As many nodes that flash together are a large area. Ours."""


class FlashGuard:
    """Remembers when each node came up; light that comes up once too often has to wait.

    Going dark never waits.
    """

    def __init__(self, nodes: int, colours: int) -> None:
        self._up: NDArray[np.bool_] = np.zeros((nodes, colours), dtype=bool)
        self._low: NDArray[np.int16] = np.zeros((nodes, colours), dtype=np.int16)
        """Lowest level of a channel since it went down."""
        self._high: NDArray[np.int16] = np.zeros((nodes, colours), dtype=np.int16)
        """Highest level since it came up."""
        self._rises_s = np.full((_MAX_FLASHES + 1, nodes), -np.inf)
        """When each node came up the last few times, oldest first."""

    def admit(self, frame: Frame, now_s: float) -> float:
        """From when a frame may be shown; where that is now, it is taken note of.

        Args:
            frame: shape (nodes, colours).
            now_s: monotonic.

        Returns:
            `now_s`, or up to a second later.
        """
        levels = frame.astype(np.int16)
        rising = levels - self._low >= _MIN_FLASH_CHANGE
        rising &= ~self._up
        # most frames of a ramp turn nothing, and large props have many channels
        if rising.any():
            nodes = np.asarray(rising.any(axis=1))
            free_s = self._free_s(nodes, now_s)
            if free_s > now_s:
                return free_s
            self._rises_s[:-1, nodes] = self._rises_s[1:, nodes]
            self._rises_s[-1, nodes] = now_s
            self._up |= rising
            np.copyto(self._high, levels, where=rising)
        falling = self._high - levels >= _MIN_FLASH_CHANGE
        falling &= self._up
        if falling.any():
            falling &= ~rising
            self._up &= ~falling
            np.copyto(self._low, levels, where=falling)
        np.minimum(self._low, levels, out=self._low)
        np.maximum(self._high, levels, out=self._high)
        return now_s

    def _free_s(self, rising: NDArray[np.bool_], now_s: float) -> float:
        """From when these nodes may come up: shape (nodes,)."""
        since_s = now_s - _FLASH_WINDOW_S
        once_more = rising & (self._rises_s[1] > since_s)
        if not once_more.any():
            return now_s
        # nodes may take turns at it: those that flash too often already count too
        too_often = once_more | (self._rises_s[0] > since_s)
        free_s = (
            np.sort(np.where(rising, self._rises_s[1], self._rises_s[0])[too_often])
            + _FLASH_WINDOW_S
        )
        return now_s if len(free_s) < LARGE_AREA_NODES else float(free_s[-LARGE_AREA_NODES])
