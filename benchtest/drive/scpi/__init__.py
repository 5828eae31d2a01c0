"""SCPI bench meters: protocol and meter."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "meter",
    "protocol",
]
