"""A driver for a target."""

from __future__ import annotations

from benchtest.drive.base import Driver, Target
from benchtest.drive.e131 import E131Driver, Sender
from benchtest.errors import DriveFault
from benchtest.prop.design import Design


def driver_for(target: Target, design: Design, sender: Sender) -> Driver:
    """The driver that reaches a target; it is not open yet.

    Raises:
        DriveFault: this version has none for it.
        InputError: the sender's name or priority is beyond the standard.
    """
    if target.kind == "e131":
        return E131Driver(design, target, sender)
    if target.kind == "serial":
        raise DriveFault(
            f"{target}: this version reaches props over E1.31 only; "
            "give e131:HOST, or virtual to try without hardware"
        )
    raise DriveFault("virtual: start a simulation and give its address, as `benchtest demo` does")
