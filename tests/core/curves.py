"""The end of a purge as the physics gives it, by numerical integration and without any of the fit's own formulas.

The line is cut into cells; air diffuses along it (laminar flow, isothermal storage), its valve end is shut at closing,
its other end opens into the tube. While the line delivers more than a leak takes, the rest bubbles out and the tube's
pressure is the head's; from then on the tube loses air. The transmitter is a first-order lag, stepped finely.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Purge", "Shown", "shown_by"]

_STEP_S = 0.0005
_CELLS = 40


@dataclass(frozen=True, kw_only=True)
class Purge:
    """What is true about the moment of closing."""

    head_pa: float = 19_000.0
    """In the tube at closing, Pa."""
    friction_pa: float = 800.0
    """Of the line while air flows, Pa."""
    settling_s: float = 0.0
    """Slowest time constant of the line; 0: no line."""
    seen: bool = True
    """The transmitter sees the line's friction."""
    tube_friction_pa: float = 0.0
    """Of the tube below the transmitter, which follows the flow out of the line, Pa."""
    drift_pa_s: float = 0.0
    """Slope of the head, before closing and after."""
    leak_pa_s: float = 0.0
    """Fall of a tube that gets no air any more, Pa/s."""
    leak_share: float = 0.0
    """Share of the purge's flow that the leak takes; 0: the fall sets in at once."""
    damping_s: float = 0.2
    """Time constant of the transmitter."""
    memory_pa: float = 0.0
    """How far the transmitter still lags behind at the first sample, Pa."""
    hold_s: float = 1.0
    """Bubbling before closing that is sampled."""
    shut_in_s: float = 4.0
    """Listening after it."""
    period_s: float = 0.05
    """Between samples."""
    phase_s: float = 0.02
    """First sample after closing."""


@dataclass(frozen=True)
class Shown:
    """Samples."""

    times_s: list[float]
    """Since closing."""
    gauge_pa: list[float]
    """What the transmitter shows, without noise."""

    def noisy(self, sd_pa: float, seed: int) -> list[float]:
        """With white noise on it."""
        random = np.random.default_rng(seed)
        noise = random.normal(scale=sd_pa, size=len(self.gauge_pa))
        return [p + float(e) for p, e in zip(self.gauge_pa, noise, strict=True)]


def _line_after(purge: Purge, steps: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Pressure at the valve's end above the tube, Pa, and share of the purge's flow that still leaves the line."""
    if purge.settling_s <= 0:
        return np.zeros(steps), np.zeros(steps)
    # heat equation dp/dt = D p'' on a unit length: the slowest mode with one end open is 4 / (pi^2 D)
    diffusivity = 4.0 / (math.pi**2 * purge.settling_s)
    width = 1.0 / _CELLS
    centres = (np.arange(_CELLS) + 0.5) * width
    cells = 1.0 - centres  # steady flow: a straight line from 1 at the valve to 0 at the tube
    matrix = np.zeros((_CELLS, _CELLS))
    for k in range(_CELLS):
        if k > 0:
            matrix[k, k - 1] += 1.0
            matrix[k, k] -= 1.0
        matrix[k, k] -= 1.0 if k < _CELLS - 1 else 2.0  # half a cell to the open end
        if k < _CELLS - 1:
            matrix[k, k + 1] += 1.0
    matrix *= diffusivity / width**2
    # Crank and Nicolson
    unit = np.eye(_CELLS)
    move = np.linalg.solve(unit - 0.5 * _STEP_S * matrix, unit + 0.5 * _STEP_S * matrix)
    valve, flow = np.empty(steps), np.empty(steps)
    for n in range(steps):
        valve[n] = cells[0]  # no flow at the shut end, so the gradient there is gone at once
        flow[n] = cells[-1] / (0.5 * width)
        cells = move @ cells
    valve[0] = 1.0
    return valve, flow


def shown_by(purge: Purge) -> Shown:
    """Integrate and sample."""
    before, after = round(purge.hold_s / _STEP_S), round(purge.shut_in_s / _STEP_S)
    clock = (np.arange(before + after) - before) * _STEP_S
    truth = purge.head_pa + purge.drift_pa_s * clock
    friction, flow = _line_after(purge, after)
    if purge.seen:
        truth[:before] += purge.friction_pa
        truth[before:] += purge.friction_pa * friction
    truth[:before] += purge.tube_friction_pa
    truth[before:] += purge.tube_friction_pa * flow
    lost, fallen = 0.0, np.zeros(after)
    for n in range(after):
        fallen[n] = lost
        if purge.leak_share > 0:
            lost += _STEP_S * purge.leak_pa_s * max(0.0, 1.0 - flow[n] / purge.leak_share)
        else:
            lost += _STEP_S * purge.leak_pa_s
    truth[before:] -= fallen
    shown = np.empty_like(truth)
    now = truth[0] - purge.memory_pa - purge.drift_pa_s * purge.damping_s
    keep = math.exp(-_STEP_S / purge.damping_s)
    for n, value in enumerate(truth):
        now = value + (now - value) * keep
        shown[n] = now
    first = purge.phase_s - math.floor((purge.hold_s - 0.01 + purge.phase_s) / purge.period_s) * purge.period_s
    at = np.arange(first, purge.shut_in_s - 0.01, purge.period_s)
    return Shown(at.tolist(), np.interp(at, clock, shown).tolist())
