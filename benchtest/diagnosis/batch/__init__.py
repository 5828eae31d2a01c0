"""Units of one design: what they share, and fault rates."""
