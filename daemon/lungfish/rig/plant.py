"""The simulated plant: one vented tank, its dip tube, line, purge valve and transmitter, from the physics.

The trapped air is one volume at one pressure (quasi-static: liquid inertia and sound take milliseconds); friction
of the line answers with the first three diffusion modes of a gas line that ends at constant pressure. Independent
of the cycle on purpose: it shares formulas with `lungfish.physics`, never with `lungfish.core`.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field

from lungfish.physics.air import air_viscosity_pa_s
from lungfish.physics.bubble import bubble_frequency_hz
from lungfish.physics.constants import R_AIR_J_KG_K
from lungfish.physics.friction import line_friction_pa
from lungfish.physics.restrictor import restrictor_throughput_pa_m3_s
from lungfish.physics.tube import bore_area_m2, pipe_volume_m3

__all__ = ["Faults", "Plant", "PlantParameters"]

_MODES = tuple(8.0 / (math.pi * (2 * k + 1)) ** 2 for k in range(3))
"""Amplitudes of the slowest diffusion modes of a line (Fourier series of the heat equation with one open end)."""

_REST_AFTER_S = 30.0
"""This long after closing only leak and level still move the pressure, so that long steps do."""


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
    """Temperature of the trapped air."""
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


@dataclass(slots=True, kw_only=True)
class Faults:
    """What is wrong with the plant at this moment; to be changed while it runs."""

    air_lost: bool = False
    """Nothing arrives from the supply."""
    plugged: bool = False
    """Nothing leaves at the tip."""
    tip_pa_s_m3: float = 0.0
    """Resistance of a partial plug at the tip, Pa of pressure for each Pa m3/s of throughput; 0 for a clean tip."""
    valve_stuck: bool | None = None
    """The valve stays open (True) or shut (False) whatever the coil says; None: it obeys."""
    frozen: bool = False
    """The transmitter repeats its last value."""
    reads_pa: float | None = None
    """The transmitter shows this whatever the pressure: a failed cell, NaN for a value that is no number."""
    extra_leak_pa_m3_s_pa: float = 0.0
    """A leak on top of the plant's own."""


@dataclass(slots=True)
class _Air:
    """State of the trapped air."""

    stored_pa_m3: float = 0.0
    """pV of tube and line without the line's friction excess."""
    rise_m: float = 0.0
    """Liquid inside the tube above the tip."""
    surface_gauge_pa: float = 0.0
    """Gauge pressure of the air at the liquid inside the tube."""
    slope_pa_s: float = 0.0
    """Its slope, as the line sees it."""
    settling_s: float = 0.0
    """Slowest time constant of the line now."""
    exit_pa_m3_s: float = 0.0
    """Throughput that leaves at the tip."""
    excess_pa_m3: float = 0.0
    """Air that the line holds above the tube's pressure because of friction."""
    modes_pa: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    """Friction of the line, by mode."""
    ripple_pa: float = 0.0
    """Ripple now; what closing freezes of it stays."""
    phase: float = 0.0
    """Phase of the bubble, 0 to 1."""


