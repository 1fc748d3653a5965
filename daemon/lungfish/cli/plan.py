"""`lungfish plan`: when each tank will be purged within the next 24 hours, and why. Touches no device and no store."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar
from zoneinfo import ZoneInfo

from lungfish.app.clock import now_utc_s
from lungfish.app.outlook import Purge, outlook
from lungfish.app.schedule import interval_text
from lungfish.cli.terminal import put, shows_unicode
from lungfish.config import Site, Tank, find_tank, load_site
from lungfish.errors import ConfigError

__all__ = ["add_parser", "picture", "run", "runs_of"]

_What = TypeVar("_What", bound=Hashable)

_DAY_S = 86400.0
_MARGIN_S = 10 * _DAY_S
_COLUMNS = 72
"""Characters of a day: one is 20 minutes."""
_SAME_S = 0.5
_FOLD = 3
"""So many purges in a row at one distance and for one reason are one line."""
_NAMES = 3
_NAME_WIDTH = 24
_DESCRIPTION = """\
Shows when each tank will be purged within the next 24 hours, and why, as a table and as a picture: by `every`, the
schedule, the spread over the tanks, and out of service. Worked out by the same code that the daemon waits by, as if
lungfish were started at the beginning. Touches no device and no store.

What can't be foreseen is left out: purges that the watch asks for, that come closer together while a level moves, or
that wait for a contact or for air.
"""
_EPILOG = """\
Examples
  lungfish plan larkfield.yaml
  lungfish plan larkfield.yaml --tank wet-well --from 2026-10-25

Exit status
  0  shown
  2  the site file or an argument is wrong
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command.

    Args:
        subparsers: of the main parser.
    """
    parser = subparsers.add_parser(
        "plan",
        help="when each tank will be purged in the next 24 hours, and why",
        description=_DESCRIPTION,
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("site", metavar="SITE.yaml", help="the site file")
    parser.add_argument("--tank", metavar="T", help="only this tank")
    parser.add_argument(
        "--from",
        dest="begin",
        metavar="T0",
        help="from this moment: ISO 8601, local time of the site unless it says otherwise (default: now)",
    )
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Show the plan.

    Returns:
        0, or 2 when the site file or an argument is wrong.
    """
    try:
        site = load_site(args.site)
        tanks = list(site.tanks.values()) if args.tank is None else [find_tank(site, args.tank)]
        begin = _begin(args.begin, ZoneInfo(site.timezone))
    except ConfigError as error:
        print(error, file=sys.stderr)
        return 2
    except ValueError as error:
        print(f"lungfish plan: {error}", file=sys.stderr)
        return 2
    put(_lines(site, tanks, begin), unicode=shows_unicode())
    return 0


