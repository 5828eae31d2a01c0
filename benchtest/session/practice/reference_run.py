"""A round of practice under way, with the tool's own go at the same unit in a process beside it.

In a process, so that the person's own diagnosis does not wait for it.
"""

from __future__ import annotations

import json
import subprocess
import sys

from benchtest.errors import BenchError
from benchtest.session.autopilot import Outcome
from benchtest.session.practice.rounds import Round, tallies, told
from benchtest.session.session import Session


class PracticeRun:
    """Who is at it, and how it went."""

    def __init__(self, session: Session, round_: Round) -> None:
        self.session = session
        self.round = round_
        self._told = False
        words = ["--auto", "--json", "--grade", str(round_.grade), "--seed", str(round_.seed)]
        self._own = subprocess.Popen(
            [sys.executable, "-P", "-m", "benchtest", "practice", *words],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            start_new_session=True,  # Ctrl-C is for the one who practises
        )

    def repaired(self, where: str, was_wrong: bool) -> None:
        """A joint or node was worked on."""
        self.round.repaired(where, was_wrong)

    @property
    def to_be_told(self) -> bool:
        """All is mended, and nobody has said how it went; true once."""
        if not self.round.over or self._told:
            return False
        self._told = True
        return True

    def own(self) -> Outcome:
        """The tool's own go; waits for it, so call it from a worker.

        Raises:
            BenchError: it did not come to an end.
        """
        printed, _ = self._own.communicate()
        try:
            found = json.loads(printed)
            named, readings = list(map(str, found["named"])), int(found["readings"])
        except (ValueError, LookupError, TypeError) as error:
            raise BenchError("the tool's own go came to no end; the round is not kept") from error
        return Outcome(self.session.tag, "", named, mended=True, readings=readings)

    def finish(self, own: Outcome) -> str:
        """Keep how it went, and say it.

        Raises:
            RecordsFault: it could not be kept.
        """
        tally = self.round.finish(self.session, own)
        return told(tally, self.round.hidden, tallies(self.session.shelf))

    def stop(self) -> None:
        """Nobody waits for the tool's own go any more."""
        self._own.kill()
        self._own.wait()
        if self._own.stdout is not None:
            self._own.stdout.close()