class Plant:
    """One tank in time. Advance it, command the valve, read the transmitter."""

    def __init__(self, params: PlantParameters, seed: int, faults: Faults | None = None) -> None:
        self.params = params
        self.faults = faults or Faults()
        self.coil = False
        self.air_in_pa_m3 = 0.0
        self.now_s = 0.0
        self._random = random.Random(seed)  # noqa: S311 - a simulation, not a secret
        self._area_m2 = bore_area_m2(params.tube_bore_m)
        self._tube_m3 = pipe_volume_m3(params.tube_bore_m, params.tube_length_m)
        self._line_m3 = pipe_volume_m3(params.line_bore_m, params.line_length_m) if params.line_length_m else 0.0
        self._viscosity_pa_s = air_viscosity_pa_s(params.air_k)
        self._air = _Air()
        self._was_open = False
        self._changed_s = -math.inf
        self._flood()
        self._out_pa = self._transmitter_input_pa()
        self._held_pa = self._out_pa

    def _flood(self) -> None:
        """Start as a tube that has lost all its pressure: liquid stands inside as high as outside."""
        rise_m = min(self._head_m(), self.params.tube_length_m)
        self._air.stored_pa_m3 = self.params.atmosphere_abs_pa * self._volume_m3(rise_m)
        self._settle()

    def _volume_m3(self, rise_m: float) -> float:
        return self._line_m3 + self._tube_m3 - self._area_m2 * rise_m

    def _head_m(self) -> float:
        return max(0.0, self.params.level_m(self.now_s) - self.params.tip_m)

    @property
    def level_m(self) -> float:
        """True level above the floor, m."""
        return self.params.level_m(self.now_s)

    @property
    def head_pa(self) -> float:
        """True head above the tip, Pa."""
        return self.params.density_kg_m3 * self.params.gravity_m_s2 * self._head_m()

    @property
    def valve_open(self) -> bool:
        """Whether air can pass the valve, whatever the coil says."""
        return self.coil if self.faults.valve_stuck is None else self.faults.valve_stuck

    @property
    def rise_m(self) -> float:
        """Liquid inside the tube above the tip, m."""
        return self._air.rise_m

    @property
    def trapped_pa_m3(self) -> float:
        """Amount of air in tube and line as pV, Pa m3."""
        return self._air.stored_pa_m3 + self._air.excess_pa_m3

    @property
    def full_pa_m3(self) -> float:
        """Amount of air (pV) of tube and line filled down to the tip at the present head, Pa m3."""
        return (self.params.atmosphere_abs_pa + self.head_pa) * self._volume_m3(0.0)

    def command(self, to_open: bool) -> None:
        """Drive the valve's coil."""
        self.coil = to_open

    def gauge_pa(self) -> float:
        """What the transmitter shows now, Pa: damped, noisy, within its span."""
        if self.faults.reads_pa is not None:
            return self.faults.reads_pa
        if self.faults.frozen:
            return self._held_pa
        p = self.params
        value = self._out_pa * p.gain + p.zero_pa + self._random.gauss(0.0, p.noise_pa)
        self._held_pa = min(max(value, p.span_low_pa), p.span_high_pa)
        return self._held_pa

    def advance(self, to_s: float) -> None:
        """Let time pass up to `to_s`."""
        while self.now_s < to_s - 1e-9:
            is_open = self.valve_open
            if is_open != self._was_open:
                self._was_open, self._changed_s = is_open, self.now_s
            if is_open or self._air.exit_pa_m3_s > 0:
                limit_s = 0.005
            else:
                limit_s = 0.02 if self.now_s - self._changed_s < _REST_AFTER_S else 1.0
            self._step(min(limit_s, to_s - self.now_s), is_open)

    def _step(self, dt_s: float, is_open: bool) -> None:
        p, air, faults = self.params, self._air, self.faults
        before_pa = self._transmitter_input_pa()
        valve_gauge_pa = air.surface_gauge_pa + math.fsum(air.modes_pa)
        inflow = 0.0
        if is_open and not faults.air_lost:
            inflow = restrictor_throughput_pa_m3_s(
                p.flow_pa_m3_s,
                supply_abs_pa=p.atmosphere_abs_pa + p.supply_gauge_pa,
                downstream_abs_pa=p.atmosphere_abs_pa + valve_gauge_pa,
                critical_ratio=p.critical_ratio,
            )
        leak = (p.leak_pa_m3_s_pa + faults.extra_leak_pa_m3_s_pa) * max(0.0, air.surface_gauge_pa)
        self.air_in_pa_m3 += inflow * dt_s
        line_in = inflow - (leak if p.leak_at_valve else 0.0)
        line_mean = line_in - 0.5 * self._line_m3 * air.slope_pa_s
        self._relax_friction(dt_s, line_mean)
        excess_pa_m3 = 0.5 * math.fsum(air.modes_pa) * self._line_m3
        air.stored_pa_m3 += (inflow - leak) * dt_s - (excess_pa_m3 - air.excess_pa_m3)
        air.excess_pa_m3 = excess_pa_m3
        self.now_s += dt_s
        was_pa = air.surface_gauge_pa
        self._settle(dt_s)
        # The line answers to the slope no faster than air diffuses along it; taken raw, the two would swing.
        share = 1.0 - math.exp(-dt_s / max(air.settling_s, 1e-3))
        air.slope_pa_s += share * ((air.surface_gauge_pa - was_pa) / dt_s - air.slope_pa_s)
        self._move_ripple(dt_s, is_open)
        self._damp(dt_s, before_pa, self._transmitter_input_pa())

    def _settle(self, dt_s: float = 0.0) -> None:
        """Bring liquid and air to rest: either liquid stands in the tube, or what is too much leaves at the tip."""
        p, air = self.params, self._air
        weight = p.density_kg_m3 * p.gravity_m_s2
        head_pa, full_m3 = self.head_pa, self._volume_m3(0.0)
        full = (p.atmosphere_abs_pa + head_pa) * full_m3
        if air.stored_pa_m3 < full and head_pa > 0:
            # (p_atm + w (h - z)) (V - A z) = pV, the smaller root
            a = weight * self._area_m2
            b = weight * full_m3 + (p.atmosphere_abs_pa + head_pa) * self._area_m2
            c = full - air.stored_pa_m3
            air.rise_m = 2.0 * c / (b + math.sqrt(b * b - 4.0 * a * c))
            if air.rise_m > p.tube_length_m:  # liquid has reached the line: it can rise no more here
                air.rise_m = p.tube_length_m
                air.stored_pa_m3 = (p.atmosphere_abs_pa + head_pa - weight * air.rise_m) * self._volume_m3(air.rise_m)
            air.surface_gauge_pa = head_pa - weight * air.rise_m
            air.exit_pa_m3_s = 0.0
            return
        air.rise_m = 0.0
        surplus = max(0.0, air.stored_pa_m3 - full)
        kept = surplus if self.faults.plugged else 0.0
        if not self.faults.plugged and self.faults.tip_pa_s_m3 > 0 and dt_s > 0:
            # implicit step: at a steady flow the pressure is just resistance times flow, however small their product
            kept = surplus / (1.0 + dt_s / (self.faults.tip_pa_s_m3 * full_m3))
        air.exit_pa_m3_s = (surplus - kept) / dt_s if dt_s > 0 else 0.0
        air.stored_pa_m3 = full + kept
        air.surface_gauge_pa = head_pa + kept / full_m3

    def _relax_friction(self, dt_s: float, throughput_pa_m3_s: float) -> None:
        p, air = self.params, self._air
        if not p.line_length_m:
            return
        abs_pa = p.atmosphere_abs_pa + air.surface_gauge_pa + 0.5 * math.fsum(air.modes_pa)
        target_pa = self._pipe_friction_pa(throughput_pa_m3_s, abs_pa, p.line_bore_m, p.line_length_m)
        resistance = 128.0 * self._viscosity_pa_s * p.line_length_m / (math.pi * p.line_bore_m**4)
        slowest_s = 4.0 / math.pi**2 * resistance * self._line_m3 / abs_pa
        air.settling_s = slowest_s
        total = math.fsum(_MODES)
        for k, amplitude in enumerate(_MODES):
            goal_pa = target_pa * amplitude / total
            decay = math.exp(-dt_s * (2 * k + 1) ** 2 / slowest_s)
            air.modes_pa[k] = goal_pa + (air.modes_pa[k] - goal_pa) * decay

    def _pipe_friction_pa(self, throughput_pa_m3_s: float, abs_pa: float, bore_m: float, length_m: float) -> float:
        return line_friction_pa(
            throughput_pa_m3_s / abs_pa,
            bore_m=bore_m,
            length_m=length_m,
            density_kg_m3=abs_pa / (R_AIR_J_KG_K * self.params.air_k),
            viscosity_pa_s=self._viscosity_pa_s,
        )

    def _move_ripple(self, dt_s: float, is_open: bool) -> None:
        """Bubbles leave at their own pace; when flow ends, the ripple stays as it is."""
        p, air = self.params, self._air
        if air.exit_pa_m3_s <= 0 or not self._head_m():
            if is_open and air.rise_m > 0:
                air.ripple_pa *= math.exp(-dt_s / 0.3)
            return
        flow_m3_s = air.exit_pa_m3_s / (p.atmosphere_abs_pa + air.surface_gauge_pa)
        jitter = 1.0 + 0.3 * self._random.gauss(0.0, 1.0)
        air.phase = (air.phase + dt_s * bubble_frequency_hz(flow_m3_s, p.gravity_m_s2) * jitter) % 1.0
        # a bubble grows slowly and breaks off at once: every pressure between the two is met equally often
        air.ripple_pa = p.ripple_pa * (air.phase / 0.7 - 0.5 if air.phase < 0.7 else 0.5 - (air.phase - 0.7) / 0.3)

    def _transmitter_input_pa(self) -> float:
        """Gauge pressure at the transmitter before its damping."""
        p, air = self.params, self._air
        gauge_pa = air.surface_gauge_pa + (air.ripple_pa if self._head_m() else 0.0)
        head_m = self._head_m()
        inside = (p.atmosphere_abs_pa + air.surface_gauge_pa) / (R_AIR_J_KG_K * p.air_k)
        outside = p.atmosphere_abs_pa / (R_AIR_J_KG_K * p.air_k)
        gauge_pa -= inside * p.gravity_m_s2 * (p.transmitter_height_m - air.rise_m)
        gauge_pa += outside * p.gravity_m_s2 * (p.transmitter_height_m - head_m)
        wetted_m = p.tube_length_m - air.rise_m
        if air.exit_pa_m3_s > 0 and wetted_m > 0:
            abs_pa = p.atmosphere_abs_pa + air.surface_gauge_pa
            gauge_pa += self._pipe_friction_pa(air.exit_pa_m3_s, abs_pa, p.tube_bore_m, wetted_m)
        return gauge_pa + (math.fsum(air.modes_pa) if p.tee_at_valve else 0.0)

    def _damp(self, dt_s: float, before_pa: float, after_pa: float) -> None:
        """First-order lag for an input that runs straight from `before_pa` to `after_pa`."""
        tau_s = self.params.damping_s
        if tau_s <= 0:
            self._out_pa = after_pa
            return
        lag_pa = (after_pa - before_pa) / dt_s * tau_s
        self._out_pa = after_pa - lag_pa + (self._out_pa - before_pa + lag_pa) * math.exp(-dt_s / tau_s)
