"""Frame clock: threads that keep the frame alive and send changes at once.

Each frame is worked out when the one before has left, for the moment of its deadline: at the
deadline only the packets are left to send. Without real-time rights, and once a frame was late,
further threads wait for the same deadline, each on a processor of its own, and the first to wake up
sends: on a busy machine a thread often waits for its processor, but seldom all of them at once.

Deadlines are absolute on the monotonic clock, so no drift builds up and a change of the wall clock
has no effect. The caller never waits for the network, and the network never ends a thread.

The clock limits flashes of large areas to three a second, for any caller: patterns are checked when
they are read, but a key held down repeats thirty times a second.
Source: WCAG 2.2, success criterion 2.3.1: a flash is a pair of opposing changes of 10 % or more; no
more than three in any one second. Its measure of a large area needs the viewer's distance, so ours
is four nodes. Each colour channel counts separately, which includes red flashes.
"""

from __future__ import annotations

import atexit
import contextlib
import gc
import sys
import threading
from collections import deque
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchtest.drive.driver import (
    KEEP_ALIVE_INTERVAL_S,
    MAX_FRAMES_PER_S,
    Driver,
    DriverInfo,
    DriveStatus,
)
from benchtest.drive.signals import add_light, defer_signals, remove_light
from benchtest.drive.universe_layout import Frame
from benchtest.errors import InputError
from benchtest.operating_system import (
    boot_time_s,
    fine_timer,
    keep_thread_on,
    may_raise_thread_priority,
    monotonic_s,
    processor_count,
    raise_thread_priority,
    shorten_thread_slice,
)

_MAX_FLASHES = 3
_FLASH_WINDOW_S = 1.0
_MIN_FLASH_CHANGE = 26
"""Smallest change that counts, a tenth of full light. [levels of 255]"""
LARGE_AREA_NODES = 4
"""Number of nodes flashing together that count as a large area; our choice."""


@dataclass(frozen=True, slots=True)
class _Comparison:
    """A frame compared with what was shown before."""

    frame: Frame
    levels: NDArray[np.int16]
    rising: NDArray[np.bool_]
    """Channels that begin to rise, shape (nodes, colours)."""
    nodes: NDArray[np.bool_] | None
    """Nodes that brighten, shape (nodes,); None without any."""


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
        self._compared: _Comparison | None = None

    def admit(self, frame: Frame, now_s: float) -> float:
        """Return the earliest time at which a frame may be shown; record the frame if that is now.

        Args:
            frame: shape (nodes, colours).
            now_s: monotonic time. [s]

        Returns:
            `now_s`, or a time up to one second later. [s]
        """
        free_s = self.earliest_s(frame, now_s)
        if free_s == now_s:
            self.record(frame, now_s)
        return free_s

    def earliest_s(self, frame: Frame, now_s: float) -> float:
        """Return the earliest time at which a frame may be shown; record nothing. [s]

        Args:
            frame: shape (nodes, colours); it does not change until it is recorded.
            now_s: monotonic time. [s]
        """
        self._compared = found = self._compare(frame)
        return now_s if found.nodes is None else self._free_s(found.nodes, now_s)

    def _compare(self, frame: Frame) -> _Comparison:
        levels = frame.astype(np.int16)
        rising = levels - self._low >= _MIN_FLASH_CHANGE
        rising &= ~self._up
        # most frames of a ramp change no node's direction, and large props have many channels
        nodes = np.asarray(rising.any(axis=1)) if rising.any() else None
        return _Comparison(frame, levels, rising, nodes)

    def record(self, frame: Frame, at_s: float) -> None:
        """Record that a frame was shown.

        Args:
            frame: shape (nodes, colours).
            at_s: monotonic time. [s]
        """
        found, self._compared = self._compared, None
        if found is None or found.frame is not frame:
            found = self._compare(frame)
        levels, rising, nodes = found.levels, found.rising, found.nodes
        if nodes is not None:
            self._rises_s[:-1, nodes] = self._rises_s[1:, nodes]
            self._rises_s[-1, nodes] = at_s
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


