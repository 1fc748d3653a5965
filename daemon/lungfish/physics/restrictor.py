"""Flow of air through restrictors and holes."""

from __future__ import annotations

import math

from lungfish.physics.constants import ANR_DENSITY_KG_M3, ANR_TEMPERATURE_K, GAMMA_AIR, R_AIR_J_KG_K

__all__ = [
    "conductance_flow_m3_s",
    "conductance_mass_flow_kg_s",
    "critical_pressure_ratio",
    "flow_factor",
    "hole_conductance_m3_s_pa",
    "hole_mass_flow_kg_s",
    "mass_flow_parameter",
    "restrictor_throughput_pa_m3_s",
]


def flow_factor(pressure_ratio: float, critical_ratio: float) -> float:
    """Share of the choked flow that still passes at a pressure ratio.

    Source: ISO 6358-1, ``sqrt(1 - ((r - b) / (1 - b))^2)``, 1 at and below the critical ratio ``b``, exponent 0.5.

    Args:
        pressure_ratio: Downstream over upstream absolute pressure, 1; zero or more.
        critical_ratio: Ratio at which the flow chokes, 1; from 0 to below 1.

    Returns:
        Factor from 0 (no pressure drop, or a reversed one) to 1 (choked).

    Raises:
        ValueError: Negative or missing ratio, or critical ratio outside 0 to 1.
    """
    if not (pressure_ratio >= 0.0 and 0.0 <= critical_ratio < 1.0):
        msg = (
            "needs a pressure ratio of zero or more and a critical ratio from 0 to below 1: "
            f"{pressure_ratio:g}, {critical_ratio:g}"
        )
        raise ValueError(msg)
    if pressure_ratio >= 1.0:
        return 0.0
    if pressure_ratio <= critical_ratio:
        return 1.0
    x = (pressure_ratio - critical_ratio) / (1.0 - critical_ratio)
    return math.sqrt(1.0 - x * x)


def _ratio(downstream_abs_pa: float, upstream_abs_pa: float) -> float:
    if not upstream_abs_pa > 0.0:
        msg = f"absolute pressure upstream must be above zero, not {upstream_abs_pa:g} Pa"
        raise ValueError(msg)
    return downstream_abs_pa / upstream_abs_pa


def conductance_flow_m3_s(
    conductance_m3_s_pa: float,
    *,
    upstream_abs_pa: float,
    downstream_abs_pa: float,
    critical_ratio: float,
    temperature_k: float = ANR_TEMPERATURE_K,
) -> float:
    """Flow through a pneumatic component, as volume in the ANR state.

    Source: ISO 6358-1, ``q = C p1 sqrt(T0 / T1)`` times `flow_factor`; cracking pressure zero. 1 dm3/(s bar) is
    1e-8 m3/(s Pa). A reversed pressure drop gives zero, as behind a check valve.

    Args:
        conductance_m3_s_pa: Sonic conductance C, m3/(s Pa) ANR.
        upstream_abs_pa: Absolute pressure upstream, Pa; above zero.
        downstream_abs_pa: Absolute pressure downstream, Pa.
        critical_ratio: Critical back-pressure ratio b, 1.
        temperature_k: Temperature upstream, K.

    Returns:
        Flow in the ANR state (20 degC, 1 bar), m3/s.

    Raises:
        ValueError: Pressure upstream not above zero, downstream negative, or critical ratio outside 0 to 1.
    """
    factor = flow_factor(_ratio(downstream_abs_pa, upstream_abs_pa), critical_ratio)
    return conductance_m3_s_pa * upstream_abs_pa * math.sqrt(ANR_TEMPERATURE_K / temperature_k) * factor


def conductance_mass_flow_kg_s(
    conductance_m3_s_pa: float,
    *,
    upstream_abs_pa: float,
    downstream_abs_pa: float,
    critical_ratio: float,
    temperature_k: float = ANR_TEMPERATURE_K,
    reference_density_kg_m3: float = ANR_DENSITY_KG_M3,
) -> float:
    """Mass flow through a pneumatic component: `conductance_flow_m3_s` times rho0 (ISO 6358-1).

    Args:
        conductance_m3_s_pa: Sonic conductance C, m3/(s Pa) ANR.
        upstream_abs_pa: Absolute pressure upstream, Pa; above zero.
        downstream_abs_pa: Absolute pressure downstream, Pa.
        critical_ratio: Critical back-pressure ratio b, 1.
        temperature_k: Temperature upstream, K.
        reference_density_kg_m3: Density in the ANR state, kg/m3.

    Returns:
        Mass flow, kg/s.

    Raises:
        ValueError: As for `conductance_flow_m3_s`.
    """
    return reference_density_kg_m3 * conductance_flow_m3_s(
        conductance_m3_s_pa,
        upstream_abs_pa=upstream_abs_pa,
        downstream_abs_pa=downstream_abs_pa,
        critical_ratio=critical_ratio,
        temperature_k=temperature_k,
    )


