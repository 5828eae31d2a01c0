"""Numbers as people say and type them."""

from __future__ import annotations

from collections.abc import Sequence


def count_noun(number: int, what: str) -> str:
    """How many of something.

    >>> counted(1, "reading"), counted(0, "needless repair")
    ('1 reading', '0 needless repairs')
    """
    return f"{number} {what}{'' if number == 1 else 's'}"


def name_strands(numbers: Sequence[int], most: int = 4) -> str:
    """Strands by their numbers, the first of many.

    >>> strands_named([7]), strands_named([4, 7]), strands_named([1, 2, 3, 4, 5, 6])
    ('strand 7', 'strands 4, 7', 'strands 1, 2, 3, 4 and 2 more')
    """
    shown = ", ".join(map(str, numbers[:most]))
    more = f" and {len(numbers) - most} more" if len(numbers) > most else ""
    return f"strand{'' if len(numbers) == 1 else 's'} {shown}{more}"


def float_from_text(text: str) -> float:
    """The number that somebody typed.

    Raises:
        ValueError: it is none; Python would read 4_8, a slip for 4.8, as 48.

    >>> number_in(" 4.8")
    4.8
    """
    return float(text.replace("_", " "))
