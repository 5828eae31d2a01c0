"""One test session: events, state, guidance."""
