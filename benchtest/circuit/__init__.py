"""What should be measured: conductors, node loads, and the solution of both rails."""
