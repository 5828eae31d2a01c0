"""The look that shows whether controller and prop file agree: its choices, and their meaning.

The prop shows two colours in turn along the data, after a white first node. Each setting of the
controller that may disagree with the prop file shows something else, which is worked out here and
described in words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import groupby, permutations

import numpy as np
from numpy.typing import NDArray

from benchtest.diagnosis.model.mapping_faults import (
    MappingFault,
    begun_elsewhere,
    mapping_faults,
)
from benchtest.errors import InputError
from benchtest.evidence.marks import Mark
from benchtest.pattern import alternating_colours, alternating_duty, has_picture
from benchtest.prop.design import Design
from benchtest.prop.joints import data_order
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.prop.notation import COLOUR_ORDER

MAX_CHOICES = 9
"""Most choices of one question: each has a digit, and a small screen has a line for each. Ours."""
MAX_PERIOD = 4
"""Longest cycle of colours along the data that is described as one."""
MIN_DESCRIBED_NODES = 3
"""Shortest run of nodes that is described; the eye does not pick out fewer in a row. Ours."""
MAX_DESCRIBED_RUNS = 3
LOOK_LEVEL = 0.25
"""Level at which dark nodes are assumed to be looked at; their look does not depend on it."""
MIXED_COLOURS = {
    frozenset({"red", "green"}): "yellow",
    frozenset({"green", "blue"}): "turquoise",
    frozenset({"red", "blue"}): "purple",
    frozenset({"red", "green", "blue"}): "white",
}
"""Names of additive mixtures. Source: IEC 61966-2-1, the secondary colours of its primaries."""

Codes = NDArray[np.intp]


@dataclass(frozen=True)
class ControllerLook:
    """One thing that the prop may show, and the settings of the controller that show it.

    Attributes:
        text: description for the user.
        settings: the settings, as places of a fault; empty if controller and prop file agree, or if
            the colours of this look are asked for next.
        dark: nodes without light, in prop order, shape (nodes,), if nothing else is wrong; None if
            colours are wrong too.
    """

    text: str
    settings: tuple[str, ...] = ()
    dark: NDArray[np.bool_] | None = field(default=None, compare=False)


COUNTED = ControllerLook("some dark at the start or the end: count them")
"""The choice after which the number of dark nodes is asked for."""
BREAK = ControllerLook("first node white, and dark nodes all the same")
"""The look of a break in the data line: controller and prop file agree."""
OTHER_COLOURS = ControllerLook("two other colours, no node dark")
"""The choice after which the two colours are asked for."""


def controller_looks(design: Design) -> tuple[ControllerLook, ...]:
    """Return what the prop may show, the first if controller and prop file agree.

    The likeliest settings come first. Empty if nodes have only one colour.
    """
    if not has_picture(design):
        return ()
    sent = alternating_duty(design) > 0.0
    order, fine = data_order(design), _codes(sent)
    by_look: dict[bytes, list[MappingFault]] = {}
    for fault in sorted(mapping_faults(design), key=lambda fault: -fault.share):
        by_look.setdefault(_codes(_received(fault, sent, order)).tobytes(), []).append(fault)
    by_look.pop(fine.tobytes(), None)
    # a prop without any light has no power as likely, which other steps search for
    by_look.pop(np.zeros_like(fine).tobytes(), None)
    found = [ControllerLook(f"as sent: white, then {_describe(design, fine[order])} to the end")]
    for look, faults in by_look.items():
        shown = np.frombuffer(look, dtype=fine.dtype)
        dark = shown == 0
        found.append(
            ControllerLook(
                _describe(design, shown[order]),
                tuple(fault.where for fault in faults),
                dark if (dark | (shown == fine)).all() else None,
            )
        )
    return (*found[: MAX_CHOICES - 2], COUNTED, OTHER_COLOURS)


def counted_looks(design: Design, at_start: int, at_end: int) -> tuple[ControllerLook, ...]:
    """Return the looks of controllers that begin elsewhere, by the dark nodes at the ends.

    Args:
        design: the prop.
        at_start: number of dark nodes in a row at the start of the data.
        at_end: number of those at its end.

    Raises:
        InputError: no first channel shows so many.
    """
    count, channels = design.node_count, design.node.channels
    sent, order = alternating_duty(design) > 0.0, data_order(design)
    # a controller that begins earlier leaves its first nodes without data
    middle = channels * (at_end if at_end else -at_start)
    steps = range(middle - 2 * channels, middle + 2 * channels + 1)
    found: dict[bytes, ControllerLook] = {}
    for step in sorted(steps, key=lambda step: step % channels != 0):  # whole nodes first
        fault = begun_elsewhere(design, step) if step else None
        if fault is None or max(at_start, at_end) >= count:
            continue
        shown = _codes(_received(fault, sent, order))[order]
        lit = np.flatnonzero(shown)
        ends = (int(lit[0]), count - 1 - int(lit[-1])) if len(lit) else (count, count)
        if ends == (at_start, at_end):
            look = ControllerLook(_describe(design, shown), (fault.where,))
            found.setdefault(shown.tobytes(), look)
    if not found:
        raise InputError(
            f"no first channel leaves {at_start} nodes dark at the start and {at_end} at the end; "
            "count again, or x for none of these"
        )
    return tuple(found.values()) if at_start else (BREAK, *found.values())


def order_looks(design: Design) -> tuple[ControllerLook, ...]:
    """Return the pairs of colours that the prop may show under another colour order of its nodes.

    Their settings are `colour_order` with the order, such as `colour_order GRB`.
    """
    order = design.outputs[0].colour_order or design.node.colour_order
    names = {colour[0].upper(): colour for colour in design.node.colours}
    fixed = [place for place, letter in enumerate(order) if letter == "W"]
    last = order.index(alternating_colours(design, 0)[1][0].upper())
    by_pair: dict[str, list[str]] = {}
    for letters in permutations(order):
        other = "".join(letters)
        if other != order and all(other[place] == "W" for place in fixed):
            pair = f"{names[other[0]]} and {names[other[last]]}"
            by_pair.setdefault(pair, []).append(f"{COLOUR_ORDER} {other}")
    return tuple(ControllerLook(text, tuple(orders)) for text, orders in by_pair.items())


def colour_orders(settings: Sequence[str]) -> list[str]:
    """Return the colour orders among the settings of a look, such as `GRB`."""
    words = [one.split() for one in settings]
    return [word[1] for word in words if len(word) == 2 and word[0] == COLOUR_ORDER]


def dark_marks(design: Design, settings: tuple[str, ...]) -> list[Mark]:
    """Return the marks of a look in which some nodes are dark and all others right.

    Where light ends is also where a joint may be open, so that the engine has to weigh it as marks.

    Args:
        design: the prop.
        settings: settings of the look that was chosen.
    """
    dark = next((one.dark for one in controller_looks(design) if one.settings == settings), None)
    if dark is None:
        return []
    lit, marks = LitSet(all_lit(design).strands, LOOK_LEVEL), []
    for strand, start in zip(design.strands, design.first_index, strict=True):
        first = 1
        for is_dark, run in groupby(dark[start : start + strand.nodes].tolist()):
            last = first + len(list(run)) - 1
            marks.append(Mark(lit, strand.number, first, last, "dark" if is_dark else "ok"))
            first = last + 1
    return marks


def _received(fault: MappingFault, sent: NDArray[np.bool_], order: Codes) -> NDArray[np.bool_]:
    if fault.remap is not None:
        return fault.remap.received(sent)
    received = sent.copy()
    received[order[fault.start : fault.stop]] = False
    return received


def _codes(lit: NDArray[np.bool_]) -> Codes:
    """Return a number for the lit channels of each node, shape (nodes,)."""
    return np.asarray(lit @ (1 << np.arange(lit.shape[1])), dtype=np.intp)


def _describe(design: Design, shown: Codes) -> str:
    """Return what the eye sees along the data, from the first node on.

    Args:
        design: the prop.
        shown: lit channels of each node by number, in the order of data, shape (nodes,).
    """
    order, parts, before = data_order(design), list[str](), ""
    lead = _colour(design, int(shown[0]))
    body = shown.copy()
    for (start, stop), output in zip(design.data_lines, design.outputs, strict=True):
        ahead = body[start + 2 * output.group : stop][: output.group]
        body[start : start + len(ahead)] = ahead  # the white address, as the one two further on
    for start, stop, period in _runs(body, [start for start, _ in design.data_lines]):
        if stop - start < min(MIN_DESCRIBED_NODES, len(body)):
            continue
        names = [_colour(design, code) for code in body[start : start + period].tolist()]
        name = names[0] if period == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
        if name != before:
            node = design.node_at(int(order[start]))
            parts.append(name if start == 0 else f"from {node} {name}")
        before = name
    more = " ..." if len(parts) > MAX_DESCRIBED_RUNS else ""
    text = ", ".join(parts[:MAX_DESCRIBED_RUNS]) + more
    return text if lead in ("white", "dark") else f"first node {lead}, {text}"


def _colour(design: Design, code: int) -> str:
    lit = [name for place, name in enumerate(design.node.colours) if code >> place & 1]
    if not lit:
        return "dark"
    is_pale = "white" in lit and 1 < len(lit) < len(design.node.colours)
    mixed = lit[:1] if len(lit) == 1 else [name for name in lit if name != "white"]
    name = MIXED_COLOURS.get(frozenset(mixed), " with ".join(mixed))
    return f"pale {name}" if is_pale else name


def _runs(shown: Codes, heads: list[int]) -> list[tuple[int, int, int]]:
    """Return runs of nodes whose colours repeat: first position, stop and period of each.

    Args:
        shown: lit channels of each node by number, in the order of data, shape (nodes,).
        heads: positions at which an output begins; no run goes past one.
    """
    found, start = [], 0
    stops = [*heads[1:], len(shown)]
    while start < len(shown):
        limit = next(stop for stop in stops if stop > start)
        best = (start, 1)
        for period in range(1, MAX_PERIOD + 1):
            stop = min(start + period, limit)
            repeats = shown[stop:limit] == shown[start : start + max(0, limit - stop)]
            wrong = np.flatnonzero(~repeats)
            stop = stop + int(wrong[0]) if len(wrong) else limit
            if stop > best[0] and (period == 1 or stop - start >= 2 * period):
                best = (stop, period)
        found.append((start, *best))
        start = best[0]
    return found
