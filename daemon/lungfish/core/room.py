"""How long an open valve can't take the pressure at the transmitter past a limit, whatever the tube does."""

from __future__ import annotations

import math

from lungfish.core.blow import ClearSetup
from lungfish.core.expect import bubbling_friction_pa, line_friction_at_pa
from lungfish.core.setup import CycleSetup, Learned

__all__ = ["LEAST_PULSE_S", "SUPPLY_MARGIN", "Room", "worst_rise_pa_s"]

FLOW_MARGIN = 1.5
"""The air may flow half as much again as the site file says; the same margin that filling times have."""
LEAST_PULSE_S = 0.2
"""A shorter pulse moves nothing; it is not begun."""
_FRICTION_MARGIN = 2.0
SUPPLY_MARGIN = 1.1
"""A supply may stand a tenth above what the site file says."""
_WINDOW_S = 0.3
_TOP_SHARE = 1e-3
_FALLEN_PA = 1000.0
_FALLEN_SHARE = 0.15
_LONGEST_DAMPING_S = 2.0


def worst_rise_pa_s(setup: CycleSetup) -> float:
    """Fastest rise that a tube can show: tip shut, flooded as far as the vessel allows, half as much flow again.

    ``Q / V`` (Boyle's law). A plug in the line itself leaves less volume than that; then only what was seen tells.

    Args:
        setup: the tank.

    Returns:
        Pa/s; infinite when liquid may stand above the tube: it may have filled the line as well.
    """
    if setup.full_head_m > setup.tube_length_m:
        return math.inf
    volume_m3 = setup.air_space.air_volume_m3(setup.full_head_m)
    return FLOW_MARGIN * setup.flow_pa_m3_s / volume_m3 if volume_m3 > 0.0 else math.inf


def _friction_pa(setup: CycleSetup, ratio: float) -> float:
    """Most that friction adds at the transmitter; it is greatest at atmospheric pressure.

    At the valve's end it lifts the pressure while air flows. At the tube's end it comes afterwards: the air that
    friction has packed into the line flows on into the tube when the valve is shut.
    """
    friction_pa = bubbling_friction_pa(setup, 0.0)
    if not setup.tee_at_valve:
        friction_pa += line_friction_at_pa(setup, setup.flow_pa_m3_s, 0.0)
    return _FRICTION_MARGIN * max(1.0, ratio) * friction_pa


class Room:
    """Keeps the deadline of one clearing.

    Args:
        setup: the tank.
        learned: what its cycles have found out.
        clear: limit and delay.
        seen_rise_pa_s: steepest rise seen before, Pa/s; 0 when unknown.
    """

    def __init__(self, setup: CycleSetup, learned: Learned, clear: ClearSetup, seen_rise_pa_s: float = 0.0) -> None:
        self._limit_pa = clear.limit_pa
        self._delay_s = clear.delay_s
        self.damping_s = min(_LONGEST_DAMPING_S, learned.damping_s * math.exp(learned.log_damping_u))
        """Longest time constant of the transmitter, s."""
        self._friction_pa = _friction_pa(setup, learned.friction_ratio)
        ripple_pa = setup.ripple_bound_pa
        self._margin_pa = self._friction_pa + ripple_pa + 3.0 * setup.transmitter_u_pa
        self._rise_pa_s = max(worst_rise_pa_s(setup), FLOW_MARGIN * seen_rise_pa_s)
        # a supply that can't pass the limit needs no clock
        self.harmless = SUPPLY_MARGIN * setup.supply_gauge_pa <= clear.limit_pa
        """The supply can't pass the limit: no pulse needs to be cut short."""
        self._top_pa = setup.span_high_pa - _TOP_SHARE * (setup.span_high_pa - setup.span_low_pa)
        self._opened: tuple[float, float] | None = None
        self._proof: tuple[float, float] | None = None
        self._peak_pa = -math.inf
        self._reads: list[tuple[float, float]] = []
        self.least_pulse_s = LEAST_PULSE_S
        """Shortest pulse worth beginning, s."""

    def lasts_s(self, gauge_pa: float) -> float:
        """Time after which the valve must be told to shut, from a pressure at rest, s; may be negative."""
        if self.harmless:
            return math.inf
        return (self._limit_pa - gauge_pa - self._margin_pa) / self._rise_pa_s - self._delay_s

    @property
    def begins_below_pa(self) -> float:
        """Highest pressure at rest from which a pulse is begun, Pa."""
        if self.harmless:
            return self._limit_pa
        return min(self._top_pa, self._limit_pa - self._margin_pa - self._rise_pa_s * (self._delay_s + LEAST_PULSE_S))

    def refusal(self, gauge_pa: float) -> str | None:
        """Why no pulse may begin at a pressure at rest; None: it may."""
        if not self.harmless and gauge_pa >= self._top_pa:
            return (
                f"{gauge_pa / 1000.0:.2f} kPa stand in the tube, the top of the transmitter's span: how much more it "
                "is can't be told"
            )
        if gauge_pa <= self.begins_below_pa:
            return None
        begins_pa = self.begins_below_pa
        where = f"only below {begins_pa / 1000.0:.2f} kPa" if math.isfinite(begins_pa) else "nowhere"
        return (
            f"{gauge_pa / 1000.0:.2f} kPa stand in the tube, and a pulse may begin {where}: until the valve is shut "
            f"again ({self._delay_s:.2f} s for link and valve) the pressure can rise by {self._rise_pa_s / 1000.0:.3g} "
            f"kPa/s, and must not pass {self._limit_pa / 1000.0:.4g} kPa"
        )

    def open_at(self, at_s: float, gauge_pa: float) -> None:
        """A pulse begins from a pressure at rest."""
        self._opened = at_s, gauge_pa
        self._reads, self._proof, self._peak_pa = [], None, gauge_pa

    def read(self, at_s: float, gauge_pa: float) -> None:
        """A pressure was read in the pulse.

        Three kinds of value say nothing of how high the pressure is, and give no more time: one at the top of the
        span, where it is cut off; the same as before, as a frozen transmitter gives it; and one that has fallen all at
        once, as a failing one gives it.
        """
        self._peak_pa = max(self._peak_pa, gauge_pa)
        fallen = self._peak_pa - gauge_pa > max(_FALLEN_PA, _FALLEN_SHARE * self._peak_pa)
        before_pa = self._reads[-1][1] if self._reads else (self._opened or (0.0, math.nan))[1]
        if gauge_pa < self._top_pa and gauge_pa != before_pa and not fallen:
            self._proof = at_s, gauge_pa
        self._reads.append((at_s, gauge_pa))
        while len(self._reads) > 2 and at_s - self._reads[1][0] >= _WINDOW_S:
            self._reads.pop(0)
        since_s = at_s - self._reads[0][0]
        if since_s >= _WINDOW_S:
            seen_pa_s = (gauge_pa - self._reads[0][1] - self._friction_pa) / since_s
            self._rise_pa_s = max(self._rise_pa_s, FLOW_MARGIN * seen_pa_s)

    @property
    def deadline_s(self) -> float:
        """By when the valve must have been told to shut: the latest moment that any of what was seen proves safe."""
        proofs = [self._opened[0] + self.lasts_s(self._opened[1])] if self._opened else []
        # what is shown while the pressure rises lags behind by the damping
        if self._proof is not None:
            proofs.append(self._proof[0] + self.lasts_s(self._proof[1]) - self.damping_s)
        return max(proofs, default=-math.inf)
