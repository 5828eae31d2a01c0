"""Limit on flashes of large areas: three a second, for any caller.

Patterns are checked when they are read; a key held down repeats thirty times a second.
Source: WCAG 2.2, success criterion 2.3.1: a flash is a pair of opposing changes of 10 % or more; no
more than three in any one second. Its measure of a large area needs the viewer's distance, so ours
is four nodes. Each colour channel counts separately, which includes red flashes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchtest.drive.universe_layout import Frame

_MAX_FLASHES = 3
_FLASH_WINDOW_S = 1.0
_MIN_FLASH_CHANGE = 26
"""Smallest change that counts, a tenth of full light. [levels of 255]"""
LARGE_AREA_NODES = 4
"""Number of nodes flashing together that count as a large area; our choice."""


class FlashGuard:
    """Times at which nodes brightened; delays a frame that would flash them too often.

    A frame that only darkens is never delayed.
    """

    def __init__(self, nodes: int, colours: int) -> None:
        self._up: NDArray[np.bool_] = np.zeros((nodes, colours), dtype=bool)
        self._low: NDArray[np.int16] = np.zeros((nodes, colours), dtype=np.int16)
        """Lowest level of a channel since it fell."""
        self._high: NDArray[np.int16] = np.zeros((nodes, colours), dtype=np.int16)
        """Highest level since it rose."""
        self._rises_s = np.full((_MAX_FLASHES + 1, nodes), -np.inf)
        """Times when each node last brightened, oldest first, shape (flashes + 1, nodes). [s]"""

    def admit(self, frame: Frame, now_s: float) -> float:
        """Return the earliest time at which a frame may be shown; record the frame if that is now.

        Args:
            frame: shape (nodes, colours).
            now_s: monotonic time. [s]

        Returns:
            `now_s`, or a time up to one second later. [s]
        """
        levels = frame.astype(np.int16)
        rising = levels - self._low >= _MIN_FLASH_CHANGE
        rising &= ~self._up
        # most frames of a ramp change no node's direction, and large props have many channels
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
        """Return the earliest time at which these nodes, shape (nodes,), may brighten. [s]"""
        since_s = now_s - _FLASH_WINDOW_S
        once_more = rising & (self._rises_s[1] > since_s)
        if not once_more.any():
            return now_s
        # nodes may flash in turn, so those that have flashed too often already count too
        too_often = once_more | (self._rises_s[0] > since_s)
        free_s = (
            np.sort(np.where(rising, self._rises_s[1], self._rises_s[0])[too_often])
            + _FLASH_WINDOW_S
        )
        return now_s if len(free_s) < LARGE_AREA_NODES else float(free_s[-LARGE_AREA_NODES])
