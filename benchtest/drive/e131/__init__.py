"""E1.31 (streaming ACN): packets, sockets and the driver."""
