"""Practice rounds with hidden faults."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "reference_run",
    "rounds",
]
