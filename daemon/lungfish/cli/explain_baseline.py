"""The baseline's part of the screen that `explain` shows: what is normal, how the days went, what the chart says."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from zoneinfo import ZoneInfo

from lungfish.app.upkeep import between, shown
from lungfish.cli.baseline import KeptBaseline
from lungfish.core.advice import signal_told
from lungfish.core.baseline import LEARNING_CYCLES, Track, Way, forecast_of, interval_of
from lungfish.core.codes import Category
from lungfish.core.setup import CycleSetup
from lungfish.core.traits import Trait, yardsticks
from lungfish.study.picture import sparkline

__all__ = ["baseline_lines", "call_lines"]

_DAYS = 30
"""So many days are drawn, one character each."""
_DIGITS = {Trait.LEAK: 2, Trait.FILLING: 2}
_UNITS = {Trait.LEAK: "Pa/s", Trait.FILLING: ""}


def call_lines(kept: KeptBaseline, zone: ZoneInfo) -> Iterator[str]:
    """What the charts call, for the top of the screen: a reading that is right can still ask for a visit.

    Args:
        kept: what is known.
        zone: that days are shown in.
    """
    signal = signal_told(Category.MAINTENANCE)
    for trait, track in kept.baseline.tracks.items():
        if track.called is None or track.called_s is None or kept.outdated:
            continue
        verb = "grown" if track.called is Way.UP else "fallen"
        since = _day(track.called_s, zone)
        yield f"{trait.value} has {verb} since {since} or before   NE 107: {signal}, see the baseline"


def baseline_lines(kept: KeptBaseline, zone: ZoneInfo, *, unicode: bool) -> Iterator[str]:
    """The lines, at most 100 columns wide.

    Args:
        kept: what is known.
        zone: that days are shown in.
        unicode: False: ASCII alone.
    """
    baseline = kept.baseline
    for request in kept.requests:
        yield f"baseline: {request.act.value} is asked for by {request.name} ({request.reason}), not done yet"
    if kept.outdated:
        yield "baseline: learned under other settings; it is learned anew from the next cycle on"
        return
    if baseline.since_s is None:
        yield "baseline: no usable cycle yet"
        return
    normals = [track.normal for track in baseline.tracks.values()]
    if not any(normals):
        most = max(len(track.learning) for track in baseline.tracks.values())
        yield f"baseline: learning, {most} of {LEARNING_CYCLES} usable cycles"
        return
    locked = ", locked" if baseline.locked else ""
    head = f"baseline since {_day(baseline.since_s, zone)}, {baseline.cycles} usable cycles{locked}"
    yield f"{head:<52}{'normal':>9}{'± cycle':>9}{'last day':>10}{'chart':>7}{'calls at':>10}"
    for trait, track in baseline.tracks.items():
        yield from _trait_lines(kept.setup, trait, track, zone, unicode)


def _trait_lines(setup: CycleSetup, trait: Trait, track: Track, zone: ZoneInfo, unicode: bool) -> Iterator[str]:
    normal = track.normal
    unit = _UNITS.get(trait, "Pa")
    name = f"  {trait.value}{f', {unit}' if unit else ''}"
    if normal is None:
        yield f"{name:<16}learning, {len(track.learning)} of {LEARNING_CYCLES}"
        return
    digits, yard = _DIGITS.get(trait, 1), yardsticks(setup)[trait]
    days = [group.mean for group in track.groups[-_DAYS:]]
    drawn = sparkline(days, least_range=6.0 * max(yard.group_floor, yard.spread_floor), unicode=unicode)
    last = f"{days[-1]:.{digits}f}" if days else "?"
    sums = (track.up.value, -track.down.value) if yard.watches_down else (track.up.value,)
    chart = max(sums, key=abs)
    yield (
        f"{name:<16}{drawn:<36}{normal.centre:>9.{digits}f}{2.0 * normal.spread:>9.{digits}f}{last:>10}"
        f"{chart:>+7.1f}{interval_of(track):>10.1f}"
    )
    if normal.doubted:
        yield f"    learned from a doubtful tube: {shown(trait, normal.learned_centre)} in its first cycles"
    forecast = forecast_of(setup, trait, track)
    called = ""
    if track.called is not None and track.called_s is not None:
        called = f"the chart called {track.called.value} on {_day(track.called_s, zone)}"
    going = ""
    if forecast is not None and yard.limit is not None:
        going = f"reaches {shown(trait, yard.limit)} {between(forecast)} if it goes on so"
    elif called:
        going = "when a limit is reached can't be told"
    for text in (called, going):
        if text:
            yield f"    {text}"


def _day(at_s: float, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(at_s, zone):%Y-%m-%d}"
