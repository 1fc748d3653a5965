"""`lungfish schema`: the JSON schema of a site file, for editors."""

from __future__ import annotations

import argparse
import json

from lungfish.config import json_schema

__all__ = ["add_parser", "run"]

_DESCRIPTION = """\
Prints the JSON schema of a site file (draft 2020-12). An editor that knows it completes keys and marks wrong ones while
you type; `lungfish check` finds more, because it also holds the numbers against each other.

Exit status
  0  always
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command.

    Args:
        subparsers: of the main parser.
    """
    parser = subparsers.add_parser(
        "schema",
        help="the JSON schema of a site file",
        description=_DESCRIPTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Print the schema.

    Returns:
        0.
    """
    print(json.dumps(json_schema(), indent=2))
    return 0
