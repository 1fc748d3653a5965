"""The parts that a simulated plant is made of: friction, trapped air, bubbles, the transmitter's damping.

Each is advanced by steps of any length. Within a step it follows the exact answer to inputs that are constant or
run straight, so that steps need to be short only where something has just changed.
"""

from __future__ import annotations

import math
import random

from lungfish.physics.air import air_viscosity_pa_s
from lungfish.physics.bubble import bubble_frequency_hz
from lungfish.physics.constants import R_AIR_J_KG_K, STANDARD_GRAVITY_M_S2
from lungfish.physics.friction import laminar_resistance_pa_s_m3, line_friction_pa
from lungfish.physics.tube import bore_area_m2, pipe_volume_m3
from lungfish.rig.restriction import Narrowing, Tip

__all__ = ["LineFriction", "PipeFriction", "Ripple", "Slug", "TrappedAir", "damped"]

_SHARES = tuple(1.0 / (2 * k + 1) ** 2 / math.fsum(1.0 / (2 * k + 1) ** 2 for k in range(3)) for k in range(3))
"""Shares of the slowest diffusion modes of a line (Fourier series of the heat equation with one open end)."""

_STORES = tuple(
    0.5 * (-1) ** k / (2 * k + 1) / math.fsum(share * (-1) ** j / (2 * j + 1) for j, share in enumerate(_SHARES))
    for k in range(3)
)
"""Mean of each mode along the line over its value at the valve's end, so that a steady line stores half the drop."""

_JUMPS = (4.0 / math.pi, -4.0 / (3.0 * math.pi), 1.0 - 8.0 / (3.0 * math.pi))
"""The modes of a line that is at one pressure all along when that of the tube jumps by 1; the third stands for all
that are left out, so that nothing jumps at the valve's end."""

_PACKING_STEP = 0.05
"""Share of the line's time constant that a step may last where the tube takes as much air as the line."""

_LAMINAR_RE = 2300.0
"""Up to here friction is proportional to flow."""


def damped(shown: float, before: float, after: float, dt_s: float, tau_s: float) -> float:
    """First-order lag after a step in which its input ran straight.

    Args:
        shown: output at the start of the step.
        before: input then.
        after: input at the end of the step.
        dt_s: length of the step, s; above zero.
        tau_s: time constant, s; 0 for none.
    """
    if tau_s <= 0:
        return after
    # written with expm1, for steps may be as short as a rounding error
    gone = math.expm1(-dt_s / tau_s)
    return after + (shown - before) * (1.0 + gone) + (after - before) * gone * tau_s / dt_s


class PipeFriction:
    """Friction of air in a pipe of one bore, from its throughput: the Reynolds number needs no pressure then."""

    def __init__(self, bore_m: float, air_k: float) -> None:
        self._bore_m = bore_m
        self._gas = R_AIR_J_KG_K * air_k
        self._viscosity_pa_s = air_viscosity_pa_s(air_k)
        self.laminar_pa_s_m4 = laminar_resistance_pa_s_m3(bore_m, 1.0, self._viscosity_pa_s)
        self._laminar_pa_m3_s = _LAMINAR_RE * math.pi * bore_m * self._viscosity_pa_s * self._gas / 4.0

    def drop_pa(self, throughput_pa_m3_s: float, abs_pa: float, length_m: float) -> float:
        """Pressure lost along a length, in the direction of the flow, Pa."""
        if -self._laminar_pa_m3_s <= throughput_pa_m3_s <= self._laminar_pa_m3_s:
            return self.laminar_pa_s_m4 * length_m * throughput_pa_m3_s / abs_pa
        return line_friction_pa(
            throughput_pa_m3_s / abs_pa,
            bore_m=self._bore_m,
            length_m=length_m,
            density_kg_m3=abs_pa / self._gas,
            viscosity_pa_s=self._viscosity_pa_s,
        )


