"""E1.31 over UDP: packets, driver and other sources."""
