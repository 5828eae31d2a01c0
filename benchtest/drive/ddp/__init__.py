"""DDP over UDP: packets and driver."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "driver",
]
