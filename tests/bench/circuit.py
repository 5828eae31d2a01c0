"""How long a prediction takes. By hand: `python tests/bench/circuit.py`. Prints; judges nothing."""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial

from benchtest.circuit.network import Circuit
from benchtest.circuit.predict import predict
from benchtest.prop.catalogue import catalogue
from benchtest.prop.design import Bus, BusPad, Design, Feed, Strand, StrandEnd
from benchtest.prop.lit import everything
from benchtest.prop.wire import board_copper, parse_wire

SIZES = [(12, 30), (24, 60), (64, 160)]
TIMES = 7


def fan(strands: int, nodes: int) -> Design:
    """Strands between two buses with one feed, stout enough that the small one is not starved."""
    wire, copper = parse_wire("16 AWG"), board_copper(2.0, 8.0)
    numbers = range(1, strands + 1)
    return Design(
        name="Bench fan",
        node=catalogue()["ws2811-5v"],
        strands=tuple(Strand(number, nodes, 30.0, (60.0, 60.0), wire) for number in numbers),
        data_path=tuple(StrandEnd(number, "A" if number % 2 else "B") for number in numbers),
        buses=(
            Bus("foot", tuple(StrandEnd(number, "A") for number in numbers), copper, 40.0),
            Bus("crown", tuple(StrandEnd(number, "B") for number in numbers), copper, 40.0),
        ),
        feeds=(Feed("main", BusPad("foot", 1), 5.0, parse_wire("8 AWG"), 500.0),),
    )


def best_ms(work: Callable[[], object]) -> float:
    """Best of a few runs. [ms]"""
    found = []
    for _ in range(TIMES):
        start = time.perf_counter()
        work()
        found.append(time.perf_counter() - start)
    return min(found) * 1e3


def main() -> None:
    """Print a line for each size."""
    print(f"best of {TIMES}, milliseconds")
    print(f"{'strands × nodes':>16} {'level':>6} {'predict':>9} {'wire up':>9} {'solve':>9}")
    for strands, nodes in SIZES:
        design = fan(strands, nodes)
        for level in (1.0, 0.1):
            lit = everything(design, level)
            duty, circuit = lit.duty(design), Circuit(design)
            columns = (
                best_ms(partial(predict, design, lit)),
                best_ms(partial(Circuit, design)),
                best_ms(partial(circuit.solve, duty)),
            )
            shown = " ".join(f"{ms:9.2f}" for ms in columns)
            print(f"{f'{strands} × {nodes}':>16} {level:6g} {shown}")


if __name__ == "__main__":
    main()
