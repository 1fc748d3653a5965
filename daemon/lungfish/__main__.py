"""`python -m lungfish` is the same as the command `lungfish`."""

import sys

from lungfish.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