def _begin(text: str | None, zone: ZoneInfo) -> datetime:
    if text is None:
        return datetime.fromtimestamp(now_utc_s() // 60.0 * 60.0, zone)
    try:
        moment = datetime.fromisoformat(text)
        aware = moment if moment.tzinfo else moment.replace(tzinfo=zone)
        for edge in (-_MARGIN_S, _MARGIN_S):  # days around it must exist too
            datetime.fromtimestamp(aware.timestamp() + edge, zone)
        return aware.astimezone(zone)
    except (ValueError, OverflowError, OSError):
        raise ValueError(
            f"--from: {text[:40]!r} is not an ISO 8601 date or time; write one such as 2026-03-05, 2026-03-05T06:00 "
            f"({zone.key} time) or 2026-03-05T06:00:00Z"
        ) from None


@dataclass(frozen=True, slots=True)
class Run:
    """Purges in a row at one distance and for one reason; or one alone."""

    first_s: float
    """The first of them, s since 1970-01-01 UTC."""
    last_s: float
    """The last of them."""
    number: int
    """How many."""
    why: str
    """In words."""


def runs_of(purges: Sequence[Purge]) -> list[Run]:
    """Fold what repeats itself.

    Args:
        purges: of one tank, oldest first.
    """
    found: list[list[Purge]] = []
    for purge in purges:
        row = found[-1] if found else []
        same = bool(row) and row[-1].why == purge.why
        gap_s = purge.at_utc_s - row[-1].at_utc_s if same else 0.0
        if same and (len(row) == 1 or abs(gap_s - (row[1].at_utc_s - row[0].at_utc_s)) < _SAME_S):
            row.append(purge)
        else:
            found.append([purge])
    folded: list[Run] = []
    for row in found:
        parts = [row] if len(row) >= _FOLD else [[each] for each in row]
        folded += [Run(part[0].at_utc_s, part[-1].at_utc_s, len(part), part[0].why) for part in parts]
    return folded


def picture(purges: Iterable[Purge], begin_utc_s: float) -> str:
    """A day as a row of characters, each 20 minutes: how many purges, `+` for more than nine, `.` for none.

    Args:
        purges: of one tank.
        begin_utc_s: the beginning of the day, s since 1970-01-01 UTC.
    """
    counts = [0] * _COLUMNS
    for purge in purges:
        column = int((purge.at_utc_s - begin_utc_s) / _DAY_S * _COLUMNS)
        if 0 <= column < _COLUMNS:
            counts[column] += 1
    return "".join("." if not count else str(count) if count <= 9 else "+" for count in counts)


def _lines(site: Site, tanks: Sequence[Tank], begin: datetime) -> Iterator[str]:
    zone = ZoneInfo(site.timezone)
    begin_s = begin.timestamp()
    plans = {tank.name: list(outlook(tank, site.timezone, begin_s, _DAY_S)) for tank in tanks}
    end = datetime.fromtimestamp(begin_s + _DAY_S, zone)
    yield f"{site.name} ({site.timezone})"
    yield f"24 hours from {begin:%a %Y-%m-%d %H:%M %Z}, as if lungfish were started then"
    zones = begin.utcoffset() != end.utcoffset()
    if zones:
        yield f"The clocks are changed within them: from {begin:%Z} to {end:%Z}."
    yield ""
    yield from _table(plans, zone, zones=zones)
    yield ""
    yield from _pictures(plans, begin_s, zone)
    yield ""
    yield from _notes(tanks, begin_s)


def _together(plans: Mapping[str, _What]) -> dict[_What, list[str]]:
    """Names of the tanks that have the same."""
    found: dict[_What, list[str]] = {}
    for name, what in plans.items():
        found.setdefault(what, []).append(name)
    return found


def _named(names: Sequence[str]) -> str:
    text = ", ".join(names[:_NAMES]) + (f" and {len(names) - _NAMES} more" if len(names) > _NAMES else "")
    return text if len(text) <= _NAME_WIDTH else f"{names[0][: _NAME_WIDTH - 12]} and {len(names) - 1} more"


def _table(plans: dict[str, list[Purge]], zone: ZoneInfo, *, zones: bool) -> Iterator[str]:
    same = _together({name: tuple(runs_of(plan)) for name, plan in plans.items()})
    rows = [(each.first_s, _named(names), each) for runs, names in same.items() for each in runs]
    rows.sort(key=lambda row: (row[0], row[1]))
    seconds = any(at_s % 60.0 >= _SAME_S for _, _, each in rows for at_s in (each.first_s, each.last_s))
    form = f"%a %H:%M{':%S' if seconds else ''}{' %Z' if zones else ''}"

    def shown(at_s: float) -> str:
        return format(datetime.fromtimestamp(round(at_s), zone), form)

    cells = []
    for _, name, each in rows:
        times = shown(each.first_s) + (f" to {shown(each.last_s)}" if each.number > 1 else "")
        cells.append((times, name, each.why + (f", {each.number} times" if each.number > 1 else "")))
    head = ("time", "tank", "why")
    wide = [max(len(row[column]) for row in (*cells, head)) for column in (0, 1)]
    for times, name, why in (head, *cells):
        yield f"{times:<{wide[0]}}  {name:<{wide[1]}}  {why}"


def _pictures(plans: dict[str, list[Purge]], begin_s: float, zone: ZoneInfo) -> Iterator[str]:
    drawn = _together({name: picture(plan, begin_s) for name, plan in plans.items()})
    wide = max(len(_named(names)) for names in drawn.values())
    hours = [" "] * _COLUMNS
    for column in range(0, _COLUMNS, 9):
        at = datetime.fromtimestamp(begin_s + column / _COLUMNS * _DAY_S, zone)
        hours[column : column + 5] = f"{at:%H:%M}"
    yield f"{'':<{wide}}  {''.join(hours)}".rstrip()
    for row, names in drawn.items():
        yield f"{_named(names):<{wide}}  {row}"
    yield f"{'':<{wide}}  one character is 20 min: how many purges, + more than nine, . none"


def _notes(tanks: Sequence[Tank], begin_s: float) -> Iterator[str]:
    for tank in tanks:
        schedule = tank.schedule
        out = schedule.out_of_service
        if out is not None and begin_s < out.until_utc_s:
            yield f"{tank.name} is out of service until {out.until}: {out.reason}"
        for hold in schedule.hold_off:
            yield f"{tank.name}: {hold.name} may postpone each of its purges by {interval_text(hold.at_most_s)} at most"
        if schedule.faster is not None:
            every = interval_text(schedule.faster.every_s)
            if schedule.faster.moving_m_s is not None:
                yield f"{tank.name}: every {every} while its level moves"
            if schedule.faster.near_m is not None:
                yield f"{tank.name}: every {every} near an alarm's level"
    yield "Not foreseen: what the watch asks for, and waits for air."
