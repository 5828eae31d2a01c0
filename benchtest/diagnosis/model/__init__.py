"""Single faults of a prop, and the circuit's response to them."""

from benchtest.diagnosis.model.fault_response import (
    CELL_SD,
    COLUMNS,
    GRID,
    GRID_OHM,
    STEP_LOG,
    DesignResponse,
    JointEffects,
    LitSetResponse,
)
from benchtest.diagnosis.model.faults import (
    ChainFault,
    FaultKind,
    FaultSpace,
    Priors,
    data_joint_starts,
    fault_space,
    fuses,
)
from benchtest.diagnosis.model.node_variation import (
    headroom_sd_v,
    node_variation_a,
    reel_shares,
    spread_of_unit,
    tolerances_of,
)
from benchtest.diagnosis.model.rail_shorts import (
    ShortEffects,
    short_effects,
    short_places,
)
from benchtest.diagnosis.model.wiring_faults import (
    DataRemap,
    DeadCopper,
    connected_supplies,
    dead_copper,
    extra_a,
    other_orders,
    recoloured,
    swap,
    swaps,
)

__all__ = [
    "CELL_SD",
    "COLUMNS",
    "GRID",
    "GRID_OHM",
    "STEP_LOG",
    "ChainFault",
    "DataRemap",
    "DeadCopper",
    "DesignResponse",
    "FaultKind",
    "FaultSpace",
    "JointEffects",
    "LitSetResponse",
    "Priors",
    "ShortEffects",
    "connected_supplies",
    "data_joint_starts",
    "dead_copper",
    "extra_a",
    "fault_space",
    "fuses",
    "headroom_sd_v",
    "node_variation_a",
    "other_orders",
    "recoloured",
    "reel_shares",
    "short_effects",
    "short_places",
    "spread_of_unit",
    "swap",
    "swaps",
    "tolerances_of",
]
