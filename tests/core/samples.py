"""An invented tank for the tests of the core: what the cycle is told, and the plant that is just so."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from lungfish.core.setup import CycleSetup
from lungfish.rig.plant import Faults, Plant, PlantParameters

__all__ = ["SUMP", "plant_of", "setup_of"]

SUMP = CycleSetup(
    density_kg_m3=998.2,
    density_u_kg_m3=0.1,
    gravity_m_s2=9.80665,
    gravity_u_m_s2=0.0,
    atmosphere_abs_pa=101325.0,
    air_k=293.15,
    tip_m=0.1,
    tip_u_m=0.0006,
    tube_bore_m=0.010,
    tube_length_m=4.5,
    line_bore_m=0.0043,
    line_length_m=20.0,
    tee_at_valve=True,
    transmitter_height_m=4.5,
    span_low_pa=0.0,
    span_high_pa=60e3,
    transmitter_u_pa=6.0,
    damping_s=None,
    full_head_m=4.4,
    supply_gauge_pa=300e3,
    flow_pa_m3_s=2.5,
    critical_ratio=0.3,
    max_open_s=90.0,
)
"""One sump: 1.5 L/min (2.5 Pa m3/s) through 20 m of 4.3 mm into a dip tube of 10 mm."""

_SHARED = (
    "density_kg_m3",
    "gravity_m_s2",
    "atmosphere_abs_pa",
    "air_k",
    "tip_m",
    "tube_bore_m",
    "tube_length_m",
    "line_bore_m",
    "line_length_m",
    "tee_at_valve",
    "transmitter_height_m",
    "supply_gauge_pa",
    "flow_pa_m3_s",
    "critical_ratio",
    "span_high_pa",
)


def setup_of(**changes: object) -> CycleSetup:
    """The sump with some keys changed."""
    return replace(SUMP, **changes)  # type: ignore[arg-type] # a test's own misspelling fails at once


def plant_of(
    setup: CycleSetup,
    level_m: float | Callable[[float], float],
    *,
    seed: int = 1,
    faults: Faults | None = None,
    truth: Mapping[str, float] | None = None,
    **changes: float,
) -> Plant:
    """A plant that is as the setup says, but for `truth` and what else is changed."""
    told: Mapping[str, object] = {name: getattr(setup, name) for name in _SHARED}
    level = level_m if callable(level_m) else lambda _t_s: level_m
    true = {"noise_pa": 3.0, "ripple_pa": 60.0, "damping_s": 0.2, **told, **(truth or {}), **changes}
    return Plant(PlantParameters(level_m=level, **true), seed, faults)  # type: ignore[arg-type] # as above
