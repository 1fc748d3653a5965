"""`lungfish read`: one measuring cycle now."""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import sys

from lungfish.app.house import measure_once
from lungfish.app.log import set_up_logging
from lungfish.cli.show import as_json, reading_lines
from lungfish.cli.terminal import put, shows_unicode
from lungfish.config import find_tank, load_site
from lungfish.core.codes import Diagnosis, Quality
from lungfish.errors import StoreBusy

__all__ = ["add_parser", "run"]

_DESCRIPTION = """\
Takes one measuring cycle of one tank now, keeps the reading in the site's store like any other, and prints it with its
evidence: level with its uncertainty, head, volume, diagnosis, where the uncertainty comes from, and the numbers that
all of it rests on.
"""
_EPILOG = """\
Example
  lungfish read larkfield.yaml wet-well

Caution
  Opens the tank's purge valve, for at most `max_open`. Keep hands and tools off tube and line.

While `lungfish run` holds the site's store, this command refuses: two would fight over the valves. Then the latest
reading is the last line of `lungfish export SITE.yaml --tank TANK`.

Exit status
  0  a good reading
  1  a reading that is not good: uncertain or bad; its diagnosis says why
  2  the site file is wrong, or has no such tank
  3  transmitter or valve does not answer, or the valve is not confirmed shut; or the store is held by another
     lungfish or can't be used
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command.

    Args:
        subparsers: of the main parser.
    """
    parser = subparsers.add_parser(
        "read",
        help="one measuring cycle now, with its evidence",
        description=_DESCRIPTION,
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("site", metavar="SITE.yaml", help="the site file")
    parser.add_argument("tank", metavar="TANK", help="its name in the site file")
    parser.add_argument("--json", action="store_true", help="for a program: one JSON object, SI units, null: not known")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Take one reading.

    Returns:
        0 good, 1 not good, 3 device or link failed.

    Raises:
        ConfigError: the site file is wrong, or has no such tank.
        StoreError: another lungfish holds the store, or it can't be used.
    """
    site = load_site(args.site)
    tank = find_tank(site, args.tank)
    set_up_logging(level=logging.ERROR)
    try:
        reading, record, shut = asyncio.run(measure_once(site, tank.name))
    except StoreBusy as error:
        raise StoreBusy(f"{error}\nthe latest reading: lungfish export {args.site} --tank {args.tank}") from error
    if record is not None:
        lines = [json.dumps(as_json(record), indent=2)] if args.json else reading_lines(record)
        put(lines, unicode=shows_unicode())
    if not shut:
        print(f"lungfish: the valve of {tank.name} is not confirmed shut and may be open; look at it", file=sys.stderr)
        return 3
    if reading is None or Diagnosis.LINK_LOST in reading.codes:
        return 3
    return 0 if reading.quality is Quality.GOOD else 1
