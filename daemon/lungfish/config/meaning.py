"""What a site file means for each tank, in numbers: what `check` states before anything is connected."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from lungfish.config.agreement import fill_s, full_at_transmitter_pa
from lungfish.config.cycle import cycle_setup
from lungfish.config.model import Site, Tank
from lungfish.core.budget import Budget, Contribution
from lungfish.core.expect import (
    bubbling_friction_pa,
    full_gauge_pa,
    line_friction_at_pa,
    throughput_pa_m3_s,
    tube_settling_s,
    unit_weight_pa_m,
)
from lungfish.core.setup import CycleSetup
from lungfish.physics.standard import ANR, standard_volume_m3

__all__ = ["BUBBLING_S", "AtLevel", "TankMeaning", "meaning_of"]

BUBBLING_S: Final = 2.0
"""Bubbling that a reading wants once the tube is clear, s: what a steadiness test takes at common noise."""

_DAY_S: Final = 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AtLevel:
    """What to expect with the tank filled to some share of the head above the tip."""

    share: float
    """Of the brim-full head, 1."""
    head_m: float
    """Liquid above the tip, m."""
    gauge_pa: float
    """Gauge pressure at the transmitter, air at rest, Pa."""
    gas_column_pa: float
    """Liquid's own pressure less that: weight of the gas columns, Pa."""
    seen_friction_pa: float
    """Friction that the transmitter sees while air bubbles, Pa."""
    line_friction_pa: float
    """Friction of the whole line at that flow, Pa."""
    flow_share: float
    """Flow against this pressure over the flow set, 1."""
    fill_s: float
    """From opening the valve to the first bubble with a flooded tube, s."""
    least_air_m3: float
    """Least air for a reading with a flooded tube, standard m3 (20 degC, 1 bar)."""
    bubbling_air_m3: float
    """Air that bubbles out after that, standard m3; all that a reading costs while the tube is tight."""
    level_u_m: float
    """Expanded uncertainty (k = 2) from transmitter, density, gravity and tip, before noise and ripple, m."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TankMeaning:
    """One tank in numbers."""

    pa_per_m: float
    """Pressure of one metre of the liquid, Pa/m."""
    full_m3: float
    """Volume of the brim-full vessel, m3."""
    span_used: float
    """Pressure at full over the top of the span, 1."""
    ripple_pa: float
    """Bound of the bubbles' ripple, peak to peak, Pa."""
    settling_s: float
    """Time constant with which friction leaves the line after closing, half full, s."""
    full: AtLevel
    """Brim-full."""
    half: AtLevel
    """Half the head."""
    day_air_tight_m3: float
    """Air a day while the tube keeps its air, half full, standard m3."""
    day_air_flooded_m3: float
    """Air a day if the tube floods between purges, half full, standard m3."""
    day_air_continuous_m3: float
    """Air a day that a continuous purge at the same flow would take, standard m3."""


def meaning_of(site: Site, tank: Tank, purges_a_day: float | None = None) -> TankMeaning:
    """Work out what one tank's settings mean.

    Args:
        site: the whole site.
        tank: one of its tanks.
        purges_a_day: what timer and schedule ask for; None: by `every` alone.
    """
    setup = cycle_setup(site, tank)
    half = _at(setup, 0.5)
    full = _at(setup, 1.0)
    purges = _DAY_S / tank.every_s if purges_a_day is None else purges_a_day
    return TankMeaning(
        pa_per_m=unit_weight_pa_m(setup),
        full_m3=tank.vessel.full_m3,
        span_used=full.gauge_pa / setup.span_high_pa,
        ripple_pa=setup.ripple_bound_pa,
        settling_s=tube_settling_s(setup, half.gauge_pa),
        full=full,
        half=half,
        day_air_tight_m3=purges * half.bubbling_air_m3,
        day_air_flooded_m3=purges * (half.least_air_m3 + half.bubbling_air_m3),
        day_air_continuous_m3=standard_volume_m3(setup.flow_pa_m3_s * _DAY_S, setup.air_k, ANR),
    )


def _at(setup: CycleSetup, share: float) -> AtLevel:
    head = share * setup.full_head_m
    tube_pa = share * full_gauge_pa(setup)
    gauge = full_at_transmitter_pa(setup, share)
    line = line_friction_at_pa(setup, setup.flow_pa_m3_s, tube_pa)
    flow = throughput_pa_m3_s(setup, tube_pa + line)
    least = setup.air_space.least_air_pa_m3(
        0.0,
        head,
        density_kg_m3=setup.density_kg_m3,
        gravity_m_s2=setup.gravity_m_s2,
        atmosphere_pa=setup.atmosphere_abs_pa,
    )
    return AtLevel(
        share=share,
        head_m=head,
        gauge_pa=gauge,
        gas_column_pa=tube_pa - gauge,
        seen_friction_pa=bubbling_friction_pa(setup, tube_pa),
        line_friction_pa=line_friction_at_pa(setup, flow, tube_pa),
        flow_share=flow / setup.flow_pa_m3_s,
        fill_s=fill_s(setup, share),
        least_air_m3=standard_volume_m3(least, setup.air_k, ANR),
        bubbling_air_m3=standard_volume_m3(flow * BUBBLING_S, setup.air_k, ANR),
        level_u_m=_known_budget(setup, head).expanded(),
    )


def _known_budget(setup: CycleSetup, head_m: float) -> Budget:
    """The lines of a level's budget that are known before the first purge."""
    per_pa = 1.0 / unit_weight_pa_m(setup)
    return Budget(
        contributions=(
            Contribution(name="transmitter", u=setup.transmitter_u_pa, sensitivity=per_pa, unit="Pa"),
            Contribution(
                name="density", u=setup.density_u_kg_m3, sensitivity=-head_m / setup.density_kg_m3, unit="kg/m3"
            ),
            Contribution(name="gravity", u=setup.gravity_u_m_s2, sensitivity=-head_m / setup.gravity_m_s2, unit="m/s2"),
            Contribution(name="tip height", u=setup.tip_u_m, sensitivity=1.0, unit="m"),
        )
    )
