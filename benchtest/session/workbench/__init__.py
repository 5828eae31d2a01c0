"""The bench in operation: light, walks, entry of readings, diagnosis, timers."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "active_session",
    "diagnosis_worker",
    "node_walk",
    "parade_run",
    "picture_run",
    "pointing_run",
    "prop_light",
    "reading_entry",
    "reading_sources",
    "setup",
    "soak_timer",
    "source_reader",
    "touch_run",
    "typo_check",
    "workbench",
]
