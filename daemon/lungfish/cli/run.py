"""`lungfish run`: the daemon, in the foreground."""

from __future__ import annotations

import argparse
import asyncio
import sys

from lungfish.app.log import FORMS, set_up_logging
from lungfish.app.service import run_site
from lungfish.config import Site, forget_reading, load_site

__all__ = ["add_parser", "run"]

_DESCRIPTION = """\
The daemon, in the foreground: shuts every valve of the site first, takes one cycle of every tank at once and then one
every `every`, keeps the readings in the store, and writes one log line an event on standard error.
SIGHUP lets it read the site file again: a sound one that says something else is taken when every cycle has come to its
end and every valve of the old one is confirmed shut; a wrong one is told, and the old one goes on.
SIGTERM and SIGINT (Ctrl-C) end it: cycles are broken off, every valve is shut and read back, the store is finished.
"""
_EPILOG = """\
Example
  lungfish run larkfield.yaml

Caution
  Opens purge valves by itself, at any moment. Keep hands and tools off tube and line while it runs; shut the air off
  and let it out before work. After a death of the process (not of SIGTERM) run `lungfish shut`; a service manager
  should do so by itself.

Exit status
  0  stopped as told, every valve confirmed shut
  2  the site file is wrong
  3  another lungfish holds the store; or the store can't be used or finished; or at the end a valve is not confirmed
     shut: look at it
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command.

    Args:
        subparsers: of the main parser.
    """
    parser = subparsers.add_parser(
        "run",
        help="the daemon: measure every tank until told to stop",
        description=_DESCRIPTION,
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("site", metavar="SITE.yaml", help="the site file")
    parser.add_argument("--log", choices=FORMS, default="text", help="form of the log lines (default: text)")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Run the daemon.

    Returns:
        0 stopped as told, 3 a valve is not confirmed shut.

    Raises:
        ConfigError: the site file is wrong.
        StoreError: another lungfish holds the store, or it can't be used.
    """
    site = load_site(args.site)
    forget_reading()

    def read_again() -> Site:
        fresh = load_site(args.site)
        forget_reading()
        return fresh

    set_up_logging(args.log)
    if asyncio.run(run_site(site, read_again=read_again)):
        return 0
    print("lungfish: a valve is not confirmed shut and may be open; look at it", file=sys.stderr)
    return 3
