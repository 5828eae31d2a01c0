"""Bounded reading of untrusted text files, and of untrusted text for messages."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from benchtest.errors import FileFaults, InputError

MAX_TOML_BYTES = 1_000_000
"""Size of the largest prop or pattern file that is read."""
_MAX_SHOWN_FAULTS = 50
"""Faults of one file that are listed; more would hide the first ones."""

# a key of nine parts; the TOML reader takes time and memory with the square of their number
_DEEP_KEY = re.compile(
    r"""(?<![\w-])(?:(?:[A-Za-z0-9_-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){8}""", re.ASCII
)


def read_text(path: Path, kind: str, max_bytes: int) -> str:
    """Read a small text file. A pipe is read too, up to the same size.

    Args:
        path: the file.
        kind: kind of file for the messages, such as `prop`.
        max_bytes: size of the largest file that is accepted.

    Raises:
        InputError: the file is missing, not readable, too large or not UTF-8 text.
    """
    try:
        if path.is_dir():
            raise InputError(f"{path}: is a folder; give the {kind} file in it")
        with path.open("rb") as file:
            octets = file.read(max_bytes + 1)
    except FileNotFoundError:
        raise InputError(f"{path}: no such file") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"{path}: cannot be read: {reason}") from error
    if len(octets) > max_bytes:
        raise InputError(f"{path}: larger than {max_bytes // 10**6} MB; not a {kind} file")
    try:
        return octets.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{path}: is not UTF-8 text; save it as UTF-8") from None


def parse_toml(text: str, file: str) -> dict[str, Any]:
    """Read the tables of a TOML text.

    Args:
        text: content of the file.
        file: its name, for the faults.

    Raises:
        FileFaults: not TOML, or larger or more deeply nested than any prop file.
    """
    if len(text) > MAX_TOML_BYTES:
        raise FileFaults(file, ["larger than 1 MB; not a prop or pattern file"])
    if deep := _DEEP_KEY.search(text):
        line = text.count("\n", 0, deep.start()) + 1
        raise FileFaults(file, [f"line {line}: a key has too many parts; use at most three"])
    import tomllib  # the terminal program starts without

    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FileFaults(file, [f"is not TOML: {printable(str(error), longest=200)}"]) from None
    except ValueError:  # Python refuses to read whole numbers of thousands of digits
        raise FileFaults(file, ["a number in it has thousands of digits"]) from None
    except RecursionError:
        raise FileFaults(file, ["tables are nested too deeply; use at most three levels"]) from None


def strip_control_chars(text: str, keep: str = "") -> str:
    """Return untrusted text with `?` for each character that a terminal could obey.

    Args:
        text: untrusted text.
        keep: characters that stay although they are not printable, such as a line feed.
    """
    return "".join(char if char.isprintable() or char in keep else "?" for char in text)


def printable(text: str, longest: int = 40) -> str:
    """Return untrusted text for a message: without control characters, cut to a length.

    >>> printable("a" + chr(27) + "[2J")
    'a?[2J'
    """
    cut = text if len(text) <= longest else text[: longest - 1] + "…"
    return strip_control_chars(cut)


def truncate_faults(faults: list[str]) -> list[str]:
    """Return the first `_MAX_SHOWN_FAULTS` faults, and a line with the number of the others."""
    more = len(faults) - _MAX_SHOWN_FAULTS
    return faults[:_MAX_SHOWN_FAULTS] + ([f"and {more} more"] if more > 0 else [])
