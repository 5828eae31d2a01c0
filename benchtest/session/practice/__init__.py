"""Practice rounds against a hidden fault."""
