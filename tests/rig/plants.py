"""Simulated plants without ripple, noise or damping, and what stands at their transmitter."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from lungfish.physics.column import gauge_at_transmitter_pa
from lungfish.physics.tube import bore_area_m2, pipe_volume_m3
from lungfish.rig.plant import Faults, Plant, PlantParameters

__all__ = [
    "AREA",
    "ATMOSPHERE",
    "CALM",
    "HEAD_M",
    "LEVEL_M",
    "LINE_M3",
    "TIP_M",
    "TUBE_M3",
    "WEIGHT",
    "column_pa",
    "full",
    "opened",
    "plant_of",
    "trace",
]

LEVEL_M, TIP_M = 2.0, 0.1
HEAD_M = LEVEL_M - TIP_M
WEIGHT = 998.2 * 9.80665
ATMOSPHERE = 101_325.0
AREA = bore_area_m2(0.010)
TUBE_M3, LINE_M3 = pipe_volume_m3(0.010, 4.5), pipe_volume_m3(0.0043, 20.0)

CALM = PlantParameters(level_m=lambda _t_s: LEVEL_M, ripple_pa=0.0, noise_pa=0.0, damping_s=0.0, tee_at_valve=False)
"""No ripple, no noise, no damping, the transmitter at the tube's end: the pressure itself."""


def plant_of(
    *, faults: Faults | None = None, seed: int = 1, level_m: Callable[[float], float] | None = None, **changes: float
) -> Plant:
    params = replace(CALM, **changes)  # type: ignore[arg-type] # a bool is a float to a caller
    return Plant(params if level_m is None else replace(params, level_m=level_m), seed, faults)


def opened(plant: Plant, seconds: float) -> Plant:
    """The valve held open for so long."""
    plant.command(True)
    plant.advance(plant.now_s + seconds)
    return plant


def full(plant: Plant) -> Plant:
    """A plant whose tube has been cleared and whose valve has been shut for a minute."""
    opened(plant, 20.0)
    plant.command(False)
    plant.advance(plant.now_s + 60.0)
    return plant


def trace(plant: Plant, seconds: float, period_s: float = 0.02) -> tuple[list[float], list[float]]:
    """Times and readings."""
    times, gauges = [], []
    end_s = plant.now_s + seconds
    while plant.now_s < end_s - 1e-9:
        plant.advance(plant.now_s + period_s)
        times.append(plant.now_s)
        gauges.append(plant.gauge_pa())
    return times, gauges


def column_pa(head_m: float, rise_m: float = 0.0) -> float:
    """What stands at the transmitter, 4.5 m above the tip, at rest."""
    return gauge_at_transmitter_pa(
        head_m,
        density_kg_m3=998.2,
        gravity_m_s2=9.80665,
        height_m=4.5,
        atmosphere_pa=ATMOSPHERE,
        air_k=293.15,
        surface_rise_m=rise_m,
    )
