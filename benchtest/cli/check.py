"""`benchtest check`: validation of a prop file, and margins of the prop at full white."""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchtest.cli.common import (
    Commands,
    add_celsius,
    add_prop,
    console,
    design_of,
    print_json,
    print_table,
)
from benchtest.errors import InputError
from benchtest.formatting import count_noun

if TYPE_CHECKING:
    from benchtest.circuit.design_review import DesignReview, RatingCheck
    from benchtest.circuit.feed_limits import FeedBudget
    from benchtest.prop.design import Design, Output


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `check` and its options."""
    parser = commands.add_parser(
        "check",
        help="validates a prop file; current, watts, margins and lowest volts at full white",
        description="Validates a prop file and prints what the prop needs at full white: channels, "
        "amperes and watts of each feed, the level at which a fuse, supply or wire reaches its "
        "limit, the lowest node, the colour that dims first, and where another feed would help.",
    )
    add_prop(parser)
    add_celsius(parser)
    parser.add_argument(
        "--ports",
        type=Path,
        metavar="FILE",
        help="use the outputs of this CSV table instead of the prop file's: strand,first_node,"
        "universe,channel and what differs from the usual of nodes, slots, packed, colour_order, "
        "null_nodes, group, host",
    )
    parser.add_argument(
        "--write-ports",
        type=Path,
        metavar="FILE",
        help="write the outputs as such a table, to copy into a controller (- for standard output)",
    )
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Read the prop file, solve the circuit at full white, and print the margins."""
    from benchtest.circuit.design_review import review_design

    design = design_of(args)
    if args.ports is not None:
        from benchtest.drive.port_table import read_ports

        design = read_ports(args.ports, design)
    if args.write_ports is not None:
        _write_ports(design, args)
        if str(args.write_ports) == STDOUT:
            return 0
    found = review_design(design)
    if args.json:
        print_json(_answer(design, found))
    else:
        _show(design, found)
    return 0


STDOUT = "-"


def _write_ports(design: Design, args: argparse.Namespace) -> None:
    from benchtest.cli.atomic_write import write_atomic
    from benchtest.drive.port_table import write_ports

    text = write_ports(design)
    if str(args.write_ports) != STDOUT:
        write_atomic(args.write_ports, text.encode(), replace=True)
    elif args.json:
        raise InputError("--write-ports -: standard output has the JSON; name a file")
    else:
        sys.stdout.write(text)


RATES = (20, 25, 40)
"""Usual frame rates. [1/s]"""


def _answer(design: Design, review: DesignReview) -> dict[str, Any]:
    from benchtest.drive.port_table import strand_addresses
    from benchtest.drive.universe_layout import frames_per_s, nodes_per_output, universe_numbers

    node, volts = review.full.lowest_node
    fading, extra = review.fading, review.extra
    return {
        "prop": design.name,
        "strands": len(design.strands),
        "nodes": design.node_count,
        "channels": design.node_count * design.node.channels,
        "universes": universe_numbers(design),
        "addresses": [asdict(row) for row in strand_addresses(design)],
        "feeds": [budget.as_json() for budget in review.budgets],
        "limits": [
            {
                "what": limit.part,
                "amps": round(limit.amps, 3),
                "allowed_amps": round(limit.allowed_a, 3),
                "level": round(limit.level, 3),
            }
            for limit in review.limits
        ],
        "lowest_node": {
            "node": str(node),
            "volts": round(volts, 4),
            "least_volts": design.node.lowest_v,
        },
        "first_to_fade": {
            "node": str(fading.node),
            "colour": fading.colour,
            "volts": round(fading.volts, 4),
            "light": round(fading.share, 4),
            "spare_volts": round(fading.spare_v, 4),
        },
        "another_feed": extra
        and {
            "needed": review.extra_needed,
            "at": str(extra.at),
            "lowest_node_volts": round(extra.lowest_v, 4),
            "most_feed_amps": round(extra.most_feed_a, 3),
        },
        "nodes_per_output": {str(rate): nodes_per_output(design, rate) for rate in RATES},
        "frames_per_second": round(frames_per_s(design), 1),
        "profile": {
            "strand": review.lowest_strand.number,
            "volts": [round(v, 4) for v in review.profile_v.tolist()],
        },
        "warnings": review.warnings,
    }


def _show(design: Design, review: DesignReview) -> None:
    from rich.text import Text

    from benchtest.drive.universe_layout import universe_numbers

    universes = universe_numbers(design)
    out = console()
    channels = design.node_count * design.node.channels
    out.print(
        Text(
            f"{design.name}: {count_noun(len(design.strands), 'strand')}, "
            f"{count_noun(design.node_count, 'node')} of "
            f"{design.node.name} ({design.node.title}); {channels} channels in "
            f"{_universes(universes)}."
        )
    )
    print_table(*_addresses(design))
    print_table(
        "At full white",
        ["feed", ">amps", ">watts", ">of its fuse", ">of its supply"],
        [_feed(budget) for budget in review.budgets],
    )
    print_table(
        "Continuous load and limit of each part",
        ["", ">amps", ">limit", ">up to level"],
        [_limit(limit) for limit in review.limits],
    )
    for line in _summary(design, review):
        out.print(Text(line))
    _print_profile(review)
    for warning in review.warnings:
        out.print(Text(f"Warning: {warning}."))


