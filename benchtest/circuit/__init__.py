"""Circuit of a prop: netlist, node loads, solution of both rails, tolerances and limits."""
