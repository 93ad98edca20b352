"""`python -m daemon` is `benchpour`."""

import sys

from daemon.cli import main

if __name__ == "__main__":
    sys.exit(main())
