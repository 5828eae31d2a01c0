"""One input at one target, with bounds that fail the test."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from benchtest.errors import BenchError

MOST_S = 5.0
"""Processor time for one input of a few kilobytes, on a busy machine too. [s]"""
MOST_MIB = 128
"""Additional memory for one input. [MiB]"""
LONGEST_WORDS = 20_000


@dataclass(frozen=True)
class Target:
    """A reader of untrusted octets."""

    name: str
    what: str
    take: Callable[[bytes], bool]
    begin: Callable[[], list[bytes]]
    """Valid inputs to derive others from."""
    words: tuple[bytes, ...] = ()
    """Text that mutations insert."""


class Defect(AssertionError):
    """A violated bound, for any input."""


def attempt(target: Target, octets: bytes) -> bool:
    """Give an input to a target; return True if it was accepted.

    Raises:
        Defect: a foreign exception, text that controls a terminal, too much time or memory.
    """
    of = f"{target.name}: {len(octets)} octets"
    before_kib = _peak_kib(afresh=True)
    try:
        with _no_longer_than(MOST_S):
            taken = target.take(octets)
    except _TooLong:
        raise Defect(f"{of} take more than {MOST_S:g} s") from None
    except BenchError as error:
        taken = False
        check_words(str(error))
    except Defect:
        raise
    except Exception as error:
        raise Defect(f"{target.name}: {type(error).__name__}: {error}") from error
    if (took_mib := (_peak_kib() - before_kib) / 1024) > MOST_MIB:
        raise Defect(f"{of} take {took_mib:.0f} MiB")
    return taken


class _TooLong(BaseException):
    """Not an Exception, so that no handler catches it."""


@contextmanager
def _no_longer_than(seconds: float) -> Iterator[None]:
    """Stop a call that takes too long, so that its test fails instead of waiting forever."""

    def stop(number: int, frame: FrameType | None) -> None:
        raise _TooLong

    before = signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, seconds, 0.5)  # once more, if a finalizer caught it
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.signal(signal.SIGPROF, before)


def _peak_kib(afresh: bool = False) -> int:
    """Return the peak memory of this process since the last reset. [KiB]

    Source: Linux, Documentation/filesystems/proc.rst, `clear_refs` and `VmHWM`.
    """
    if sys.platform != "linux":
        return 0
    if afresh:
        Path("/proc/self/clear_refs").write_text("5", "ascii")
    status = Path("/proc/self/status").read_text("ascii")
    return int(status.partition("VmHWM:")[2].split(maxsplit=1)[0])


def check_words(words: str) -> None:
    if not words.strip() or len(words) > LONGEST_WORDS:
        raise Defect(f"an error of {len(words)} characters: {words[:200]!r}")
    if bad := {sign for sign in words if not (sign.isprintable() or sign == "\n")}:
        raise Defect(f"an error with the signs {sorted(bad)!r}: {words[:200]!r}")
