"""Events of a session, and the state derived from them."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "colour_checks",
    "controller_look",
    "events",
    "evidence",
    "heard_sources",
    "node_search",
    "person_effort",
    "power_checks",
    "reading_list",
    "shelf_changes",
    "soak",
    "state",
    "unit_target",
]
