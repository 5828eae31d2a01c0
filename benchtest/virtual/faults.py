"""Faults to hide in a virtual prop, as the contract writes them: `4A+=0.8`, `4.17=dead`."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from benchtest.errors import InputError, nearest
from benchtest.prop.design import Design
from benchtest.prop.names import joint_by_name, parse_node

NodeState = Literal["dead", "dark", "no-data-out"]
NODE_STATES: tuple[NodeState, ...] = ("dead", "dark", "no-data-out")
"""dead: dark and passes no data on (with a backup line, data passes it by); dark: passes its data
on; no-data-out: lit, but nothing after it gets data."""


@dataclass(frozen=True, slots=True)
class JointFault:
    """A power joint of given resistance, `math.inf` for open; or an open data joint."""

    where: str
    ohm: float

    def __str__(self) -> str:
        return f"{self.where}={'open' if math.isinf(self.ohm) else format(self.ohm, 'g')}"


@dataclass(frozen=True, slots=True)
class NodeFault:
    """A node that is not as it should be."""

    where: str
    state: NodeState

    def __str__(self) -> str:
        return f"{self.where}={self.state}"


Fault = JointFault | NodeFault


def parse_fault(text: str, design: Design) -> Fault:
    """Read one fault.

    Raises:
        InputError: it is not of the contract's form, or the prop has no such joint or node.
    """
    where, equals, what = (part.strip() for part in text.partition("="))
    if not equals or not where or not what:
        raise InputError(
            f'fault "{text[:40]}": write joint=ohms (4A+=0.8), joint=open (4Ad=open) or '
            "node=dead (4.17=dead)"
        )
    if "." in where:
        return _node_fault(where, what, design)
    joint = joint_by_name(where, design)
    if what == "open":
        return JointFault(joint.name, math.inf)
    if not joint.is_power:
        raise InputError(f'fault "{text[:40]}": a data joint is good or open; write {where}=open')
    return JointFault(joint.name, _ohms(text, what))


def parse_faults(texts: Iterable[str], design: Design) -> list[Fault]:
    """Read faults; one joint or node may have only one.

    Raises:
        InputError: one of them is wrong, or a place is named twice.
    """
    found: dict[str, Fault] = {}
    for text in texts:
        fault = parse_fault(text, design)
        if fault.where in found:
            raise InputError(f"fault {fault}: {fault.where} has one already, {found[fault.where]}")
        found[fault.where] = fault
    return list(found.values())


def _node_fault(where: str, what: str, design: Design) -> NodeFault:
    node = parse_node(where, design)
    for state in NODE_STATES:
        if what == state:
            return NodeFault(str(node), state)
    known = ", ".join(NODE_STATES)
    raise InputError(f'fault {where}: "{what[:20]}"; give {known}{nearest(what, NODE_STATES)}')


def _ohms(text: str, what: str) -> float:
    try:
        ohm = float(what)
    except ValueError:
        ohm = math.nan
    if not 0.0 <= ohm <= 1e6:
        raise InputError(f'fault "{text[:40]}": give ohms from 0 to 1000000, or open')
    return ohm
