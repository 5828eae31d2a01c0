"""One-time access codes and session tokens."""

from __future__ import annotations

import hmac
import secrets
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

CODE_DIGITS = 8
CODE_S = 600.0
"""Lifetime of a code. [s]"""
MAX_TRIES = 5
"""Wrong tries that void a code: the chance to guess one stays below one in ten million."""
MAX_ADMITTED = 64
"""Browsers remembered; the earliest ones are forgotten first."""

Clock = Callable[[], float]


class CodeRejected(Exception):
    """A code that does not admit a browser, with the reason."""


@dataclass(frozen=True, slots=True)
class Code:
    """A code that has not been used yet."""

    digits: str
    until_s: float
    tries: int = MAX_TRIES

    def __str__(self) -> str:
        half = CODE_DIGITS // 2
        return f"{self.digits[:half]} {self.digits[half:]}"


class AccessCodes:
    """Admits browsers by one-time codes and recognizes them by tokens. Pure but for randomness."""

    def __init__(self, clock: Clock, *, requires_code: bool) -> None:
        """Begin without a code and without admitted browsers.

        Args:
            clock: returns a time that never decreases. [s]
            requires_code: False admits every browser.
        """
        self._clock = clock
        self.requires_code = requires_code
        self._code: Code | None = None
        self._admitted: deque[tuple[str, str]] = deque(maxlen=MAX_ADMITTED)

    def new_code(self) -> Code:
        """Return a code for one browser, and void the one before."""
        digits = f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}}"
        self._code = Code(digits, self._clock() + CODE_S)
        return self._code

    def use_code(self, typed: str, peer: str) -> str:
        """Use a code.

        Args:
            typed: text from the browser; spaces do not count.
            peer: address of the browser.

        Returns:
            Token of this browser.

        Raises:
            CodeRejected: it is not the code, or there is none.
        """
        code = self._code
        if code is None:
            raise CodeRejected(
                "There is no valid code. Press Enter in the terminal of benchtest serve for one."
            )
        if self._clock() > code.until_s:
            self._code = None
            raise CodeRejected(
                "This code has expired. Press Enter in the terminal of benchtest serve for another."
            )
        given = "".join(typed.split())
        if not hmac.compare_digest(given.encode("utf-8", "replace"), code.digits.encode()):
            left = code.tries - 1
            self._code = Code(code.digits, code.until_s, left) if left else None
            if left:
                tries = "1 more try" if left == 1 else f"{left} more tries"
                raise CodeRejected(f"That is not the code. {tries}.")
            raise CodeRejected(
                "That is not the code, and it is void now. Press Enter in the terminal of "
                "benchtest serve for another."
            )
        self._code = None
        return self.admit(peer)

    def admit(self, peer: str) -> str:
        """Admit a browser without a code; return its token."""
        token = secrets.token_urlsafe(32)
        self._admitted.append((token, peer))
        return token

    def has_admitted(self, peer: str) -> bool:
        """Return True if a browser at that address was admitted."""
        return any(address == peer for _, address in self._admitted)

    def is_admitted(self, token: str, peer: str) -> bool:
        """Return True if a browser was admitted with this token at this address.

        The address counts because others on an unencrypted network can read the token.
        """
        found = False
        for known, address in self._admitted:  # all of them: the time must not reveal a match
            same = hmac.compare_digest(known.encode(), token.encode("utf-8", "replace"))
            found |= same and address == peer
        return found
