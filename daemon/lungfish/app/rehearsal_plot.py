"""How a site is filled and pumped in a rehearsal when nobody has said it, or from a file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from lungfish.app.rehearsal import Plot
from lungfish.config import Site, Tank
from lungfish.rig.filling import Inflow, LevelTrack, Pump, level_track, pattern, points_inflow

__all__ = ["Filling", "filling_of", "plot_of"]

_OFF_SHARE, _ON_SHARE = 0.15, 0.7
"""Where the pump stops and starts, as shares of the way from the tip to the brim."""
_FILLS_IN_S = 3.0 * 3600.0
"""The mean inflow fills the tank from one to the other in so long."""
_PUMP_TIMES = 3.0
"""What the pump takes out over the mean inflow."""
_ALARM_SHARE = 0.8
"""The level whose passing is to be seen, as a share of the vessel's height."""
_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Filling:
    """What is assumed of one tank."""

    track: LevelTrack
    """The true level."""
    pump: Pump
    """What empties it."""
    mean_m3_s: float
    """Mean inflow, of a pattern without its storm, m3/s."""


def filling_of(
    tank: Tank, kind: str, duration_s: float, seed: int, points: Sequence[tuple[float, float]] | None = None
) -> Filling:
    """Make up a filling.

    Args:
        tank: the tank.
        kind: one of `rig.filling.PATTERNS`; without meaning when there are points.
        duration_s: for how long, s.
        seed: of a storm.
        points: inflow from a file, m3/s, over the time since the start, s; None: the pattern is taken.
    """
    way_m = tank.vessel_height_m - tank.tip_m
    on_m, off_m = tank.tip_m + _ON_SHARE * way_m, tank.tip_m + _OFF_SHARE * way_m
    band_m3 = tank.vessel.volume_m3(on_m) - tank.vessel.volume_m3(off_m)
    if points is None:
        mean_m3_s = band_m3 / _FILLS_IN_S
        inflow: Inflow = pattern(kind, mean_m3_s, duration_s, seed)
    else:
        inflow = points_inflow(points)
        steps = max(1, round(duration_s / 60.0))
        mean_m3_s = sum(inflow((k + 0.5) * duration_s / steps) for k in range(steps)) / steps
    pump = Pump(on_m=on_m, off_m=off_m, flow_m3_s=max(_PUMP_TIMES * mean_m3_s, band_m3 / (24.0 * _HOUR_S)))
    # the tanks of a site are not pumped out all at once
    begin_m = off_m + (0.3 + 0.61803 * seed) % 1.0 * (on_m - off_m)
    # the daemon has some seconds more to end its last cycle
    track = level_track(tank.vessel, inflow, pump, begin_m=begin_m, duration_s=duration_s + 120.0)
    return Filling(track=track, pump=pump, mean_m3_s=mean_m3_s)


def _alarm_m(tank: Tank) -> float:
    highs = [level_m for level_m in (tank.alarms.high_m, tank.alarms.high_high_m) if level_m is not None]
    return min(highs, default=_ALARM_SHARE * tank.vessel_height_m)


def plot_of(
    site: Site, fillings: dict[str, Filling], duration_s: float, seed: int, transaction_s: float, alarm_m: float | None
) -> Plot:
    """Put a rehearsal together.

    Args:
        site: the site.
        fillings: of each of its tanks.
        duration_s: how long, s.
        seed: of noise and bubbles.
        transaction_s: from request to answer on a link, s.
        alarm_m: level whose passing is to be seen, m; None: the lowest of the tank's high alarms in the site file, or
            where it has none, four fifths of the vessel's height. The daemon takes it for a high alarm of the tank.
    """
    alarms_m = {
        name: _alarm_m(tank) if alarm_m is None else min(alarm_m, tank.vessel_height_m)
        for name, tank in site.tanks.items()
    }
    tanks = {
        name: replace(tank, alarms=replace(tank.alarms, high_m=alarms_m[name])) for name, tank in site.tanks.items()
    }
    site = replace(site, tanks=tanks)
    tracks = {name: filling.track for name, filling in fillings.items()}
    return Plot(
        site=site, duration_s=duration_s, tracks=tracks, alarms_m=alarms_m, seed=seed, transaction_s=transaction_s
    )
