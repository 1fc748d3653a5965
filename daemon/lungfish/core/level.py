"""From plateau and shut-in to the level with its budget, and what the cycle teaches the next one.

Both pressures of the moment of closing tell the head. The plateau carries friction, which is known from geometry and
better from earlier closings; the shut-in carries whatever part of a bubble the closing froze. The two are weighed
by their variances (least squares for two correlated values), so that neither floor is the instrument's floor.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

from lungfish.core.budget import Budget, Contribution, Measured
from lungfish.core.closing import Closing
from lungfish.core.expect import bubbling_friction_pa, unit_weight_pa_m
from lungfish.core.setup import CycleSetup, Learned
from lungfish.physics.air import air_density_kg_m3
from lungfish.physics.column import head_from_gauge_m

__all__ = [
    "DAMPING_MODEL",
    "DISAGREEMENT_SIGMAS",
    "Weighed",
    "freeze_sd_pa",
    "head_m",
    "level_of",
    "still_flowing",
    "weigh",
]

DISAGREEMENT_SIGMAS = 4.0
"""Plateau and shut-in further apart than this, in standard deviations of their difference, do not agree."""

_FREEZE_PRIOR_DOF = 2.0
_FREEZE_DOF_LIMIT = 30.0
_FREEZE_FLOOR_M = 0.0002
_FRICTION_WANDER = 0.004
"""From cycle to cycle the ratio may wander by this much: restrictors and filters age (common practice)."""

DAMPING_MODEL = 0.07
"""A transmitter's damping is a first-order lag to about this (relative): what the fit can't know of its own model."""

_AIR_TEMPERATURE_U_K = 6.0
"""The air in tube and line is within 10 K of what the site file says (rectangular, common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """The gauge pressure at the transmitter that the head alone would give, and where its uncertainty comes from."""

    gauge_pa: float
    """Best value at the moment of closing."""
    noise_u_pa: float
    """From noise, with its autocorrelation."""
    damping_u_pa: float
    """From the time constant not being known exactly."""
    friction_u_pa: float
    """Friction left over."""
    freeze_u_pa: float
    """Ripple frozen by the closing."""
    leak_u_pa: float
    """From when the fall by a leak set in."""
    friction_pa: float
    """Friction that was expected, Pa."""
    disagreement: float
    """Plateau less friction less shut-in, in standard deviations; positive: the plateau is too high."""
    learned: Learned
    """For the next cycle."""
    resolution_u_pa: float = 0.0
    """From the steps in which the transmitter's values move; 0: in none."""


def freeze_sd_pa(setup: CycleSetup, learned: Learned) -> float:
    """Standard deviation of what a closing freezes of the ripple, Pa.

    Before anything is learned the ripple is anything up to one bore of liquid peak to peak, and the phase any:
    uniform times uniform gives bore / 6. It is never more than that of a whole bore's saw-tooth: what else sets plateau
    and shut-in apart is no bubble.
    """
    prior = (unit_weight_pa_m(setup) * setup.tube_bore_m / 6.0) ** 2
    seen = learned.freeze_var_pa2 if learned.freeze_var_pa2 is not None else prior
    dof = learned.freeze_dof
    floor = (unit_weight_pa_m(setup) * _FREEZE_FLOOR_M) ** 2
    most = setup.ripple_bound_pa**2 / 12.0
    return math.sqrt(min(most, max(floor, (_FREEZE_PRIOR_DOF * prior + dof * seen) / (_FREEZE_PRIOR_DOF + dof))))


def weigh(setup: CycleSetup, learned: Learned, closing: Closing, resolution_u_pa: float = 0.0) -> Weighed:
    """Weigh plateau and shut-in into one pressure and learn from their difference.

    Args:
        setup: the tank.
        learned: what was known before this cycle.
        closing: the fit of the moment of closing.
        resolution_u_pa: standard uncertainty of either pressure from the steps in which the values move, Pa.
    """
    friction = bubbling_friction_pa(setup, max(0.0, closing.shut_in_pa))
    freeze = freeze_sd_pa(setup, learned)
    by_plateau = closing.plateau_pa - learned.friction_ratio * friction
    friction_u = friction * learned.friction_ratio_u
    log_damping_u = math.hypot(closing.log_damping_u, DAMPING_MODEL)
    plateau_shift = closing.plateau_by_damping_pa * log_damping_u
    shut_shift = closing.shut_in_by_damping_pa * log_damping_u
    plateau_var = closing.plateau_var_pa2 + friction_u**2 + plateau_shift**2 + resolution_u_pa**2
    leak_u = closing.fall_delay_u_s * max(0.0, -closing.shut_slope_pa_s)
    shut_var = closing.shut_in_var_pa2 + freeze**2 + shut_shift**2 + leak_u**2 + resolution_u_pa**2
    shared = closing.covariance_pa2 + plateau_shift * shut_shift
    apart_var = max(1e-9, plateau_var + shut_var - 2.0 * shared)
    apart = by_plateau - closing.shut_in_pa
    disagreement = apart / math.sqrt(apart_var)
    weight = min(1.0, max(0.0, (shut_var - shared) / apart_var))
    # the less the two agree, the less the plateau counts: friction may not be what it was, and the shut-in knows none
    weight *= min(1.0, max(0.0, (DISAGREEMENT_SIGMAS - abs(disagreement)) / (DISAGREEMENT_SIGMAS - 2.0)))
    rest = 1.0 - weight
    noise_var = (
        weight**2 * closing.plateau_var_pa2
        + rest**2 * closing.shut_in_var_pa2
        + 2.0 * weight * rest * closing.covariance_pa2
    )
    return Weighed(
        gauge_pa=weight * by_plateau + rest * closing.shut_in_pa,
        noise_u_pa=math.sqrt(max(0.0, noise_var)),
        damping_u_pa=abs(weight * plateau_shift + rest * shut_shift),
        friction_u_pa=weight * friction_u,
        freeze_u_pa=rest * freeze,
        leak_u_pa=rest * leak_u,
        friction_pa=learned.friction_ratio * friction,
        disagreement=disagreement,
        learned=_learn(setup, learned, closing, friction, apart, apart_var),
        resolution_u_pa=resolution_u_pa,
    )


def still_flowing(setup: CycleSetup, learned: Learned, closing: Closing, weighed: Weighed) -> Weighed:
    """The same when closing did not end the flow: only the plateau counts, and nothing is learned.

    Args:
        setup: the tank.
        learned: what was known before this cycle.
        closing: the fit of the moment of closing.
        weighed: what plateau and shut-in gave when taken for what they are not.
    """
    friction_pa = bubbling_friction_pa(setup, max(0.0, closing.plateau_pa))
    return dataclasses.replace(
        weighed,
        gauge_pa=closing.plateau_pa - learned.friction_ratio * friction_pa,
        noise_u_pa=math.sqrt(closing.plateau_var_pa2),
        friction_u_pa=friction_pa * learned.friction_ratio_u,
        freeze_u_pa=freeze_sd_pa(setup, learned),
        leak_u_pa=0.0,
        friction_pa=learned.friction_ratio * friction_pa,
        learned=learned,
    )


def _learn(
    setup: CycleSetup, learned: Learned, closing: Closing, friction_pa: float, apart_pa: float, apart_var: float
) -> Learned:
    """One step of a scalar Kalman filter for the friction ratio, and a running mean square for the frozen ripple."""
    known_u = friction_pa * learned.friction_ratio_u
    gain = known_u * learned.friction_ratio_u / apart_var
    # One wild closing must not teach more than a plausible one could.
    bounded = math.copysign(min(abs(apart_pa), 3.0 * math.sqrt(apart_var)), apart_pa)
    ratio = learned.friction_ratio + gain * bounded
    ratio_u = math.sqrt(max(1e-12, learned.friction_ratio_u**2 - gain * known_u * learned.friction_ratio_u))
    freeze_var = freeze_sd_pa(setup, learned) ** 2
    other = max(0.0, apart_var - freeze_var)
    trust = (freeze_var / apart_var) ** 2
    dof = min(_FREEZE_DOF_LIMIT, learned.freeze_dof)
    seen = learned.freeze_var_pa2 if learned.freeze_var_pa2 is not None else 0.0
    mean_square = (dof * seen + trust * (bounded**2 - other)) / (dof + trust)
    log_damping, log_u = _pool(learned, closing)
    return dataclasses.replace(
        learned,
        cycles=learned.cycles + 1,
        friction_ratio=ratio,
        friction_ratio_u=math.hypot(ratio_u, _FRICTION_WANDER),
        freeze_var_pa2=mean_square,
        freeze_dof=dof + trust,
        damping_s=math.exp(log_damping),
        log_damping_u=log_u,
    )


def _pool(learned: Learned, closing: Closing) -> tuple[float, float]:
    """What this cycle says of the damping, weighed with what was known; from cycle to cycle it may wander by 1 %.

    The fit has used the earlier value as its prior, so that is taken out of its uncertainty first.

    Returns:
        Logarithm of the damping, and its standard uncertainty.
    """
    before, before_u = math.log(learned.damping_s), learned.log_damping_u
    information = 1.0 / max(0.005, closing.log_damping_u) ** 2 - 1.0 / before_u**2
    if information <= 0.0:
        return before, before_u
    gain = before_u**2 * information / (1.0 + before_u**2 * information)
    pooled = before + gain * (math.log(closing.damping_s) - before)
    return pooled, math.hypot(before_u * math.sqrt(1.0 - gain), 0.01)


def head_m(setup: CycleSetup, gauge_pa: float) -> float:
    """Head above the tip for a gauge pressure at the transmitter without friction, m; the gas columns taken out."""
    return head_from_gauge_m(
        gauge_pa,
        density_kg_m3=setup.density_kg_m3,
        gravity_m_s2=setup.gravity_m_s2,
        height_m=setup.transmitter_height_m,
        atmosphere_pa=setup.atmosphere_abs_pa,
        air_k=setup.air_k,
    )


def level_of(
    setup: CycleSetup, weighed: Weighed, *, unproven_m: float = 0.0, held_back_pa: float = 0.0
) -> tuple[Measured, Measured, Budget]:
    """Level and head with the level's budget.

    Args:
        setup: the tank.
        weighed: pressure of the head at the transmitter.
        unproven_m: by how much the level may have moved unseen when nothing proves air at the tip, m (half-width).
        held_back_pa: what solids over the tip may hold back, Pa (half-width).

    Returns:
        Level above the floor in m, head in Pa, budget in m.
    """
    head = max(0.0, head_m(setup, weighed.gauge_pa))
    per_pa = 1.0 / unit_weight_pa_m(setup)
    gas_pa = _gas_column_pa(setup, weighed.gauge_pa, head)
    lines = (
        Contribution(name="transmitter", u=setup.transmitter_u_pa, sensitivity=per_pa, unit="Pa"),
        Contribution(name="resolution", u=weighed.resolution_u_pa, sensitivity=per_pa, unit="Pa"),
        Contribution(name="density", u=setup.density_u_kg_m3, sensitivity=-head / setup.density_kg_m3, unit="kg/m3"),
        Contribution(name="gravity", u=setup.gravity_u_m_s2, sensitivity=-head / setup.gravity_m_s2, unit="m/s2"),
        Contribution(name="gas column", u=_AIR_TEMPERATURE_U_K, sensitivity=gas_pa / setup.air_k * per_pa, unit="K"),
        Contribution(name="friction left over", u=weighed.friction_u_pa, sensitivity=per_pa, unit="Pa"),
        Contribution(name="ripple frozen at closing", u=weighed.freeze_u_pa, sensitivity=per_pa, unit="Pa"),
        Contribution(name="onset of the leak", u=weighed.leak_u_pa, sensitivity=per_pa, unit="Pa"),
        Contribution(name="noise", u=weighed.noise_u_pa, sensitivity=per_pa, unit="Pa"),
        Contribution(name="damping", u=weighed.damping_u_pa, sensitivity=per_pa, unit="Pa"),
        Contribution(name="air at the tip not proven", u=unproven_m / math.sqrt(3.0), sensitivity=1.0, unit="m"),
        Contribution(name="held back at the tip", u=held_back_pa / math.sqrt(3.0), sensitivity=per_pa, unit="Pa"),
        Contribution(name="tip height", u=setup.tip_u_m, sensitivity=1.0, unit="m"),
    )
    budget = Budget(contributions=lines)
    at_tip = dataclasses.replace(budget, contributions=lines[:-1])
    level = Measured(value=setup.tip_m + head, u=budget.combined)
    weight = unit_weight_pa_m(setup)
    return level, Measured(value=head * weight, u=at_tip.combined * weight), budget


def _gas_column_pa(setup: CycleSetup, gauge_pa: float, head: float) -> float:
    """Net weight of the gas columns inside and outside the tube, Pa."""
    inside = air_density_kg_m3(setup.atmosphere_abs_pa + max(0.0, gauge_pa), setup.air_k)
    outside = air_density_kg_m3(setup.atmosphere_abs_pa, setup.air_k)
    return setup.gravity_m_s2 * (inside * setup.transmitter_height_m - outside * (setup.transmitter_height_m - head))
