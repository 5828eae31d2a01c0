"""Circuit of a prop: netlist, node loads, solution of both rails, tolerances and limits."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "backfeed",
    "design_review",
    "feed_limits",
    "ladder",
    "netlist",
    "network",
    "node_loads",
    "prediction",
    "reduction",
    "solution",
    "sparse_solver",
    "spice",
    "tolerance",
    "tolerance_condensed",
]
