"""Hand-held meters that stream their display over an isolated cable."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "frames",
    "meter",
]