MIN_PACKET_INTERVAL_S = 0.0227
"""Shortest time between two packets of a universe. [s] Source: 513 slots by the times of ANSI
E1.11, 22.676 ms; ANSI E1.31-2018, clause 6.6.1, sets that as the ceiling.
"""
_REPEATED_FRAMES = 3
"""Packets with the same data before a stream may rest. Source: ANSI E1.31-2018, clause 6.6.2."""
_MAX_SILENCE_S = 2.3
"""Longest time without a packet before the prop stays dark. [s] Receivers may have given up by
then, and light that returned by itself could surprise a person with hands on the prop. A little
below the 2.5 s of receivers, which count in steps. Source: E131_NETWORK_DATA_LOSS_TIMEOUT, ANSI
E1.31-2018, appendix A.
"""
RAMP_S = 0.5
"""Time that full white takes to come up: easy on supplies and eyes. [s]"""
_THREAD_SWITCH_INTERVAL_S = 0.0001
"""Longest time that another thread keeps the interpreter while the clock waits for it. [s] numpy
releases it at every operation, about sixteen times a frame. With Python's own 5 ms, a busy screen
makes every frame that much later.
"""
_MAX_HELPERS = 3
"""Further threads that wait for a deadline without real-time rights, one for each processor."""
_LATE_S = 0.0005
"""Lateness from which the machine counts as busy. [s]"""
_BUSY_S = 10.0
"""Time after a late frame in which all threads wait for each deadline. [s]"""
_MAX_LATENESS_SAMPLES = 400
"""Number of frames in the statistics of the pace: ten seconds of change."""


@dataclass(frozen=True, slots=True)
class Pace:
    """Timing of the clock; a snapshot."""

    interval_s: float
    """Time between the last two frames. [s]"""
    late_p50_s: float
    late_p99_s: float
    """Delay from a frame's deadline until it was sent, over the recorded frames. [s]"""


@dataclass(frozen=True, slots=True)
class _Prepared:
    """A frame whose packets are ready."""

    frame: Frame
    due_s: float
    """Its deadline. [s, monotonic]"""


