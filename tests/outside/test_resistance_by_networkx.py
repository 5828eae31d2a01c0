"""Resistance between points of whole props, by networkx from a graph of its own.

The graph is made here from the design by the rules of its file format, not from our netlist, and
`networkx.resistance_distance` inverts its Laplacian: an independent way to the same resistance.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import networkx as nx
import numpy as np
import pytest

from benchtest.circuit.network import Circuit
from benchtest.prop.conductors import parse_wire
from benchtest.prop.design import Bus, Design, Link, Probe, StrandEnd
from benchtest.prop.notation import parse_probe

MakeFan = Callable[..., Design]
JOINT_OHM = 0.002


def _graph(design: Design) -> nx.MultiGraph:
    """Every resistance of the prop as an edge; an ideal supply is a piece of copper here."""
    graph = nx.MultiGraph()
    for rail in "+-":
        for strand in design.strands:
            _add_strand(graph, design, strand.number, rail)
        for bus in design.buses:
            _add_bus(graph, bus, rail)
        for link in design.links:
            ohms = link.length_mm * link.wire.ohm_per_mm + JOINT_OHM
            graph.add_edge(f"{link.first}{rail}", f"{link.second}{rail}", ohms=ohms)
        for feed in design.feeds:
            cable = feed.length_mm * feed.wire.ohm_per_mm
            graph.add_edge(f"supply {feed.name}", f"{feed.name}{rail}", ohms=cable)
            graph.add_edge(f"{feed.name}{rail}", f"{feed.at}{rail}", ohms=JOINT_OHM)
    return graph


def _add_strand(graph: nx.MultiGraph, design: Design, number: int, rail: str) -> None:
    strand = design.strand(number)
    points = [f"{number}.{node}{rail}" for node in range(1, strand.nodes + 1)]
    run = [f"{number}A{rail}", *points, f"{number}B{rail}"]
    lengths_mm = [strand.lead_mm[0], *[strand.pitch_mm] * (strand.nodes - 1), strand.lead_mm[1]]
    for (one, other), mm in zip(pairwise(run), lengths_mm, strict=True):
        graph.add_edge(one, other, ohms=mm * strand.wire.ohm_per_mm)


def _add_bus(graph: nx.MultiGraph, bus: Bus, rail: str) -> None:
    pads = [f"{bus.name}:{end.strand}{rail}" for end in bus.ends]
    hops = list(pairwise(pads))
    if bus.ring:
        hops.append((pads[-1], pads[0]))
    for one, other in hops:
        graph.add_edge(one, other, ohms=bus.spacing_mm * bus.copper.ohm_per_mm)
    for end, pad in zip(bus.ends, pads, strict=True):
        graph.add_edge(pad, f"{end}{rail}", ohms=JOINT_OHM)


def _between(graph: nx.MultiGraph, one: str, other: str) -> float:
    if one == other:
        return 0.0
    return float(nx.resistance_distance(graph, one, other, weight="ohms", invert_weight=True))


def _ours(circuit: Circuit, first: Probe, second: Probe) -> float:
    """Volts at the second probe for an ampere driven through the first."""
    columns = circuit.probe_incidence([first, second]).columns()
    return float(columns[:, 1] @ circuit.factor.solve(columns[:, 0]))


def _linked(design: Design) -> Design:
    """The same strands joined wire to wire down the data path, one feed at the start."""
    wire = parse_wire("20 AWG")
    links = tuple(
        Link(before.other, after, 50.0, wire) for before, after in pairwise(design.data_path)
    )
    feed = dataclasses.replace(design.feeds[0], at=StrandEnd(1, "A"))
    return dataclasses.replace(design, buses=(), links=links, feeds=(feed,))


def _prop(make_fan: MakeFan, shape: str) -> Design:
    fans: dict[str, dict[str, Any]] = {
        "two buses": {},
        "one bus": {"crown": False},
        "rings": {"ring": True},
        "two feeds": {"feeds": ("foot:1", "crown:4")},
    }
    if shape == "links":
        return _linked(make_fan(4, 5))
    return make_fan(4, 5, **fans[shape])


PROBES = ["2A", "3B", "2A+>3B+", "4.2+>1.5+", "3.3", "1A->4B-"]


@pytest.mark.parametrize("shape", ["two buses", "one bus", "rings", "two feeds", "links"])
def test_effective_resistance_agrees_with_networkx(make_fan: MakeFan, shape: str) -> None:
    design = _prop(make_fan, shape)
    circuit, graph = Circuit(design), _graph(design)
    for text in PROBES:
        probe = parse_probe(text, design)
        published = _between(graph, str(probe.red), str(probe.black))
        assert _ours(circuit, probe, probe) == pytest.approx(published, rel=1e-9), text


@pytest.mark.parametrize("shape", ["two buses", "rings", "links"])
def test_transfer_resistance_agrees_with_networkx(make_fan: MakeFan, shape: str) -> None:
    """Volts at one probe for an ampere at another: four distances make one transfer."""
    design = _prop(make_fan, shape)
    circuit, graph = Circuit(design), _graph(design)
    driven = parse_probe("3.2", design)
    for text in PROBES:
        read = parse_probe(text, design)
        ends = [str(point) for point in (driven.red, driven.black, read.red, read.black)]
        a, b, c, d = ends
        expected = (
            _between(graph, a, d)
            + _between(graph, b, c)
            - _between(graph, a, c)
            - _between(graph, b, d)
        ) / 2
        assert _ours(circuit, driven, read) == pytest.approx(expected, abs=1e-10), text


def test_every_ohm_of_the_graph_is_in_our_circuit(make_fan: MakeFan) -> None:
    """Conductances at all unknowns sum to those of the graph."""
    design = make_fan(4, 5, ring=True)
    graph = _graph(design)
    leaving_s = {
        point: sum(1.0 / edge["ohms"] for _, _, edge in graph.edges(point, data=True))
        for point in graph
    }
    earth = leaving_s.pop("supply feed1")
    assert earth > 0.0
    circuit = Circuit(design)
    ours_s = (np.abs(circuit.incidence.columns()) @ circuit.conductance_s).sum()
    assert ours_s == pytest.approx(sum(leaving_s.values()), rel=1e-12)
