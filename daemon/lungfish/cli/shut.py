"""`lungfish shut`: shuts every valve of a site by itself: no daemon, no store, no event loop."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from lungfish.drivers.kept_valves import kept_in, shut_kept
from lungfish.errors import ConfigError, DeviceError

if TYPE_CHECKING:
    from lungfish.config import Site, ValveSpec

__all__ = ["add_parser", "run"]

_MOST_THREADS = 32

_DESCRIPTION = """\
Shuts every purge, blow, vent and isolating valve of a site and reads each back. Works by itself: whether the daemon
runs or has died, and whatever state the store is in. A cycle that was under way in the daemon ends as `aborted`; its
next one comes in its turn, so stop the daemon first when the valves are to stay shut.
"""
_EPILOG = """\
Example
  lungfish shut larkfield.yaml

Caution
  What is read back is the device's output, not the valve: before work on tube or line shut the air off by hand and
  let it out.

Exit status
  0  every valve is confirmed shut
  3  not every one; each that is not is named with the reason. Also when the site file is wrong
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command.

    Args:
        subparsers: of the main parser.
    """
    parser = subparsers.add_parser(
        "shut",
        help="shut every valve of the site and confirm it",
        description=_DESCRIPTION,
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("site", metavar="SITE.yaml", help="the site file")
    parser.add_argument(
        "--kept",
        metavar="FILE",
        type=Path,
        help="for a service manager: first shut what the daemon itself has listed in this file, without reading the "
        "site file; that is read only when the list is missing, or not all of it is confirmed",
    )
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Shut every valve.

    Returns:
        0 all confirmed shut, 3 otherwise.
    """
    if args.kept is not None and _all_kept_shut(args.kept):
        return 0
    from lungfish.config import load_site  # here: it loads slowly, and a valve may be open

    try:
        site = load_site(args.site)
    except ConfigError as error:
        print(error, file=sys.stderr)
        print("lungfish shut: no valve was shut, for the site file can't be read", file=sys.stderr)
        return 3
    all_shut = True
    for name, trouble in _shut_all(site):
        if trouble is None:
            print(f"{name}: confirmed shut", flush=True)
        else:
            all_shut = False
            print(f"{name}: NOT confirmed shut: {trouble}", file=sys.stderr, flush=True)
    return 0 if all_shut else 3


def _all_kept_shut(file: Path) -> bool:
    """Whether every valve of the site stood in the daemon's list, and all are confirmed shut."""
    try:
        valves, complete = kept_in(file)
    except FileNotFoundError:
        return False  # the daemon has not come so far as to open anything
    except (OSError, ValueError) as error:
        print(f"lungfish shut: {error}; the site file is taken instead", file=sys.stderr)
        return False
    for name, trouble in (outcome := shut_kept(valves)).items():
        if trouble is None:
            print(f"{name}: confirmed shut", flush=True)
        else:
            print(f"{name}: not confirmed shut yet: {trouble}", file=sys.stderr, flush=True)
    return complete and not any(outcome.values())


def _shut_all(site: Site) -> Iterator[tuple[str, str | None]]:
    """Each valve with what kept its valve from being confirmed; all at once, so that one dead link delays no other."""
    from lungfish.drivers.shut import shut_valve  # here: as above

    def one(valve: ValveSpec) -> str | None:
        try:
            confirmed = shut_valve(site.links[valve.link], valve)
        except DeviceError as error:
            return str(error)
        return None if confirmed else "it was told to shut and still reads back otherwise"

    with ThreadPoolExecutor(min(_MOST_THREADS, len(site.valves))) as pool:
        yield from zip(site.valves, pool.map(one, site.valves.values()), strict=True)
