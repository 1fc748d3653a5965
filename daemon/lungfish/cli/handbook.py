"""`lungfish handbook`: the pages that a technician reads, in the terminal."""

from __future__ import annotations

import argparse
import difflib
import sys

from lungfish.cli.pages import lines_of, title_of, topics
from lungfish.cli.terminal import put, shows_unicode

__all__ = ["add_parser", "run"]

_DESCRIPTION = """\
Prints a page of the handbook in the terminal; without a topic, lists the pages. Touches no file and no device.
"""
_EPILOG = """\
Examples
  lungfish handbook
  lungfish handbook diagnosis | less

Exit status
  0  printed
  2  there is no such page
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command.

    Args:
        subparsers: of the main parser.
    """
    parser = subparsers.add_parser(
        "handbook",
        help="pages for the technician: what each code means, what can't be told, cautions",
        description=_DESCRIPTION,
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("topic", metavar="TOPIC", nargs="?", help="a page; left out: a list of them")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Print a page or the list of pages.

    Returns:
        0, or 2 when there is no such page.
    """
    unicode = shows_unicode()
    known = topics()
    if args.topic is None:
        width = max(map(len, known))
        put([f"{topic:<{width}}  {title_of(topic)}" for topic in known], unicode=unicode)
        put(["", "lungfish handbook TOPIC prints a page."], unicode=unicode)
        return 0
    if args.topic not in known:
        close = difflib.get_close_matches(args.topic, known, n=1)
        right = f"did you mean `{close[0]}`? " if close else ""
        print(
            f"lungfish handbook: there is no page `{args.topic}`; {right}There are {', '.join(known)}", file=sys.stderr
        )
        return 2
    put(lines_of(args.topic), unicode=unicode)
    return 0
