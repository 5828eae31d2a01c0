"""Events of a session, and the state derived from them."""
