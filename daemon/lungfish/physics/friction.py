"""Friction of air flowing through the line, and how long the line takes to settle."""

from __future__ import annotations

import math

__all__ = [
    "colebrook_friction_factor",
    "laminar_resistance_pa_s_m3",
    "line_friction_pa",
    "line_settling_s",
    "ramp_in_line",
    "reynolds",
]

_LAMINAR_RE = 2300.0
_TURBULENT_RE = 4000.0


def _require_line(bore_m: float, length_m: float) -> None:
    if not (bore_m > 0.0 and length_m >= 0.0):
        msg = f"a line needs a bore above zero and a length of zero or more: {bore_m:g} m, {length_m:g} m"
        raise ValueError(msg)


def reynolds(volume_flow_m3_s: float, *, bore_m: float, density_kg_m3: float, viscosity_pa_s: float) -> float:
    """Reynolds number of flow in a round pipe, ``4 rho Q / (pi d mu)``.

    Args:
        volume_flow_m3_s: Flow at the density given, m3/s; its sign does not matter.
        bore_m: Inside diameter, m.
        density_kg_m3: Density, kg/m3.
        viscosity_pa_s: Dynamic viscosity, Pa s.

    Returns:
        Reynolds number, 1.
    """
    return 4.0 * density_kg_m3 * abs(volume_flow_m3_s) / (math.pi * bore_m * viscosity_pa_s)


def colebrook_friction_factor(re: float, relative_roughness: float) -> float:
    """Darcy friction factor of turbulent flow by the Colebrook-White equation.

    Source: Colebrook 1939, ``1/sqrt f = -2 log10(e/3.7 + 2.51/(Re sqrt f))``, solved by Newton's method.

    Args:
        re: Reynolds number, 1; above zero, meant for 4000 and more.
        relative_roughness: Roughness height over bore, 1; zero is smooth.

    Returns:
        Darcy (not Fanning) friction factor, 1.

    Raises:
        ValueError: Reynolds number not above zero, or roughness negative.
    """
    if not (re > 0.0 and relative_roughness >= 0.0):
        msg = f"needs a Reynolds number above zero and a roughness of zero or more: {re:g}, {relative_roughness:g}"
        raise ValueError(msg)
    rough, smooth = relative_roughness / 3.7, 2.51 / re
    x = 8.0  # 1/sqrt f of a common turbulent flow; Newton converges from here for every Re above some hundreds
    for _ in range(50):
        inside = rough + smooth * x
        step = (x + 2.0 * math.log10(inside)) / (1.0 + 2.0 * smooth / (inside * math.log(10.0)))
        x -= step
        if abs(step) < 1e-14 * x:
            break
    return 1.0 / (x * x)


def laminar_resistance_pa_s_m3(bore_m: float, length_m: float, viscosity_pa_s: float) -> float:
    """Pressure drop for each unit of flow in laminar flow, ``128 mu L / (pi d^4)`` (Hagen-Poiseuille).

    Args:
        bore_m: Inside diameter, m.
        length_m: Length, m.
        viscosity_pa_s: Dynamic viscosity, Pa s.

    Returns:
        Resistance, Pa s/m3.

    Raises:
        ValueError: Bore not above zero, or length negative.
    """
    _require_line(bore_m, length_m)
    return 128.0 * viscosity_pa_s * length_m / (math.pi * bore_m**4)


