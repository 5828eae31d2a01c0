"""Injected faults are written in the contract's notation."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import pytest

from benchtest.errors import InputError
from benchtest.prop.conductors import parse_wire
from benchtest.prop.design import Design, Link, StrandEnd
from benchtest.virtual.injected_faults import (
    InjectedFault,
    JointFault,
    NodeFault,
    WiringFault,
    parse_fault,
    parse_faults,
)


@pytest.fixture(scope="module")
def fan(make_fan: Callable[..., Design]) -> Design:
    """Five strands of ten nodes between two buses, strands 1 and 2 also linked at B."""
    link = Link(StrandEnd(1, "B"), StrandEnd(2, "B"), 50.0, parse_wire("22 AWG"))
    return dataclasses.replace(make_fan(strands=5, nodes=10), links=(link,))


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("4A+=0.8", JointFault("4A+", 0.8)),
        ("4A-=1e-2", JointFault("4A-", 0.01)),
        ("4A+=open", JointFault("4A+", math.inf)),
        ("4Ad=open", JointFault("4Ad", math.inf, "data joint")),
        ("feed1-=1", JointFault("feed1-", 1.0)),
        ("1B~2B+=0.5", JointFault("1B~2B+", 0.5)),
        ("1B~2Bd=open", JointFault("1B~2Bd", math.inf, "data joint")),
        ("4.7=dead", NodeFault("4.7", "dead")),
        ("4.7=dark", NodeFault("4.7", "dark")),
        (" 4.7 = no-data-out ", NodeFault("4.7", "no-data-out")),
        ("4=reversed", WiringFault("4", "reversed")),
        ("4=swapped:5", WiringFault("4 5", "swapped")),
        ("5=swapped:4", WiringFault("4 5", "swapped")),
        ("4=grb", WiringFault("4", "GRB")),
        ("colour_order=BGR", WiringFault("colour_order", "BGR")),
        ("feed1=short", WiringFault("feed1", "short")),
    ],
)
def test_a_fault_of_the_contract_is_parsed(fan: Design, text: str, fault: InjectedFault) -> None:
    assert parse_fault(text, fan) == fault
    assert parse_fault(str(fault), fan) == fault


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "write joint=ohms"),
        ("4A+", "write joint=ohms"),
        ("4A+=", "write joint=ohms"),
        ("4A+=0_8", "give ohms from 0"),
        ("=0.8", "write joint=ohms"),
        ("14A+=0.8", "14A+"),
        ("4A=0.8", 'did you mean "4A'),
        ("4A+=-1", "ohms from 0"),
        ("4A+=nan", "ohms from 0"),
        ("4A+=inf", "or open"),
        ("4A+=lots", "or open"),
        ("4Ad=0.8", "4Ad=open"),
        ("4.11=dead", "nodes 1 to 10"),
        ("6.1=dead", "strands 1 to 5"),
        ("4.7=ded", 'did you mean "dead"'),
        ("4.7=0.8", "dead, dark, no-data-out"),
        ("4=swapped:2", "4=swapped:3"),
        ("4=swapped", "4=swapped:3"),
        ("4=RGB", "other than RGB, reversed or swapped:5"),
        ("4=RGG", "other than RGB"),
        ("6=reversed", "strands 1 to 5"),
        ("feed1=gone", "feed1=short"),
        ("colour_order=reversed", "a colour order other than RGB"),
    ],
)
def test_an_invalid_fault_is_rejected_with_the_valid_forms(
    fan: Design, text: str, says: str
) -> None:
    with pytest.raises(InputError) as caught:
        parse_fault(text, fan)
    assert says in str(caught.value)


def test_one_place_has_one_fault(fan: Design) -> None:
    assert len(parse_faults(["4A+=0.8", "4A-=0.8"], fan)) == 2
    with pytest.raises(InputError, match="already"):
        parse_faults(["4A+=0.8", "4A+=open"], fan)
