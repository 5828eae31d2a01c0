"""Text from files that anybody may have written: never more of it than makes sense."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from benchtest.errors import FileFaults, InputError

MAX_TOML_BYTES = 1_000_000
"""A file larger than this is no prop file and no pattern."""
MAX_SHOWN_FAULTS = 50
"""Faults of a file that are told one by one; more only drown the first."""

# a key of nine parts; the reader of TOML takes the square of their number in time and memory
_DEEP_KEY = re.compile(
    r"""(?<![\w-])(?:(?:[A-Za-z0-9_-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){8}""", re.ASCII
)


def read_text(path: Path, what: str, most_octets: int) -> str:
    """The text of a small file. A pipe is read as well, and no further than a file would be.

    Args:
        path: the file.
        what: sort of file, for the errors.
        most_octets: a larger one is refused.

    Raises:
        InputError: it is not there, no file, too large, or not text.
    """
    try:
        if path.is_dir():
            raise InputError(f"{path}: is a folder; give the {what} file in it")
        with path.open("rb") as file:
            octets = file.read(most_octets + 1)
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such file") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"{path}: cannot be read: {reason}") from error
    if len(octets) > most_octets:
        raise InputError(f"{path}: larger than {most_octets // 10**6} MB; that is no {what} file")
    try:
        return octets.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{path}: is not UTF-8 text; save it as UTF-8") from None


def parse_toml(text: str, file: str) -> dict[str, Any]:
    """The tables of a TOML text.

    Raises:
        FileFaults: it is none, or one that no person wrote for a prop.
    """
    if len(text) > MAX_TOML_BYTES:
        raise FileFaults(file, ["longer than 1 MB; that is no file of ours"])
    if deep := _DEEP_KEY.search(text):
        line = text.count("\n", 0, deep.start()) + 1
        raise FileFaults(file, [f"line {line}: a key of so many parts; ours have at most three"])
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FileFaults(file, [f"is not TOML: {printable(str(error), longest=200)}"]) from None
    except ValueError:  # Python refuses to read whole numbers of thousands of digits
        raise FileFaults(file, ["a number in it has thousands of digits"]) from None
    except RecursionError:
        raise FileFaults(file, ["tables are nested too deeply for a file of ours"]) from None


def strip_control_chars(text: str, but: str = "") -> str:
    """Foreign text without signs that a terminal obeys, but for those that may stay."""
    return "".join(sign if sign.isprintable() or sign in but else "?" for sign in text)


def printable(text: str, longest: int = 40) -> str:
    """Foreign text for a message: no sign that a terminal obeys, and never a screenful.

    >>> printable("a" + chr(27) + "[2J")
    'a?[2J'
    """
    cut = text if len(text) <= longest else text[: longest - 1] + "…"
    return strip_control_chars(cut)


def truncate_faults(faults: list[str]) -> list[str]:
    """Faults as they are told: the first ones, and how many more there are."""
    more = len(faults) - MAX_SHOWN_FAULTS
    return faults[:MAX_SHOWN_FAULTS] + ([f"and {more} more"] if more > 0 else [])