def line_friction_pa(
    volume_flow_m3_s: float,
    *,
    bore_m: float,
    length_m: float,
    density_kg_m3: float,
    viscosity_pa_s: float,
    roughness_m: float = 1.5e-6,
) -> float:
    """Pressure lost to friction along a line: laminar, turbulent, and a straight bridge between.

    Source: Hagen-Poiseuille below Re 2300; Darcy-Weisbach with Colebrook above 4000. Between them the flow
    flips about and no formula holds: a straight line in flow joins the ends, so the drop always grows
    with flow. Inlet, exit and bends are left out, and the density is one for the whole line.

    Args:
        volume_flow_m3_s: Flow at the density given, m3/s; either sign.
        bore_m: Inside diameter, m.
        length_m: Length, m; zero gives no friction.
        density_kg_m3: Density of the flowing gas, kg/m3.
        viscosity_pa_s: Its dynamic viscosity, Pa s.
        roughness_m: Roughness height of the wall, m; 1.5e-6 is drawn tubing (common handbook value).

    Returns:
        Pressure drop in the direction of positive flow, Pa; its sign is that of the flow.

    Raises:
        ValueError: Bore not above zero, or length negative.
    """
    laminar = laminar_resistance_pa_s_m3(bore_m, length_m, viscosity_pa_s)
    flow = abs(volume_flow_m3_s)
    re = reynolds(flow, bore_m=bore_m, density_kg_m3=density_kg_m3, viscosity_pa_s=viscosity_pa_s)
    if re <= _LAMINAR_RE:
        return laminar * volume_flow_m3_s

    def turbulent_pa(at_re: float) -> float:
        speed = at_re * viscosity_pa_s / (density_kg_m3 * bore_m)
        f = colebrook_friction_factor(at_re, roughness_m / bore_m)
        return f * length_m / bore_m * density_kg_m3 * speed * speed / 2.0

    if re >= _TURBULENT_RE:
        drop = turbulent_pa(re)
    else:
        low = laminar * flow * _LAMINAR_RE / re
        share = (re - _LAMINAR_RE) / (_TURBULENT_RE - _LAMINAR_RE)
        drop = low + share * (turbulent_pa(_TURBULENT_RE) - low)
    return math.copysign(drop, volume_flow_m3_s)


def line_settling_s(*, bore_m: float, length_m: float, viscosity_pa_s: float, abs_pa: float) -> float:
    """Slowest time constant with which pressure evens out along a line that is shut at one end.

    Source: laminar flow and isothermal storage make the pressure diffuse; open to a constant pressure at
    one end the slowest mode of the heat equation decays with ``4 R C / pi^2``, ``R`` the laminar
    resistance of the whole line and ``C = V / p_abs`` its storage (Carslaw and Jaeger, from memory).

    Args:
        bore_m: Inside diameter, m.
        length_m: Length, m.
        viscosity_pa_s: Dynamic viscosity, Pa s.
        abs_pa: Absolute pressure in the line, Pa; above zero.

    Returns:
        Time constant, s; zero for no length.

    Raises:
        ValueError: Bore or pressure not above zero, or length negative.
    """
    resistance = laminar_resistance_pa_s_m3(bore_m, length_m, viscosity_pa_s)
    if not abs_pa > 0.0:
        msg = f"absolute pressure must be above zero, not {abs_pa:g} Pa"
        raise ValueError(msg)
    storage = math.pi * bore_m**2 / 4.0 * length_m / abs_pa
    return 4.0 * resistance * storage / math.pi**2


def ramp_in_line(settling_s: float, line_share: float) -> tuple[float, float]:
    """How a line that ends in an air space comes to fill it evenly, after a steady flow has set in at its other end.

    Source: the heat equation with a constant flux at one end and a capacity at the other (Carslaw and Jaeger, from
    memory). With ``x`` the line's share of all the storage the slowest mode has ``tan k = -k (1 - x) / x`` and the
    time constant ``R C / k^2``; once it has died, the end lags by ``R C (1/2 - x/3)`` behind an even fill.

    Args:
        settling_s: slowest time constant of the line open to a constant pressure, s (``4 R C / pi^2``).
        line_share: storage of the line over that of line and air space, 0 to 1.

    Returns:
        Time constant and lag, s.

    Raises:
        ValueError: the share lies outside 0 to 1.
    """
    if not 0.0 <= line_share <= 1.0:
        msg = f"the line's share of the storage must lie between 0 and 1, not {line_share:g}"
        raise ValueError(msg)
    low, high = 0.5 * math.pi, math.pi
    for _ in range(40):
        k = 0.5 * (low + high)
        # x sin k + k (1 - x) cos k falls from x to -pi (1 - x) between the two ends
        low, high = (k, high) if line_share * math.sin(k) + k * (1.0 - line_share) * math.cos(k) > 0.0 else (low, k)
    rc_s = math.pi**2 / 4.0 * settling_s
    return rc_s / (0.5 * (low + high)) ** 2, rc_s * (0.5 - line_share / 3.0)
