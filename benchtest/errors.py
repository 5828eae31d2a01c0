"""What can go wrong that the bench can explain: one tree, shown without a traceback.

BenchError              exit 1: failed while running
├── InputError          exit 2: a file, name or option that its writer can put right
│   ├── NameFault       a word that names nothing on this prop, or is not of the contract's form
│   └── FileFaults      every fault of one file, each with its place
├── CircuitFault        the circuit cannot be solved, and why
├── DriveFault          frames cannot reach the prop, or a meter's or a bridge's readings the bench
└── RecordsFault        the bench folder cannot keep or give what was asked
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager


class BenchError(Exception):
    """Something the bench can explain. Its text says what, where and what to do."""

    exit_code = 1


class InputError(BenchError):
    """A file, a name or an option that its writer can put right."""

    exit_code = 2


class NameFault(InputError):
    """A word that names nothing on this prop, or is not of the form the contract gives."""


class FileFaults(InputError):
    """Every fault of one file, one line each: `fan.toml: strand[2].nodes: is 0; give 1 or more`."""

    def __init__(self, file: str, faults: Sequence[str]) -> None:
        self.file = file
        self.faults = tuple(faults)
        super().__init__("\n".join(f"{file}: {fault}" for fault in self.faults))


class CircuitFault(BenchError):
    """The circuit has no solution that can be given, and why."""


class DriveFault(BenchError):
    """Frames cannot reach the prop, or readings the bench, and what to do about it."""


class RecordsFault(BenchError):
    """The bench folder cannot keep or give what was asked, and what to do about it."""


@contextmanager
def temp_file_errors() -> Iterator[None]:
    """For where a temporary file is made: says that its folder is full, or not there.

    Raises:
        BenchError: the system keeps no such file.

    >>> with no_room_said():
    ...     raise OSError(28, "No space left on device")
    Traceback (most recent call last):
        ...
    benchtest.errors.BenchError: temporary files cannot be kept: No space left on device; make \
room, or set TMPDIR to a folder on another disk
    """
    try:
        yield
    except OSError as error:
        raise BenchError(
            f"temporary files cannot be kept: {error.strerror or error}; make room, or set TMPDIR "
            "to a folder on another disk"
        ) from error


LONGEST_WORD = 60
"""A longer word is no slip of the pen, and to compare it takes long."""


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Words for a near miss: `; did you mean "zigzag"?`, or nothing when nothing is near.

    >>> nearest("zigzga", ["zigzag", "from-A"])
    '; did you mean "zigzag"?'
    >>> nearest("spiral", ["zigzag", "from-A"])
    ''
    """
    if len(word) > LONGEST_WORD:
        return ""
    found = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f'; did you mean "{found[0]}"?' if found else ""