class LineFriction:
    """Friction along the line, as three diffusion modes, and the air that it packs into the line.

    A narrowing sits at its joint to the tube; the whole line empties through it.
    """

    def __init__(self, bore_m: float, length_m: float, air_k: float) -> None:
        self.volume_m3 = pipe_volume_m3(bore_m, length_m) if length_m else 0.0
        self._length_m = length_m
        self._pipe = PipeFriction(bore_m, air_k)
        self._settling_pa_s = 4.0 / math.pi**2 * self._pipe.laminar_pa_s_m4 * length_m * self.volume_m3
        self._modes_pa = (0.0, 0.0, 0.0)
        self.narrowing = Narrowing(bore_m, air_k)
        self._narrow_pa = 0.0
        self.drop_pa = 0.0
        """Pressure at the valve's end above that at the tube, Pa."""
        self.excess_pa_m3 = 0.0
        """Air that the line holds above the tube's pressure because of friction."""

    def relax(self, dt_s: float, inflow_pa_m3_s: float, tube_abs_pa: float) -> None:
        """Let a step pass with a throughput into the valve's end."""
        if self._narrow_pa or not self.narrowing.is_free:
            self._narrow_pa = self.narrowing.relax(
                self._narrow_pa, inflow_pa_m3_s, self.volume_m3, dt_s, max(1.0, tube_abs_pa)
            )
        if not self._length_m:
            self.drop_pa = self._narrow_pa
            return
        abs_pa = tube_abs_pa + self._narrow_pa + 0.5 * math.fsum(self._modes_pa)
        goal_pa = self._pipe.drop_pa(inflow_pa_m3_s, abs_pa, self._length_m)
        # mode k dies away (2k + 1)^2 times as fast as the slowest
        slowest = math.exp(-dt_s * abs_pa / self._settling_pa_s)
        ninth = slowest**9
        a, b, c = self._modes_pa
        first_pa, second_pa, third_pa = goal_pa * _SHARES[0], goal_pa * _SHARES[1], goal_pa * _SHARES[2]
        a = first_pa + (a - first_pa) * slowest
        b = second_pa + (b - second_pa) * ninth
        c = third_pa + (c - third_pa) * (ninth * ninth * slowest**7)
        self._modes_pa = (a, b, c)
        self.drop_pa = self._narrow_pa + a + b + c
        stored_pa = self._narrow_pa + _STORES[0] * a + _STORES[1] * b + _STORES[2] * c
        self.excess_pa_m3 = stored_pa * self.volume_m3

    def packing_stride_s(self, tube_abs_pa: float, compliance_m3: float) -> float:
        """Longest step in which line and tube may be followed one after the other while both fill, s.

        The more of the air goes into the line, the more each answers to the other within a step.
        """
        if not self._length_m:
            return math.inf
        return _PACKING_STEP * self._settling_pa_s / tube_abs_pa * compliance_m3 / self.volume_m3

    def follow(self, moved_pa: float) -> None:
        """Note how far the tube's pressure moved in the step just relaxed: the line only follows in time."""
        if not self._length_m:
            return
        if self.narrowing.is_free:
            a, b, c = self._modes_pa
            self._modes_pa = (a - _JUMPS[0] * moved_pa, b - _JUMPS[1] * moved_pa, c - _JUMPS[2] * moved_pa)
        else:
            self._narrow_pa -= moved_pa
        self.drop_pa -= moved_pa


