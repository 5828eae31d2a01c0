"""Keeps large areas from flashing more than three times a second, whoever asks for it.

Patterns are checked when they are read; a key held down repeats thirty times a second.
Source: WCAG 2.2, success criterion 2.3.1: a flash is a pair of opposing changes of 10 % or more; no
more than three in any one second. Its measure of a large area needs the viewer's distance, so ours
is four nodes, and any colour counts for itself, which takes in red flashes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchtest.drive.layout import Frame

MOST_FLASHES = 3
WINDOW_S = 1.0
CHANGE = 26
"""Levels of 255: a tenth of full light."""
LARGE_NODES = 4
"""As many nodes that flash together are a large area. Ours."""


class FlashGuard:
    """Remembers when each node came up; light that comes up once too often has to wait.

    Going dark never waits.
    """

    def __init__(self, nodes: int, colours: int) -> None:
        self._low: NDArray[np.int16] = np.zeros((nodes, colours), dtype=np.int16)
        """Lowest level since a channel last came up."""
        self._high: NDArray[np.int16] = np.zeros((nodes, colours), dtype=np.int16)
        """Highest level since it last went down."""
        self._up: NDArray[np.bool_] = np.zeros((nodes, colours), dtype=bool)
        self._rises_s = np.full((MOST_FLASHES + 1, nodes), -np.inf)
        """When each node came up the last few times, oldest first."""

    def allowed_s(self, frame: Frame, now_s: float) -> float:
        """From when a frame may be shown: `now_s`, or up to a second later.

        Args:
            frame: shape (nodes, colours).
            now_s: monotonic.
        """
        rising = self._rising(frame).any(axis=1)
        since_s = now_s - WINDOW_S
        once_more = rising & (self._rises_s[1] > since_s)
        if not once_more.any():
            return now_s
        # nodes may take turns at it: those that flash too often already count too
        too_often = once_more | (self._rises_s[0] > since_s)
        free_s = np.sort(np.where(rising, self._rises_s[1], self._rises_s[0])[too_often]) + WINDOW_S
        return now_s if len(free_s) < LARGE_NODES else float(free_s[-LARGE_NODES])

    def shown(self, frame: Frame, now_s: float) -> None:
        """Take note of a frame that goes out now."""
        rising = self._rising(frame)
        falling = self._up & (self._high - frame >= CHANGE)
        nodes = rising.any(axis=1)
        self._rises_s[:-1, nodes] = self._rises_s[1:, nodes]
        self._rises_s[-1, nodes] = now_s
        self._up = (self._up | rising) & ~falling
        self._low = np.where(falling, frame, np.minimum(self._low, frame))
        self._high = np.where(rising, frame, np.maximum(self._high, frame))

    def _rising(self, frame: Frame) -> NDArray[np.bool_]:
        return np.asarray(~self._up & (frame - self._low >= CHANGE))
