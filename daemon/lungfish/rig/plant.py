"""The simulated plant: one vented tank, its dip tube, line, purge valve and transmitter, from the physics.

The trapped air is one volume at one pressure (quasi-static: liquid inertia and sound take milliseconds); friction
of the line answers with the first three diffusion modes of a gas line that ends at constant pressure. Independent
of the cycle on purpose: it shares formulas with `lungfish.physics`, never with `lungfish.core`.
"""

from __future__ import annotations

import math
import random

from lungfish.physics.constants import R_AIR_J_KG_K
from lungfish.rig.faults import Faults
from lungfish.rig.parameters import PlantParameters
from lungfish.rig.pneumatics import LineFriction, PipeFriction, Ripple, Slug, TrappedAir, damped
from lungfish.rig.restriction import Narrowing, Tip
from lungfish.rig.supply import Supply

__all__ = ["Faults", "Plant", "PlantParameters"]

_SHORTEST_S = 0.005
"""Steps just after something has changed; the friction of a short line settles within it."""
_GROWTH = 0.12
"""Longest step as a share of the time since the last change: all that follows a change slows down as it goes on."""
_LONGEST_S = 10.0
"""Longest step at rest and while bubbling."""
_FILLING_S = 0.25
"""Longest step while the tube fills."""
_REST_S = 1.0
"""No step is made shorter than this because the level moves."""
_SETTLED_S = 60.0
"""This long after a change nobody looks closely any more."""
_WAVES_S = 0.25
"""From then on no step is made shorter than this because of waves."""
_MOVE_M = 0.005
"""Longest way of the level within a longer step, so that a turn within it loses no more air than that."""
_BEND_M = 2e-5
"""How far the level may leave a straight line within a step."""
_DAY_S = 86400.0
_OFF_TIP_M = 1e-4
"""With the liquid this far inside the tube no bubble hangs at the tip any more, nor the pressure that it froze."""