def _addresses(design: Design) -> tuple[str, list[str], list[tuple[str, ...]], str]:
    """Return the address of every strand as title, columns, rows and note of a table."""
    from benchtest.drive.port_table import strand_addresses

    several = len(design.outputs) > 1
    rows: list[tuple[str, ...]] = []
    for row in strand_addresses(design):
        whole = row.nodes == design.strand(row.strand).nodes
        part = str(row.strand) if whole else f"{row.strand}.{row.first_node}-{row.last_node}"
        cells: tuple[str, ...] = (
            part,
            f"{row.first_node}",
            str(row.nodes),
            f"{row.universe}:{row.channel}",
            f"{row.last_universe}:{row.last_channel}",
        )
        rows.append((str(row.output), row.host or "--to", *cells) if several else cells)
    columns = [">strand", ">first node", ">nodes", ">from", ">to"]
    note = "; ".join(dict.fromkeys(map(_packing, design.outputs)))
    title = "Addresses (universe:channel), in the order of data"
    return title, [">output", "host", *columns] if several else columns, rows, note


def _packing(output: Output) -> str:
    """Return the settings of an output that a controller needs besides its address."""
    way = "packed across universes" if output.packed else "whole nodes in each"
    words = f"Slots used of each universe: {output.slots}, {way}"
    if output.colour_order is not None:
        words += f", colour order {output.colour_order}"
    if output.null_nodes:
        words += f", {count_noun(output.null_nodes, 'null node')} first"
    if output.group > 1:
        words += f", {output.group} nodes share an address"
    return words


def _limit(limit: RatingCheck) -> tuple[str, ...]:
    # rounded down, so that the level shown is within the limit
    level = "full white" if limit.level == 1.0 else f"{math.floor(limit.level * 100) / 100:.2f}"
    return limit.part, f"{limit.amps:.2f}", f"{limit.allowed_a:.2f}", level


def _summary(design: Design, review: DesignReview) -> Iterator[str]:
    from benchtest.drive.universe_layout import frames_per_s, nodes_per_output

    node, volts = review.full.lowest_node
    yield f"Lowest node: {node} at {volts:.3f} V (it needs {design.node.lowest_v:g} V)."
    fading = review.fading
    if fading.share < 1.0:
        yield (
            f"{fading.colour.capitalize()} at {fading.node} dims first: {fading.share:.0%} of its "
            "light at full white."
        )
    else:
        yield (
            f"{fading.colour.capitalize()} at {fading.node} dims first; {fading.spare_v:.2f} V in "
            "hand."
        )
    if (extra := review.extra) is not None:
        if review.extra_needed:
            yield (
                f"An extra feed is needed: at {extra.at} it raises the lowest node to "
                f"{extra.lowest_v:.3f} V."
            )
        else:
            yield (
                f"No extra feed needed (one at {extra.at} would raise the lowest node to "
                f"{extra.lowest_v:.3f} V)."
            )
    rates = ", ".join(f"{nodes_per_output(design, rate)} at {rate}" for rate in RATES)
    yield (
        f"One data line can refresh this prop {frames_per_s(design):.0f} times a second; "
        f"most nodes on one line: {rates} frames a second."
    )


PROFILE_ROWS, PROFILE_COLUMNS = 9, 64


def _print_profile(review: DesignReview) -> None:
    """Print the volts along the strand of the lowest node, in ASCII characters."""
    from rich.text import Text

    from benchtest.session.display.text_chart import Trace, draw_chart

    volts = review.profile_v.tolist()
    count = len(volts)
    columns = min(PROFILE_COLUMNS, count)
    picked = [volts[column * (count - 1) // max(columns - 1, 1)] for column in range(columns)]
    chart = draw_chart([Trace("*", range(columns), picked)], columns, PROFILE_ROWS)
    out = console()
    out.print(Text(f"Volts along strand {review.lowest_strand.number}, from A to B", style="bold"))
    # enough digits that no two rows show the same volts
    places = 4 if len(chart.levels) > 1 and chart.levels[0] - chart.levels[1] <= 1e-3 else 3
    for level, line in zip(chart.levels, chart.lines, strict=True):
        out.print(Text(f"{level:8.{places}f} |{line}".rstrip()))
    out.print(Text(f"{'':8} +{'-' * columns}"))
    last = f"{count:>{columns - 1}}" if count > 1 else ""
    out.print(Text(f"{'node':>8}  1{last}"))


def _feed(budget: FeedBudget) -> tuple[str, ...]:
    feed = budget.feed
    shares = (
        f"{budget.amps / limit_a:.0%} of {limit_a:g} A" if limit_a else "not given"
        for limit_a in (feed.fuse_a, feed.supply_a)
    )
    return feed.name, f"{budget.amps:.2f}", f"{budget.watts:.1f}", *shares


def _universes(numbers: list[int]) -> str:
    if len(numbers) == 1:
        return f"universe {numbers[0]}"
    if numbers[-1] - numbers[0] + 1 > len(numbers):
        from benchtest.drive.e131.other_sources import describe_universes

        return f"{len(numbers)} {describe_universes(numbers)}"
    return f"{len(numbers)} universes, {numbers[0]} to {numbers[-1]}"
