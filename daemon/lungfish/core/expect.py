"""What geometry and flow make one expect of a tube: the yardsticks that a cycle's numbers are held against."""

from __future__ import annotations

import math

from lungfish.core.setup import CycleSetup
from lungfish.physics.air import air_density_kg_m3, air_viscosity_pa_s
from lungfish.physics.friction import line_friction_pa, line_settling_s, ramp_in_line
from lungfish.physics.restrictor import restrictor_throughput_pa_m3_s
from lungfish.physics.tube import pipe_volume_m3

__all__ = [
    "bubbling_friction_pa",
    "fill_flattening_s",
    "fill_limit_s",
    "full_gauge_pa",
    "line_friction_at_pa",
    "packing_s",
    "slowest_fill_pa_s",
    "throughput_pa_m3_s",
    "tube_settling_s",
    "unit_weight_pa_m",
]


def unit_weight_pa_m(setup: CycleSetup) -> float:
    """Pressure of one metre of the liquid, Pa/m."""
    return setup.density_kg_m3 * setup.gravity_m_s2


def full_gauge_pa(setup: CycleSetup) -> float:
    """Gauge pressure in the tube under a brim-full vessel, Pa."""
    return unit_weight_pa_m(setup) * setup.full_head_m


def throughput_pa_m3_s(setup: CycleSetup, valve_gauge_pa: float) -> float:
    """Air that the restrictor lets through against a pressure behind the valve, pV, Pa m3/s (ISO 6358)."""
    return restrictor_throughput_pa_m3_s(
        setup.flow_pa_m3_s,
        supply_abs_pa=setup.atmosphere_abs_pa + setup.supply_gauge_pa,
        downstream_abs_pa=max(0.0, setup.atmosphere_abs_pa + valve_gauge_pa),
        critical_ratio=setup.critical_ratio,
    )


def _pipe_pa(setup: CycleSetup, pv_pa_m3_s: float, gauge_pa: float, bore_m: float, length_m: float) -> float:
    if length_m <= 0:
        return 0.0
    abs_pa = setup.atmosphere_abs_pa + max(0.0, gauge_pa)
    return line_friction_pa(
        pv_pa_m3_s / abs_pa,
        bore_m=bore_m,
        length_m=length_m,
        density_kg_m3=air_density_kg_m3(abs_pa, setup.air_k),
        viscosity_pa_s=air_viscosity_pa_s(setup.air_k),
    )


def line_friction_at_pa(setup: CycleSetup, pv_pa_m3_s: float, gauge_pa: float) -> float:
    """Friction of the line alone at a throughput and the tube's gauge pressure, Pa; at its mean pressure."""
    first = _pipe_pa(setup, pv_pa_m3_s, gauge_pa, setup.line_bore_m, setup.line_length_m)
    return _pipe_pa(setup, pv_pa_m3_s, gauge_pa + first / 2.0, setup.line_bore_m, setup.line_length_m)


def bubbling_friction_pa(setup: CycleSetup, tube_gauge_pa: float) -> float:
    """Friction between tip and transmitter while air bubbles at the tip, Pa.

    The tube's own friction is always in it; the line's only when the transmitter tees in at the valve.

    Args:
        setup: the tank.
        tube_gauge_pa: gauge pressure in the tube.
    """
    whole = line_friction_at_pa(setup, setup.flow_pa_m3_s, tube_gauge_pa)
    flow = throughput_pa_m3_s(setup, tube_gauge_pa + whole)
    tube = _pipe_pa(setup, flow, tube_gauge_pa, setup.tube_bore_m, setup.tube_length_m)
    return tube + (line_friction_at_pa(setup, flow, tube_gauge_pa) if setup.tee_at_valve else 0.0)


def tube_settling_s(setup: CycleSetup, tube_gauge_pa: float) -> float:
    """Slowest time constant of the line's friction after the valve moves, s; 0 without a line."""
    if setup.line_length_m <= 0:
        return 0.0
    return line_settling_s(
        bore_m=setup.line_bore_m,
        length_m=setup.line_length_m,
        viscosity_pa_s=air_viscosity_pa_s(setup.air_k),
        abs_pa=setup.atmosphere_abs_pa + max(0.0, tube_gauge_pa),
    )