class TrappedAir:
    """Air in tube and line over the liquid: either liquid stands in the tube, or what is too much leaves at the tip."""

    def __init__(
        self, *, bore_m: float, length_m: float, line_m3: float, weight_pa_m: float, atmosphere_abs_pa: float
    ) -> None:
        self._area_m2 = bore_area_m2(bore_m)
        self._length_m = length_m
        self._weight_pa_m = weight_pa_m
        self._atmosphere_abs_pa = atmosphere_abs_pa
        self.volume_m3 = line_m3 + pipe_volume_m3(bore_m, length_m)
        self.stored_pa_m3 = 0.0
        """pV of tube and line without the line's friction excess."""
        self.lacks_pa_m3 = 0.0
        """What is missing until the tip is reached; 0 or less while it is uncovered inside."""
        self.rise_m = 0.0
        """Liquid inside the tube above the tip."""
        self.gauge_pa = 0.0
        """Gauge pressure of the air at the liquid inside the tube."""
        self.exit_pa_m3_s = 0.0
        """Throughput that leaves at the tip."""
        self._sealed = False

    def full_pa_m3(self, head_pa: float) -> float:
        """Amount of air that reaches down to the tip at a head."""
        return (self._atmosphere_abs_pa + head_pa) * self.volume_m3

    def flood(self, head_pa: float) -> None:
        """Start as a tube that has lost all its pressure: liquid stands inside as high as outside."""
        rise_m = min(head_pa / self._weight_pa_m, self._length_m)
        self.stored_pa_m3 = self._atmosphere_abs_pa * (self.volume_m3 - self._area_m2 * rise_m)
        self.lacks_pa_m3 = self.full_pa_m3(head_pa) - self.stored_pa_m3
        self._squeeze(self.lacks_pa_m3, head_pa)

    def compliance_m3(self) -> float:
        """How much air one Pa more takes, the liquid yielding if there is any in the tube."""
        air_m3 = self.volume_m3 - self._area_m2 * self.rise_m
        if self.lacks_pa_m3 <= 0.0 or self._sealed:
            return air_m3
        return air_m3 + (self._atmosphere_abs_pa + self.gauge_pa) * self._area_m2 / self._weight_pa_m

    def settle(self, dt_s: float, head_pa: float, tip: Tip) -> None:
        """Bring liquid and air to rest at the end of a step, the amount of air having changed."""
        full = self.full_pa_m3(head_pa)
        lacks = self.lacks_pa_m3 = full - self.stored_pa_m3
        sealed_pa = self.stored_pa_m3 / (self.volume_m3 - self._area_m2 * self.rise_m) - self._atmosphere_abs_pa
        self._sealed = tip.closed(sealed_pa + self._weight_pa_m * self.rise_m - head_pa)
        if self._sealed:
            self.gauge_pa, self.exit_pa_m3_s = sealed_pa, 0.0
            return
        if lacks > 0.0 and head_pa > 0.0:
            self._squeeze(lacks, head_pa)
            return
        before_pa = self.gauge_pa - head_pa if self.rise_m <= 0.0 else 0.0
        self.rise_m = 0.0
        offered = max(0.0, -lacks)
        outside_pa = self._atmosphere_abs_pa + head_pa
        kept_pa = tip.keeps_pa(before_pa, offered / self.volume_m3, self.volume_m3, dt_s, outside_pa)
        self.exit_pa_m3_s = max(0.0, offered - kept_pa * self.volume_m3) / dt_s
        self.stored_pa_m3 = full + kept_pa * self.volume_m3
        self.gauge_pa = head_pa + kept_pa

    def _squeeze(self, lacks_pa_m3: float, head_pa: float) -> None:
        # (p_atm + w (h - z)) (V - A z) = pV, the smaller root
        weight, outside_pa = self._weight_pa_m, self._atmosphere_abs_pa + head_pa
        b = weight * self.volume_m3 + outside_pa * self._area_m2
        rise_m = 2.0 * lacks_pa_m3 / (b + math.sqrt(b * b - 4.0 * weight * self._area_m2 * lacks_pa_m3))
        if rise_m > self._length_m:  # liquid has reached the line: it can rise no more here
            rise_m = self._length_m
            self.stored_pa_m3 = (outside_pa - weight * rise_m) * (self.volume_m3 - self._area_m2 * rise_m)
        self.rise_m = rise_m
        self.gauge_pa = head_pa - weight * rise_m
        self.exit_pa_m3_s = 0.0


