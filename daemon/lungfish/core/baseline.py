"""What is normal for a tube, learned in its first cycles, and the charts that follow it from then on.

The normal is a median and a median deviation, so that outliers don't count; of a change in the midst of learning only
the sounder part counts; and what geometry does not allow is never taken for normal. From then on the cycles of each day
are one group (their mean is nearly normal and holds a day's rhythm), and its deviation in standard deviations goes into
a tabular CUSUM either way. The first groups sharpen the normal while they add to the sum: the self-starting CUSUM of
Hawkins (Technometrics 29 (1987) 399-407), with weights.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import Enum

from lungfish.core.chart import Cusum, decision_interval
from lungfish.core.forecast import Forecast, Point, forecast_line, forecast_restriction
from lungfish.core.normal import Normal, group_sd, learned_normal, sharpened
from lungfish.core.setup import CycleSetup
from lungfish.core.traits import Trait, Yardstick, yardsticks

__all__ = [
    "DAY_S",
    "FALSE_CALL_CYCLES",
    "LEARNING_CYCLES",
    "Baseline",
    "Group",
    "Notice",
    "Said",
    "Track",
    "Way",
    "follow",
    "forecast_of",
    "interval_of",
    "locked",
]

LEARNING_CYCLES = 20
"""Usable cycles that the normal is first learned from."""
DAY_S = 86400.0
"""Length of a group."""
FALSE_CALL_CYCLES = 100_000.0
"""All charts of a tank together are to call falsely less than once in so many cycles."""
_SIDES = sum(2 if trait in (Trait.FRICTION, Trait.RIPPLE) else 1 for trait in Trait)
_MARGIN = 5.0
"""Run lengths are set this much longer than that: the normal and its spread are learned, not known."""
_OUTLIER = 4.0
"""A cycle further off than this, in its standard deviations, counts as if it were just so far."""
_WILD = 3.0
"""A group likewise."""
_SHARPENS = 365
"""Groups that sharpen the normal, the seasons of a year; later ones are only held against it."""
_AGREES, _BEYOND_SHARE = 4.0, 0.34
"""A group further off than this, in standard deviations, sharpens nothing, nor one with a greater share of outliers,
nor one whose mean is as far off as single cycles hardly ever are.
"""
_WAITS, _WAITS_SHARE = 20, 4
"""So many groups, and at first a quarter of all, wait before they sharpen: what has begun to grow is not normal yet."""
_MOST_GROUPS = 64
"""Groups remembered; when there are more, older neighbours are put together."""


class Way(Enum):
    """Which way a trait has left its normal."""

    UP = "up"
    DOWN = "down"


class Said(Enum):
    """What a notice says."""

    LEARNED = "learned"
    DOUBTED = "doubted"
    CALLED = "called"
    BACK = "back"


@dataclass(frozen=True, slots=True)
class Group:
    """The cycles of a day."""

    at_s: float
    """Mean time, s."""
    mean: float
    """Mean of the trait, outliers bounded."""
    cycles: int
    """Cycles in it."""
    spread: float
    """Standard deviation of its cycles, outliers bounded."""
    sound: bool = True
    """Few outliers in it: they were bounded, so that many hide how far off it was."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """All that is kept of one trait."""

    learning: tuple[float, ...] = ()
    """Values so far, while learning."""
    normal: Normal | None = None
    """None while learning."""
    from_s: float | None = None
    """Beginning of the group that is being gathered, s; None before its first cycle."""
    count: int = 0
    """Cycles in it."""
    total: float = 0.0
    """Sum of their values."""
    total_s: float = 0.0
    """Sum of their times after `from_s`, s."""
    beyond: int = 0
    """Outliers among them, which were bounded."""
    squares: float = 0.0
    """Sum of their squared distances from `about`."""
    about: float = 0.0
    """Where outliers are bounded about in this group."""
    groups: tuple[Group, ...] = ()
    """Finished groups, the oldest first."""
    group_count: int = 0
    """How many there were."""
    group_cycles: int = 0
    """Cycles in all of them."""
    up: Cusum = field(default_factory=Cusum)
    """Chart for a rise."""
    down: Cusum = field(default_factory=Cusum)
    """Chart for a fall."""
    called: Way | None = None
    """The chart has called this way and the trait has not come back."""
    called_s: float | None = None
    """When it called, s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """What is normal for a tank's tube, and how it goes."""

    tracks: Mapping[Trait, Track] = field(default_factory=lambda: {trait: Track() for trait in Trait})
    """By trait."""
    since_s: float | None = None
    """Time of the first cycle, s; None before it."""
    cycles: int = 0
    """Usable cycles since then."""
    locked: bool = False
    """Nothing sharpens the normal any more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """Something to be told once."""

    trait: Trait
    """Of which trait."""
    said: Said
    """What."""
    way: Way | None
    """Which way; None where that has no meaning."""
    value: float
    """Mean of the latest group, or what was learned."""
    normal: Normal
    """What is normal."""
    sd: float
    """Standard deviation of such a mean about the normal."""
    forecast: Forecast | None
    """When the limit will be reached; None: no trend that tells."""


def locked(baseline: Baseline, value: bool) -> Baseline:
    """The baseline locked or unlocked."""
    return replace(baseline, locked=value)


def follow(
    setup: CycleSetup, baseline: Baseline, traits: Mapping[Trait, float], at_s: float
) -> tuple[Baseline, tuple[Notice, ...]]:
    """Take in one cycle.

    Args:
        setup: the tank.
        baseline: before.
        traits: what the cycle tells; may be empty.
        at_s: its time on a clock that goes on over restarts, s.

    Returns:
        The baseline after it, and what is to be told.
    """
    if not traits:
        return baseline, ()
    tracks, notices, yards = dict(baseline.tracks), [], yardsticks(setup)
    for trait, value in traits.items():
        yard, track = yards[trait], tracks.get(trait, Track())
        if track.normal is None:
            track, told = _learn(yard, trait, track, value, at_s)
        else:
            track, told = _gather(yard, trait, track, track.normal, value, at_s, sharpen=not baseline.locked)
        tracks[trait] = track
        notices += told
    since_s = at_s if baseline.since_s is None else baseline.since_s
    return replace(baseline, tracks=tracks, since_s=since_s, cycles=baseline.cycles + 1), tuple(notices)


def _learn(yard: Yardstick, trait: Trait, track: Track, value: float, at_s: float) -> tuple[Track, list[Notice]]:
    values = (*track.learning, value)
    if len(values) < LEARNING_CYCLES:
        return replace(track, learning=values), []
    normal = learned_normal(yard, values, at_s)
    up, down = track.up, track.down
    notices = [_notice(yard, trait, track, normal, Said.LEARNED, None, normal.learned_centre, 1)]
    called: Way | None = None
    if normal.doubted:
        called = Way.UP if normal.learned_centre > normal.centre else Way.DOWN
        notices = [_notice(yard, trait, track, normal, Said.DOUBTED, called, normal.learned_centre, 1)]
        start = Cusum(value=interval_of(track), since_s=at_s)  # as if its chart had called
        up, down = (start, down) if called is Way.UP else (up, start)
    return replace(
        track, learning=(), normal=normal, up=up, down=down, called=called, called_s=at_s if called else None
    ), notices


def _gather(
    yard: Yardstick, trait: Trait, track: Track, normal: Normal, value: float, at_s: float, *, sharpen: bool
) -> tuple[Track, list[Notice]]:
    """Add a cycle to the day's group; the first of another day ends the group before."""
    notices: list[Notice] = []
    if track.from_s is not None and not 0.0 <= at_s - track.from_s < DAY_S:
        track, notices = _end_group(yard, trait, track, normal, sharpen=sharpen)
        normal = track.normal or normal
    # bounded about where the tube is now, which need not be its normal, so that a group can be far from it
    about = track.about if track.count else track.groups[-1].mean if track.groups else normal.centre
    reach = _OUTLIER * max(normal.spread, yard.group_floor)
    bounded = min(max(value, about - reach), about + reach)
    from_s = at_s if track.from_s is None else track.from_s
    return replace(
        track,
        from_s=from_s,
        count=track.count + 1,
        total=track.total + bounded,
        total_s=track.total_s + at_s - from_s,
        beyond=track.beyond + (bounded != value),
        squares=track.squares + (bounded - about) ** 2,
        about=about,
    ), notices