def packing_s(setup: CycleSetup, trapped_gauge_pa: float, end_gauge_pa: float) -> tuple[float, float]:
    """How the line delays the beginning of a fill: time constant and lag, s; both 0 without a line.

    Args:
        setup: the tank.
        trapped_gauge_pa: pressure at which the fill begins.
        end_gauge_pa: about the pressure of the head, which tells how much liquid stands in the tube.
    """
    space, rise_m = setup.air_space, _rise_m(setup, trapped_gauge_pa, end_gauge_pa)
    abs_pa = setup.atmosphere_abs_pa + max(0.0, trapped_gauge_pa)
    line_m3 = space.volume_m3 - pipe_volume_m3(setup.tube_bore_m, setup.tube_length_m)
    storage_m3 = space.air_volume_m3(rise_m) + abs_pa * space.area_m2 / unit_weight_pa_m(setup)
    return ramp_in_line(tube_settling_s(setup, trapped_gauge_pa), max(0.0, line_m3) / storage_m3)


def _rise_m(setup: CycleSetup, trapped_gauge_pa: float, end_gauge_pa: float) -> float:
    """Liquid in the tube at the beginning of a fill, m."""
    return max(0.0, min(setup.tube_length_m, (end_gauge_pa - trapped_gauge_pa) / unit_weight_pa_m(setup)))


def slowest_fill_pa_s(setup: CycleSetup, tube_gauge_pa: float) -> float:
    """Slope of a tube that is about to be full at this pressure: the slowest that filling can look like, Pa/s."""
    friction = line_friction_at_pa(setup, setup.flow_pa_m3_s, tube_gauge_pa)
    return setup.air_space.fill_slope_pa_s(
        throughput_pa_m3_s(setup, tube_gauge_pa + friction),
        setup.atmosphere_abs_pa + max(0.0, tube_gauge_pa),
        0.0,
        density_kg_m3=setup.density_kg_m3,
        gravity_m_s2=setup.gravity_m_s2,
    )


def fill_flattening_s(setup: CycleSetup, trapped_gauge_pa: float, end_gauge_pa: float) -> float:
    """How the climb of a fill flattens: k in `a (t - k t2)`, 1/s.

    The capacity `V + p A / (rho g)` grows by `2 A / (rho g)` for each pascal, once for the pressure and once for the
    liquid that leaves the tube.

    Args:
        setup: the tank.
        trapped_gauge_pa: pressure at which the fill begins.
        end_gauge_pa: about the pressure of the head, which tells how much liquid stands in the tube.
    """
    weight = unit_weight_pa_m(setup)
    space = setup.air_space
    rise_m = _rise_m(setup, trapped_gauge_pa, end_gauge_pa)
    slope = space.fill_slope_pa_s(
        throughput_pa_m3_s(setup, trapped_gauge_pa),
        setup.atmosphere_abs_pa + max(0.0, trapped_gauge_pa),
        rise_m,
        density_kg_m3=setup.density_kg_m3,
        gravity_m_s2=setup.gravity_m_s2,
    )
    flow = throughput_pa_m3_s(setup, trapped_gauge_pa)
    return slope * slope * space.area_m2 / (weight * flow) if flow > 0 else 0.0


def fill_limit_s(setup: CycleSetup) -> float:
    """Longest time that this tube can need from flooded to bubbling in a brim-full vessel, s, at most `max_open_s`.

    Half as much again for flow and bore that are not what the site file says, and some seconds to be sure.
    """
    gauge = full_gauge_pa(setup)
    flow = throughput_pa_m3_s(setup, gauge + line_friction_at_pa(setup, setup.flow_pa_m3_s, gauge))
    need = setup.air_space.fill_time_s(
        flow,
        0.0,
        setup.full_head_m,
        density_kg_m3=setup.density_kg_m3,
        gravity_m_s2=setup.gravity_m_s2,
        atmosphere_pa=setup.atmosphere_abs_pa,
    )
    return min(setup.max_open_s, 1.5 * need + 10.0) if math.isfinite(need) else setup.max_open_s
