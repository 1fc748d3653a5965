"""What fills a simulated tank and what empties it: an inflow in time, and a pump between two levels."""

from __future__ import annotations

import math
import random
from array import array
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from lungfish.physics.vessel import Vessel

__all__ = ["PATTERNS", "Inflow", "LevelTrack", "Pump", "Stay", "level_track", "pattern", "points_inflow"]

Inflow = Callable[[float], float]
"""Liquid that comes in, m3/s, as a function of time since the start, s. The start is a midnight."""

PATTERNS = ("constant", "daily", "storm")

_HOUR_S, _DAY_S = 3600.0, 86400.0
_NIGHT = 0.4
"""Share of the mean that flows at the quietest hour of a day."""
_HUMPS = ((8.0, 1.5, 1.0), (19.5, 2.2, 0.75))
"""Hour, half-width in hours and height of the morning's and the evening's hump (common practice for sewage; invented
figures)."""
_STORM_TIMES = 5.0
"""Height of a storm's inflow over the mean."""
_STORM_S = (2.0 * _HOUR_S, 4.0 * _HOUR_S)
"""Shortest and longest storm."""
_STEP_S = 30.0
"""The inflow is taken as constant for this long."""
_SHORTEST_S = 1e-3
"""No two points of a track are nearer together than this."""
_TABLE = 2000
"""Slices that the vessel is cut into."""


def pattern(name: str, mean_m3_s: float, duration_s: float, seed: int) -> Inflow:
    """An inflow of a kind.

    Args:
        name: one of `PATTERNS`. `daily` has a hump in the morning and one in the evening; `storm` is daily with one
            storm on top, of two to four hours somewhere in the middle of the time.
        mean_m3_s: its mean over a day without a storm, m3/s.
        duration_s: how long it is wanted for, s.
        seed: of the storm's beginning and length.

    Raises:
        ValueError: no such kind.
    """
    if name == "constant":
        return lambda _t_s: mean_m3_s
    if name not in PATTERNS:
        msg = f"no such pattern of inflow: {name}"
        raise ValueError(msg)
    scale = (1.0 - _NIGHT) / (sum(_humps(0.25 * k) for k in range(96)) / 96.0)

    def daily(t_s: float) -> float:
        return mean_m3_s * (_NIGHT + scale * _humps(t_s % _DAY_S / _HOUR_S))

    if name == "daily":
        return daily
    chance = random.Random(seed)  # noqa: S311 - a simulation, not a secret
    lasts_s = min(chance.uniform(*_STORM_S), 0.5 * duration_s)
    begins_s = chance.uniform(0.2, 0.6) * (duration_s - lasts_s)

    def storm(t_s: float) -> float:
        share = (t_s - begins_s) / lasts_s
        more = math.sin(math.pi * share) if 0.0 < share < 1.0 else 0.0
        return daily(t_s) + _STORM_TIMES * mean_m3_s * more

    return storm


def _humps(hour: float) -> float:
    # a hump near midnight reaches into the day before and after
    return sum(
        height * math.exp(-0.5 * ((hour + day - at) / wide) ** 2)
        for at, wide, height in _HUMPS
        for day in (-24.0, 0.0, 24.0)
    )


def points_inflow(points: Sequence[tuple[float, float]]) -> Inflow:
    """An inflow that runs straight from point to point, and stays as it was before the first and after the last.

    Args:
        points: time since the start, s, rising, and inflow, m3/s; at least one.
    """
    times = [t_s for t_s, _ in points]

    def inflow(t_s: float) -> float:
        place = bisect_right(times, t_s)
        if place == 0 or place == len(points):
            return points[max(0, place - 1)][1]
        (t0_s, q0), (t1_s, q1) = points[place - 1], points[place]
        return q0 + (q1 - q0) * (t_s - t0_s) / (t1_s - t0_s)

    return inflow


@dataclass(frozen=True, slots=True, kw_only=True)
class Pump:
    """Empties the tank: it starts at one level and stops at another."""

    on_m: float
    """Level above the floor at which it starts, m."""
    off_m: float
    """Level at which it stops, m; below `on_m`."""
    flow_m3_s: float
    """What it takes out while it runs, m3/s."""


