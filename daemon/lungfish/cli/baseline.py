"""`lungfish baseline`: what is normal for a tank's tube, how it goes, and how to begin anew."""

from __future__ import annotations

import argparse
import asyncio
import getpass
import json
import logging
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from lungfish.app.asking import ask
from lungfish.app.log import set_up_logging
from lungfish.app.tank_loop import settings_hash
from lungfish.app.upkeep import between, shown
from lungfish.config import Site, Tank, cycle_setup, find_tank, load_site
from lungfish.core.baseline import LEARNING_CYCLES, Baseline, Track, forecast_of, interval_of
from lungfish.core.forecast import Forecast
from lungfish.core.setup import CycleSetup
from lungfish.core.traits import Trait, yardsticks
from lungfish.errors import StoreError
from lungfish.ports import BaselineAct, BaselineRequest
from lungfish.store import Archive

__all__ = ["KeptBaseline", "add_parser", "baseline_as_json", "kept_baseline", "run"]

_DESCRIPTION = """\
Shows what is normal for the tube of a tank, or of each tank of the site, and how it goes: friction while air flows,
fall of the shut-in, filling time and ripple. Each is learned in the first 20 good cycles and sharpened in the first 30
days; all the while the mean of each day is held against it by a control chart (CUSUM). When a chart calls, that is an
event of kind `maintenance` in store and log, once. No reading is changed by any of this.

A fall of the shut-in can be a level that falls; friction can grow because the air is warmer. What is told is the
change, and what to look at.
"""
_EPILOG = """\
Examples
  lungfish baseline larkfield.yaml
  lungfish baseline larkfield.yaml wet-well --reset --reason "tube pulled and cleaned"

Reset after work on tube, line, restrictor or transmitter, never to silence a call: a baseline that is learned with a
fault takes the fault for normal. While `lungfish run` holds the store, what is asked is left there, and done before the
next cycle of that tank. Who asked and why is kept as an event.

Exit status
  0  shown; done; or left for the lungfish that holds the store
  2  the site file or an argument is wrong, there is no such tank, or the store can't be read
  3  what was asked can't be put in the store
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptBaseline:
    """What the store has of one tank."""

    tank: Tank
    """The tank."""
    setup: CycleSetup
    """As its cycle sees it."""
    baseline: Baseline
    """What is normal; nothing yet when it has not been learned under these settings."""
    outdated: bool
    """What is kept was learned under other settings."""
    requests: Sequence[BaselineRequest]
    """What waits to be done."""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command.

    Args:
        subparsers: of the main parser.
    """
    parser = subparsers.add_parser(
        "baseline",
        help="what is normal for a tank's tube, and how it goes",
        description=_DESCRIPTION,
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("site", metavar="SITE.yaml", help="the site file")
    parser.add_argument("tank", metavar="TANK", nargs="?", help="its name in the site file; all tanks when left out")
    acts = parser.add_mutually_exclusive_group()
    acts.add_argument("--reset", dest="act", action="store_const", const=BaselineAct.RESET, help="learn it anew")
    acts.add_argument(
        "--lock", dest="act", action="store_const", const=BaselineAct.LOCK, help="let nothing sharpen it any more"
    )
    acts.add_argument("--unlock", dest="act", action="store_const", const=BaselineAct.UNLOCK, help="take that back")
    parser.add_argument("--by", metavar="NAME", help="who asks (default: the user's name)")
    parser.add_argument("--reason", metavar="TEXT", help="why; needed with --reset, --lock and --unlock")
    parser.add_argument("--json", action="store_true", help="for a program: one JSON object, SI units, null: not known")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Show, reset, lock or unlock.

    Returns:
        0, or 2 when an argument is wrong or the store can't be read.

    Raises:
        ConfigError: the site file is wrong, or has no such tank.
        StoreError: what was asked can't be put in the store.
    """
    site = load_site(args.site)
    tanks = [find_tank(site, args.tank)] if args.tank is not None else list(site.tanks.values())
    if args.act is not None:
        return _act(site, args)
    try:
        with Archive(site.store_path) as archive:
            kept = [kept_baseline(site, tank, archive) for tank in tanks]
    except StoreError as error:
        return _wrong(str(error))
    if args.json:
        print(json.dumps({each.tank.name: baseline_as_json(each) for each in kept}, indent=2))
    else:
        print("\n".join(line for each in kept for line in _lines(each)))
    return 0


def _act(site: Site, args: argparse.Namespace) -> int:
    act: BaselineAct = args.act
    reason = (args.reason or "").strip()
    if args.tank is None:
        return _wrong(f"--{act.value} without a tank; name one of {', '.join(site.tanks)}")
    if not reason:
        return _wrong(f'--{act.value} without a reason; write one, such as --reason "tube pulled and cleaned"')
    name = (args.by or _user()).strip()
    set_up_logging(level=logging.ERROR)
    done = asyncio.run(ask(site, site.tanks[args.tank], act, name, reason))
    if args.json:
        print(json.dumps({"tank": args.tank, "act": act.value, "done": done}))
    elif done:
        print(f"{args.tank}: done ({act.value}), and kept as an event (by {name}: {reason})")
    else:
        print(
            f"{args.tank}: another lungfish holds the store; {act.value} is left for it there, and done before its "
            "next cycle of this tank"
        )
    return 0


def _wrong(what: str) -> int:
    print(f"lungfish baseline: {what}", file=sys.stderr)
    return 2


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a user without a name
        return "unknown"


def kept_baseline(site: Site, tank: Tank, archive: Archive) -> KeptBaseline:
    """What the store has of a tank's baseline.

    Args:
        site: the site.
        tank: one of its tanks.
        archive: the store.

    Raises:
        StoreError: the store can't be read.
    """
    setup = cycle_setup(site, tank)
    stored = archive.baseline(tank.name)
    outdated = stored is not None and stored.config != settings_hash(setup)
    return KeptBaseline(
        tank=tank,
        setup=setup,
        baseline=Baseline() if stored is None or outdated else stored.baseline,
        outdated=outdated,
        requests=archive.baseline_requests(tank.name),
    )


def _day(at_s: float) -> str:
    return f"{datetime.fromtimestamp(max(0.0, at_s), UTC):%Y-%m-%d}"


def _lines(kept: KeptBaseline) -> Iterator[str]:
    baseline = kept.baseline
    since = "no usable cycle yet" if baseline.since_s is None else f"since {_day(baseline.since_s)}"
    cycles = f"{baseline.cycles} usable cycle{'' if baseline.cycles == 1 else 's'}"
    head = f"{kept.tank.name}  {since}, {cycles}{', locked' if baseline.locked else ''}"
    yield head
    if kept.outdated:
        yield "  learned under other settings: what is kept is dropped with the next cycle"
    for request in kept.requests:
        asked = f"{request.act.value} (by {request.name}: {request.reason})"
        yield f"  waits for the lungfish that holds the store: {asked}"
    for trait, track in baseline.tracks.items():
        yield from _trait_lines(kept.setup, trait, track)


def _trait_lines(setup: CycleSetup, trait: Trait, track: Track) -> Iterator[str]:
    normal = track.normal
    if normal is None:
        yield f"  {trait.value:<9} learning: {len(track.learning)} of {LEARNING_CYCLES} cycles"
        return
    text = f"  {trait.value:<9} normal {shown(trait, normal.centre)}, one cycle +- {shown(trait, 2.0 * normal.spread)}"
    if track.groups:
        text += f"; latest day {shown(trait, track.groups[-1].mean)}"
    yield text
    if normal.doubted:
        yield f"{'':12}learned from a doubtful tube: {shown(trait, normal.learned_centre)} in its first cycles"
    h = interval_of(track)
    chart = f"{'':12}chart up {track.up.value:.1f}"
    if yardsticks(setup)[trait].watches_down:
        chart += f", down {track.down.value:.1f}"
    chart += f", calls at {h:.1f}; {track.group_count} days"
    if track.called is not None and track.called_s is not None:
        chart += f"; called {track.called.value} on {_day(track.called_s)}"
    yield chart
    forecast = forecast_of(setup, trait, track)
    if forecast is not None:
        limit = yardsticks(setup)[trait].limit or 0.0
        yield f"{'':12}reaches {shown(trait, limit)} {between(forecast)} if it goes on so"
    elif track.up.steps:
        yield f"{'':12}no trend that tells when a limit is reached"


def baseline_as_json(kept: KeptBaseline) -> dict[str, object]:
    """A baseline for a program, SI units, None for what is not known.

    Args:
        kept: what the store has.
    """
    baseline = kept.baseline
    return {
        "since_utc_s": baseline.since_s,
        "cycles": baseline.cycles,
        "locked": baseline.locked,
        "outdated": kept.outdated,
        "requests": [{"act": r.act.value, "by": r.name, "reason": r.reason} for r in kept.requests],
        "traits": {trait.value: _trait_json(kept.setup, trait, track) for trait, track in baseline.tracks.items()},
    }


def _trait_json(setup: CycleSetup, trait: Trait, track: Track) -> Mapping[str, object]:
    normal, latest = track.normal, track.groups[-1] if track.groups else None
    if normal is None:
        return {"learning": len(track.learning), "of": LEARNING_CYCLES}
    return {
        "normal": normal.centre,
        "spread": normal.spread,
        "since_utc_s": normal.since_s,
        "doubted": normal.doubted,
        "learned": normal.learned_centre,
        "limit": yardsticks(setup)[trait].limit,
        "days": track.group_count,
        "latest": None if latest is None else {"utc_s": latest.at_s, "mean": latest.mean, "cycles": latest.cycles},
        "chart": {
            "up": track.up.value,
            "down": track.down.value if yardsticks(setup)[trait].watches_down else None,
            "calls_at": interval_of(track),
        },
        "called": None if track.called is None else track.called.value,
        "called_utc_s": track.called_s,
        "forecast": _forecast_json(forecast_of(setup, trait, track)),
    }


def _forecast_json(forecast: Forecast | None) -> dict[str, object] | None:
    if forecast is None:
        return None
    return {"early_utc_s": forecast.early_s, "best_utc_s": forecast.best_s, "late_utc_s": forecast.late_s}
