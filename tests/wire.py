"""Slots of a controller after a frame, for tests of several rooms."""

from __future__ import annotations

from benchtest.drive.universe_layout import Frame, UniverseLayout
from benchtest.prop.design import Design


def slots_of(design: Design, frame: Frame) -> dict[int, bytes]:
    """Slots of each universe, from slot 1 up to the last one used."""
    layout = UniverseLayout(design)
    pairs = zip(layout.slices, layout.slots(frame), strict=True)
    return {part.universe: bytes(part.slot) + bytes(octets) for part, octets in pairs}