class Ripple:
    """Bubbles leave at their own pace; when flow ends, the ripple stays as it is.

    It is as high as so much of the hole's width as it is of the bore's: one bore of liquid at most (common practice),
    and at a narrowed tip the hole is the bore. The pace is that of the flow alone.
    """

    _RISES = 0.7
    """A bubble grows slowly and breaks off at once: every pressure between the two is met equally often."""
    _SCATTER = 0.1
    """Relative scatter of the time that a bubble takes."""

    _FOLLOWED = 8.0
    """Bubbles that are followed one by one; what was before them in a long step has come to nothing on the mean."""

    def __init__(self, amplitude_pa: float, gravity_m_s2: float, rng: random.Random) -> None:
        self._sound_pa = amplitude_pa
        self._amplitude_pa = amplitude_pa
        self._gravity_m_s2 = gravity_m_s2
        self._random = rng
        self._phase = 0.0
        self._pace = 1.0
        self._value_pa = 0.0
        self.shown_pa = 0.0
        """Ripple after the transmitter's damping."""

    def narrow(self, area_share: float) -> None:
        """Let bubbles leave a hole of a share of the bore's area."""
        self._amplitude_pa = self._sound_pa * math.sqrt(area_share)

    def rest(self, dt_s: float, tau_s: float, *, off_tip: bool) -> None:
        """No bubble leaves."""
        if not self._amplitude_pa:
            return
        before_pa = self._value_pa
        if off_tip:
            self._value_pa *= math.exp(-dt_s / 0.3)
        self.shown_pa = damped(self.shown_pa, before_pa, self._value_pa, dt_s, tau_s)

    def bubble(self, dt_s: float, flow_m3_s: float, tau_s: float) -> None:
        """Bubbles leave with a flow at the tip's pressure."""
        if not self._amplitude_pa:
            return
        pace_hz = bubble_frequency_hz(flow_m3_s, self._gravity_m_s2)
        skipped_s = dt_s - self._FOLLOWED / pace_hz
        if skipped_s > 0.0:
            self.shown_pa = damped(self.shown_pa, 0.0, 0.0, skipped_s, tau_s)
            self._phase, self._value_pa, dt_s = self._random.random(), 0.0, self._FOLLOWED / pace_hz
        # in locals: a tank read every ten minutes sees some eighty million pieces of bubbles a year
        phase, pace, value_pa, shown_pa = self._phase, self._pace, self._value_pa, self.shown_pa
        rises, amplitude_pa = self._RISES, self._amplitude_pa
        while dt_s > 0.0:
            edge = rises if phase < rises else 1.0
            part_s = (edge - phase) / (pace_hz * pace)
            if part_s > dt_s:
                part_s = dt_s
                phase += part_s * pace_hz * pace
            elif edge < 1.0:
                phase = edge
            else:
                phase = 0.0
                pace = max(0.5, self._random.gauss(1.0, self._SCATTER))
            dt_s -= part_s
            before_pa = value_pa
            if phase < rises:
                value_pa = amplitude_pa * (phase / rises - 0.5)
            else:
                value_pa = amplitude_pa * (0.5 - (phase - rises) / (1.0 - rises))
            if part_s > 0.0:
                shown_pa = damped(shown_pa, before_pa, value_pa, part_s, tau_s)
        self._phase, self._pace, self._value_pa, self.shown_pa = phase, pace, value_pa, shown_pa


class Slug:
    """Water in a low point of the line: it is pushed to and fro while air flows, and stays where it was last.

    As simple as that: nothing but an offset on what the transmitter sees, between nothing and the slug's height, like a
    sine of some 1.3 s; the water neither takes up air nor is blown out. Frequency and shape are assumed.
    """

    _HZ = 0.75
    _WEIGHT_PA_M = 998.2 * STANDARD_GRAVITY_M_S2

    def __init__(self, rng: random.Random) -> None:
        self._random = rng
        self._phase = 0.0
        self.offset_pa = 0.0
        """Offset at the transmitter before its damping."""

    def swing(self, dt_s: float, height_m: float, *, flowing: bool) -> None:
        """Let a step pass."""
        if flowing:
            self._phase += dt_s * self._HZ * self._random.gauss(1.0, 0.2)
        self.offset_pa = self._WEIGHT_PA_M * height_m * 0.5 * (1.0 - math.cos(2.0 * math.pi * self._phase))
