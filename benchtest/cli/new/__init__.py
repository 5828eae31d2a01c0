"""The command that writes a prop file by asking."""
