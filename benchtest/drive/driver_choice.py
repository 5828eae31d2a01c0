"""A driver for a target."""

from __future__ import annotations

from benchtest.drive.driver import Driver, Target
from benchtest.drive.e131.driver import E131Driver, SourceSettings
from benchtest.errors import DriveFault
from benchtest.prop.design import Design


def driver_for(target: Target, design: Design, sender: SourceSettings) -> Driver:
    """The driver that reaches a target; it is not open yet.

    Raises:
        DriveFault: nothing drives that by itself.
        InputError: the sender's name or priority is beyond the standard.
    """
    if target.kind == "e131":
        return E131Driver(design, target, sender)
    if target.device is not None:
        from benchtest.drive.bridge.driver import BridgeDriver  # who has no bridge need not wait

        return BridgeDriver(design, target.device)
    raise DriveFault("virtual: start a simulation and give its address, as `benchtest demo` does")
