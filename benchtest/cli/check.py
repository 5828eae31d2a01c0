"""`benchtest check`: is the prop file right, and is the prop within its means?"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from benchtest.cli.common import Commands, add_prop, console, design_of, print_json, print_table

if TYPE_CHECKING:
    from benchtest.circuit.budget import FeedBudget
    from benchtest.circuit.network import Solution
    from benchtest.prop.design import Design


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `check` and its options."""
    parser = commands.add_parser(
        "check",
        help="validates a prop file; current, watts, margins and lowest volts at full white",
        description="Validates a prop file and says what the prop needs at full white: channels, "
        "amperes and watts of each feed beside its fuse and supply, and the lowest node's volts.",
    )
    add_prop(parser)
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Read the prop file, solve full white, and print what it takes."""
    from benchtest.circuit.budget import feed_budgets
    from benchtest.circuit.network import Circuit
    from benchtest.prop.lit import everything

    design = design_of(args)
    solution = Circuit(design).solve(everything(design).duty(design))
    budgets = feed_budgets(solution)
    if args.json:
        print_json(_answer(design, solution, budgets))
    else:
        _show(design, solution, budgets)
    return 0


def _answer(design: Design, solution: Solution, budgets: list[FeedBudget]) -> dict[str, Any]:
    from benchtest.drive.layout import universes_of

    node, volts = solution.lowest_node
    return {
        "prop": design.name,
        "strands": len(design.strands),
        "nodes": design.node_count,
        "channels": design.node_count * design.node.channels,
        "universes": universes_of(design),
        "feeds": [budget.as_json() for budget in budgets],
        "lowest_node": {
            "node": str(node),
            "volts": round(volts, 4),
            "least_volts": design.node.lowest_v,
        },
        "warnings": _warnings(design, solution, budgets),
    }


def _warnings(design: Design, solution: Solution, budgets: list[FeedBudget]) -> list[str]:
    found = [warning for budget in budgets for warning in budget.warnings]
    node, volts = solution.lowest_node
    if volts < design.node.lowest_v:
        found.append(
            f"node {node} sees {volts:.2f} V at full white; {design.node.name} should have "
            f"{design.node.lowest_v:g} V: thicker wire, another feed, or a lower level"
        )
    return found


def _show(design: Design, solution: Solution, budgets: list[FeedBudget]) -> None:
    from rich.text import Text

    from benchtest.drive.layout import universes_of

    universes = universes_of(design)
    out = console()
    channels = design.node_count * design.node.channels
    out.print(
        Text(
            f"{design.name}: {len(design.strands)} strands, {design.node_count} nodes of "
            f"{design.node.name} ({design.node.title}); {channels} channels in "
            f"{_universes(universes)}."
        )
    )
    print_table(
        "At full white",
        ["feed", ">amps", ">watts", ">of its fuse", ">of its supply"],
        [_feed(budget) for budget in budgets],
    )
    node, volts = solution.lowest_node
    out.print(f"Lowest node: {node} at {volts:.3f} V ({design.node.lowest_v:g} V wanted).")
    for warning in _warnings(design, solution, budgets):
        out.print(Text(f"Warning: {warning}."))


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
    return f"{len(numbers)} universes, {numbers[0]} to {numbers[-1]}"
