"""The data line of a virtual prop with faults."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from benchtest.diagnosis.model.faults import data_joint_starts
from benchtest.prop.data_path import data_order, strand_starts
from benchtest.prop.design import Design
from benchtest.prop.joints import data_joints
from benchtest.prop.notation import parse_node
from benchtest.virtual.injected_faults import InjectedFault, NodeFault, WiringFault

_BoolArray = NDArray[np.bool_]


class DataLine:
    """The data line of a prop with given faults.

    Attributes:
        dark: nodes that never light, shape (nodes,), prop order.
    """

    def __init__(self, design: Design, faults: Iterable[InjectedFault]) -> None:
        given = list(faults)
        count = design.node_count
        self._backup = design.node.backup_data
        self._order = data_order(design)
        self.dark: _BoolArray = np.zeros(count, dtype=bool)
        self._silent: _BoolArray = np.zeros(count, dtype=bool)
        for fault in given:
            if isinstance(fault, NodeFault):
                node = parse_node(fault.where, design)
                index = design.index(node.strand, node.node)
                self.dark[index] = fault.state != "no-data-out"
                self._silent[index] = fault.state != "dark"
        open_joints = {fault.where for fault in given}
        starts = zip(data_joints(design), data_joint_starts(design), strict=True)
        ends = [start for joint, start in starts if joint.name in open_joints]
        turned = {f.where for f in given if isinstance(f, WiringFault) and f.what == "reversed"}
        for entry, start in zip(design.data_path, strand_starts(design), strict=True):
            if str(entry.strand) in turned:  # data enter at its output end and do not pass
                ends.append(start)
        self._end = min(ends, default=count)

    def reached(self, awake: _BoolArray) -> _BoolArray:
        """Return the nodes that data reach.

        A node without supply forwards nothing. A backup line bypasses one silent node, since it
        connects each node to the node before last; two silent nodes in a row stop it.

        Args:
            awake: nodes whose logic has supply, shape (nodes,), prop order.

        Returns:
            Nodes that receive data, shape (nodes,), prop order.
        """
        order = self._order
        silent = self._silent[order] | ~awake[order]
        stops = silent & np.append(silent[1:], False) if self._backup else silent
        # the nodes after a stop are those after its last node
        last = np.flatnonzero(stops)[:1] + (1 if self._backup else 0)
        along = np.ones(len(order), dtype=bool)
        along[self._end :] = False
        if len(last):
            along[last[0] + 1 :] = False
        reached = np.empty(len(order), dtype=bool)
        reached[order] = along
        return reached & awake