class Plant:
    """One tank in time. Advance it, command the valve, read the transmitter."""

    def __init__(self, params: PlantParameters, seed: int, faults: Faults | None = None) -> None:
        self.params = params
        """The truth; may be replaced while the plant runs, its bores, lengths and ripple excepted."""
        self.faults = faults or Faults()
        """What is wrong now: its fields may be changed at any time, or all of it replaced."""
        self.coil = False
        self.vent_coil = False
        self.isolator_coil = True
        self.air_in_pa_m3 = 0.0
        self.now_s = 0.0
        self.highest_pa = -math.inf
        """Highest pressure that has stood at the transmitter, Pa gauge, undamped and without ripple; may be reset."""
        self._random = random.Random(seed)  # noqa: S311 - a simulation, not a secret
        p = params
        self._line = LineFriction(p.line_bore_m, p.line_length_m, p.air_k)
        self._tube = PipeFriction(p.tube_bore_m, p.air_k)
        self._air = TrappedAir(
            bore_m=p.tube_bore_m,
            length_m=p.tube_length_m,
            line_m3=self._line.volume_m3,
            weight_pa_m=p.density_kg_m3 * p.gravity_m_s2,
            atmosphere_abs_pa=p.atmosphere_abs_pa,
        )
        self._ripple = Ripple(p.ripple_pa, p.gravity_m_s2, self._random)
        self._slug = Slug(self._random)
        self._supply = Supply()
        self._tip_narrowing = Narrowing(p.tube_bore_m, p.air_k)
        self._tip = Tip(self.faults, self._tip_narrowing)
        self._seen: tuple[Faults, int] | None = None
        self._moves: list[tuple[float, bool]] = []
        self._spindle_open = False
        self._was_open = False
        self._changed_s = -math.inf
        self._head_m = self._head_now_m()
        self._rate_m_s = 0.0
        self._bend_m_s2 = 0.0
        self._air.flood(self.head_pa)
        self._input_pa = self._out_pa = 0.0
        self._input_pa = self._out_pa = self._transmitter_input_pa()
        self._held_pa = self._out_pa

    def _head_now_m(self) -> float:
        return max(0.0, self.params.level_m(self.now_s) - self.params.tip_m)

    @property
    def level_m(self) -> float:
        """True level above the floor, m."""
        return self.params.level_m(self.now_s)

    @property
    def head_pa(self) -> float:
        """True head above the tip, Pa."""
        return self.params.density_kg_m3 * self.params.gravity_m_s2 * self._head_now_m()

    @property
    def valve_open(self) -> bool:
        """Whether air can pass the valve, whatever the coil says."""
        return self._spindle_open if self.faults.valve_stuck is None else self.faults.valve_stuck

    @property
    def rise_m(self) -> float:
        """Liquid inside the tube above the tip, m."""
        return self._air.rise_m

    @property
    def trapped_pa_m3(self) -> float:
        """Amount of air in tube and line as pV, Pa m3."""
        return self._air.stored_pa_m3 + self._line.excess_pa_m3

    @property
    def full_pa_m3(self) -> float:
        """Amount of air (pV) of tube and line filled down to the tip at the present head, Pa m3."""
        return self._air.full_pa_m3(self.head_pa)

    def command(self, to_open: bool) -> None:
        """Drive the valve's coil."""
        if to_open == self.coil:
            return
        self.coil = to_open
        if self.faults.valve_delay_s > 0.0:
            self._moves.append((self.now_s + self.faults.valve_delay_s, to_open))
        else:
            self._moves.clear()
            self._spindle_open = to_open

    @property
    def vented(self) -> bool:
        """Whether the transmitter is on the atmosphere and cut off from the tube, whatever the vent's coil says."""
        return self.vent_coil if self.faults.vent_stuck is None else self.faults.vent_stuck

    def command_vent(self, to_open: bool) -> None:
        """Drive the coil of the transmitter's vent valve."""
        if to_open != self.vent_coil:
            self.vent_coil, self._changed_s = to_open, self.now_s

    @property
    def isolated(self) -> bool:
        """Whether the transmitter is cut off from the tube, whatever the isolating valve's coil says."""
        stuck_open = self.faults.isolator_stuck
        return not (self.isolator_coil if stuck_open is None else stuck_open)

    @property
    def tube_gauge_pa(self) -> float:
        """Pressure of the air at the valve's end of the line, Pa gauge."""
        return self._air.gauge_pa + self._line.drop_pa

    def command_isolator(self, to_open: bool) -> None:
        """Drive the coil of the isolating valve: open, the transmitter is on the tube."""
        if to_open != self.isolator_coil:
            self.isolator_coil, self._changed_s = to_open, self.now_s

    def bears_tube(self) -> bool:
        """What a pressure switch on the tube says that is set to the top of the transmitter's span."""
        return max(self._air.gauge_pa, self.tube_gauge_pa) < self.params.span_high_pa

    def supply_switch(self, closes_above_share: float = 0.5) -> bool:
        """What a pressure switch in front of the restrictor says.

        Args:
            closes_above_share: the share of the right supply pressure (gauge) at which it closes, 1.
        """
        return self._supply.gauge_pa(self.params, self.faults) >= closes_above_share * self.params.supply_gauge_pa

    def supply_gauge_pa(self) -> float:
        """Pressure in front of the restrictor, Pa."""
        return self._supply.gauge_pa(self.params, self.faults)

    def flow_switch(self, closes_above_share: float = 0.5) -> bool:
        """What a flow switch behind the valve says.

        Args:
            closes_above_share: the share of the right flow at which it closes, 1.
        """
        return self._supply.flow_pa_m3_s >= closes_above_share * self.params.flow_pa_m3_s

    def gauge_pa(self) -> float:
        """What the transmitter shows now, Pa: damped, noisy, within its span."""
        if self.faults.reads_pa is not None:
            return self.faults.reads_pa
        if self.faults.frozen:
            return self._held_pa
        p, faults = self.params, self.faults
        sees_bubbles = self._head_m and not self.vented and not self.isolated
        shown_pa = self._out_pa + (self._ripple.shown_pa if sees_bubbles else 0.0)
        zero_pa = p.zero_pa + faults.zero_shift_pa
        value = shown_pa * p.gain * (1.0 + faults.gain_error) + zero_pa + self._random.gauss(0.0, p.noise_pa)
        if faults.stuck_counts_pa > 0.0:
            value = faults.stuck_counts_pa * round(value / faults.stuck_counts_pa)
        self._held_pa = min(max(value, p.span_low_pa), p.span_high_pa)
        return self._held_pa

    def advance(self, to_s: float) -> None:
        """Let time pass up to `to_s`."""
        while self.now_s < to_s - 1e-9:
            end_s = to_s
            while self._moves and self._moves[0][0] <= self.now_s + 1e-9:
                self._spindle_open = self._moves.pop(0)[1]
            if self._moves:
                end_s = min(end_s, self._moves[0][0])
            self._notice()
            self._step(min(self._stride_s(self._was_open), end_s - self.now_s), self._was_open)

    def _notice(self) -> None:
        """See whether valve or faults have changed."""
        faults, is_open = self.faults, self.valve_open
        if is_open != self._was_open:
            self._was_open, self._changed_s = is_open, self.now_s
            if not is_open and faults.plug_holds_pa > 0.0:
                faults.plug_holds_pa *= 1.0 - faults.plug_weakens_share
        if self._seen is None or self._seen[0] is not faults or self._seen[1] != faults.changes:
            self._seen, self._changed_s = (faults, faults.changes), self.now_s
            self._tip.faults = faults
            self._tip_narrowing.set_free(faults.tip_area_share, faults.tip_pa_s_m3)
            if self.params.ripple_follows_tip:
                self._ripple.narrow(faults.tip_area_share)
            self._line.narrowing.set_free(faults.line_area_share)

    def _stride_s(self, is_open: bool) -> float:
        """Longest step that still follows everything: short after a change and before the knee."""
        air, since_s = self._air, self.now_s - self._changed_s
        p_abs_pa = self.params.atmosphere_abs_pa + air.gauge_pa
        stride_s = min(max(_SHORTEST_S, _GROWTH * since_s), _LONGEST_S)
        if is_open and air.lacks_pa_m3 > 0.0:
            to_knee_s = air.lacks_pa_m3 / self.params.flow_pa_m3_s
            packing_s = self._line.packing_stride_s(p_abs_pa, air.compliance_m3())
            return min(stride_s, _FILLING_S, max(_SHORTEST_S, min(packing_s, 0.8 * to_knee_s)))
        if is_open and air.exit_pa_m3_s <= 0.0:  # the pressure climbs until plug or solids give way
            bears_pa = self._tip.bears_pa() - (
                air.gauge_pa - self.params.density_kg_m3 * self.params.gravity_m_s2 * self._head_m
            )
            to_yield_s = max(0.0, bears_pa) * air.volume_m3 / self.params.flow_pa_m3_s
            return min(stride_s, _FILLING_S, max(_SHORTEST_S, 0.8 * to_yield_s))
        if self._rate_m_s:
            stride_s = min(stride_s, max(_REST_S, _MOVE_M / abs(self._rate_m_s)))
        if self._bend_m_s2:
            shortest_s = _SHORTEST_S if since_s < _SETTLED_S else _WAVES_S
            stride_s = min(stride_s, max(shortest_s, math.sqrt(2.0 * _BEND_M / abs(self._bend_m_s2))))
        return stride_s

    def _step(self, dt_s: float, is_open: bool) -> None:
        p, air, line, faults = self.params, self._air, self._line, self.faults
        inflow = self._inflow_pa_m3_s(dt_s, is_open)
        self._supply.take(dt_s, inflow, faults)
        self.air_in_pa_m3 += inflow * dt_s
        at_tube = 0.0 if p.leak_at_valve else p.leak_pa_m3_s_pa + faults.extra_leak_pa_m3_s_pa
        at_valve = faults.extra_leak_at_valve_pa_m3_s_pa
        at_valve += (p.leak_pa_m3_s_pa + faults.extra_leak_pa_m3_s_pa) if p.leak_at_valve else 0.0
        leak = at_tube + at_valve
        lost = self._leaked_pa_m3(dt_s, inflow, leak) if leak > 0.0 else 0.0
        lost_at_valve = lost * at_valve / leak if lost else 0.0
        packed = line.excess_pa_m3
        line.relax(dt_s, inflow - lost_at_valve / dt_s, p.atmosphere_abs_pa + air.gauge_pa)
        air.stored_pa_m3 += inflow * dt_s - lost - (line.excess_pa_m3 - packed)
        if p.line_swing_k:
            air.stored_pa_m3 += self._warmed_pa_m3(dt_s)
        self.now_s += dt_s
        self._follow_level(dt_s)
        was_pa, was_full = air.gauge_pa, air.lacks_pa_m3 <= 0.0
        air.settle(dt_s, p.density_kg_m3 * p.gravity_m_s2 * self._head_m, self._tip)
        line.follow(air.gauge_pa - was_pa)
        if self._tip.has_yielded or (inflow > 0.0 and (air.lacks_pa_m3 <= 0.0) != was_full):
            self._changed_s = self.now_s
        self._slug.swing(dt_s, faults.water_in_line_m, flowing=inflow > 0.0)
        self._see(dt_s)

    def _follow_level(self, dt_s: float) -> None:
        head_m = self._head_now_m()
        rate_m_s = (head_m - self._head_m) / dt_s
        self._bend_m_s2 = (rate_m_s - self._rate_m_s) / dt_s
        self._head_m, self._rate_m_s = head_m, rate_m_s

    def _inflow_pa_m3_s(self, dt_s: float, is_open: bool) -> float:
        p, air, faults = self.params, self._air, self.faults
        share = faults.valve_opens_share if is_open else faults.valve_passes_share
        if share <= 0.0:
            return 0.0
        gauge_pa = air.gauge_pa + self._line.drop_pa
        flow = self._supply.throughput_pa_m3_s(p, faults, share, gauge_pa)
        if air.exit_pa_m3_s > 0.0:
            return flow
        # however long the step, no more air comes than lifts the pressure to that of the supply
        lacks_pa = self._supply.gauge_pa(p, faults, 0.0) - gauge_pa
        return min(flow, max(0.0, lacks_pa) * air.compliance_m3() / dt_s)

    def _leaked_pa_m3(self, dt_s: float, inflow: float, leak: float) -> float:
        """Air that a leak takes in a step, or lets in below atmosphere; the pressure nears `inflow / leak`."""
        air = self._air
        if air.exit_pa_m3_s > 0.0:
            return leak * air.gauge_pa * dt_s
        compliance = air.compliance_m3()
        return inflow * dt_s + compliance * (inflow / leak - air.gauge_pa) * math.expm1(-leak * dt_s / compliance)

    def _warmed_pa_m3(self, dt_s: float) -> float:
        """What the line's air gains in pV by its temperature in a step: p V dT / T, ideal gas."""
        p, turn = self.params, 2.0 * math.pi / _DAY_S
        warmer_k = 0.5 * p.line_swing_k * (math.sin(turn * (self.now_s + dt_s)) - math.sin(turn * self.now_s))
        return (p.atmosphere_abs_pa + self._air.gauge_pa) * self._line.volume_m3 * warmer_k / p.air_k

    def _see(self, dt_s: float) -> None:
        """Let the transmitter see the step."""
        p, air = self.params, self._air
        tau_s = p.damping_s + self.faults.damping_extra_s
        before_pa, self._input_pa = self._input_pa, self._transmitter_input_pa()
        self.highest_pa = max(self.highest_pa, self._input_pa)
        self._out_pa = damped(self._out_pa, before_pa, self._input_pa, dt_s, tau_s)
        if air.exit_pa_m3_s > 0.0 and self._head_m:
            self._ripple.bubble(dt_s, air.exit_pa_m3_s / (p.atmosphere_abs_pa + air.gauge_pa), tau_s)
        else:
            self._ripple.rest(dt_s, tau_s, off_tip=air.rise_m > _OFF_TIP_M)

    def _transmitter_input_pa(self) -> float:
        """Gauge pressure at the transmitter before its damping, the ripple apart."""
        if self.vented:
            return 0.0
        if self.isolated:
            return self._input_pa  # what was shut in
        p, air = self.params, self._air
        abs_pa = p.atmosphere_abs_pa + air.gauge_pa
        inside_m, outside_m = p.transmitter_height_m - air.rise_m, p.transmitter_height_m - self._head_m
        air_pa = (p.atmosphere_abs_pa * outside_m - abs_pa * inside_m) * p.gravity_m_s2 / (R_AIR_J_KG_K * p.air_k)
        gauge_pa = air.gauge_pa + air_pa + (self._line.drop_pa if p.tee_at_valve else 0.0) + self._slug.offset_pa
        wetted_m = p.tube_length_m - air.rise_m
        if air.exit_pa_m3_s > 0.0 and wetted_m > 0.0:
            # a burst is over before friction has built up
            gauge_pa += self._tube.drop_pa(min(air.exit_pa_m3_s, 2.0 * p.flow_pa_m3_s), abs_pa, wetted_m)
        return gauge_pa
