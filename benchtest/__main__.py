"""Entry point of `python -m benchtest`."""

import sys

from benchtest.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
