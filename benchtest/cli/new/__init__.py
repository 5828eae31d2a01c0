"""The command that writes a prop file by asking."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "answer_parsers",
    "command",
    "defaults",
    "prompt",
    "questions",
]
