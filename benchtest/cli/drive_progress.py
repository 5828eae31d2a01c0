"""What `benchtest drive` says while it drives: news once, and a line that is written over."""

from __future__ import annotations

import argparse
import shutil
import sys
import time
from typing import TYPE_CHECKING, Any

from benchtest.drive.signals import finish_stop
from benchtest.errors import DriveFault

if TYPE_CHECKING:
    from benchtest.circuit.network import Circuit
    from benchtest.drive.driver import DriveStatus, Target
    from benchtest.drive.e131.other_sources import OtherSource
    from benchtest.drive.frame_clock import FrameClock
    from benchtest.pattern import Step

REDRAW_S = 0.2
MAX_SOLVED_NODES = 3000
"""Props up to this size have each step's current predicted while they are driven; a larger one
takes longer than a step of a walk, and is told the most that the pattern draws."""


class Load:
    """Predicted amperes of a pattern's steps."""

    def __init__(self, circuit: Circuit, most_a: dict[str, float], level: float) -> None:
        """Begin with what was solved already.

        Args:
            circuit: of the prop.
            most_a: most that each feed is predicted to give at any step. [A]
            level: share of the pattern's own levels.
        """
        self.most_a = most_a
        self._circuit = circuit
        self._level = level
        self._solved: dict[str, str] = {}

    def words(self, step: Step) -> str:
        """What the feeds are predicted to give while this step is lit."""
        if self._circuit.design.node_count > MAX_SOLVED_NODES:
            return "up to " + _amps(self.most_a)
        if step.says not in self._solved:
            from benchtest.circuit.solution import solve

            self._solved[step.says] = _amps(solve(self._circuit, step.duty * self._level).feed_a)
        return self._solved[step.says]


def _amps(feed_a: dict[str, float]) -> str:
    if len(feed_a) == 1:
        return f"{next(iter(feed_a.values())):.2f} A predicted"
    return ", ".join(f"{feed} {amps:.2f} A" for feed, amps in feed_a.items()) + " predicted"


class DriveProgress:
    """Tells a person how driving goes."""

    def __init__(self, target: Target, load: Load, args: argparse.Namespace) -> None:
        self._target = target
        self._load = load
        self._quiet = bool(args.json)
        self._line = sys.stderr.isatty() and not args.json
        self._said: dict[str, str] = {}
        self._present: dict[tuple[str, str, int], OtherSource] = {}
        self._heard: dict[tuple[str, str, int], OtherSource] = {}

    @property
    def heard(self) -> list[dict[str, Any]]:
        """Everybody else who was heard, for `--json`."""
        return [
            {
                "name": other.name,
                "address": other.address,
                "priority": other.priority,
                "universes": list(other.universes),
                "effect": other.effect,
            }
            for other in self._heard.values()
        ]

    def step(self, step: Step) -> None:
        """A step is lit now."""
        if not (self._quiet or self._line):
            print(step.says, flush=True)

    def news(self, status: DriveStatus) -> None:
        """Say what has changed, each thing once."""
        self._once("trouble", status.trouble, f"{self._target}: frames go out again")
        self._once("refused", status.refused, f"{self._target}: nothing is refused any more")
        self._once("deaf", status.listen_error, "other sources can be heard again")
        present = {
            (other.name, other.address, other.priority): other for other in status.other_sources
        }
        for key, other in present.items():
            known = self._present.get(key)
            if known is None or known.universes != other.universes:
                self._say(str(other))
        for key in self._present.keys() - present.keys():
            self._say(f"{key[0]} ({key[1]}) at priority {key[2]} has stopped sending")
        self._present = present
        self._heard |= present

    def _once(self, what: str, now: str | None, over: str) -> None:
        before = self._said.get(what)
        if now is not None and now != before:
            self._say(now)
            self._said[what] = now
        elif now is None and before is not None:
            self._say(over)
            del self._said[what]

    def _say(self, text: str) -> None:
        sys.stderr.write(f"\r\x1b[K{text}\n" if self._line else f"benchtest: {text}\n")
        sys.stderr.flush()

    def hold(self, clock: FrameClock, step: Step, until_s: float) -> None:
        """Tell how it goes until a step is over. [s, monotonic]"""
        while (left_s := until_s - time.monotonic()) > 0.0:
            time.sleep(min(left_s, REDRAW_S))
            if (why := clock.held) is not None:
                finish_stop()
                raise DriveFault(
                    f"{self._target}: {why}, so the prop was taken dark and stays so; "
                    "give the command again once hands are clear of it"
                )
            status = clock.status()
            self.news(status)
            if self._line:
                line = self._status_line(clock, status, step)
                sys.stderr.write(f"\r\x1b[K{line[: shutil.get_terminal_size().columns - 1]}")
                sys.stderr.flush()

    def _status_line(self, clock: FrameClock, status: DriveStatus, step: Step) -> str:
        """What matters most stands first: a narrow terminal cuts off the rest."""
        pace = clock.pace()
        parts = [
            step.says,
            "no frames go out" if status.trouble is not None else "",
            self._load.words(step),
            f"{status.frames} frames",
            f"one each {pace.interval_s * 1e3:.0f} ms",
            _others(status),
            f"{pace.late_p99_s * 1e3:.1f} ms late at worst",
            clock.info.where if clock.info is not None else "",
        ]
        return " | ".join(part for part in parts if part)

    def end(self) -> None:
        """Leave the status line as it is and go below it."""
        if self._line:
            sys.stderr.write("\n")


def _others(status: DriveStatus) -> str:
    if status.listen_error is not None:
        return "cannot hear others"
    count = len(status.other_sources)
    return f"{count} other source{'s' * (count > 1)}" if count else "nobody else heard"
