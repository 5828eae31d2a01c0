"""The virtual prop: circuit, data line, faults and meter, on a real UDP socket."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "e131_receiver",
    "injected_faults",
    "observer",
    "remote_prop",
    "server",
    "terminal_view",
    "udp_receiver",
    "virtual_prop",
]
