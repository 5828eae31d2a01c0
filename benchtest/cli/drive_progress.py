"""Progress of `benchtest drive`: a status line that is redrawn, and each notice once."""

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
    from benchtest.drive.driver import DriveStatus
    from benchtest.drive.e131.other_sources import OtherSource
    from benchtest.drive.frame_clock import FrameClock
    from benchtest.drive.target import Target
    from benchtest.pattern import Step

REDRAW_S = 0.2
MAX_SOLVED_NODES = 3000
"""Largest prop whose current is predicted step by step; for a larger one, which takes longer than a
step of a walk, only the most current of the pattern is shown."""


class Load:
    """Predicted feed currents of a pattern's steps."""

    def __init__(self, circuit: Circuit, most_a: dict[str, float], level: float) -> None:
        """Keep the circuit and the results known so far.

        Args:
            circuit: circuit of the prop.
            most_a: most current of each feed in any step. [A]
            level: factor on the levels of the pattern.
        """
        self.most_a = most_a
        self._circuit = circuit
        self._level = level
        self._solved: dict[str, str] = {}

    def text(self, step: Step) -> str:
        """Return the predicted feed currents while this step is lit."""
        if self._circuit.design.node_count > MAX_SOLVED_NODES:
            return "up to " + _amps(self.most_a)
        if step.text not in self._solved:
            from benchtest.circuit.solution import solve

            self._solved[step.text] = _amps(solve(self._circuit, step.duty * self._level).feed_a)
        return self._solved[step.text]


def _amps(feed_a: dict[str, float]) -> str:
    if len(feed_a) == 1:
        return f"{next(iter(feed_a.values())):.2f} A predicted"
    return ", ".join(f"{feed} {amps:.2f} A" for feed, amps in feed_a.items()) + " predicted"


class DriveProgress:
    """Progress messages for a person."""

    def __init__(self, target: Target, load: Load, args: argparse.Namespace) -> None:
        self._target = target
        self._load = load
        self._quiet = bool(args.json)
        self._line = sys.stderr.isatty() and not args.json
        self._reported: dict[str, str] = {}
        self._present: dict[tuple[str, str, int | None], OtherSource] = {}
        self._heard: dict[tuple[str, str, int | None], OtherSource] = {}

    @property
    def heard(self) -> list[dict[str, Any]]:
        """OtherSource E1.31 sources heard so far, for `--json`."""
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
        """Print the name of a step that has been lit."""
        if not (self._quiet or self._line):
            print(step.text, flush=True)

    def report(self, status: DriveStatus) -> None:
        """Print changes of the status, each once."""
        self._once("trouble", status.trouble, f"{self._target}: frames are sent again")
        self._once("refused", status.refused, f"{self._target}: packets are accepted again")
        self._once("deaf", status.listen_error, "other sources can be heard again")
        present = {
            (other.name, other.address, other.priority): other for other in status.other_sources
        }
        for key, other in present.items():
            known = self._present.get(key)
            if known is None or known.universes != other.universes:
                self._print(str(other))
        for key in self._present.keys() - present.keys():
            self._print(f"{self._present[key].label} has stopped sending")
        self._present = present
        self._heard |= present

    def _once(self, what: str, now: str | None, over: str) -> None:
        before = self._reported.get(what)
        if now is not None and now != before:
            self._print(now)
            self._reported[what] = now
        elif now is None and before is not None:
            self._print(over)
            del self._reported[what]

    def _print(self, text: str) -> None:
        sys.stderr.write(f"\r\x1b[K{text}\n" if self._line else f"benchtest: {text}\n")
        sys.stderr.flush()

    def hold(self, clock: FrameClock, step: Step, until_s: float) -> None:
        """Keep a step lit and show the progress until a time. [s, monotonic]"""
        while (left_s := until_s - time.monotonic()) > 0.0:
            time.sleep(min(left_s, REDRAW_S))
            if (why := clock.held) is not None:
                finish_stop()
                raise DriveFault(
                    f"{self._target}: {why}, so the prop was switched dark and stays dark; "
                    "keep hands clear of it, then run the command again"
                )
            status = clock.status()
            self.report(status)
            if self._line:
                line = self._status_line(clock, status, step)
                sys.stderr.write(f"\r\x1b[K{line[: shutil.get_terminal_size().columns - 1]}")
                sys.stderr.flush()

    def _status_line(self, clock: FrameClock, status: DriveStatus, step: Step) -> str:
        """Return the status, most important first: a narrow terminal cuts off the rest."""
        pace = clock.pace()
        parts = [
            step.text,
            "no frames are sent" if status.trouble is not None else "",
            self._load.text(step),
            f"{status.frames} frames",
            f"every {pace.interval_s * 1e3:.0f} ms",
            _others(status),
            f"99% within {pace.late_p99_s * 1e3:.1f} ms",
            "" if clock.info is None else str(clock.info),
        ]
        return " | ".join(part for part in parts if part)

    def end(self) -> None:
        """End the status line."""
        if self._line:
            sys.stderr.write("\n")


def _others(status: DriveStatus) -> str:
    if status.listen_error is not None:
        return "cannot hear other sources"
    count = len(status.other_sources)
    return f"{count} other source{'s' * (count > 1)}" if count else "no other source"
