"""`lungfish export`: readings on standard output, oldest first, as CSV or JSON lines."""

from __future__ import annotations

import argparse
import csv
import io
import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime, timedelta
from itertools import chain
from zoneinfo import ZoneInfo

from lungfish.config import find_tank, load_site
from lungfish.errors import ConfigError, StoreError
from lungfish.store import Archive, StoredReading

__all__ = ["COLUMNS", "add_parser", "run"]

Cell = str | float | int | None

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MARGIN_S = 0.001
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")

_HELP = "readings on standard output, oldest first"
_DESCRIPTION = """\
Writes the readings kept in the site's store to standard output, oldest first. The daemon may be running.

The columns, in both formats:
  time         the moment that the level is true for, ISO 8601, UTC, milliseconds
  tank         its name in the site file
  level_m      liquid surface above the tank floor, m
  level_u_m    expanded uncertainty of it (k = 2), m
  head_pa      hydrostatic head above the tip, gauge, Pa
  volume_m3    volume in the vessel, m3
  quality      good, uncertain or bad
  diagnosis    what the cycle says of itself; several codes are joined by +, the gravest first
  purge_s      time that the valve was open, s
  air_sl       standard litres used (20 degC, 1 bar)
  seq          number of the reading within one boot of the computer, without a hole
  boot         which boot that was
  clock        whether the wall clock was synchronised then
  monotonic_s  the same moment on the clock that never steps, s since the boot
A value that is not known is empty (null in JSON), never zero and never the last one repeated.
A bad row has no level.

Exit status
  0  written, or the reader has seen enough
  2  the site file, an argument or the store is wrong; or the output can't be written
"""
_TIME_HELP = (
    "ISO 8601 date or time, such as 2026-03-05, 2026-03-05T06:00 or 2026-03-05T06:00:00Z; "
    "without a zone it is the site's local time, a date is the midnight that it begins with"
)


def _rounded_ms(reading: StoredReading) -> int:
    return round(reading.at.utc_s * 1000)


def _time(reading: StoredReading) -> str:
    moment = _EPOCH + timedelta(milliseconds=_rounded_ms(reading))
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits) + 0.0  # no minus zero


COLUMNS: dict[str, Callable[[StoredReading], Cell]] = {
    "time": _time,
    "tank": lambda reading: reading.tank,
    "level_m": lambda reading: _rounded(reading.level_m, 5),
    "level_u_m": lambda reading: _rounded(reading.level_u_m, 5),
    "head_pa": lambda reading: _rounded(reading.head_pa, 2),
    "volume_m3": lambda reading: _rounded(reading.volume_m3, 6),
    "quality": lambda reading: reading.quality,
    "diagnosis": lambda reading: reading.diagnosis,
    "purge_s": lambda reading: _rounded(reading.purge_s, 3),
    "air_sl": lambda reading: _rounded(reading.air_sl, 4),
    "seq": lambda reading: reading.seq,
    "boot": lambda reading: reading.at.boot_id,
    "clock": lambda reading: reading.at.clock.value,
    "monotonic_s": lambda reading: _rounded(reading.at.monotonic_s, 3),
}
"""Name of each column and where its value comes from. People's scripts hold on to names and order: append only."""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command.

    Args:
        subparsers: of the main parser.
    """
    parser = subparsers.add_parser(
        "export", help=_HELP, description=_DESCRIPTION, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("site", metavar="SITE.yaml", help="the site file")
    parser.add_argument("--tank", metavar="T", help="only this tank")
    parser.add_argument("--since", metavar="T0", help=f"from this moment on: {_TIME_HELP}")
    parser.add_argument("--until", metavar="T1", help="before this moment; written likewise")
    parser.add_argument("--format", choices=("csv", "jsonl"), default="csv", help="default: csv")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Export.

    Returns:
        0, or 2 when the site file, an argument or the store is wrong.
    """
    try:
        site = load_site(args.site)
        zone = ZoneInfo(site.timezone)
        since_ms, until_ms = _moment_ms("--since", args.since, zone), _moment_ms("--until", args.until, zone)
        if since_ms is not None and until_ms is not None and since_ms > until_ms:
            raise ValueError(f"--since {args.since} lies after --until {args.until}; swap them")
        with Archive(site.store_path) as archive:
            if args.tank is not None and archive.last_reading(args.tank) is None:
                find_tank(site, args.tank)  # a tank that has left the site file still has its readings
            _print_rows(_between(archive, args.tank, since_ms, until_ms), args.format)
    except (ConfigError, StoreError) as exc:
        print(exc, file=sys.stderr)
        return 2
    except ValueError as exc:
        print(f"lungfish export: {exc}", file=sys.stderr)
        return 2
    except BrokenPipeError:
        # The reader has seen enough, as `head` does. Nothing more can be written, at exit neither.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except OSError as exc:
        print(f"lungfish export: the output can't be written: {exc.strerror}", file=sys.stderr)
        return 2
    return 0


def _moment_ms(option: str, text: str | None, zone: ZoneInfo) -> float | None:
    """A bound, ms since 1970 UTC; of a local time that comes twice the first is meant.

    Raises:
        ValueError: not a date or time.
    """
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
        return ((moment if moment.tzinfo else moment.replace(tzinfo=zone)) - _EPOCH) / timedelta(milliseconds=1)
    except (ValueError, OverflowError) as exc:
        raise ValueError(
            f"{option}: {text!r} is not an ISO 8601 date or time; write one such as 2026-03-05, 2026-03-05T06:00 "
            f"({zone.key} time) or 2026-03-05T06:00:00Z"
        ) from exc


def _between(
    archive: Archive, tank: str | None, since_ms: float | None, until_ms: float | None
) -> Iterator[StoredReading]:
    """Readings by the times that are shown, which are rounded: a time copied from the output finds its reading."""
    since_s = None if since_ms is None else since_ms / 1000 - _MARGIN_S
    until_s = None if until_ms is None else until_ms / 1000
    for reading in archive.readings(tank, since_s, until_s):
        at_ms = _rounded_ms(reading)
        if (since_ms is None or at_ms >= since_ms) and (until_ms is None or at_ms < until_ms):
            yield reading


def _print_rows(readings: Iterable[StoredReading], form: str) -> None:
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(encoding="utf-8", newline="\n")  # whatever the locale
    lines = _csv_lines(readings) if form == "csv" else _json_lines(readings)
    for line in lines:
        sys.stdout.write(line)
    sys.stdout.flush()


def _csv_lines(readings: Iterable[StoredReading]) -> Iterator[str]:
    """Lines of CSV after RFC 4180, but with a bare line feed at their ends, as tools on this side expect."""
    line = io.StringIO(newline="")
    writer = csv.writer(line, lineterminator="\r\n")  # so told, it puts a field with either of the two in quotes
    rows: Iterator[list[Cell]] = ([_cell(value(reading)) for value in COLUMNS.values()] for reading in readings)
    header: list[Cell] = [*COLUMNS]
    for row in chain([header], rows):
        line.seek(0)
        line.truncate()
        writer.writerow(row)
        yield line.getvalue().removesuffix("\r\n") + "\n"


def _cell(value: Cell) -> Cell:
    """A text that a spreadsheet would take for a formula is led in by an apostrophe; numbers stay numbers."""
    return "'" + value if isinstance(value, str) and value.startswith(_FORMULA_STARTS) else value


def _json_lines(readings: Iterable[StoredReading]) -> Iterator[str]:
    for reading in readings:
        row = {name: value(reading) for name, value in COLUMNS.items()}
        yield json.dumps(row, ensure_ascii=False, allow_nan=False) + "\n"