def interval_of(track: Track) -> float:
    """The decision interval of a trait's charts: the fewer cycles in a group, the longer must they run."""
    cycles = max(1.0, track.group_cycles / track.group_count if track.group_count else 1.0)
    rounded = 2.0 ** math.floor(math.log2(cycles))
    return decision_interval(_MARGIN * _SIDES * FALSE_CALL_CYCLES / rounded)


def _end_group(
    yard: Yardstick, trait: Trait, track: Track, normal: Normal, *, sharpen: bool
) -> tuple[Track, list[Notice]]:
    count, from_s = track.count, track.from_s or 0.0
    mean = track.total / count
    spread = math.sqrt(max(0.0, track.squares - count * (mean - track.about) ** 2) / max(1, count - 1))
    group = Group(from_s + track.total_s / count, mean, count, spread, track.beyond <= _BEYOND_SHARE * count)
    sd = group_sd(yard, normal, count)
    z = min(max((group.mean - normal.centre) / sd, -_WILD), _WILD)
    track = replace(
        track,
        from_s=None,
        count=0,
        total=0.0,
        total_s=0.0,
        beyond=0,
        squares=0.0,
        groups=_remembered((*track.groups, group)),
        group_count=track.group_count + 1,
        group_cycles=track.group_cycles + count,
        up=track.up.after(z, group.at_s),
        down=track.down.after(-z, group.at_s) if yard.watches_down else track.down,
    )
    if track.called is not None:
        return _perhaps_back(yard, trait, track, normal, track.called, group)
    h = interval_of(track)
    way = Way.UP if track.up.value > h else Way.DOWN if track.down.value > h else None
    if way is not None:
        told = _notice(yard, trait, track, normal, Said.CALLED, way, group.mean, count)
        return replace(track, called=way, called_s=group.at_s), [told]
    if sharpen and track.group_count <= _SHARPENS:
        track = replace(track, normal=_sharpened_by_older(yard, track, normal))
    return track, []


