"""Circuit of a prop: netlist, node loads, solution of both rails, tolerances and limits."""

from benchtest.circuit.backfeed import backfeed_paths, live_paths
from benchtest.circuit.design_review import (
    MAX_FIRST_PLACES,
    DesignReview,
    ExtraFeed,
    best_extra_feed,
    extra_feed_places,
    review_design,
)
from benchtest.circuit.feed_limits import (
    FUSE_SHARE,
    FeedBudget,
    LevelLimit,
    PermittedLitSets,
    circulating_warning,
    find_level_limit,
    surely_within_limits,
)
from benchtest.circuit.ladder import Factor
from benchtest.circuit.netlist import FloatArray, IndexArray, fuse_ohm, has_fuse
from benchtest.circuit.network import Circuit
from benchtest.circuit.node_loads import CORNER_V, node_light, node_loads
from benchtest.circuit.prediction import PredictedVolts, Prediction, predict, strand_end_probes
from benchtest.circuit.ratings import RatingCheck, check_ratings, find_first_fade, rated_current_a
from benchtest.circuit.solution import Solution, solve, solve_unloaded
from benchtest.circuit.spice import spice_deck
from benchtest.circuit.startup import (
    LEVEL_BISECTIONS,
    highest_level,
    highest_starting_share,
    require_start,
)
from benchtest.circuit.tolerance import (
    FROM_MANY_REELS,
    HAND_SOLDERED,
    Sensitivities,
    Spread,
    Tolerances,
    cause_names,
    circulating_current_a,
    feed_ohm_sd,
    joint_mean_effect,
    joint_moments,
    reading_spread,
    sensitivities,
    shared_weights,
    spread_from_sensitivities,
)
from benchtest.circuit.tolerance_condensed import (
    CondensedSensitivities,
    CondensedSpread,
    standard_deviation_v,
)

__all__ = [
    "CORNER_V",
    "FROM_MANY_REELS",
    "FUSE_SHARE",
    "HAND_SOLDERED",
    "LEVEL_BISECTIONS",
    "MAX_FIRST_PLACES",
    "Circuit",
    "CondensedSensitivities",
    "CondensedSpread",
    "DesignReview",
    "ExtraFeed",
    "Factor",
    "FeedBudget",
    "FloatArray",
    "IndexArray",
    "LevelLimit",
    "PermittedLitSets",
    "PredictedVolts",
    "Prediction",
    "RatingCheck",
    "Sensitivities",
    "Solution",
    "Spread",
    "Tolerances",
    "backfeed_paths",
    "best_extra_feed",
    "cause_names",
    "check_ratings",
    "circulating_current_a",
    "circulating_warning",
    "extra_feed_places",
    "feed_ohm_sd",
    "find_first_fade",
    "find_level_limit",
    "fuse_ohm",
    "has_fuse",
    "highest_level",
    "highest_starting_share",
    "joint_mean_effect",
    "joint_moments",
    "live_paths",
    "node_light",
    "node_loads",
    "predict",
    "rated_current_a",
    "reading_spread",
    "require_start",
    "review_design",
    "sensitivities",
    "shared_weights",
    "solve",
    "solve_unloaded",
    "spice_deck",
    "spread_from_sensitivities",
    "standard_deviation_v",
    "strand_end_probes",
    "surely_within_limits",
]
