"""A practice round in progress, with a reference run of the tool on the same unit.

The reference run has its own process, so that the user's diagnosis does not wait for it.
"""

from __future__ import annotations

import json
import subprocess
import sys

from benchtest.errors import BenchError
from benchtest.operating_system import own_group
from benchtest.session.autopilot import Outcome
from benchtest.session.practice.rounds import PracticeRound, describe_result, read_tallies
from benchtest.session.session import Session


class PracticeRun:
    """One practice round of the user, and its reference run."""

    def __init__(self, session: Session, round_: PracticeRound) -> None:
        self.session = session
        self.round = round_
        self._reported = False
        words = ["--auto", "--json", "--grade", str(round_.grade), "--seed", str(round_.seed)]
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", "benchtest", "practice", *words],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            **own_group(),  # Ctrl-C is for the user's program alone
        )

    def repaired(self, where: str, was_wrong: bool) -> None:
        """Count a repair of a joint or node."""
        self.round.repaired(where, was_wrong)

    @property
    def newly_finished(self) -> bool:
        """True once, after all hidden faults are repaired."""
        if not self.round.over or self._reported:
            return False
        self._reported = True
        return True

    def reference(self) -> Outcome:
        """Wait for the reference run, and return its result. Slow: call it from a worker thread.

        Raises:
            BenchError: the reference run failed.
        """
        printed, _ = self._process.communicate()
        try:
            found = json.loads(printed)
            named, readings = list(map(str, found["named"])), int(found["readings"])
        except (ValueError, LookupError, TypeError) as error:
            raise BenchError("the tool's own run failed; the round is not saved") from error
        return Outcome(self.session.tag, "", named, repaired=True, readings=readings)

    def finish(self, reference: Outcome) -> str:
        """Record the result of the round, and return it in words.

        Raises:
            RecordsFault: it could not be saved.
        """
        tally = self.round.finish(self.session, reference)
        return describe_result(tally, self.round.hidden, read_tallies(self.session.shelf))

    def stop(self) -> None:
        """End the reference run."""
        self._process.kill()
        self._process.wait()
        if self._process.stdout is not None:
            self._process.stdout.close()
