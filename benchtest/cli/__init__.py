"""Words typed in a shell.

Nothing heavy is imported here or where options are declared: a command imports what it needs when
it runs, so that `--help` costs little more than a bare interpreter.
"""

from benchtest.cli.shell import main

__all__ = ["main"]
