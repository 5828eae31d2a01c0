"""USB serial bridge: its protocol as octets, its driver and its analog inputs.

Specification: `hw_notes/bridge.md`.
"""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "driver",
    "input_reader",
    "install",
    "messages",
    "serial_link",
]
