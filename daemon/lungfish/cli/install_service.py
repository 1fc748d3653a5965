"""`lungfish install-service`: puts the systemd unit in place and starts it, or takes it away again."""

from __future__ import annotations

import argparse
from pathlib import Path

from lungfish.app.installation import DROP_INS, Installation
from lungfish.config import load_site
from lungfish.errors import InstallError

__all__ = ["add_parser", "run"]

_DESCRIPTION = """\
Installs lungfish as a systemd service: unit, user and directories, enabled and started. As root. A file that it did not
write, or that was changed since, is never overwritten or removed. The site file stays where it is and is
checked first.
"""
_EPILOG = """\
Example
  lungfish install-service /etc/lungfish/site.yaml --with serial
  lungfish install-service --remove

Caution
  The service opens purge valves by itself, at once and after every start of the computer.

Exit status
  0  done
  2  the site file is wrong
  3  not done; one sentence says why
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command.

    Args:
        subparsers: of the main parser.
    """
    parser = subparsers.add_parser(
        "install-service",
        help="run the daemon as a systemd service from now on, or no longer",
        description=_DESCRIPTION,
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("site", metavar="SITE.yaml", nargs="?", type=Path, help="the site file, best in /etc/lungfish")
    parser.add_argument("--remove", action="store_true", help="stop the service and remove what was installed")
    parser.add_argument(
        "--with",
        dest="drop_ins",
        action="append",
        default=[],
        choices=DROP_INS,
        help="loopback: no other host is reached; serial, gpio: what such links need",
    )
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Install or remove.

    Returns:
        0 done.

    Raises:
        ConfigError: the site file is wrong.
        InstallError: it can't be done.
    """
    there = Installation()
    if args.remove:
        told = there.remove()
    elif args.site is None:
        raise InstallError("which site file? lungfish install-service /etc/lungfish/site.yaml")
    else:
        there.make_state()
        told = there.install(args.site, load_site(args.site), args.drop_ins)
    print("\n".join(told))
    return 0
