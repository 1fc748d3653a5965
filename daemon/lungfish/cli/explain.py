"""`lungfish explain`: the last cycles of a tank on one screen, from the store alone."""

from __future__ import annotations

import argparse
import dataclasses
import json
import math
import sys
from collections.abc import Sequence

from lungfish.cli.baseline import baseline_as_json, kept_baseline
from lungfish.cli.explain_screen import TREND_CYCLES, Explained, screen_lines
from lungfish.cli.explain_zero import kept_zeros, zero_as_json
from lungfish.cli.show import as_json
from lungfish.cli.terminal import put, shows_unicode
from lungfish.config import Site, cycle_setup, find_tank, load_site
from lungfish.core.codes import Diagnosis
from lungfish.core.plan import Plan
from lungfish.core.setup import Learned
from lungfish.errors import StoreError
from lungfish.ports import ReadingRecord
from lungfish.store import Archive, StoredEvent, StoredReading
from lungfish.study.seen import Limit, seen_of
from lungfish.study.told import told_of

__all__ = ["add_parser", "run"]

_EVENTS = 3
_DESCRIPTION = """\
What the last cycles of a tank found and why, on one screen: the verdicts with what to do about them, a picture of the
pressure trace that marks what was seen, the numbers of the last cycles side by side, how they have moved, what the tank
has learned, and what happened to it. Reads the store only: touches no device, and the daemon may be running.
"""
_EPILOG = """\
Examples
  lungfish explain larkfield.yaml wet-well
  lungfish explain larkfield.yaml wet-well --last 20
  lungfish handbook diagnosis        every code, its limits, and what to do

A value that is not known is shown as `?`, null in JSON.

Exit status
  0  shown
  1  nothing is kept of this tank yet
  2  the site file or an argument is wrong, there is no such tank, or the store can't be read
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command.

    Args:
        subparsers: of the main parser.
    """
    parser = subparsers.add_parser(
        "explain",
        help="why the last readings are what they are, with a picture of the trace",
        description=_DESCRIPTION,
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("site", metavar="SITE.yaml", help="the site file")
    parser.add_argument("tank", metavar="TANK", help="its name in the site file")
    parser.add_argument("--last", metavar="N", type=_count, default=5, help="cycles in the table, 1 to 1000; default 5")
    parser.add_argument("--json", action="store_true", help="for a program: one JSON object, SI units, null: not known")
    parser.set_defaults(func=run)


def _count(text: str) -> int:
    if not (text.isascii() and text.isdigit() and 1 <= int(text) <= 1000):
        msg = f"{text!r} is no number of cycles; write a whole number from 1 to 1000"
        raise argparse.ArgumentTypeError(msg)
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Explain.

    Returns:
        0 shown, 1 nothing kept yet, 2 the store can't be read.

    Raises:
        ConfigError: the site file is wrong, or has no such tank.
    """
    site = load_site(args.site)
    try:
        explained = _explained(site, args.tank, max(TREND_CYCLES, args.last))
    except StoreError as error:
        print(f"lungfish explain: {error}", file=sys.stderr)
        return 2
    if explained is None:
        print(
            f"lungfish explain: no reading of {args.tank} is kept in {site.store_path} yet; "
            f"`lungfish run` or `lungfish read {args.site} {args.tank}` takes one",
            file=sys.stderr,
        )
        return 1
    if args.json:
        print(json.dumps(_as_json(explained, args.last), indent=2, allow_nan=False))
    else:
        unicode = shows_unicode()
        put(screen_lines(explained, cycles=args.last, unicode=unicode), unicode=unicode)
    return 0


def _explained(site: Site, tank: str, cycles: int) -> Explained | None:
    """What the store holds; None without a reading.

    Raises:
        ConfigError: no such tank, in the site file nor in the store.
        StoreError: the store can't be read.
    """
    if not site.store_path.exists():
        find_tank(site, tank)
    with Archive(site.store_path) as archive:
        readings = archive.last_readings(tank, cycles)
        if not readings:
            find_tank(site, tank)  # a tank that has left the site file still has its readings
            return None
        learned, known = archive.learned(tank), site.tanks.get(tank)
        return Explained(
            site=site.name,
            timezone=site.timezone,
            readings=readings,
            trace=archive.trace(readings[0].id),
            learned=learned,
            events=archive.last_events(tank, _EVENTS),
            baseline=None if known is None else kept_baseline(site, known, archive),
            zeros=None if known is None else kept_zeros(site, known, archive),
            limits=_limits(site, tank, readings[0], learned),
        )


def _limits(site: Site, tank: str, last: StoredReading, learned: Learned | None) -> list[Limit]:
    """The pressures that ended the cycle, worked out from the site file as it is now."""
    known = site.tanks.get(tank)
    codes = last.diagnosis.split("+")
    if known is None or not {Diagnosis.TUBE_PLUGGED.value, Diagnosis.OVER_RANGE.value} & set(codes):
        return []
    plan = Plan.of(cycle_setup(site, known), learned or Learned())
    if Diagnosis.OVER_RANGE.value in codes:
        return [Limit(letter="L", gauge_pa=plan.over_range_pa, text="the transmitter's limit")]
    return [Limit(letter="L", gauge_pa=plan.brim_pa, text="most that a brim-full tank can give")]


def _as_json(tank: Explained, cycles: int) -> dict[str, object]:
    last = tank.readings[0]
    seen = seen_of(tank.trace, last.evidence)
    verdicts = [
        {
            "code": told.code or None,
            "quality": told.quality,
            "category": None if told.category is None else told.category.value,
            "sentences": list(told.sentences),
            "what_to_do": [] if told.advice is None else list(told.advice.remedies),
            "caution": None if told.advice is None else told.advice.caution,
        }
        for told in told_of(last.diagnosis, last.quality, last.evidence)
    ]
    return {
        "site": tank.site,
        "reading": as_json(_record(last), last.seq),
        "verdicts": verdicts,
        "seen": dataclasses.asdict(seen),
        "trace": [[p.t_s, _known(p.gauge_pa), p.phase.value] for p in tank.trace],
        "cycles": [as_json(_record(reading), reading.seq) for reading in tank.readings[:cycles]],
        "learned": None if tank.learned is None else dataclasses.asdict(tank.learned),
        "baseline": None if tank.baseline is None else baseline_as_json(tank.baseline),
        "zeros": None if tank.zeros is None else zero_as_json(tank.zeros),
        "events": _events(tank.events),
    }


def _events(events: Sequence[StoredEvent]) -> list[dict[str, object]]:
    return [{"utc_s": e.at.utc_s, "kind": e.kind, "text": e.text} for e in events]


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _record(stored: StoredReading) -> ReadingRecord:
    """A stored reading as those that are printed are made of; what is not known is NaN there."""
    return ReadingRecord(
        tank=stored.tank,
        at=stored.at,
        level_m=stored.level_m,
        level_u_m=stored.level_u_m,
        head_pa=stored.head_pa,
        volume_m3=stored.volume_m3,
        quality=stored.quality,
        diagnosis=stored.diagnosis,
        purge_s=math.nan if stored.purge_s is None else stored.purge_s,
        air_sl=math.nan if stored.air_sl is None else stored.air_sl,
        evidence=stored.evidence,
        trace=(),
    )
