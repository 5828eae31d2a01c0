"""Design of a prop: its parts, joints, places, lit sets and node kinds, and its file."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "conductors",
    "design",
    "enough",
    "joints",
    "lit_set",
    "node_kinds",
    "notation",
    "outputs",
    "reader",
    "validation",
    "writer",
]
