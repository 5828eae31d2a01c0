"""E1.31: packets, driver and other sources."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "decode",
    "driver",
    "encode",
    "other_sources",
]
