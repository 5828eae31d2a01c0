"""Events of a session and the state folded from them."""
