"""Drivers of a prop, the frame clock, and sources of readings on serial ports."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "artnet",
    "awake",
    "bridge",
    "ddp",
    "driver",
    "e131",
    "frame_clock",
    "handheld",
    "interfaces",
    "port_table",
    "scpi",
    "serial_ports",
    "signals",
    "source_spec",
    "target",
    "udp",
    "universe_layout",
]
