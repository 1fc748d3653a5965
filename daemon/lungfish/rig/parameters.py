"""The truth about a simulated plant."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["PlantParameters"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantParameters:
    """The truth about one plant, which the site file only approximates."""

    level_m: Callable[[float], float]
    """Level above the tank floor as a function of time in s, m."""
    density_kg_m3: float = 998.2
    """Density of the liquid."""
    gravity_m_s2: float = 9.80665
    """Local gravity."""
    atmosphere_abs_pa: float = 101325.0
    """Atmospheric pressure."""
    air_k: float = 293.15
    """Temperature of the trapped air; the mean of the line's where that swings."""
    line_swing_k: float = 0.0
    """By how much the temperature of the line's air swings over a day, peak to peak, like a sine."""
    tip_m: float = 0.1
    """Height of the tip above the floor."""
    tube_bore_m: float = 0.010
    """Bore of the dip tube."""
    tube_length_m: float = 4.5
    """Length of the dip tube."""
    line_bore_m: float = 0.0043
    """Bore of the line."""
    line_length_m: float = 20.0
    """Length of the line; 0 for none."""
    tee_at_valve: bool = True
    """Where the transmitter tees in."""
    transmitter_height_m: float = 4.5
    """Height of the transmitter above the tip."""
    supply_gauge_pa: float = 300e3
    """Supply pressure upstream of the restrictor."""
    flow_pa_m3_s: float = 2.5
    """Choked flow of the restrictor, as throughput pV."""
    critical_ratio: float = 0.3
    """Critical pressure ratio of the restrictor (ISO 6358)."""
    leak_pa_m3_s_pa: float = 0.0
    """Leak, throughput for each Pa of gauge pressure."""
    leak_at_valve: bool = False
    """The leak sits at the valve's end of the line, not on the tube."""
    ripple_pa: float = 100.0
    """Bubble ripple, peak to peak."""
    ripple_follows_tip: bool = True
    """At a narrowed tip the ripple is less by as much as the hole is narrower; False: the same at any hole."""
    noise_pa: float = 2.0
    """Standard deviation of the transmitter's own noise, after its damping."""
    damping_s: float = 0.1
    """Time constant of the transmitter."""
    zero_pa: float = 0.0
    """Zero error of the transmitter."""
    gain: float = 1.0
    """Gain of the transmitter."""
    span_high_pa: float = 60e3
    """Where the transmitter saturates, gauge."""
    span_low_pa: float = -600.0
    """Where it saturates below."""
