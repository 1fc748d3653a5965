"""`lungfish air`: the ledger of a month, from the store alone."""

from __future__ import annotations

import argparse
import csv
import re
import sys
from collections.abc import Iterator
from datetime import date, datetime, timedelta, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

from lungfish.cli.air_table import Account, Kept, table_lines
from lungfish.cli.terminal import put, shows_unicode
from lungfish.config import Site, load_site
from lungfish.errors import StoreError
from lungfish.store import Archive
from lungfish.store.air import day_bounds_utc_s
from lungfish.study.ledger import DayUse, LedgerLine, ledger_line, total, valve_life

__all__ = ["COLUMNS", "add_parser", "run"]

_DESCRIPTION = """\
What the purges of a month took, by tank and day, in standard litres (20 degC, 1 bar: ISO 8778); beside it what
continuous bubbling would have taken (the restrictor's flow all day), and a fixed timer sized for a full tank (at the
same interval, each purge long enough for a flooded tube under a brim-full tank). Energy and money by
`air.specific_power` and `air.tariff`, valve openings against `valve.rated_operations`. Reads the store only: touches no
device, and the daemon may be running.
"""
_EPILOG = """\
The columns of the CSV, one line for a tank and day:
  day, tank       local date; name in the site file
  air_sl          standard litres of the purges whose air is known
  air_most_sl     the same, with those of unknown air (a death in mid-purge) as the most that they can have taken
  open_s          time that the valve was open in purges of known air, s
  purges, unknown openings; those of them whose air is not known
  covered_s       how much of the day the readings stand for, s; the next two are for that time
  continuous_sl   continuous bubbling
  timer_sl        a fixed timer sized for a full tank
  energy_wh, continuous_wh, timer_wh   energy for each of the three (of air_sl the first), Wh
  cost, continuous_cost, timer_cost    the same in money
  currency        as the site file has it; empty when it names none

Examples
  lungfish air larkfield.yaml
  lungfish air larkfield.yaml --month 2026-03 --format csv > march.csv
  lungfish air larkfield.yaml --plot march.svg

Exit status
  0  shown
  1  nothing is kept of that month
  2  the site file or an argument is wrong, the store can't be read, or the plot can't be made
"""
COLUMNS = (
    *("day", "tank", "air_sl", "air_most_sl", "open_s", "purges", "unknown", "covered_s", "continuous_sl", "timer_sl"),
    *("energy_wh", "continuous_wh", "timer_wh", "cost", "continuous_cost", "timer_cost", "currency"),
)
"""Of the CSV. People's scripts hold on to names and order: append only."""
_LITRES = 1000.0
_WH_J = 3600.0


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command.

    Args:
        subparsers: of the main parser.
    """
    parser = subparsers.add_parser(
        "air",
        help="the air ledger of a month: litres, energy, money, valve openings",
        description=_DESCRIPTION,
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("site", metavar="SITE.yaml", help="the site file")
    parser.add_argument("--month", metavar="YYYY-MM", type=_month, help="default: that of the latest reading")
    parser.add_argument("--format", choices=("table", "csv"), default="table", help="default: table")
    parser.add_argument("--plot", metavar="FILE", type=_picture, help="draw it too, as .svg or .png; needs matplotlib")
    parser.set_defaults(func=run)


def _month(text: str) -> date:
    if not re.fullmatch(r"[0-9]{4}-(0[1-9]|1[0-2])", text) or text < "1970-02":
        msg = f"{text!r} is no month; write one such as 2026-03"
        raise argparse.ArgumentTypeError(msg)
    return date(int(text[:4]), int(text[5:]), 1)


def _picture(text: str) -> Path:
    path = Path(text)
    if path.suffix not in {".svg", ".png"}:
        msg = f"{text!r} is no name for a picture; end it in .svg or .png"
        raise argparse.ArgumentTypeError(msg)
    return path


def run(args: argparse.Namespace) -> int:
    """Show the ledger.

    Returns:
        0 shown, 1 nothing kept, 2 the store can't be read or the plot can't be made.

    Raises:
        ConfigError: the site file is wrong.
    """
    site = load_site(args.site)
    try:
        with Archive(site.store_path) as archive:
            kept = _kept(site, archive, args.month)
    except StoreError as error:
        print(f"lungfish air: {error}", file=sys.stderr)
        return 2
    if kept is None or not kept.accounts:
        when = f"of {args.month:%Y-%m} " if args.month else ""
        print(f"lungfish air: nothing {when}is kept in {site.store_path}", file=sys.stderr)
        return 1
    if args.plot is not None:
        from lungfish.cli.air_plot import draw_ledger  # what it needs is optional, and slow to load

        trouble = draw_ledger(args.plot, site, kept)
        if trouble is not None:
            print(f"lungfish air: {trouble}", file=sys.stderr)
            return 2
    if args.format == "csv":
        writer = csv.writer(sys.stdout, lineterminator="\n")
        writer.writerow(COLUMNS)
        writer.writerows(_cells(site, line) for account in kept.accounts for line in account.lines)
    else:
        unicode = shows_unicode()
        put(table_lines(site, kept, unicode=unicode), unicode=unicode)
    return 0


def _kept(site: Site, archive: Archive, month: date | None) -> Kept | None:
    """The month's accounts; None when nothing is kept at all.

    Raises:
        StoreError: the store can't be read.
    """
    zone = ZoneInfo(site.timezone)
    spans = {name: span for name in site.tanks if (span := archive.span_utc_s(name)) is not None}
    if month is None:
        if not spans:
            return None
        month = datetime.fromtimestamp(max(last_s for _, last_s in spans.values()), zone).date().replace(day=1)
    uses: dict[str, list[DayUse]] = {name: [] for name in site.tanks}
    for day in _days(month):
        for name, use in archive.air_of_day(day, zone).items():
            if name in uses:
                covered_s = _covered_s(day, zone, spans.get(name), site.tanks[name].every_s)
                uses[name].append(
                    DayUse(
                        day=day.isoformat(),
                        tank=name,
                        air_m3=use.air_sl / _LITRES,
                        open_s=use.open_s,
                        purges=use.purges,
                        unknown=use.unknown,
                        covered_s=covered_s,
                    )
                )
    accounts = []
    for name, days in uses.items():
        if days:
            lines = tuple(ledger_line(site, site.tanks[name], use) for use in days)
            whole = total(lines, f"{month:%Y-%m}", name)
            life = valve_life(site.tanks[name], archive.openings_ever(name, zone), whole.use)
            accounts.append(Account(lines=lines, whole=whole, life=life))
    return Kept(month=f"{month:%Y-%m}", accounts=tuple(accounts))


def _days(month: date) -> Iterator[date]:
    day = month
    while day.month == month.month:
        yield day
        day += timedelta(days=1)


def _covered_s(day: date, zone: tzinfo, span_s: tuple[float, float] | None, every_s: float) -> float:
    """How much of a day readings stand for; all of one that retention has taken."""
    start_s, end_s = day_bounds_utc_s(day, zone)
    if span_s is None or end_s <= span_s[0]:
        return end_s - start_s
    return max(0.0, min(end_s, span_s[1] + every_s) - max(start_s, span_s[0]))


def _cells(site: Site, line: LedgerLine) -> list[str | int | float]:
    cost, use = site.air.cost, line.use
    energies_j = line.energy_j(cost)
    return [
        *(use.day, use.tank, round(_LITRES * use.air_m3, 4), round(_LITRES * line.most_air_m3, 4)),
        *(round(use.open_s, 3), use.purges, use.unknown, round(use.covered_s, 1)),
        *(round(_LITRES * line.continuous_m3, 3), round(_LITRES * line.timer_m3, 3)),
        *(round(energy_j / _WH_J, 4) for energy_j in energies_j),
        *(round(energy_j * cost.price_per_j, 6) for energy_j in energies_j),
        cost.currency,
    ]
