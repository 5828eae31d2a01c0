"""The test patterns themselves: TOML files for people to read and add to."""
