"""The `lungfish` command: finds the sub-command, parses, calls."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

__all__ = ["main"]


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.

    Args:
        argv: arguments without the program's name; None takes them from the process.

    Returns:
        The exit status.
    """
    parser = argparse.ArgumentParser(prog="lungfish")
    parser.parse_args(argv)
    return 0