def restrictor_throughput_pa_m3_s(
    set_throughput_pa_m3_s: float,
    *,
    supply_abs_pa: float,
    downstream_abs_pa: float,
    critical_ratio: float,
) -> float:
    """Throughput of a restrictor that was set while choked, against the pressure behind it.

    Args:
        set_throughput_pa_m3_s: Throughput while choked, at this supply pressure, Pa m3/s.
        supply_abs_pa: Absolute supply pressure, Pa; above zero.
        downstream_abs_pa: Absolute pressure behind the restrictor, Pa.
        critical_ratio: Critical back-pressure ratio, 1.

    Returns:
        Throughput, Pa m3/s; zero once the pressure behind has reached the supply.

    Raises:
        ValueError: Supply not above zero, downstream negative, or critical ratio outside 0 to 1.
    """
    return set_throughput_pa_m3_s * flow_factor(_ratio(downstream_abs_pa, supply_abs_pa), critical_ratio)


def critical_pressure_ratio(gamma: float = GAMMA_AIR) -> float:
    """Pressure ratio at which an ideal nozzle chokes, ``(2/(g+1))^(g/(g-1))`` (NACA Report 1135).

    Args:
        gamma: Ratio of specific heats, 1; above 1.

    Returns:
        Static over stagnation pressure, 1; 0.5283 for air.
    """
    return math.pow(2.0 / (gamma + 1.0), gamma / (gamma - 1.0))


def mass_flow_parameter(mach: float, gamma: float = GAMMA_AIR) -> float:
    """Mass flow of an isentropic stream in units of ``A p0 / sqrt(R T0)`` (NACA Report 1135).

    Args:
        mach: Mach number, 1.
        gamma: Ratio of specific heats, 1; above 1.

    Returns:
        ``sqrt(g) M (1 + (g-1)/2 M^2)^(-(g+1)/(2(g-1)))``, 1; largest (0.6847 for air) at Mach 1.
    """
    stagnation = 1.0 + (gamma - 1.0) / 2.0 * mach * mach
    return math.sqrt(gamma) * mach * math.pow(stagnation, -(gamma + 1.0) / (2.0 * (gamma - 1.0)))


def hole_mass_flow_kg_s(
    area_m2: float,
    *,
    upstream_abs_pa: float,
    downstream_abs_pa: float,
    temperature_k: float,
    discharge_coefficient: float = 1.0,
) -> float:
    """Mass flow of air through a hole: isentropic nozzle times a discharge coefficient (Saint-Venant, Wantzel).

    Args:
        area_m2: Area of the hole, m2.
        upstream_abs_pa: Absolute pressure upstream, Pa; above zero.
        downstream_abs_pa: Absolute pressure downstream, Pa.
        temperature_k: Temperature upstream, K.
        discharge_coefficient: 1 for an ideal nozzle, about 0.6 for a sharp hole (common practice).

    Returns:
        Mass flow, kg/s; zero for a reversed pressure drop.

    Raises:
        ValueError: Pressure upstream not above zero.
    """
    ratio = _ratio(downstream_abs_pa, upstream_abs_pa)
    if ratio >= 1.0:
        return 0.0
    throat = max(ratio, critical_pressure_ratio())
    mach = math.sqrt(2.0 / (GAMMA_AIR - 1.0) * (throat ** ((1.0 - GAMMA_AIR) / GAMMA_AIR) - 1.0))
    per_area = upstream_abs_pa / math.sqrt(R_AIR_J_KG_K * temperature_k) * mass_flow_parameter(mach)
    return discharge_coefficient * area_m2 * per_area


def hole_conductance_m3_s_pa(area_m2: float, discharge_coefficient: float = 1.0) -> float:
    """Sonic conductance of a hole, from the choked flow of an ideal nozzle at 20 degC.

    Args:
        area_m2: Area of the hole, m2.
        discharge_coefficient: 1 for an ideal nozzle.

    Returns:
        Sonic conductance C, m3/(s Pa) ANR (with the ISO 6358 density of 1.185 kg/m3).
    """
    choked = mass_flow_parameter(1.0) / math.sqrt(R_AIR_J_KG_K * ANR_TEMPERATURE_K)
    return discharge_coefficient * area_m2 * choked / ANR_DENSITY_KG_M3