@dataclass(frozen=True, slots=True)
class Stay:
    """A time at or above a level."""

    from_s: float
    """When the level came up to it, s."""
    to_s: float
    """When it fell below again, s; infinite: not within the track."""


class LevelTrack:
    """The true level in time: straight from point to point. Called with a time in s, gives the level in m.

    Args:
        times_s: rising, the first is 0.
        levels_m: as many.
    """

    def __init__(self, times_s: array[float], levels_m: array[float]) -> None:
        self.times_s, self.levels_m = times_s, levels_m
        self._place = 0

    def another(self) -> LevelTrack:
        """The same track for somebody else: each remembers where it was asked last, as time mostly goes on."""
        return LevelTrack(self.times_s, self.levels_m)

    def __call__(self, t_s: float) -> float:
        """Level above the floor, m; before the first point and after the last as there."""
        times, levels, place = self.times_s, self.levels_m, self._place
        if not times[place] <= t_s < times[place + 1]:
            place = self._place = min(max(0, bisect_right(times, t_s) - 1), len(times) - 2)
        begin_s, begin_m = times[place], levels[place]
        share = (t_s - begin_s) / (times[place + 1] - begin_s)
        return begin_m + (levels[place + 1] - begin_m) * min(1.0, max(0.0, share))

    def stays_above(self, limit_m: float) -> list[Stay]:
        """The times at or above a level that begin within the track: one that has begun before is left out."""
        stays, since_s = [], None
        points = zip(self.times_s, self.levels_m, strict=True)
        for (t0_s, a_m), (t1_s, b_m) in pairwise(points):
            if a_m < limit_m <= b_m:
                since_s = t0_s + (t1_s - t0_s) * (limit_m - a_m) / (b_m - a_m)
            elif b_m < limit_m <= a_m and since_s is not None:
                stays.append(Stay(since_s, t0_s + (t1_s - t0_s) * (a_m - limit_m) / (a_m - b_m)))
                since_s = None
        return stays if since_s is None else [*stays, Stay(since_s, math.inf)]


def level_track(vessel: Vessel, inflow: Inflow, pump: Pump, *, begin_m: float, duration_s: float) -> LevelTrack:
    """The level of a tank that is filled and pumped out.

    What comes in above the brim runs over, and the pump takes nothing from an empty tank.

    Args:
        vessel: its shape.
        inflow: what comes in.
        pump: what takes it out; off at the start.
        begin_m: level at the start, m.
        duration_s: how long, s; above 0.
    """
    slices = [vessel.height_m * k / _TABLE for k in range(_TABLE + 1)]
    volumes = [vessel.volume_m3(level_m) for level_m in slices]
    full_m3, on_m3, off_m3 = volumes[-1], vessel.volume_m3(pump.on_m), vessel.volume_m3(pump.off_m)
    slice_m = vessel.height_m / _TABLE

    def level_m(volume_m3: float) -> float:
        place = min(_TABLE - 1, max(0, bisect_right(volumes, volume_m3) - 1))
        wide_m3 = volumes[place + 1] - volumes[place]
        return slices[place] + (slice_m * (volume_m3 - volumes[place]) / wide_m3 if wide_m3 > 0.0 else 0.0)

    t_s, v_m3, runs = 0.0, vessel.volume_m3(begin_m), False
    times, levels = array("d", [0.0]), array("d", [begin_m])
    while t_s < duration_s:
        if v_m3 <= off_m3 if runs else v_m3 >= on_m3:
            runs = not runs
        dt_s = _STEP_S - math.fmod(t_s, _STEP_S)
        dt_s += _STEP_S if dt_s < _SHORTEST_S else 0.0
        net_m3_s = inflow(t_s + 0.5 * dt_s) - (pump.flow_m3_s if runs else 0.0)
        goal_m3, next_m3 = off_m3 if runs else on_m3, v_m3 + net_m3_s * dt_s
        if next_m3 < goal_m3 if runs else next_m3 > goal_m3:
            dt_s, next_m3 = max(_SHORTEST_S, (goal_m3 - v_m3) / net_m3_s), goal_m3
        v_m3 = min(full_m3, max(0.0, next_m3))
        t_s += dt_s
        times.append(t_s)
        levels.append(level_m(v_m3))
    return LevelTrack(times, levels)
