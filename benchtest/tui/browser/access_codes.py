"""Who may see the bench: codes of one use, and what a browser is known by afterwards."""

from __future__ import annotations

import hmac
import secrets
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

CODE_DIGITS = 8
CODE_S = 600.0
"""How long a code can be used. [s]"""
TRIES = 5
"""Wrong tries that end a code: the chance to guess it stays below one in ten million."""
MOST_KNOWN = 64
"""Browsers that are remembered; those let in first are forgotten first."""

Clock = Callable[[], float]


class Refused(Exception):
    """A code does not let in, and why."""


@dataclass(frozen=True, slots=True)
class Code:
    """A code that nobody has used yet."""

    digits: str
    until_s: float
    tries: int = TRIES

    def __str__(self) -> str:
        half = CODE_DIGITS // 2
        return f"{self.digits[:half]} {self.digits[half:]}"


class Gate:
    """Lets browsers in and knows them again. Reads no clock but the one it is given."""

    def __init__(self, clock: Clock, *, asks: bool) -> None:
        """Nobody is in yet.

        Args:
            clock: seconds that only ever grow.
            asks: for a code; where it asks for none, every browser that comes is let in.
        """
        self._clock = clock
        self.asks = asks
        self._code: Code | None = None
        self._known: deque[tuple[str, str]] = deque(maxlen=MOST_KNOWN)

    def new_code(self) -> Code:
        """A code for one browser; the one before lets nobody in any more."""
        digits = f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}}"
        self._code = Code(digits, self._clock() + CODE_S)
        return self._code

    def enter(self, typed: str, peer: str) -> str:
        """Use a code.

        Args:
            typed: what somebody typed; spaces do not count.
            peer: the address that it came from.

        Returns:
            What this browser is known by from now on.

        Raises:
            Refused: it is not the code, or there is none.
        """
        code = self._code
        if code is None:
            raise Refused("No code is open. Press Enter where benchtest serve runs for a new one.")
        if self._clock() > code.until_s:
            self._code = None
            raise Refused("This code is too old. Press Enter where benchtest serve runs.")
        given = "".join(typed.split())
        if not hmac.compare_digest(given.encode("utf-8", "replace"), code.digits.encode()):
            left = code.tries - 1
            self._code = Code(code.digits, code.until_s, left) if left else None
            if left:
                tries = "1 more try" if left == 1 else f"{left} more tries"
                raise Refused(f"That is not the code. {tries}.")
            raise Refused(
                "That is not the code, and it is void now. Press Enter where benchtest serve runs "
                "for a new one."
            )
        self._code = None
        return self.let_in(peer)

    def let_in(self, peer: str) -> str:
        """Let a browser in without a code; what it is known by from now on."""
        token = secrets.token_urlsafe(32)
        self._known.append((token, peer))
        return token

    def has_let_in(self, peer: str) -> bool:
        """Return True if a browser at that address was let in."""
        return any(address == peer for _, address in self._known)

    def knows(self, token: str, peer: str) -> bool:
        """Whether a browser was let in, from the address it came from then.

        On a plain network others can read what a browser is known by: from another machine it
        does not help them.
        """
        found = False
        for known, address in self._known:  # all of them, so that time tells nothing
            same = hmac.compare_digest(known.encode(), token.encode("utf-8", "replace"))
            found |= same and address == peer
        return found
