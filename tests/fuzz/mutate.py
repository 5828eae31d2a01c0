"""Inputs derived from valid ones, for the tests and the long run."""

from __future__ import annotations

import random
from collections.abc import Sequence

LONGEST = 8192
"""Largest input [octets]; larger ones are tested singly in `tests/fuzz/test_limits.py`."""


def mutated(octets: bytes, words: Sequence[bytes], chance: random.Random) -> bytes:
    """Change an input once or a few times: remove, repeat, move or corrupt a piece, or insert a
    text."""
    found = bytearray(octets)
    for _ in range(chance.choice([1, 1, 1, 2, 3, 8])):
        at = chance.randint(0, len(found))
        to = min(len(found), at + int(2 ** chance.uniform(0, 7)))
        match chance.randrange(7):
            case 0:
                del found[at:to]
            case 1:
                found[at:at] = found[at:to] * chance.choice([1, 2, 3, 50])
            case 2 if words:
                found[at:at] = chance.choice(words)
            case 3 if words:
                found[at:to] = chance.choice(words)
            case 4 if found:
                found[min(at, len(found) - 1)] ^= 1 << chance.randrange(8)
            case 5 if words:
                _replace_a_figure(found, chance.choice(words), chance)
            case _:
                piece = found[at:to]
                del found[at:to]
                back = chance.randint(0, len(found))
                found[back:back] = piece
    return bytes(found[:LONGEST])


def _replace_a_figure(found: bytearray, word: bytes, chance: random.Random) -> None:
    """Replace a whole number or text, so that its surroundings stay valid."""
    starts = [
        at for at in range(len(found))
        if chr(found[at]).isalnum() and (at == 0 or not chr(found[at - 1]).isalnum())
    ]  # fmt: skip
    if not starts:
        return
    at = end = chance.choice(starts)
    while end < len(found) and (chr(found[end]).isalnum() or found[end] in b"._"):
        end += 1
    found[at:end] = word
