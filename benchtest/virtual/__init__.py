"""The virtual prop: circuit, data line, faults and meter, on a real UDP socket."""
