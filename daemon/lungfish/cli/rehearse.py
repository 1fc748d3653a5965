"""`lungfish rehearse`: the real daemon on simulated tanks in virtual time, before anything is bought or wired."""

from __future__ import annotations

import argparse
import logging
import sys
import time
from pathlib import Path

from lungfish.app.bus_load import predicted_transactions_s
from lungfish.app.inflow_file import load_inflow
from lungfish.app.log import set_up_logging
from lungfish.app.rehearsal import begin_utc_s, rehearse
from lungfish.app.rehearsal_plot import filling_of, plot_of
from lungfish.cli.rehearse_show import Shown, csv_text, plot_file, table
from lungfish.cli.terminal import put, shows_unicode
from lungfish.config import load_site
from lungfish.rig.filling import PATTERNS
from lungfish.units import DURATION, LENGTH, Kind, QuantityError, quantity

__all__ = ["add_parser", "run"]

_DAY_S = 86400.0
_MOST_DAYS = 3660.0
_PATTERN = "daily"
_FIRST_S, _EVERY_S, _LINE_EVERY_S = 2.0, 0.5, 10.0
"""Real seconds before progress is shown, and between two times on a terminal and elsewhere."""

_DESCRIPTION = """\
Runs the real daemon with this site file on simulated tanks in virtual time: the same cycle, schedule and limits as
`lungfish run`, no cycle left out, no device touched, nothing kept in the site's store. Each tank is filled by a
pattern or by a file and pumped out between two levels, and everything in the plant is just as the site file says: what
is shown is what these settings can do at best, not what faults, dirt or weather will make of them. It begins at a
midnight of the site; contacts that hold a purge off say no.

Beside it stand two other ways to read the same tanks: air that bubbles all the time, and a fixed timer that opens in
every slot of `every` for as long as a brim-full tank with a flooded tube needs. Both are given the truth each time that
they read, so that their errors are those of waiting alone.

Unless a file says it, the mean inflow fills the tank from the level where the pump stops (15 % of the way from tip to
brim) to that where it starts (70 %) in three hours; the pump takes out three times as much. `daily` has a hump in the
morning and one in the evening; `storm` is daily, with five times the mean on top for two to four hours, once.

An inflow file is CSV; its header names the units, such as `time h,inflow L/s` (time: s, min, h, day, or ISO 8601
times without a unit; inflow: m3/s, m3/h, L/s, L/min). Between its points the inflow runs straight. It is taken for
every tank.
"""
_EPILOG = """\
Examples
  lungfish rehearse larkfield.yaml --days 7 --pattern storm
  lungfish rehearse larkfield.yaml --days 30 --inflow inflow.csv --format csv > rehearsal.csv

Caution
  A rehearsal proves nothing about a real tube, valve or transmitter.

Exit status
  0  rehearsed, every simulated valve shut at the end
  2  the site file, the inflow file or an argument is wrong; or a file can't be written
  3  a simulated valve was not shut at the end
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command.

    Args:
        subparsers: of the main parser.
    """
    parser = subparsers.add_parser(
        "rehearse",
        help="the daemon on simulated tanks in virtual time: readings, air, delays",
        description=_DESCRIPTION,
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("site", metavar="SITE.yaml", help="the site file")
    parser.add_argument("--days", type=_days, default=1.0, metavar="N", help="how long, virtual days (default: 1)")
    filling = parser.add_mutually_exclusive_group()
    filling.add_argument("--pattern", choices=PATTERNS, help="of the inflow (default: daily)")
    filling.add_argument("--inflow", metavar="FILE.csv", help="the inflow, instead of a pattern")
    parser.add_argument(
        "--alarm",
        metavar="LEVEL",
        help="taken for each tank's high alarm (default: that of the site file, else 80 %% of the height)",
    )
    parser.add_argument(
        "--transaction", default="5 ms", metavar="DURATION", help="request to answer on a link (default: 5 ms)"
    )
    parser.add_argument("--seed", type=int, default=1, help="of noise, bubbles and storm (default: 1)")
    parser.add_argument("--format", choices=("table", "csv"), default="table", help="on standard output")
    parser.add_argument("--csv", metavar="FILE", help="write the figures into a file too")
    parser.add_argument("--plot", metavar="FILE", help="draw levels and purges into a file (png, svg or pdf)")
    parser.set_defaults(func=run)


def _days(text: str) -> float:
    try:
        days = float(text)
    except ValueError:
        days = 0.0
    if not 0.0 < days <= _MOST_DAYS:
        msg = f"`{text}` is no number of days; write one above 0, up to {_MOST_DAYS:g}, such as 7 or 0.5"
        raise argparse.ArgumentTypeError(msg)
    return days


def run(args: argparse.Namespace) -> int:
    """Rehearse.

    Returns:
        0 rehearsed, 2 bad argument, 3 a simulated valve was not shut.

    Raises:
        ConfigError: the site file or the inflow file is wrong.
    """
    site = load_site(args.site)
    points = load_inflow(args.inflow) if args.inflow is not None else None
    try:
        alarm_m = None if args.alarm is None else _positive("--alarm", args.alarm, LENGTH)
        transaction_s = _positive("--transaction", args.transaction, DURATION)
        draw = None if args.plot is None else plot_file(Path(args.plot))
    except ValueError as error:
        print(f"lungfish rehearse: {error}", file=sys.stderr)
        return 2
    set_up_logging(level=logging.CRITICAL)  # thousands of readings; what is told of them is told below
    duration_s = args.days * _DAY_S
    fillings = {
        name: filling_of(tank, args.pattern or _PATTERN, duration_s, args.seed + number, points)
        for number, (name, tank) in enumerate(site.tanks.items())
    }
    plot = plot_of(site, fillings, duration_s, args.seed, transaction_s, alarm_m)
    progress = _Progress(duration_s)
    rehearsal = rehearse(plot, progress.at)
    progress.end()
    kind = args.pattern or _PATTERN if args.inflow is None else f"from {Path(args.inflow).name}"
    levels = {name: filling.track.another() for name, filling in fillings.items()}
    predicted_s = predicted_transactions_s(site, duration_s, begin_utc_s(site), levels)
    shown = Shown(site=site, kind=kind, seed=args.seed, fillings=fillings, predicted_s=predicted_s)
    text = csv_text(shown, rehearsal)
    try:
        if args.csv is not None:
            Path(args.csv).write_text(text, encoding="utf-8")
        if draw is not None:
            draw(shown, rehearsal)
    except OSError as error:
        print(f"lungfish rehearse: {error.filename}: {error.strerror}", file=sys.stderr)
        return 2
    if args.format == "csv":
        sys.stdout.write(text)
    else:
        unicode = shows_unicode()
        put(table(shown, rehearsal, unicode=unicode), unicode=unicode)
    return 0 if rehearsal.all_shut and not any(tank.valve_open for tank in rehearsal.tanks.values()) else 3


def _positive(name: str, text: str, kind: Kind) -> float:
    """A quantity above zero.

    Raises:
        ValueError: it is none; with the argument's name.
    """
    try:
        value = quantity(text, kind)
    except QuantityError as error:
        msg = f"{name} {text}: {error}"
        raise ValueError(msg) from error
    if value <= 0.0:
        msg = f"{name} {text}: this is not above zero; write a {kind.name} such as `{kind.example}`"
        raise ValueError(msg)
    return value


class _Progress:
    """Says on standard error how far it is, when it takes longer than some seconds."""

    def __init__(self, duration_s: float) -> None:
        self._duration_s = duration_s
        self._began_s = time.monotonic()
        self._line = sys.stderr.isatty()
        self._next_s = self._began_s + _FIRST_S
        self._said = False

    def at(self, virtual_s: float) -> None:
        """It has come so far."""
        now_s = time.monotonic()
        if now_s < self._next_s or virtual_s <= 0.0:
            return
        self._next_s = now_s + (_EVERY_S if self._line else _LINE_EVERY_S)
        self._said = True
        took_s = now_s - self._began_s
        left_s = took_s * max(0.0, self._duration_s / virtual_s - 1.0)
        text = (
            f"day {virtual_s / _DAY_S:.2f} of {self._duration_s / _DAY_S:g}, "
            f"{virtual_s / _DAY_S / took_s:.2f} virtual days a second, {left_s:.0f} s left"
        )
        print(f"\r{text:<78}" if self._line else text, end="" if self._line else "\n", file=sys.stderr, flush=True)

    def end(self) -> None:
        """It is done: clear the line."""
        if self._said and self._line:
            print(f"\r{'':<78}\r", end="", file=sys.stderr, flush=True)
