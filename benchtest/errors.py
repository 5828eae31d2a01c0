"""Errors that the user can act on: one tree, shown without a traceback.

BenchError              exit 1: failed while running
├── InputError          exit 2: an invalid file, name or option
│   ├── NameFault       a name that this prop does not have, or an invalid form of one
│   └── FileFaults      every fault of one file, each with its place
├── CircuitFault        a circuit without a solution, with the reason
├── DriveFault          frames do not reach the prop, or readings do not reach the bench
└── RecordsFault        the bench folder cannot store or return a record
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager


class BenchError(Exception):
    """Base of all errors of this package. The text gives what, where and what to do."""

    exit_code = 1


class InputError(BenchError):
    """Invalid file, name or option, which its author can correct."""

    exit_code = 2


class NameFault(InputError):
    """Name that this prop does not have, or that is not of the form in the contract."""


class FileFaults(InputError):
    """Every fault of one file, one line each: `fan.toml: strand[2].nodes: is 0; give 1 or more`."""

    def __init__(self, file: str, faults: Sequence[str]) -> None:
        self.file = file
        self.faults = tuple(faults)
        super().__init__("\n".join(f"{file}: {fault}" for fault in self.faults))


class CircuitFault(BenchError):
    """Circuit without a usable solution, with the reason."""


class DriveFault(BenchError):
    """Frames that do not reach the prop, or readings that do not reach the bench."""


class RecordsFault(BenchError):
    """Record that the bench folder cannot store or return."""


@contextmanager
def temp_file_errors() -> Iterator[None]:
    """Turn an `OSError` while a temporary file is made into an error with a remedy.

    Raises:
        BenchError: the temporary folder is full, missing or not writable.

    >>> with temp_file_errors():
    ...     raise OSError(28, "No space left on device")
    Traceback (most recent call last):
        ...
    benchtest.errors.BenchError: cannot write temporary files: No space left on device; free some \
space, or set TMPDIR (on Windows: TEMP) to a folder on another disk
    """
    try:
        yield
    except OSError as error:
        raise BenchError(
            f"cannot write temporary files: {error.strerror or error}; free some space, or set "
            "TMPDIR (on Windows: TEMP) to a folder on another disk"
        ) from error


_MAX_COMPARED = 60
"""Characters of the longest word that is compared: a longer one is not a typing error, and the
comparison takes time proportional to the square of its length."""


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return a hint for a misspelled word, such as `; did you mean "zigzag"?`.

    Args:
        word: as typed.
        known: valid words.

    Returns:
        The hint, to be put behind a message; empty where no known word is close.

    >>> did_you_mean("zigzga", ["zigzag", "from-A"])
    '; did you mean "zigzag"?'
    >>> did_you_mean("spiral", ["zigzag", "from-A"])
    ''
    """
    if len(word) > _MAX_COMPARED:
        return ""
    import difflib  # only for a mistake

    found = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f'; did you mean "{found[0]}"?' if found else ""
