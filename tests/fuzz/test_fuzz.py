"""Untrusted octets are read or refused with a message, never a traceback, never endlessly.

`python -m tests.fuzz.run` does the same for any length of time.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from benchtest.errors import InputError
from tests.fuzz import attempt as bounds
from tests.fuzz.attempt import Defect, Target, attempt
from tests.fuzz.mutate import mutated
from tests.fuzz.targets import TARGETS

SEEDS = Path(__file__).parent / "seeds"
KEPT = sorted(path for path in SEEDS.glob("*/*"))
FEW = {"evidence": 12, "records": 20, "name": 12, "database": 25}
"""Inputs of slow targets."""


def _for_ever(octets: bytes) -> bool:
    while True:
        try:
            sum(octets)
        except Exception:  # like code that ignores unknown errors
            continue


def _much(octets: bytes) -> bool:
    return len(bytearray(octets) * ((bounds.MOST_MIB + 20) << 20)) > 0


def _orders(octets: bytes) -> bool:
    raise InputError("clear \x1b[2J the screen")


def _foreign(octets: bytes) -> bool:
    return {b"": True}[octets]


@pytest.mark.parametrize(
    ("take", "why"),
    [
        (_for_ever, r"take more than 0\.3 s"),
        (_much, r"take 1\d\d MiB"),
        (_orders, "an error with the signs"),
        (_foreign, "KeyError"),
    ],
)
def test_each_violated_bound_fails_a_test(
    take: Callable[[bytes], bool], why: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    if take is _for_ever:  # waits it out; the others are bounded by the usual time
        monkeypatch.setattr(bounds, "MOST_S", 0.3)
    with pytest.raises(Defect, match=why):
        attempt(Target("one", "that fails", take, lambda: []), b"x")


@pytest.mark.parametrize("path", KEPT, ids=lambda path: f"{path.parent.name}-{path.name}")
def test_inputs_that_were_harmful_are_refused_with_a_message(path: Path) -> None:
    attempt(TARGETS[path.parent.name], path.read_bytes())


@pytest.mark.parametrize("name", TARGETS)
def test_valid_inputs_are_accepted(name: str) -> None:
    target = TARGETS[name]
    assert all(attempt(target, octets) or name == "name" for octets in target.begin())


@pytest.mark.parametrize("name", TARGETS)
def test_any_input_is_accepted_or_refused_with_a_message(name: str) -> None:
    target, begin = TARGETS[name], TARGETS[name].begin()

    @seed(11)
    @settings(
        max_examples=FEW.get(name, 40),
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(st.integers(0, len(begin) - 1), st.integers(0, 2**32), st.binary(max_size=200))
    def ask(good: int, luck: int, octets: bytes) -> None:
        attempt(target, mutated(begin[good], target.words, random.Random(luck)))
        attempt(target, octets)

    ask()
