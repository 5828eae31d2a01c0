"""A prop that is not there: receives frames, obeys the circuit and its faults."""