class FrameClock:
    """Threads that show frames on a driver.

    A context manager: leaving it for any reason takes the prop dark and ends the stream.

    Attributes:
        dark_gap_s: time without packets since `resume`, on the monotonic clock. [s]
    """

    def __init__(
        self,
        driver: Driver,
        nodes: int,
        colours: int,
        frames_per_s: float = MAX_FRAMES_PER_S,
        *,
        attended: bool = True,
        keep_alive_s: float = KEEP_ALIVE_INTERVAL_S,
    ) -> None:
        """Prepare the clock; nothing is opened yet.

        Args:
            driver: the driver that sends the frames.
            nodes: number of nodes of the prop.
            colours: number of channels of a node.
            frames_per_s: rate during changes, 1 to 40; a driver may allow less.
            attended: a person may have hands on the prop, so it stays dark after a gap.
            keep_alive_s: interval of frames while nothing changes. [s]

        Raises:
            InputError: the rate is outside these bounds.
        """
        if not 1.0 <= frames_per_s <= MAX_FRAMES_PER_S:
            raise InputError(f"{frames_per_s:g} frames per second; give 1 to {MAX_FRAMES_PER_S:g}")
        self.driver = driver
        self._period_s, self._keep_alive_s = 1.0 / frames_per_s, keep_alive_s
        # a change need not wait for the next frame unless the user wants fewer
        self._gap_s = MIN_PACKET_INTERVAL_S if frames_per_s == MAX_FRAMES_PER_S else self._period_s
        self._guard = FlashGuard(nodes, colours)
        self._dark: Frame = np.zeros((nodes, colours), dtype=np.uint8)
        self._goal = self._dark
        self._start: NDArray[np.float32] = self._dark.astype(np.float32)
        self._ramp_span: NDArray[np.float32] = self._start
        self._ramp_start_s = self._ramp_s = 0.0
        self._changed = True
        self._to_repeat = _REPEATED_FRAMES
        self._sent_s = self._slot_s = float("-inf")
        self._interval_s = 0.0
        self._late_s: deque[float] = deque(maxlen=_MAX_LATENESS_SAMPLES)
        self._wake = threading.Condition()
        self._closing = self._holds_collector = False
        self._sending = self._is_awaited = False
        """A thread sends or prepares a frame, and another one waits until that is done."""
        self._busy_until_s = float("-inf")
        self._prepared: _Prepared | None = None
        self._attended = attended
        self._held: str | None = None
        self._packet_boot_s, self._packet_s = boot_time_s(), monotonic_s()
        self.dark_gap_s = 0.0
        self._threads: list[threading.Thread] = []
        self.info: DriverInfo | None = None

    def start(self) -> FrameClock:
        """Open the driver and begin with a dark frame.

        Raises:
            DriveFault: the driver cannot be opened.
        """
        self.info = self._with_pace(self.driver.open())
        self._period_s = max(self._period_s, 1.0 / self.info.max_fps)
        self._gap_s = max(self._gap_s, 1.0 / self.info.max_fps)
        atexit.register(self._close_at_exit)
        add_light(self)
        self._packet_boot_s, self._packet_s = boot_time_s(), monotonic_s()
        sys.setswitchinterval(min(_THREAD_SWITCH_INTERVAL_S, sys.getswitchinterval()))
        helpers = 0 if may_raise_thread_priority() else min(_MAX_HELPERS, processor_count())
        self._threads = [
            threading.Thread(target=self._run, args=(on,), name="frame clock", daemon=True)
            for on in (None, *range(helpers))
        ]
        for thread in self._threads:
            thread.start()
        return self

    def _with_pace(self, info: DriverInfo) -> DriverInfo:
        """Return a driver's properties with the settings of the clock that are not the usual."""
        words = [info.unusual] if info.unusual else []
        if self._period_s != 1.0 / MAX_FRAMES_PER_S:
            words.append(f"{1.0 / self._period_s:g} frames/s")
        if self._keep_alive_s != KEEP_ALIVE_INTERVAL_S:
            words.append(f"keep-alive {self._keep_alive_s:g} s")
        return replace(info, unusual=", ".join(words))

    def show(self, frame: Frame, ramp_s: float = 0.0) -> None:
        """Show a frame from now on; return at once.

        Args:
            frame: shape (nodes, colours), prop order.
            ramp_s: duration of the ramp from the present frame. [s]
        """
        with self._wake:
            self._hold_after_gap()
            now_s = monotonic_s()
            if ramp_s > 0.0:
                start = self._frame_at(now_s).astype(np.float32)
                self._ramp_span = frame.astype(np.float32) - start
                self._start = start + np.float32(0.5)  # truncation then rounds
            self._goal = frame.copy()
            self._ramp_start_s, self._ramp_s = now_s, ramp_s
            self._to_repeat = _REPEATED_FRAMES
            self._changed = True
            self._wake.notify_all()

    def dark(self) -> None:
        """Turn everything off at once."""
        self.show(self._dark)

    def hold(self, why: str) -> None:
        """Go dark at once and stay dark until `resume`, even if frames are shown.

        Args:
            why: reason to show to the user.
        """
        with self._wake:
            self._held = self._held or why
            self._to_repeat, self._changed = _REPEATED_FRAMES, True
            self._wake.notify_all()

    @property
    def held(self) -> str | None:
        """Reason that the prop is kept dark; None while it is not."""
        with self._wake:
            self._hold_after_gap()
            return self._held

    def resume(self) -> None:
        """Leave the hold: ramp up to the frame that was last given to `show`."""
        with self._wake:
            self._hold_after_gap()
            goal, held, self._held = self._goal, self._held, None
            self.dark_gap_s = 0.0
            if held is not None:
                self._goal, self._ramp_s = self._dark, 0.0
                self.show(goal, RAMP_S)

    @property
    def rests_dark(self) -> bool:
        """True once the prop is held dark and its dark frames have been sent; does not wait."""
        has_sent = not self._changed and self._to_repeat == 0 and not self._sending
        return self._held is not None and has_sent

    def _hold_after_gap(self) -> None:
        """Hold the prop dark after a time without packets: program stopped or machine asleep."""
        boot_s, now_s = boot_time_s(), monotonic_s()
        gap_s = boot_s - self._packet_boot_s
        if gap_s > _MAX_SILENCE_S and self._attended and self._runs():
            self.dark_gap_s += now_s - self._packet_s
            self._packet_boot_s, self._packet_s = boot_s, now_s
            self.hold(f"the program was stopped for {gap_s:.0f} s")

    def showing(self) -> Frame:
        """Return the frame at this moment, shape (nodes, colours)."""
        with self._wake:
            return self._frame_at(monotonic_s())

    def status(self) -> DriveStatus:
        """Return the state of the driver."""
        return self.driver.status()

    def pace(self) -> Pace:
        """Return the timing of the clock."""
        with self._wake:
            late_s = sorted(self._late_s) or [0.0]
            p50, p99 = late_s[len(late_s) // 2], late_s[len(late_s) * 99 // 100]
            return Pace(self._interval_s, p50, p99)

    def _frame_at(self, now_s: float) -> Frame:
        """Return the frame at a time: during a ramp, linear between its two frames."""
        if self._held is not None:
            return self._dark
        if not self._ramping(now_s):
            return self._goal
        part = np.float32(max(0.0, (now_s - self._ramp_start_s) / self._ramp_s))
        return (self._ramp_span * part + self._start).astype(np.uint8)

    def _ramping(self, now_s: float) -> bool:
        return self._held is None and now_s < self._ramp_start_s + self._ramp_s

    def _runs(self) -> bool:
        return any(thread.is_alive() for thread in self._threads)

    def _run(self, processor: int | None) -> None:
        """Send frames until the clock closes.

        Args:
            processor: that of a helper, from 0; None for the first thread, which may use all.
        """
        if not raise_thread_priority():  # to run as soon as a frame is due
            shorten_thread_slice()
        if processor is not None:
            keep_thread_on(processor)
        with fine_timer():
            while (due := self._next_frame(processor is not None)) is not None:
                frame, now_s, moves = due
                self.driver.show(frame)
                self._hold_collector()
                if moves:
                    self._guard.record(frame, now_s)
                self._prepare_next()

    def _hold_collector(self) -> None:
        """Suspend garbage collection while light moves: it stops every thread for up to 60 ms.

        At rest there is time for it: frames are then 810 ms apart.
        """
        moving = self._to_repeat > 0 or self._ramping(self._slot_s)
        if moving and gc.isenabled():
            gc.disable()
            self._holds_collector = True
        elif not moving:
            self._release_collector()

    def _release_collector(self) -> None:
        if self._holds_collector:
            gc.enable()
        self._holds_collector = False

    def _next_frame(self, is_helper: bool) -> tuple[Frame, float, bool] | None:
        """Wait until a frame is due; return None once the clock closes.

        Args:
            is_helper: wait for deadlines on a busy machine only.

        Returns:
            The frame, the time now, and whether light moves. Until `_prepare_next` no other thread
            gets a frame.
        """
        with self._wake:
            while not self._closing:
                self._hold_after_gap()
                due_s, now_s = self._due_s(), monotonic_s()
                if now_s < due_s:
                    is_idle = is_helper and now_s > self._busy_until_s
                    self._wake.wait(None if is_idle else due_s - now_s)
                    continue
                if self._sending:
                    self._is_awaited = True
                    self._wake.wait()
                    continue
                ready, self._prepared = self._prepared, None
                moves = self._changed or self._ramping(self._slot_s)
                # after a long delay a ramp is at another level
                is_stale = self._changed or now_s > due_s + self._period_s
                if ready is None or ready.due_s != due_s or is_stale:
                    frame = self._frame_at(now_s)
                    free_s = self._guard.earliest_s(frame, now_s) if moves else now_s
                    if now_s < free_s:
                        self._wake.wait(free_s - now_s)
                        continue
                else:
                    frame = ready.frame
                self._sending = True
                self._record_sent(due_s, now_s)
                return frame, now_s, moves
            return None

    def _prepare_next(self) -> None:
        """Prepare the packets of the next frame, and let the next thread send."""
        frame: Frame | None = None
        with self._wake:
            if not self._changed and not self._closing:
                due_s, moves = self._due_s(), self._ramping(self._slot_s)
                frame = self._frame_at(due_s)
        ready = None
        if frame is not None and not (moves and self._guard.earliest_s(frame, due_s) > due_s):
            self.driver.prepare(frame)
            ready = _Prepared(frame, due_s)
        with self._wake:
            self._prepared = None if self._changed else ready
            self._sending = False
            if self._is_awaited:
                self._is_awaited = False
                self._wake.notify_all()

    def _record_sent(self, due_s: float, now_s: float) -> None:
        """Record that a frame goes out now, and plan the next deadline."""
        self._interval_s = now_s - self._sent_s if self._sent_s > 0.0 else 0.0
        if self._changed:
            self._slot_s = now_s
        else:
            late_s = now_s - due_s
            self._late_s.append(late_s)
            if late_s > _LATE_S:
                if now_s > self._busy_until_s:
                    self._wake.notify_all()  # helpers wait for deadlines from now on
                self._busy_until_s = now_s + _BUSY_S
            # a long delay must not cause a burst of frames
            self._slot_s = due_s if late_s < self._period_s else now_s
        self._sent_s, self._changed = now_s, False
        self._packet_boot_s, self._packet_s = boot_time_s(), now_s
        if not self._ramping(now_s):
            self._to_repeat = max(0, self._to_repeat - 1)

    def _due_s(self) -> float:
        """Return the deadline of the next frame. [s, monotonic]"""
        if self._changed:
            return self._allowed_s()
        moving = self._to_repeat > 0 or self._ramping(self._slot_s)
        due_s = self._slot_s + (self._period_s if moving else self._keep_alive_s)
        # after a late frame the next keeps its deadline only as far as the ceiling allows
        return max(due_s, self._allowed_s())

    def _allowed_s(self) -> float:
        """Return the earliest time of the next frame. [s, monotonic]

        It counts from when the last packets left: a thread may be suspended between its decision
        and the socket, and then two frames would be closer than a universe can carry.
        """
        return max(self._sent_s, self.driver.sent_s) + self._gap_s

    def close(self) -> None:
        """Stop the thread, take the prop dark and end the stream; may be called again."""
        with defer_signals():
            with self._wake:
                if self._closing:
                    return
                self._closing = True
                self._wake.notify_all()
            atexit.unregister(self._close_at_exit)
            for thread in self._threads:
                if thread.is_alive():
                    thread.join()
            self._release_collector()
            self.driver.close()
            remove_light(self)

    def _close_at_exit(self) -> None:
        with contextlib.suppress(KeyboardInterrupt, SystemExit):  # the program is ending already
            self.close()

    def __enter__(self) -> FrameClock:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
