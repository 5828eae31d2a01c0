"""Art-Net over UDP: packets, driver, and the search for controllers."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "driver",
    "packets",
]