def _sharpened_by_older(yard: Yardstick, track: Track, normal: Normal) -> Normal:
    """The normal after the group whose wait is over, if there is one now and it agrees."""
    wait, waited = (min(_WAITS, count // _WAITS_SHARE) for count in (track.group_count, track.group_count - 1))
    group = track.groups[-1 - wait]
    sd = group_sd(yard, normal, group.cycles)
    off = group.mean - normal.centre
    z = off / sd
    if wait > waited or not group.sound or abs(z) > _AGREES or abs(off) > _WILD * normal.spread:
        return normal
    return sharpened(normal, normal.centre + min(max(z, -_WILD), _WILD) * sd, group.cycles, group.spread)


def _perhaps_back(
    yard: Yardstick, trait: Trait, track: Track, normal: Normal, way: Way, group: Group
) -> tuple[Track, list[Notice]]:
    """A call is told once, and stands until its chart is back at zero: after weeks near the normal, not a good day."""
    h = interval_of(track)
    side = track.up if way is Way.UP else track.down
    if side.value > 0.0:
        bounded = replace(side, value=min(side.value, h))
        return replace(track, up=bounded) if way is Way.UP else replace(track, down=bounded), []
    told = _notice(yard, trait, track, normal, Said.BACK, way, group.mean, group.cycles)
    return replace(track, called=None, called_s=None), [told]


def _remembered(groups: tuple[Group, ...]) -> tuple[Group, ...]:
    """As many as are kept: the older half is put together in pairs when there are more."""
    if len(groups) <= _MOST_GROUPS:
        return groups
    half = _MOST_GROUPS // 2
    old, new = groups[: half // 2 * 2], groups[half // 2 * 2 :]
    pairs = []
    for a, b in zip(old[::2], old[1::2], strict=True):
        count = a.cycles + b.cycles
        at_s = (a.at_s * a.cycles + b.at_s * b.cycles) / count
        mean = (a.mean * a.cycles + b.mean * b.cycles) / count
        pairs.append(Group(at_s, mean, count, math.hypot(a.spread, b.spread) / math.sqrt(2.0), a.sound and b.sound))
    return (*pairs, *new)


def forecast_of(setup: CycleSetup, trait: Trait, track: Track) -> Forecast | None:
    """When a trait will reach its limit, from the groups since its present climb began.

    Args:
        setup: the tank.
        trait: which one.
        track: what is kept of it.

    Returns:
        The date with its interval; None when nothing grows, or too little is known of how.
    """
    return None if track.normal is None else _forecast(yardsticks(setup)[trait], trait, track, track.normal)


def _forecast(yard: Yardstick, trait: Trait, track: Track, normal: Normal) -> Forecast | None:
    since_s = track.up.since_s
    if yard.limit is None or since_s is None:
        return None
    points = [
        Point(group.at_s, group.mean, math.sqrt(normal.variance / group.cycles + 0.25 * yard.group_floor**2))
        for group in track.groups
        if group.at_s >= since_s
    ]
    if trait is Trait.FRICTION:
        return forecast_restriction(points, normal.centre, yard.limit)
    return forecast_line(points, yard.limit)


def _notice(
    yard: Yardstick,
    trait: Trait,
    track: Track,
    normal: Normal,
    said: Said,
    way: Way | None,
    value: float,
    cycles: int,
) -> Notice:
    forecast = _forecast(yard, trait, track, normal) if said is Said.CALLED and way is Way.UP else None
    return Notice(
        trait=trait,
        said=said,
        way=way,
        value=value,
        normal=normal,
        sd=group_sd(yard, normal, cycles),
        forecast=forecast,
    )
